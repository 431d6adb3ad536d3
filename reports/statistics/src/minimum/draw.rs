//! Values drawn to the others of their group, and groups to each other.

use super::Noisy;
use super::outliers::low_outliers;
use crate::special::normal_pdf;

/// Values that are no sample of the others, among all of them and at most as a share, and how many of their standard deviations
/// below the mean such a value may lie: what an outlier too near to be told is allowed for (estimates; calibrated by counting,
/// reports/AUDIT.md). Were it a share alone, the least of 72 values would nearly always be taken for one.
const APART: f64 = 0.5;
const MOST_APART: f64 = 0.06;
const APART_REACH: f64 = 10.0;
/// Chances of being such a value that are left aside.
const HARDLY: f64 = 1e-3;

/// A value drawn to the others.
#[derive(Debug, Clone, Copy)]
pub struct Drawn {
    pub at: f64,
    pub deviation: f64,
    pub group: u16,
    /// Standard deviation of what its group still shares.
    pub of_group: f64,
    /// Chance that it is no sample of the others, and then what it is: place and standard deviation as read.
    pub apart: f64,
    pub as_read: (f64, f64),
}

/// Values that are no outliers, by the group whose error they share.
#[derive(Debug, Clone, Copy, Default)]
struct Group {
    group: u16,
    /// Sum of 1 / variance of its values about what they share, and their weighted mean.
    weight: f64,
    mean: f64,
    /// Share of itself that a value keeps, summed, with the number of values.
    keep: (f64, f64),
    /// So far below the other groups that it stands alone.
    alone: bool,
}

/// Level of the test whether a whole group lies below the others.
const GROUP_LEVEL: f64 = 0.05;
/// Places of the deviation between groups.
const OF_GROUPS: usize = 48;

/// Values drawn to the mean of those that do not stand alone, and the variance of that mean's part in them.
///
/// A value is mean + a group's own part + its own part + the group's error + its own error: all normal, the group's error of
/// variance `by_group`, own parts of deviation `tau`. How far groups truly differ is found from their means, given that error; a
/// single group cannot show it, and its error stays whole. A group that lies too far below the others is drawn to nothing but itself.
pub fn draw(values: &[Noisy], tau: f64, by_group: f64) -> (Vec<Drawn>, f64) {
    let as_read = |one: &Noisy| {
        let deviation = (one.variance + one.about).sqrt();
        let as_read = (one.value, deviation);
        Drawn { at: one.value, deviation, group: one.group, of_group: by_group.sqrt(), apart: 0.0, as_read }
    };
    let pooled = || values.iter().filter(|one| !one.alone);
    let count = pooled().count();
    if !tau.is_finite() || count < 2 {
        return (values.iter().map(as_read).collect(), 0.0);
    }
    let total = |one: &Noisy| (tau * tau + one.variance).max(1e-12);
    let keep = |one: &Noisy| (tau * tau / total(one)).min(1.0);
    let mut groups: Vec<Group> = Vec::new();
    for one in pooled() {
        let place = groups.iter().position(|known| known.group == one.group).unwrap_or_else(|| {
            groups.push(Group { group: one.group, ..Group::default() });
            groups.len() - 1
        });
        let group = &mut groups[place];
        group.weight += 1.0 / total(one);
        group.mean += (one.value - group.mean) / total(one) / group.weight;
        group.keep = (group.keep.0 + keep(one), group.keep.1 + 1.0);
    }
    let means: Vec<f64> = groups.iter().map(|group| group.mean).collect();
    for low in low_outliers(&means, GROUP_LEVEL) {
        groups[low].alone = true;
    }
    let truly = between_groups(&groups, tau, by_group);
    let apart = truly + by_group;
    let kept = || groups.iter().filter(|group| !group.alone);
    let precision = |group: &Group| 1.0 / (apart + 1.0 / group.weight);
    let known: f64 = kept().map(precision).sum();
    let mean = kept().map(|group| group.mean * precision(group)).sum::<f64>() / known;
    let mut own = 0.0;
    let lanes = values
        .iter()
        .map(|one| {
            let read = as_read(one);
            let Some(group) = groups.iter().find(|group| group.group == read.group) else { return read };
            if group.alone {
                // Drawn to the others of its group only.
                let keep = keep(one);
                if one.alone {
                    return read;
                }
                let left = (1.0 - keep).powi(2) / group.weight + by_group;
                let at = group.mean + keep * (one.value - group.mean);
                let deviation = (keep * one.variance + one.about).sqrt();
                return Drawn { at, deviation, of_group: left.sqrt(), ..read };
            }
            // The group's part in all, and how much of it is true.
            let (held, share) = (apart * precision(group), if apart > 0.0 { truly / apart } else { 0.0 });
            let of_group = held * (group.mean - mean);
            let mut left =
                (share - group.keep.0 / group.keep.1).powi(2) * held / group.weight + share * by_group;
            if groups.len() == 1 && by_group == 0.0 {
                // What a single group has left, all have.
                own += left / count as f64;
                left = 0.0;
            }
            let keep = keep(one);
            if one.alone {
                // Its group's error is its own.
                let deviation = (one.variance + one.about + (by_group - left).max(0.0)).sqrt();
                return Drawn { deviation, of_group: left.sqrt(), as_read: (one.value, deviation), ..read };
            }
            own += (1.0 - share * held - keep * (1.0 - held)).powi(2) / known / count as f64;
            let below = (mean + of_group - one.value) / total(one).sqrt();
            let odds = (APART / count as f64).min(MOST_APART);
            let far = odds / APART_REACH;
            let chance = if below > 0.0 { far / (far + (1.0 - odds) * normal_pdf(below)) } else { 0.0 };
            Drawn {
                at: mean + share * of_group + keep * (one.value - mean - of_group),
                deviation: (keep * one.variance + one.about).sqrt(),
                of_group: left.sqrt(),
                apart: if chance > HARDLY { chance } else { 0.0 },
                ..read
            }
        })
        .collect();
    (lanes, own)
}

/// Variance of what groups truly differ by, from their means and the error that each has: the median of its deviation's posterior
/// distribution, which has a half-Cauchy prior whose median is the deviation within a group.
fn between_groups(groups: &[Group], tau: f64, by_group: f64) -> f64 {
    let scale = tau.max(1e-6 * by_group.sqrt());
    let kept: Vec<&Group> = groups.iter().filter(|group| !group.alone).collect();
    let centre = kept.iter().map(|group| group.mean).sum::<f64>() / kept.len().max(1) as f64;
    let seen = kept.iter().map(|group| (group.mean - centre).powi(2)).sum::<f64>() / kept.len().max(1) as f64;
    // Half of a half-Cauchy distribution lies below its scale: places by its own quantiles are a prior of equal weights.
    let most = 4.0 * (seen.sqrt() + scale);
    let turn = (most / scale).atan();
    let place = |at: usize| scale * (turn * (at as f64 + 0.5) / OF_GROUPS as f64).tan();
    let logs: Vec<f64> = (0..OF_GROUPS)
        .map(|at| {
            let variance = |group: &Group| place(at).powi(2) + by_group + 1.0 / group.weight;
            let known: f64 = kept.iter().map(|group| 1.0 / variance(group)).sum();
            let mean = kept.iter().map(|group| group.mean / variance(group)).sum::<f64>() / known;
            let of = |group: &&Group| {
                let variance = variance(group);
                -0.5 * (variance.ln() + (group.mean - mean).powi(2) / variance)
            };
            kept.iter().map(of).sum::<f64>() - 0.5 * known.ln()
        })
        .collect();
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = logs.iter().map(|log| (log - highest).exp()).collect();
    let half = 0.5 * weights.iter().sum::<f64>();
    let mut below = 0.0;
    for (at, weight) in weights.iter().enumerate() {
        below += weight;
        if below >= half {
            return place(at).powi(2);
        }
    }
    0.0
}

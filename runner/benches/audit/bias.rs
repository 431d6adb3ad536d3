//! How far readings lie off what is true, in units of their own uncertainty: where an estimate leans, this says which step leans.

use crate::kept::{Kept, Measured};
use crate::truth::METRICS;
use judge::eye_summary::JobSummary;
use plan::criteria::AcceptanceCriteria;
use std::collections::BTreeMap;

/// Sum, sum of squares, and number.
#[derive(Clone, Copy, Default)]
struct Moments(f64, f64, f64);

impl Moments {
    fn add(&mut self, value: f64) {
        *self = Moments(self.0 + value, self.1 + value * value, self.2 + 1.0);
    }

    fn mean(self) -> f64 {
        self.0 / self.2.max(1.0)
    }

    fn deviation(self) -> f64 {
        (self.1 / self.2.max(1.0) - self.mean().powi(2)).max(0.0).sqrt()
    }
}

/// Of a metric at a rate: readings of lanes less what is true of them; the lowest reading and the value printed less the true
/// minimum; the standard uncertainty printed; then, as variances, how far true values lie apart and what is printed of it, and
/// how readings scatter about what is true within an eye and what is printed of that; and the first of these as a chip's mean: what its
/// delay line does to all its readings.
#[derive(Default)]
pub struct Biases(BTreeMap<String, [Moments; 9]>);

impl Biases {
    pub fn add(&mut self, name: &str, chip: &Measured) {
        let expansion = chip.expansion();
        let criteria = AcceptanceCriteria::of(&chip.plan);
        let mut of_chip: BTreeMap<String, Moments> = BTreeMap::new();
        for run in 0..chip.runs.len() {
            let judged = chip.judge(run, &criteria, None);
            for (number, condition) in judged.conditions.iter().enumerate() {
                let rate = expansion.conditions[number].rate(&chip.plan).nominal();
                let lanes = chip.truths[number].len() / chip.directions();
                for found in &condition.metrics {
                    let Some(column) = METRICS.iter().position(|metric| *metric == found.metric) else {
                        continue;
                    };
                    let directions = &chip.plan.capture.directions;
                    let place =
                        directions.iter().position(|one| *one == found.eye.direction).expect("captured");
                    let truths = &chip.truths[number][place * lanes..(place + 1) * lanes];
                    let read = condition.lanes.iter().find(|lanes| lanes.eye == found.eye);
                    let Some(read) = read.and_then(|lanes| lanes.of(found.metric)) else { continue };
                    let key =
                        format!("{name}: {} {} at {rate}", found.eye.direction.name(), found.metric.name());
                    let own = of_chip.entry(key.clone()).or_default();
                    let moments = self.0.entry(key).or_default();
                    for (read, truth) in read.iter().zip(truths) {
                        moments[0].add(f64::from(*read) - truth[column]);
                        own.add(f64::from(*read) - truth[column]);
                    }
                    let least = truths.iter().map(|truth| truth[column]).fold(f64::INFINITY, f64::min);
                    moments[1].add(found.worst_lane.as_read - least);
                    moments[2].add(found.value - least);
                    moments[3].add(found.standard_uncertainty);
                    let spread = |values: &mut dyn Iterator<Item = f64>| {
                        let mut of = Moments::default();
                        values.for_each(|value| of.add(value));
                        of.deviation().powi(2) * of.2 / (of.2 - 1.0)
                    };
                    let pairs = || read.iter().zip(truths);
                    moments[4].add(spread(&mut truths.iter().map(|truth| truth[column])));
                    moments[5].add(found.worst_lane.spread.unwrap_or(f64::NAN).powi(2));
                    moments[6]
                        .add(spread(&mut pairs().map(|(read, truth)| f64::from(*read) - truth[column])));
                    moments[7].add(found.parts.independent.powi(2) - found.parts.shared.powi(2));
                }
            }
        }
        for (key, own) in of_chip {
            if let Some(moments) = self.0.get_mut(&key) {
                moments[8].add(own.mean());
            }
        }
    }

    pub fn print(&self) {
        println!(
            "| metric | lanes: reading - true (sd) | lowest reading - true least (sd) | value printed - true least (sd) | \
             u printed | lanes apart: true, printed | scatter of readings: seen, printed | chips' means (sd, n) |"
        );
        println!("|---|---|---|---|---|---|---|---|");
        for (name, [lanes, lowest, value, u, rest @ .., chips]) in &self.0 {
            let both = |of: &Moments| format!("{:+.2} ({:.2})", of.mean(), of.deviation());
            let [apart, printed, scatter, claimed] = rest.map(|of| of.mean().sqrt());
            println!(
                "| {name} | {} | {} | {} | {:.2} | {apart:.2}, {printed:.2} | {scatter:.2}, {claimed:.2} | {}, {} |",
                both(lanes),
                both(lowest),
                both(value),
                u.mean(),
                both(chips),
                chips.2,
            );
        }
    }
}

/// Correlation, over runs, of the differences of two mountings at the first and the second condition (mean over the lanes of
/// each metric; the chips' own means taken off): near 1 where a mounting does the same at every condition.
pub fn mountings_go_together(chips: &[Measured]) -> Option<f64> {
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for chip in chips.iter().filter(|chip| chip.plan.repeats.mountings > 1) {
        for side in 0..4 {
            let differences: Vec<[f64; 2]> =
                chip.runs.iter().filter_map(|run| difference(run, side)).collect();
            let n = differences.len().max(1) as f64;
            let mean = [0, 1].map(|at| differences.iter().map(|one| one[at]).sum::<f64>() / n);
            for one in &differences {
                let [x, y] = [one[0] - mean[0], one[1] - mean[1]];
                (xy, xx, yy) = (xy + x * y, xx + x * x, yy + y * y);
            }
        }
    }
    (xx > 0.0).then(|| xy / (xx * yy).sqrt())
}

/// Mean reach to a side in the second mounting less that in the first, at the first two conditions.
fn difference(run: &[Kept], side: usize) -> Option<[f64; 2]> {
    let mut sums = [[(0.0, 0.0); 2]; 2];
    for kept in run {
        let (condition, mounting, ..) = kept.job;
        let summary = JobSummary::from_bytes(&kept.digest)?;
        let slot = sums.get_mut(condition as usize)?.get_mut(usize::from(mounting))?;
        for edges in summary.captures.iter().flatten().flat_map(|capture| &capture.edges) {
            *slot = (slot.0 + f64::from(edges.reach[side]), slot.1 + 1.0);
        }
    }
    let mean = |of: (f64, f64)| (of.1 > 0.0).then(|| of.0 / of.1);
    let of = |[first, second]: [(f64, f64); 2]| Some(mean(second)? - mean(first)?);
    Some([of(sums[0])?, of(sums[1])?])
}

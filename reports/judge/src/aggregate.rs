//! Gathers what the jobs of each condition measured, and reads lanes out of it.

use super::centring::Crest;
use super::eye_summary::{EyeSummary, LaneReading, LaneSummary};
use super::verge::share_unsure;
use crate::judged::{JobNote, LaneValues};
use eye::shapes::Mask;
use nightbench_core::faults::Fault;
use nightbench_core::results::EyeName;
use plan::limits::Metric;
use std::borrow::Cow;
use std::collections::BTreeMap;

/// One job of a condition.
#[derive(Debug, Clone)]
pub struct Part {
    /// Mounting, repeat and start.
    pub place: (u16, u16, u16),
    /// Place in the order of the run.
    pub position: u64,
    pub captures: Vec<EyeSummary>,
}

/// Everything measured at one condition.
#[derive(Debug, Clone, Default)]
pub struct ConditionTally {
    /// Its jobs.
    pub parts: Vec<Part>,
    /// Notes on them.
    pub notes: Vec<JobNote>,
    /// Jobs whose training failed.
    pub failed_trainings: u16,
    /// Why jobs were not measured.
    pub faults: Vec<Fault>,
}

impl ConditionTally {
    /// What was measured in the first mounting.
    pub fn first_mounting(&self) -> Cow<'_, ConditionTally> {
        if self.notes.iter().all(|note| note.mounting == 0) {
            return Cow::Borrowed(self);
        }
        let notes: Vec<JobNote> = self.notes.iter().filter(|note| note.mounting == 0).cloned().collect();
        let faulted = notes.iter().any(|note| !note.valid);
        Cow::Owned(ConditionTally {
            parts: self.parts.iter().filter(|part| part.place.0 == 0).cloned().collect(),
            failed_trainings: notes.iter().filter(|note| note.valid && !note.trained).count() as u16,
            faults: if faulted { self.faults.clone() } else { Vec::new() },
            notes,
        })
    }

    /// The eyes captured, each once.
    pub fn eyes(&self) -> Vec<EyeName> {
        let mut eyes: Vec<EyeName> = Vec::new();
        for capture in self.parts.iter().flat_map(|part| &part.captures) {
            if !eyes.contains(&capture.eye) {
                eyes.push(capture.eye);
            }
        }
        eyes
    }

    /// The captures of one eye with their mounting, in the order of the jobs.
    pub fn captures(&self, eye: EyeName) -> Vec<(u16, &EyeSummary)> {
        self.parts
            .iter()
            .flat_map(|part| part.captures.iter().map(move |capture| (part.place.0, capture)))
            .filter(|(_, capture)| capture.eye == eye)
            .collect()
    }
}

/// Centre of an eye as seen from the operating point, ps and mV: mean over open lanes and jobs. A side that runs off
/// the grid has no edge, so such an eye has no centre.
fn centre(captures: &[(u16, &EyeSummary)]) -> Option<(f64, f64)> {
    let (mut ps, mut mv, mut count) = (0.0, 0.0, 0u32);
    for (_, capture) in captures {
        let grid = &capture.grid;
        for (taps, steps) in capture.edges.iter().filter_map(LaneSummary::centre) {
            (ps, mv, count) = (ps + taps * grid.tap_step.0, mv + steps * grid.vref_step.0, count + 1);
        }
    }
    (count > 0).then(|| (ps / f64::from(count), mv / f64::from(count)))
}

/// One eye of a condition, with the width and height of every lane, which most limits and every page ask for.
#[derive(Debug)]
pub struct Eye<'a> {
    /// Which eye.
    pub name: EyeName,
    /// Its captures with their mounting, in the order of the jobs.
    pub captures: Vec<(u16, &'a EyeSummary)>,
    width: Vec<LaneTally>,
    height: Vec<LaneTally>,
}

impl<'a> Eye<'a> {
    /// Gathers an eye.
    pub fn of(condition: &'a ConditionTally, name: EyeName) -> Eye<'a> {
        let captures = condition.captures(name);
        let width = lane_tallies(&captures, Metric::Width, None);
        let height = lane_tallies(&captures, Metric::Height, None);
        Eye { name, captures, width, height }
    }

    /// Every lane in one metric.
    pub fn lanes(&self, metric: Metric, mask: Option<&Mask>) -> Cow<'_, [LaneTally]> {
        match metric {
            Metric::Width => Cow::Borrowed(&self.width),
            Metric::Height => Cow::Borrowed(&self.height),
            _ => Cow::Owned(lane_tallies(&self.captures, metric, mask)),
        }
    }

    /// What the page keeps of every lane; `judged` are the metrics that are judged, with their masks.
    pub fn values(&self, judged: &[(Metric, Option<Mask>)]) -> LaneValues {
        let centre = centre(&self.captures);
        let means =
            |lanes: &[LaneTally]| lanes.iter().map(|lane| lane.value().unwrap_or(0.0) as f32).collect();
        let (mut others, mut unseen) = (Vec::new(), Vec::new());
        for (number, (metric, mask)) in judged.iter().enumerate() {
            if judged[..number].iter().any(|(known, _)| known == metric) {
                continue;
            }
            let lanes = self.lanes(*metric, mask.as_ref());
            let bound =
                lanes.iter().enumerate().filter(|(_, lane)| lane.jobs == 0 || lane.at_least.is_some());
            unseen.extend(bound.map(|(place, _)| (*metric, place as u16)));
            if !matches!(metric, Metric::Width | Metric::Height) {
                others.push((*metric, means(&lanes)));
            }
        }
        LaneValues {
            others,
            unseen,
            eye: self.name,
            lanes: self.captures.first().map(|(_, capture)| capture.lanes.clone()).unwrap_or_default(),
            width_ps: means(&self.width),
            height_mv: means(&self.height),
            margin_share: Vec::new(),
            centre_ps: centre.map(|(ps, _)| ps as f32),
            centre_mv: centre.map(|(_, mv)| mv as f32),
        }
    }
}

/// What one lane gave in one metric over the jobs of a condition.
#[derive(Debug, Clone, Copy, Default)]
pub struct LaneTally {
    /// Jobs with a value that counts into the mean.
    pub jobs: u16,
    /// Sum of their values, ps or mV.
    sum: f64,
    /// Sum of their variances from counting, and from the step.
    variances: (f64, f64),
    /// Smallest lower bound seen ("at least"), ps or mV.
    pub at_least: Option<f64>,
    /// Jobs whose operating point failed.
    pub closed: u16,
    /// Of these, jobs with an eye elsewhere, and jobs in which another start may pass.
    pub off_centre: u16,
    pub on_the_verge: u16,
    /// Jobs whose operating point failed on errors that do not show a ratio above the limit.
    in_doubt: u16,
    /// Sum over its open jobs of the mean square by which a start that closes it would put its value off.
    may_close: f64,
    /// Its changes beside the operating point: over the jobs that show both places the sum of the mean squares and of both changes
    /// together, and over those that show one the sum of that change and of its square; with their numbers.
    both: (f64, f64, u16),
    one: (f64, f64, u16),
    /// The same about the middle of its eye.
    pub crest: Crest,
}

/// Every lane of one eye in one metric, over its captures; lanes as the first capture has them.
pub fn lane_tallies(captures: &[(u16, &EyeSummary)], metric: Metric, mask: Option<&Mask>) -> Vec<LaneTally> {
    let lanes = captures.first().map_or(0, |(_, capture)| capture.lanes.len());
    let mut tallies = vec![LaneTally::default(); lanes];
    for (_, capture) in captures {
        capture.each_reading(metric, mask, |(lane, reading)| {
            if let Some(tally) = tallies.get_mut(lane) {
                tally.add(&reading);
            }
        });
    }
    tallies
}

impl LaneTally {
    fn add(&mut self, reading: &LaneReading) {
        if reading.at_least {
            let least = self.at_least.map_or(reading.value, |known| known.min(reading.value));
            self.at_least = Some(least);
            return;
        }
        self.jobs += 1;
        self.sum += reading.value;
        self.variances.0 += reading.sampling;
        self.variances.1 += reading.step;
        self.closed += u16::from(reading.closed);
        self.off_centre += u16::from(reading.off_centre);
        self.on_the_verge += u16::from(reading.on_the_verge);
        self.in_doubt += u16::from(reading.in_doubt);
        self.may_close += reading.elsewhere;
        self.crest.add(reading.off, reading.beside);
        match reading.beside {
            [Some(before), Some(after)] => {
                let square = 0.5 * (before * before + after * after);
                self.both = (self.both.0 + square, self.both.1 + before + after, self.both.2 + 1);
            }
            [Some(change), None] | [None, Some(change)] => {
                self.one = (self.one.0 + change, self.one.1 + change * change, self.one.2 + 1);
            }
            [None, None] => {}
        }
    }

    /// The operating point failed in a job, and no other start would have passed.
    pub fn is_closed(&self) -> bool {
        self.closed > self.on_the_verge
    }

    /// Variance of the mean for that where training lands may close the lane or open it; a lane that is closed has what `others` have where
    /// it is open, or what it showed itself.
    pub fn verge(&self, others: Option<f64>) -> f64 {
        if self.closed == 0 || self.is_closed() {
            return self.may_close / f64::from(self.jobs.max(1)).powi(2);
        }
        let open = self.jobs - self.closed;
        let own = if open > 0 { self.sum / f64::from(open) } else { 0.0 };
        share_unsure(open, self.closed, self.in_doubt) * others.map_or(own, |others| others.max(own)).powi(2)
    }

    /// A value in every job: neither closed nor off the grid.
    pub fn is_seen(&self) -> bool {
        self.jobs > 0 && self.closed == 0 && self.at_least.is_none()
    }

    /// Mean of the values that count; else the lower bound; `None` before any job.
    pub fn value(&self) -> Option<f64> {
        match self.jobs {
            0 => self.at_least,
            1 => Some(self.sum),
            jobs => Some(self.sum / f64::from(jobs)),
        }
    }

    /// Mean square of the changes beside the operating points; `None` where a job shows neither place. Both changes together are how a
    /// crest bends, much the same for all lanes: where one place was not seen, `bend` tells it.
    pub fn beside(&self, bend: Option<f64>) -> Option<f64> {
        let ((squares, _, both), (changes, of_one, one)) = (self.both, self.one);
        let others = match bend {
            Some(bend) => of_one - bend * changes + 0.5 * f64::from(one) * bend * bend,
            None if one > 0 => return None,
            None => 0.0,
        };
        (self.jobs > 0 && both + one == self.jobs).then(|| (squares + others) / f64::from(self.jobs))
    }

    /// Both changes beside an operating point together, summed over the jobs that show both, and their number.
    pub fn bends(&self) -> (f64, f64) {
        (self.both.1, f64::from(self.both.2))
    }

    /// Variance of the mean from counting, and from the step.
    pub fn edges(&self) -> (f64, f64) {
        if self.jobs <= 1 {
            return self.variances;
        }
        let n = f64::from(self.jobs);
        (self.variances.0 / (n * n), self.variances.1 / (n * n))
    }
}

/// Chip, module and channel.
pub type Setup = [u16; 3];

/// How repeats and re-seats of one metric scatter, pooled over conditions.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Pooled {
    /// Sum of squares within mountings, over lanes.
    within: f64,
    /// Its degrees of freedom over lanes.
    within_dof: f64,
    /// Jobs' degrees of freedom: lanes of one job are not counted as independent.
    within_jobs: f64,
    /// Sum of squares of mounting means about their mean, over lanes.
    between: f64,
    /// Its degrees of freedom over lanes.
    between_dof: f64,
    /// Mountings' degrees of freedom over conditions, and by setup.
    between_jobs: f64,
    between_setups: BTreeMap<Setup, f64>,
    /// Sum over mounting means of 1 / jobs behind it, and their number.
    inverse: (f64, f64),
    /// Sum of squares within mountings, less the edges' own, in units of the variance that the captures let expect; its
    /// degrees of freedom over lanes, and jobs' degrees of freedom.
    of_training: (f64, f64, f64),
}

/// Variance of one measurement that the captures of an eye let expect of training.
pub fn training_variance(captures: &[(u16, &EyeSummary)], metric: Metric, mask: Option<&Mask>) -> f64 {
    let sum: f64 = captures.iter().map(|(_, capture)| capture.training_scatter(metric, mask).powi(2)).sum();
    sum / captures.len().max(1) as f64
}

/// What a run itself says about scatter: standard deviations (ps or mV) and degrees of freedom.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Scatter {
    /// Of one measurement in one mounting.
    pub repeatability: Option<(f64, f64)>,
    /// Between mountings.
    pub reseating: Option<(f64, f64)>,
    /// Variance of one measurement in one mounting in units of what its capture lets expect of training
    /// ([`EyeSummary::training_scatter`]), and its degrees of freedom.
    pub of_training: Option<(f64, f64)>,
}

impl Pooled {
    /// Adds one eye of a condition of a setup.
    pub fn add(
        &mut self,
        setup: Setup,
        captures: &[(u16, &EyeSummary)],
        metric: Metric,
        mask: Option<&Mask>,
    ) {
        let lanes = captures.first().map_or(0, |(_, capture)| capture.lanes.len());
        if captures.len() < 2 {
            return;
        }
        let (mut most_within, mut most_between) = (0.0f64, 0.0f64);
        let expected = training_variance(captures, metric, mask);
        let (before, dof_before, mut of_edges) = (self.within, self.within_dof, 0.0);
        let mut groups: Vec<(u16, f64, f64, f64)> = Vec::new();
        for lane in 0..lanes {
            groups.clear();
            let (mut edges, mut count) = (0.0, 0.0f64);
            for (mounting, capture) in captures {
                let Some(reading) = capture.reading(lane, metric, mask) else { continue };
                if reading.at_least || reading.closed {
                    continue;
                }
                edges += reading.sampling + reading.step;
                count += 1.0;
                // Welford's update within the mounting.
                match groups.iter_mut().find(|group| group.0 == *mounting) {
                    Some((_, n, mean, squares)) => {
                        *n += 1.0;
                        let off = reading.value - *mean;
                        *mean += off / *n;
                        *squares += off * (reading.value - *mean);
                    }
                    None => groups.push((*mounting, 1.0, reading.value, 0.0)),
                }
            }
            let within: f64 = groups.iter().map(|group| group.1 - 1.0).sum();
            self.within += groups.iter().map(|group| group.3).sum::<f64>();
            self.within_dof += within;
            of_edges += within * edges / count.max(1.0);
            most_within = most_within.max(within);
            if groups.len() > 1 {
                let count = groups.len() as f64;
                let mean = groups.iter().map(|group| group.2).sum::<f64>() / count;
                self.between += groups.iter().map(|group| (group.2 - mean).powi(2)).sum::<f64>();
                self.between_dof += count - 1.0;
                most_between = most_between.max(count - 1.0);
                self.inverse.0 += groups.iter().map(|group| 1.0 / group.1).sum::<f64>();
                self.inverse.1 += count;
            }
        }
        self.within_jobs += most_within;
        self.between_jobs += most_between;
        let known = self.between_setups.entry(setup).or_default();
        *known = known.max(most_between);
        if expected > 0.0 {
            let (squares, dof, jobs) = &mut self.of_training;
            *squares += (self.within - before - of_edges) / expected;
            *dof += self.within_dof - dof_before;
            *jobs += most_within;
        }
    }

    /// The standard deviations; between mountings as variance component (negative ones are 0).
    pub fn scatter(&self) -> Scatter {
        let variance = (self.within_dof > 0.0).then(|| self.within / self.within_dof);
        let between = (self.between_dof > 0.0).then(|| {
            let seen = self.between / self.between_dof;
            let part = variance.map_or(0.0, |variance| variance * self.inverse.0 / self.inverse.1);
            (seen - part).max(0.0)
        });
        let (squares, dof, jobs) = self.of_training;
        Scatter {
            of_training: (dof > 0.0).then(|| ((squares / dof).max(0.0), jobs)),
            repeatability: variance.map(|variance| (variance.sqrt(), self.within_jobs)),
            reseating: between.map(|variance| (variance.sqrt(), self.between_freedom(variance))),
        }
    }

    /// Degrees of freedom of the variance seen between mountings, of which `own` is the mountings' own: their contacts are the
    /// same at every condition of a setup, however many there are; what training scatters is new at each (Welch-Satterthwaite
    /// over both parts; counted by `cargo bench -p runner --bench audit -- bias`).
    fn between_freedom(&self, own: f64) -> f64 {
        let seen = self.between / self.between_dof;
        let setups: f64 = self.between_setups.values().sum();
        let (whole, common) = (seen * seen, own.min(seen).powi(2));
        let below = (whole - common) / self.between_jobs + common / setups;
        if below > 0.0 { whole / below } else { setups }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tally(beside: [Option<f64>; 2]) -> LaneTally {
        let mut tally = LaneTally::default();
        tally.add(&LaneReading {
            value: 100.0,
            sampling: 1.0,
            step: 0.0,
            at_least: false,
            closed: false,
            off_centre: false,
            on_the_verge: false,
            in_doubt: false,
            elsewhere: 0.0,
            beside,
            off: None,
        });
        tally
    }

    /// On a parabola the second difference is the same everywhere: a lane that shows one place only is as steep as one that shows both.
    #[test]
    fn a_place_that_was_not_seen_follows_from_how_crests_bend() {
        let height = |at: f64| 200.0 - 6.0 * at * at;
        for at in [-0.8, 0.0, 0.3, 1.1] {
            let [before, after] = [-1.0, 1.0].map(|step| height(at + step) - height(at));
            let both = tally([Some(before), Some(after)]);
            let (bend, number) = both.bends();
            assert_eq!(number, 1.0);
            let square = both.beside(None).expect("both were seen");
            for one in [tally([Some(before), None]), tally([None, Some(after)])] {
                assert!((one.beside(Some(bend)).expect("one was seen") - square).abs() < 1e-9);
                assert_eq!(one.beside(None), None);
            }
            assert_eq!(tally([None, None]).beside(Some(bend)), None);
        }
    }
}

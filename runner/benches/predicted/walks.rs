//! A plan walked with predictions over a whole run that is known, on the bench's clock.

use crate::truth::Case;
use judge::prediction::{
    Clock, Field, Known, Measured, PredictedVerdict, Predictions, Quarantine, Terms, Walk, Why,
};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::CaptureMode;
use plan::Plan;
use plan::limits::Metric;
use runner::forecast::full_eye::{FullEyes, full_eye_pays};
use runner::forecast::{Expected, Forecast};
use schedule::bench_walk::Walk as Bench;
use schedule::{Calendar, JobSeconds, Standing};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// How deep conditions are measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// As the plan says.
    Plan,
    /// 1e-9 by row and column, and the full eye where that leaves a margin within its U and what it mends is worth its hours.
    Deep,
}

/// Hours of a plan, measured whole and condition by condition.
pub struct Hours {
    forecast: Forecast,
    calendar: Calendar,
    /// Seconds of measuring each condition first, and those that a full eye takes more.
    seconds: Vec<(JobSeconds, f64)>,
    /// Conditions in the plan's order.
    pub order: Vec<u32>,
    /// Hours of measuring everything, with full eyes.
    pub full: f64,
    /// Everything by row and column, where that is asked.
    pub all_lines: f64,
}

impl Hours {
    /// `attended`: hands wait for the plan's attended hours.
    pub fn new(plan: &Plan, depth: Depth, attended: bool) -> Hours {
        let forecast = Forecast::new(plan, &[]).unwrap_or_else(|failure| panic!("{failure}"));
        let calendar = if attended { forecast.calendar.clone() } else { Calendar::always() };
        let deep = PointRule::sequential(1e-9, 0.95);
        let (first, eyes) = match depth {
            Depth::Plan => (Expected::new(plan), None),
            Depth::Deep => (
                Expected::with_capture(plan, CaptureMode::RowAndColumn, deep),
                Some(FullEyes::new(plan, deep)),
            ),
        };
        let seconds: Vec<(JobSeconds, f64)> = forecast
            .expansion
            .conditions
            .iter()
            .map(|condition| {
                let times = first.of(condition);
                let more = eyes.as_ref().map_or(0.0, |eyes| 3600.0 * eyes.hours(condition));
                (JobSeconds { measuring_s: times.measuring_s, training_s: times.training_s }, more)
            })
            .collect();
        let order = forecast.jobs.iter().map(|job| job.condition).collect();
        let mut hours = Hours { forecast, calendar, seconds, order, full: 0.0, all_lines: 0.0 };
        let mut bench = hours.bench();
        let start = bench.now_min();
        for job in &hours.forecast.schedule.sequence {
            bench.take(*job, Some(hours.seconds[*job as usize].0)).expect("hands come");
        }
        hours.all_lines = (bench.now_min() - start) / 60.0;
        hours.full = hours.all_lines + hours.seconds.iter().map(|(_, more)| more / 3600.0).sum::<f64>();
        hours
    }

    fn bench(&self) -> Bench<'_> {
        let standing = Standing {
            now_min: self.forecast.schedule.start_min,
            mounted: None,
            chamber_c: self.forecast.problem.bench().start_c,
        };
        Bench::new(&self.forecast.problem, standing, None, &self.calendar)
    }
}

struct Now<'h> {
    hours: &'h Hours,
    bench: Bench<'h>,
    start_min: f64,
    /// Full eyes beside the walk, h.
    beside: f64,
    price_hours: f64,
}

impl Now<'_> {
    fn after(&self, conditions: &[u32]) -> Bench<'_> {
        let mut bench = self.bench.clone();
        for condition in conditions {
            let seconds = self.hours.seconds[*condition as usize].0;
            bench.take(*condition, Some(seconds)).expect("hands come");
        }
        bench
    }
}

impl Clock for Now<'_> {
    fn hours(&self, conditions: &[u32]) -> f64 {
        (self.after(conditions).now_min() - self.bench.now_min()) / 60.0
    }

    fn work(&self, conditions: &[u32]) -> f64 {
        let waits_min = self.after(conditions).waited_min() - self.bench.waited_min();
        self.hours(conditions) - waits_min / 60.0
    }

    fn hands(&self, after_h: f64) -> (f64, f64) {
        let (from, last) = self.bench.hands_min(60.0 * after_h).expect("hands come");
        (from / 60.0, last / 60.0)
    }

    fn spent(&self) -> f64 {
        (self.bench.now_min() - self.start_min) / 60.0 + self.beside
    }

    fn full(&self) -> f64 {
        self.hours.full
    }

    fn after_doubt(&self, condition: u32) -> f64 {
        let hours = self.hours.seconds[condition as usize].1 / 3600.0;
        if full_eye_pays(hours, self.price_hours) { hours } else { 0.0 }
    }
}

/// Visits of a kind: how many, of how many conditions, their hours; of these those of measuring at first, and those of full eyes that followed,
/// with their number. The rest are change-overs, ramps and trainings.
#[derive(Default, Clone, Copy)]
pub struct Visits {
    pub visits: usize,
    pub conditions: usize,
    pub hours: f64,
    pub measuring: f64,
    pub eyes: (usize, f64),
}

impl fmt::Debug for Visits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Visits { visits, conditions, hours, measuring, eyes } = self;
        write!(
            f,
            "{visits} visits of {conditions}, {hours:.1} h (measuring {measuring:.1}, {} full eyes {:.1})",
            eyes.0, eyes.1
        )
    }
}

/// What came of a walk.
pub struct Walked {
    pub hours: f64,
    pub predictions: Predictions,
    pub visits: BTreeMap<Why, Visits>,
    /// What was quarantined on the way.
    pub quarantined: BTreeSet<Quarantine>,
}

/// Walks a plan whose conditions read as `truth` says.
pub fn walk(field: &Field, truth: &Measured, terms: Terms, hours: &Hours) -> Walked {
    let mut walk = Walk::new(field, terms, &hours.order);
    let bench = hours.bench();
    let start_min = bench.now_min();
    let mut now = Now { hours, bench, start_min, beside: 0.0, price_hours: terms.price_hours };
    let mut stands = None;
    let mut visits: BTreeMap<Why, Visits> = BTreeMap::new();
    let mut quarantined = BTreeSet::new();
    while let Some(visit) = walk.next(stands, &now) {
        let before = now.spent();
        let slot = visits.entry(visit.why).or_default();
        slot.visits += 1;
        slot.conditions += visit.conditions.len();
        for condition in visit.conditions {
            let first = hours.seconds[condition as usize].0;
            let eye_h = now.after_doubt(condition);
            now.bench.take(condition, Some(first)).expect("hands come");
            let known = truth.get(&condition).cloned();
            if eye_h > 0.0 && known.as_ref().is_some_and(|known| is_in_doubt(field, condition, known)) {
                now.beside += eye_h;
                slot.eyes = (slot.eyes.0 + 1, slot.eyes.1 + eye_h);
            }
            slot.measuring += first.measuring_s / 3600.0;
            walk.took(condition, known);
            stands = Some(condition);
        }
        slot.hours += now.spent() - before;
        quarantined.extend(walk.quarantined());
    }
    let predictions = walk.predictions();
    Walked { hours: now.spent(), predictions, visits, quarantined }
}

/// Within twice its own uncertainty of a limit?
fn is_in_doubt(field: &Field, condition: u32, known: &Known) -> bool {
    field.asked[condition as usize].iter().any(|asked| {
        known
            .reading(asked.quantity)
            .is_some_and(|one| !one.closed && (one.value - asked.limit * asked.whole).abs() < 2.0 * one.u)
    })
}

/// Does a condition pass? `None` where a quantity has no value.
pub fn passes(field: &Field, condition: u32, known: &Known) -> Option<bool> {
    if matches!(known, Known::TrainingFailed) {
        return Some(false);
    }
    let mut all = true;
    for asked in &field.asked[condition as usize] {
        let reading = known.reading(asked.quantity)?;
        all &= reading.value >= asked.limit * asked.whole;
    }
    Some(all)
}

/// Predictions held against a whole run.
#[derive(Debug, Clone, Copy, Default)]
pub struct Held {
    pub predicted: usize,
    pub wrong: usize,
    pub false_passes: usize,
    /// Margins within their interval, of how many: width, height; and near the limit.
    pub within: [(usize, usize); 2],
    pub near: [(usize, usize); 2],
    /// Words by the probability that they are wrong, from each of [`SAID`] on: how many, the sum of that, how many were.
    pub said: [(usize, f64, usize); SAID.len()],
}

/// Where classes of a probability begin.
pub const SAID: [f64; 6] = [0.0, 0.003, 0.01, 0.03, 0.1, 0.3];

impl Held {
    pub fn add(&mut self, other: &Held) {
        self.predicted += other.predicted;
        self.wrong += other.wrong;
        self.false_passes += other.false_passes;
        for (mine, theirs) in self.said.iter_mut().zip(other.said) {
            *mine = (mine.0 + theirs.0, mine.1 + theirs.1, mine.2 + theirs.2);
        }
        for (mine, theirs) in [(&mut self.within, &other.within), (&mut self.near, &other.near)] {
            for (mine, theirs) in mine.iter_mut().zip(theirs) {
                mine.0 += theirs.0;
                mine.1 += theirs.1;
            }
        }
    }
}

/// Margins of less than this share of the limit are near it.
const NEAR: f64 = 0.2;

pub fn held(field: &Field, predictions: &Predictions, truth: &Measured) -> Held {
    let mut held = Held { predicted: predictions.predicted.len(), ..Held::default() };
    for predicted in &predictions.predicted {
        let Some(known) = truth.get(&predicted.condition) else { continue };
        if let Some(passes) = passes(field, predicted.condition, known) {
            let wrong = passes != (predicted.verdict == PredictedVerdict::Pass);
            held.wrong += usize::from(wrong);
            held.false_passes += usize::from(wrong && !passes);
            let class = SAID.partition_point(|from| *from <= predicted.p_wrong).max(1) - 1;
            let slot = &mut held.said[class];
            *slot = (slot.0 + 1, slot.1 + predicted.p_wrong, slot.2 + usize::from(wrong));
        }
        for margin in &predicted.margins {
            let place = usize::from(margin.quantity.metric == Metric::Height);
            let value = match known {
                Known::TrainingFailed => Some(0.0),
                Known::Read(_) => known.reading(margin.quantity).map(|one| one.value),
            };
            let Some(value) = value else { continue };
            let is = value - margin.limit;
            let inside = is >= margin.low && margin.high.is_none_or(|high| is <= high);
            held.within[place].0 += usize::from(inside);
            held.within[place].1 += 1;
            if is.abs() < NEAR * margin.limit {
                held.near[place].0 += usize::from(inside);
                held.near[place].1 += 1;
            }
        }
    }
    held
}

/// Verdicts in which two whole runs differ.
pub fn differ(field: &Field, one: &Measured, other: &Measured) -> usize {
    let verdict = |run: &Measured, at: u32| run.get(&at).and_then(|known| passes(field, at, known));
    (0..field.points.len() as u32)
        .filter(|at| matches!((verdict(one, *at), verdict(other, *at)), (Some(a), Some(b)) if a != b))
        .count()
}

/// Among predicted conditions: the sum of the probabilities that two runs contradict each other, and how often these do.
pub fn contradicted(field: &Field, predictions: &Predictions, runs: &[Measured; 2]) -> (f64, usize) {
    let verdict = |run: &Measured, at: u32| run.get(&at).and_then(|known| passes(field, at, known));
    let all = predictions.predicted.iter();
    let said = all.clone().map(|one| one.p_contradicted).sum();
    let differ =
        |at: u32| matches!((verdict(&runs[0], at), verdict(&runs[1], at)), (Some(a), Some(b)) if a != b);
    (said, all.filter(|one| differ(one.condition)).count())
}

/// Hours of a case at a depth.
pub fn hours(case: &Case, depth: Depth, attended: bool) -> Hours {
    Hours::new(&case.whole, depth, attended)
}

/// A fault of one module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Margins fall from room temperature to the hottest.
    Hot,
    /// Below room temperature at low supply.
    ColdLow,
}

/// How much of the limit a fault takes at its worst.
const FAULT: f64 = 0.3;

/// A run whose module has a fault, and the conditions that pass without it and fail with it.
pub fn planted(field: &Field, truth: &Measured, module: u32, fault: Fault) -> (Measured, Vec<u32>) {
    let hottest = field.points.iter().map(|point| point.temperature_c).fold(25.0, f64::max);
    let mut faulty = truth.clone();
    let mut flipped = Vec::new();
    for (condition, known) in &mut faulty {
        let point = &field.points[*condition as usize];
        if point.module != module {
            continue;
        }
        let by = match fault {
            Fault::Hot => ((point.temperature_c - 25.0) / (hottest - 25.0)).max(0.0),
            Fault::ColdLow => f64::from(u8::from(point.temperature_c < 25.0 && point.supply < 0.0)),
        };
        let before = passes(field, *condition, known);
        if let Known::Read(readings) = known {
            for asked in &field.asked[*condition as usize] {
                for reading in readings.iter_mut().filter(|one| one.quantity == asked.quantity) {
                    reading.value = (reading.value - FAULT * by * asked.limit * asked.whole).max(0.0);
                }
            }
        }
        if before == Some(true) && passes(field, *condition, known) == Some(false) {
            flipped.push(*condition);
        }
    }
    (faulty, flipped)
}

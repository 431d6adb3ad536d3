//! Rows and columns against full eyes and the exact surfaces of the simulated target: seconds, the worst lane's width and
//! height, and what a verdict on limits put among the eyes is worth.

use crate::simulated::{Crossings, SimulatedEye, each_start};
use eye::counts::CaptureView;
use eye::metrics::{Wanted, lane_metrics};
use eye::value::{EyeMetric, Reading};
use judge::eye_summary::{EyeSummary, digest};
use judge::judged::JudgedMetric;
use judge::judged_of;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Capture, CaptureMode, Grid};
use plan::Plan;
use plan::expand::Condition;
use plan::limits::{Limit, Metric};
use plan::matrix::Factor;
use runner::capture::CaptureOptions;
use statistics::proportion::exact_interval;
use statistics::special::{normal_sf, t_quantile};
use std::collections::BTreeMap;

/// Starts that what is true of a condition is the mean over: verdicts speak of the condition, not of where one training landed. What so few
/// starts leave unsure of it is counted apart.
const STARTS: u32 = 24;
/// Limits drawn for each metric of each eye, and how far from the true value at most, as a share of it.
const LIMITS: usize = 40;
const WITHIN: f64 = 0.75;
/// A full eye is taken beside every so many captures, for its seconds.
const FULL: usize = 4;
const METRICS: [(Metric, EyeMetric); 2] =
    [(Metric::Width, EyeMetric::Width), (Metric::Height, EyeMetric::Height)];

/// The silicon: which chip and seed come first, and how many chips.
#[derive(Debug, Clone, Copy)]
pub struct Silicon {
    pub from: u64,
    pub chips: u64,
}

fn plan(generation: &str, rates: &str, chip: u64) -> Plan {
    let rated = if generation == "DDR5" { 5600 } else { 3200 };
    let text = format!(
        "title = \"Rows and columns\"\n[interface]\ngeneration = \"{generation}\"\nlanes = 40\n[[chip]]\nname = \"B{chip}\"\n[[module]]\n\
         name = \"N{chip}\"\nkind = \"UDIMM\"\nrated = {rated}\n[[channel]]\nname = \"direct\"\nfits = [\"UDIMM\"]\n[[channel]]\n\
         name = \"risers\"\nrisers = 2\nfits = [\"UDIMM\"]\n[matrix]\nrate = [{rates}]\ntemperature_degc = [0, 95]\n[capture]\n\
         directions = [\"read\"]\nber_limit = 1e-9\n[[limit]]\nmetric = \"width\"\nminimum = 100\nunit = \"ps\"\nsource = \"invented\"\n\
         [[limit]]\nmetric = \"height\"\nminimum = 100\nunit = \"mV\"\nsource = \"invented\"\n"
    );
    Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

/// The least true width and height over the lanes of one start, ps and mV.
fn true_worst(lanes: &[Crossings], grid: &Grid) -> Option<[f64; 2]> {
    let mut worst = [f64::INFINITY; 2];
    for lane in lanes {
        let value = values(lane, grid)?;
        worst = [worst[0].min(value[0]), worst[1].min(value[1])];
    }
    Some(worst)
}

/// Width and height of a lane, ps and mV.
fn values([early, late, lower, upper]: &Crossings, grid: &Grid) -> Option<[f64; 2]> {
    Some([((*early)? + (*late)?) * grid.tap_step.0, ((*lower)? + (*upper)?) * grid.vref_step.0])
}

/// What is true of a metric at a condition: of each lane the mean over starts, of them the least; and between what bounds it lies for what so few
/// starts leave unsure (95 %, Student's).
#[derive(Clone, Copy)]
struct Truth {
    least: f64,
    bounds: [f64; 2],
}

/// Of width and height.
fn truths(starts: &[Vec<Crossings>], grid: &Grid) -> Option<[Truth; 2]> {
    let count = starts.len() as f64;
    let t = t_quantile(0.975, count - 1.0).ok()?;
    let mut found = [Truth { least: f64::INFINITY, bounds: [f64::INFINITY; 2] }; 2];
    for lane in 0..starts.first()?.len() {
        let all: Option<Vec<[f64; 2]>> = starts.iter().map(|start| values(start.get(lane)?, grid)).collect();
        let all = all?;
        for (metric, truth) in found.iter_mut().enumerate() {
            let mean = all.iter().map(|one| one[metric]).sum::<f64>() / count;
            let squares: f64 = all.iter().map(|one| (one[metric] - mean).powi(2)).sum();
            let unsure = t * (squares / (count - 1.0) / count).sqrt();
            truth.least = truth.least.min(mean);
            truth.bounds = [truth.bounds[0].min(mean - unsure), truth.bounds[1].min(mean + unsure)];
        }
    }
    Some(found)
}

/// Verdicts on limits put about what is true.
#[derive(Default, Clone, Copy)]
struct Verdicts {
    decided: usize,
    /// Contradicted by what is true; and those of limits nearer to it than it is known.
    wrong: usize,
    unsure: usize,
    /// Limits truly beyond U, and how many of them are decided.
    beyond: usize,
    beyond_decided: usize,
}

impl Verdicts {
    fn add(&mut self, judged: &JudgedMetric, truth: &Truth) -> bool {
        let band = judged.guard_band.abs().max(judged.expanded_uncertainty);
        let decided = judged.margin.abs() >= band;
        let truly = truth.least - judged.limit;
        let contradicted = decided && (judged.margin > 0.0) != (truly > 0.0);
        let known = judged.limit < truth.bounds[0] || judged.limit > truth.bounds[1];
        self.decided += usize::from(decided);
        self.wrong += usize::from(contradicted && known);
        self.unsure += usize::from(contradicted && !known);
        self.beyond += usize::from(truly.abs() >= band);
        self.beyond_decided += usize::from(decided && truly.abs() >= band);
        contradicted
    }

    fn share(&self) -> f64 {
        self.beyond_decided as f64 / self.beyond.max(1) as f64
    }
}

/// Of one metric behind one channel at one rate: verdicts, how far what is judged lies off what is true (sizes), U, both summed in places, and eyes.
type Kind = (Verdicts, f64, f64, usize);

#[derive(Default)]
struct Sums {
    eyes: usize,
    rows_s: f64,
    /// Seconds of full eyes, and of rows and columns of the same.
    both_s: [f64; 2],
    /// Errors of the worst lane as read and as judged, places.
    errors: [Vec<f64>; 2],
    judged: [Vec<f64>; 2],
    all: Verdicts,
    /// Of eyes captured both ways: rows and columns, and full eyes.
    both: [Verdicts; 2],
    kinds: BTreeMap<String, Kind>,
    doubt: Doubt,
}

/// Verdicts within U of the limit, where the full eye may follow: how many, how many of them rows and columns would have called
/// wrongly, and how many the full eye did; what rows and columns expected; verdicts that the full eye changed, and decided.
#[derive(Default)]
struct Doubt {
    verdicts: usize,
    wrong: usize,
    wrong_after: usize,
    expected: f64,
    changed: usize,
    decided: usize,
}

impl Doubt {
    /// One limit within U of what rows and columns read: called by them, and by the full eye that goes on from their counts.
    fn add(&mut self, lines: &JudgedMetric, eye: &JudgedMetric, truth: &Truth) {
        let passes = truth.least > lines.limit;
        let [by_lines, by_eye] = [lines, eye].map(|one| one.margin > 0.0);
        self.verdicts += 1;
        self.wrong += usize::from(by_lines != passes);
        self.wrong_after += usize::from(by_eye != passes);
        self.expected += normal_sf(2.0 * lines.margin.abs() / lines.expanded_uncertainty);
        self.changed += usize::from(by_lines != by_eye);
        let band = eye.guard_band.abs().max(eye.expanded_uncertainty);
        self.decided += usize::from(eye.margin.abs() >= band);
    }
}

/// Other starts, each with its condition.
type Others<T> = Vec<(Condition, T)>;

/// Takes the other starts; those of this condition (a first start whose training failed leaves some).
fn of_condition<T>(others: &mut Others<T>, condition: &Condition) -> Vec<T> {
    let all = std::mem::take(others).into_iter();
    all.filter(|(of, _)| of == condition).map(|(_, one)| one).collect()
}

/// A condition judged on a capture's digest by one limit.
fn judged(
    plan: &Plan,
    condition: &Condition,
    metric: Metric,
    minimum: f64,
    eye: &EyeSummary,
) -> Option<JudgedMetric> {
    let mut asked = plan.clone();
    let limit = plan.limits.iter().find(|limit| limit.metric == metric).expect("given");
    asked.limits = vec![Limit { minimum: minimum.max(1.0), ..limit.clone() }];
    judged_of(&asked, condition, None, eye.clone()).metrics.into_iter().next()
}

fn digested(capture: &Capture) -> EyeSummary {
    digest(capture, &[]).expect("counts that fit")
}

/// A verdict that is contradicted: condition, limit, what is true and what was read, U by its parts, and the lanes behind both.
fn contradiction(
    name: &str,
    judged: &JudgedMetric,
    truth: &Truth,
    eye: &EyeSummary,
    starts: &[Vec<Crossings>],
    here: &[Crossings],
) {
    let step = if judged.metric.is_time() { eye.grid.tap_step.0 } else { eye.grid.vref_step.0 };
    let place = eye.lanes.iter().position(|lane| *lane == judged.lane).expect("captured");
    let side = if judged.metric.is_time() { 0 } else { 2 };
    let of = |lane: usize, start: &[Crossings]| {
        start[lane][side].unwrap_or(f64::NAN) + start[lane][side + 1].unwrap_or(f64::NAN)
    };
    let mean = |lane: usize| starts.iter().map(|start| of(lane, start)).sum::<f64>() / starts.len() as f64;
    let lowest = (0..here.len()).min_by(|a, b| mean(*a).total_cmp(&mean(*b))).expect("lanes");
    let parts = &judged.parts;
    println!(
        "    CONTRADICTED {name}, {} limit {:.1}, true {:.1} ({:.1} to {:.1}), judged {:.1}, U {:.1} = {:.2} x {:.2}: lanes of their own and \
         counting {:.2}, shared by all {:.2}, by strobes {:.2}",
        judged.metric.name(),
        judged.limit,
        truth.least,
        truth.bounds[0],
        truth.bounds[1],
        judged.value,
        judged.expanded_uncertainty,
        parts.k,
        judged.standard_uncertainty,
        parts.independent,
        parts.shared,
        parts.shared_otherwise
    );
    for (words, lane) in [("judged by", place), ("truly worst", lowest)] {
        let read = eye.edges[lane].reach;
        println!(
            "      {words} lane {}: read {:.1}, exact {:.1}, over starts {:.1}; reach read {:.1?}, exact {:.1?}",
            eye.lanes[lane],
            f64::from(read[side] + read[side + 1]) * step,
            of(lane, here) * step,
            mean(lane) * step,
            read,
            here[lane].map(|reach| reach.unwrap_or(f64::NAN))
        );
    }
}

fn one(plan: &Plan, mut eye: SimulatedEye<'_>, others: &mut Others<Vec<Crossings>>, sums: &mut Sums) {
    let mut starts = of_condition(others, &eye.condition);
    let (found, seconds) = eye.capture(&CaptureOptions::new(CaptureMode::RowAndColumn, plan.capture.rule));
    let full = sums.eyes.is_multiple_of(FULL).then(|| {
        let (full, full_s) = eye.capture(&CaptureOptions::new(CaptureMode::Exact, plan.capture.rule));
        sums.both_s = [sums.both_s[0] + full_s, sums.both_s[1] + seconds];
        let mut completed = found.clone();
        eye.complete(&mut completed, &CaptureOptions::new(CaptureMode::Exact, plan.capture.rule));
        [digested(&full), digested(&completed)]
    });
    sums.eyes += 1;
    sums.rows_s += seconds;
    let grid = eye.device.grid;
    let here = eye.crossings(plan.capture.ber_limit);
    let worst_here = true_worst(&here, &grid);
    starts.push(eye.in_time(&here));
    let (Some(worst_here), Some(truths)) = (worst_here, truths(&starts, &grid)) else { return };
    let lanes = lane_metrics(&CaptureView::new(&found).expect("a capture fits itself"), &Wanted::margins());
    let found = digested(&found);
    let condition = eye.condition;
    let name = eye.condition.describe(plan);
    let [channel, rate] =
        [Factor::Channel, Factor::Rate].map(|factor| plan.level_name(factor, eye.condition.level(factor)));
    for (number, (metric, read)) in METRICS.into_iter().enumerate() {
        let values = lanes.iter().filter_map(|lane| lane.value(read, Reading::SubTap));
        let least = values.map(|value| value.base_value(&grid)).fold(f64::INFINITY, f64::min);
        let step = if number == 0 { grid.tap_step.0 } else { grid.vref_step.0 };
        sums.errors[number].push((least - worst_here[number]) / step);
        let truth = &truths[number];
        let kind = sums.kinds.entry(format!("{} {channel} {rate}", metric.name())).or_default();
        let mut random = SplitMix64::new((sums.eyes * 2 + number) as u64);
        for drawn in 0..LIMITS {
            let share = (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
            let minimum = truth.least * (1.0 + WITHIN * (2.0 * share - 1.0));
            let Some(one) = judged(plan, &eye.condition, metric, minimum, &found) else { continue };
            if drawn == 0 {
                let off = (one.value - truth.least) / step;
                sums.judged[number].push(off);
                kind.1 += off.abs();
                kind.2 += one.guard_band.abs().max(one.expanded_uncertainty) / step;
                kind.3 += 1;
            }
            if sums.all.add(&one, truth) {
                contradiction(&name, &one, truth, &found, &starts, &here);
            }
            kind.0.add(&one, truth);
            if let Some([full, _]) = &full
                && let Some(full) = judged(plan, &eye.condition, metric, minimum, full)
            {
                sums.both[0].add(&one, truth);
                sums.both[1].add(&full, truth);
            }
            if let Some([_, completed]) = &full {
                let within = 2.0 * (drawn as f64 + 0.5) / LIMITS as f64 - 1.0;
                let minimum = one.value + within * one.expanded_uncertainty;
                let both = [&found, completed].map(|eye| judged(plan, &condition, metric, minimum, eye));
                if let [Some(lines), Some(eye)] = &both {
                    sums.doubt.add(lines, eye, truth);
                }
            }
        }
    }
}

/// The 95 % quantile of the errors' sizes.
fn most(errors: &mut [Vec<f64>; 2]) -> [f64; 2] {
    errors.each_mut().map(|errors| {
        errors.iter_mut().for_each(|error| *error = error.abs());
        errors.sort_by(f64::total_cmp);
        errors.get(((0.95 * errors.len() as f64).ceil() as usize).max(1) - 1).copied().unwrap_or(f64::NAN)
    })
}

/// Prints the table; says how many goals are missed.
pub fn table(silicon: Silicon) -> u32 {
    println!(
        "\nrows and columns of the simulated target, 40 lanes, BER limit 1e-9, against its exact surfaces; {} chips, seeds from {}",
        silicon.chips, silicon.from
    );
    let mut missed = 0;
    for (generation, rates) in [("DDR4", "1600, 2133, 2666, 3200"), ("DDR5", "3200, 4000, 4800, 5600")] {
        let mut sums = Sums::default();
        for chip in silicon.from..silicon.from + silicon.chips {
            let plan = plan(generation, rates, chip);
            let mut others = Vec::new();
            each_start(&plan, chip, STARTS, |mut eye, start| {
                if start > 0 {
                    let crossings = eye.crossings(plan.capture.ber_limit);
                    others.push((eye.condition, eye.in_time(&crossings)));
                } else {
                    one(&plan, eye, &mut others, &mut sums);
                }
            });
        }
        let share = sums.both_s[1] / sums.both_s[0];
        let read = most(&mut sums.errors);
        let judged = most(&mut sums.judged);
        let (all, decided) = (sums.all, sums.all.share());
        let wrong = exact_interval(all.wrong as u64, all.decided.max(1) as u64, 0.95).expect("counts");
        println!(
            "  {generation}: {} eyes, {:.0} s each, {share:.3} of a full eye ({} of them); worst lane off by at most {:.2} taps and \
             {:.2} steps in 95 % as read, {:.2} and {:.2} as judged; {} verdicts decided, {} of them wrong (95 % interval up to \
             {:.2} %), {} contradicted by a truth that {STARTS} starts do not tell from the limit; of {} limits truly beyond U {:.1} % decided",
            sums.eyes,
            sums.rows_s / sums.eyes as f64,
            sums.eyes.div_ceil(FULL),
            read[0],
            read[1],
            judged[0],
            judged[1],
            all.decided,
            all.wrong,
            100.0 * wrong.upper,
            all.unsure,
            all.beyond,
            100.0 * decided
        );
        let [rows, full] = sums.both;
        println!(
            "    eyes captured both ways: rows and columns decide {:.1} % of {} limits beyond U, {} of {} wrong; full eyes {:.1} % of {}, {} of {}",
            100.0 * rows.share(),
            rows.beyond,
            rows.wrong,
            rows.decided,
            100.0 * full.share(),
            full.beyond,
            full.wrong,
            full.decided
        );
        let doubt = &sums.doubt;
        println!(
            "    {} limits within U of what was read: {} words wrong by row and column ({:.1} expected), {} after the full eye; it changed {} words and \
             decided {}",
            doubt.verdicts, doubt.wrong, doubt.expected, doubt.wrong_after, doubt.changed, doubt.decided
        );
        for (name, (verdicts, off, u, eyes)) in &sums.kinds {
            let n = (*eyes).max(1) as f64;
            println!(
                "    {name}: {} of {} limits beyond U undecided; off by {:.2} places on average, U {:.2}; {eyes} eyes",
                verdicts.beyond - verdicts.beyond_decided,
                verdicts.beyond,
                off / n,
                u / n
            );
        }
        for (goal, met) in [
            ("seconds <= 1/8 of the full eye's", share <= 0.125),
            ("worst lane within 1.2 places", read.iter().chain(&judged).all(|most| *most <= 1.2)),
            ("no wrong verdict", all.wrong == 0),
            ("97 % decided", decided >= 0.97),
        ] {
            if !met {
                println!("    MISSED: {goal}");
                missed += 1;
            }
        }
    }
    missed
}

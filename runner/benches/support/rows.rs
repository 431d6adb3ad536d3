//! Rows and columns against full eyes and the exact surfaces of the simulated target: seconds, the worst lane's width and
//! height, and what a verdict is worth.
//!
//! Limits are put in three ways. *Near*: forty of them evenly within 75 % of each eye's own true value, so that most of what is counted lies close to a
//! limit: the hardest. *Among the eyes*: the true values of forty other eyes, as the reference's prototype did. *By the plan*: the two limits of a plan
//! of the library.

#[path = "rows/off.rs"]
mod off;
#[path = "rows/truth.rs"]
mod truth;
#[path = "rows/verdicts.rs"]
mod verdicts;

use crate::simulated::{Crossings, SimulatedEye, each_start};
use eye::value::EyeMetric;
use judge::eye_summary::{EyeSummary, digest};
use judge::judged::JudgedMetric;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Capture, CaptureMode};
use off::{FAR, Off, UNTOLD, most};
use plan::Plan;
use plan::expand::Condition;
use plan::limits::Metric;
use plan::matrix::Factor;
use runner::capture::CaptureOptions;
use statistics::special::normal_sf;
use std::collections::BTreeMap;
use truth::{Truth, true_worst, truths};
use verdicts::{Judged, Verdicts, among, band, by_a_plan};

/// Starts that what is true of a condition is the mean over: verdicts speak of the condition, not of where one training landed. What so few
/// starts leave unsure of it is counted apart.
const STARTS: u32 = 24;
/// Limits drawn near for each metric of each eye, and how far from the true value at most, as a share of it.
const LIMITS: usize = 40;
const WITHIN: f64 = 0.75;
/// A full eye is taken beside every so many captures, for its seconds.
const FULL: usize = 4;
const METRICS: [(Metric, EyeMetric); 2] =
    [(Metric::Width, EyeMetric::Width), (Metric::Height, EyeMetric::Height)];

/// Generations with their rates and the plan of the library whose limits they are judged by as well.
const GENERATIONS: [(&str, &str, &str); 2] = [
    ("DDR4", "1600, 2133, 2666, 3200", include_str!("../../../plans/library/qualification.toml")),
    ("DDR5", "3200, 4000, 4800, 5600", include_str!("../../../plans/library/ddr5-look.toml")),
];

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

/// Of one metric behind one channel at one rate: verdicts, how far what is judged lies off what is true (sizes), U, both summed in places, and eyes.
type Kind = (Verdicts, f64, f64, usize);

#[derive(Default)]
struct Sums {
    eyes: usize,
    rows_s: f64,
    /// Seconds of full eyes, and of rows and columns of the same.
    both_s: [f64; 2],
    /// Errors of the worst lane as read, and as judged of the condition, places; and how many of the latter lie beyond U.
    off: Off,
    judged: [Vec<f64>; 2],
    beyond_u: usize,
    near: Verdicts,
    /// Of eyes captured both ways: rows and columns, and full eyes.
    both: [Verdicts; 2],
    kinds: BTreeMap<String, Kind>,
    doubt: Doubt,
    kept: Vec<Judged>,
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

fn digested(capture: &Capture) -> EyeSummary {
    digest(capture, &[]).expect("counts that fit")
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
    let in_time = eye.in_time(&here);
    starts.push(in_time);
    let (Some(_), Some(truths)) = (true_worst(&here, &grid), truths(&starts, &grid)) else { return };
    let name = eye.condition.describe(plan);
    sums.off.add(&found, &mut eye, &here, plan.capture.ber_limit, &name);
    let found = digested(&found);
    let eye = Judged { plan: plan.clone(), condition: eye.condition, name, found, truths, starts, here };
    near(&eye, full.as_ref(), sums);
    sums.kept.push(eye);
}

/// Verdicts on limits near each true value.
fn near(eye: &Judged, full: Option<&[EyeSummary; 2]>, sums: &mut Sums) {
    let [channel, rate] = [Factor::Channel, Factor::Rate]
        .map(|factor| eye.plan.level_name(factor, eye.condition.level(factor)));
    let grid = &eye.found.grid;
    for (number, (metric, _)) in METRICS.into_iter().enumerate() {
        let step = if number == 0 { grid.tap_step.0 } else { grid.vref_step.0 };
        let truth = &eye.truths[number];
        let kind = sums.kinds.entry(format!("{} {channel} {rate}", metric.name())).or_default();
        let mut random = SplitMix64::new((sums.eyes * 2 + number) as u64);
        for drawn in 0..LIMITS {
            let share = (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
            let minimum = truth.least * (1.0 + WITHIN * (2.0 * share - 1.0));
            let Some(one) = eye.by(metric, minimum) else { continue };
            if drawn == 0 {
                let off = (one.value - truth.least) / step;
                sums.judged[number].push(off);
                sums.beyond_u += usize::from((one.value - truth.least).abs() > one.expanded_uncertainty);
                kind.1 += off.abs();
                kind.2 += band(&one) / step;
                kind.3 += 1;
            }
            if sums.near.add(&one, truth) {
                eye.contradiction(&one, truth);
            }
            kind.0.add(&one, truth);
            let Some([full, completed]) = full else { continue };
            if let Some(full) = eye.otherwise(metric, minimum, full) {
                sums.both[0].add(&one, truth);
                sums.both[1].add(&full, truth);
            }
            let within = 2.0 * (drawn as f64 + 0.5) / LIMITS as f64 - 1.0;
            let minimum = one.value + within * one.expanded_uncertainty;
            if let (Some(lines), Some(whole)) =
                (eye.by(metric, minimum), eye.otherwise(metric, minimum, completed))
            {
                sums.doubt.add(&lines, &whole, truth);
            }
        }
    }
}

/// Prints the table; says how many goals are missed.
pub fn table(silicon: Silicon) -> u32 {
    println!(
        "\nrows and columns of the simulated target, 40 lanes, BER limit 1e-9, against its exact surfaces; {} chips, seeds from {}",
        silicon.chips, silicon.from
    );
    let mut missed = 0;
    for (generation, rates, library) in GENERATIONS {
        println!("  {generation}");
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
        missed += goals(&sums, library);
    }
    missed
}

/// Prints what one generation showed; says how many goals it misses.
fn goals(sums: &Sums, library: &str) -> u32 {
    let share = sums.both_s[1] / sums.both_s[0];
    println!(
        "    {} eyes, {:.0} s each, {share:.3} of a full eye ({} of them)",
        sums.eyes,
        sums.rows_s / sums.eyes as f64,
        sums.eyes.div_ceil(FULL)
    );
    let read = most(&sums.off.all);
    let told = most(&sums.off.told);
    let judged = most(&sums.judged);
    let far = |errors: &[Vec<f64>; 2]| {
        [0, 1].map(|number| errors[number].iter().filter(|off| off.abs() > FAR).count())
    };
    println!(
        "    worst lane as read, against the same start: off by at most {:.2} taps and {:.2} steps in 95 % of {} eyes, beyond {FAR} in {:?}; \
         less {:?} eyes whose worst lane works within a factor of {UNTOLD} of the limit {:.2} and {:.2}, beyond in {:?}",
        read[0],
        read[1],
        sums.off.all[0].len(),
        far(&sums.off.all),
        [0, 1].map(|number| sums.off.all[number].len() - sums.off.told[number].len()),
        told[0],
        told[1],
        far(&sums.off.told)
    );
    println!(
        "    worst lane as judged, against the condition over {STARTS} starts: {:.2} and {:.2} in 95 %; {} of {} beyond U",
        judged[0],
        judged[1],
        sums.beyond_u,
        sums.judged[0].len() + sums.judged[1].len()
    );
    let among = among(&sums.kept);
    let by_plan = by_a_plan(&sums.kept, library);
    println!("    limits near each eye's own value: {}", sums.near.words());
    for (words, counted) in [("among the eyes", &among), ("of the library's plan", &by_plan)] {
        println!("    limits {words}: {}", counted.metrics.words());
        println!("      conditions by width and height together: {}", counted.conditions.words());
    }
    let [rows, full] = sums.both;
    println!(
        "    eyes captured both ways, limits near: rows and columns decide {:.1} % of {} limits beyond U, {} of {} wrong; full eyes {:.1} % of {}, {} of {}",
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
            "    {name}: {} of {} limits near beyond U undecided; off by {:.2} places on average, U {:.2}; {eyes} eyes",
            verdicts.beyond - verdicts.beyond_decided,
            verdicts.beyond,
            off / n,
            u / n
        );
    }
    let mut missed = 0;
    for (goal, met) in [
        ("seconds <= 1/8 of the full eye's", share <= 0.125),
        ("worst lane as read within 1.2 places", read.iter().all(|most| *most <= FAR)),
        ("worst lane as judged within 1.2 places", judged.iter().all(|most| *most <= FAR)),
        ("no wrong verdict, limits near", sums.near.wrong == 0),
        ("no wrong verdict, limits among the eyes", among.metrics.wrong == 0),
        ("no wrong verdict, limits of the plan", by_plan.metrics.wrong == 0),
        ("97 % decided, limits near", sums.near.share() >= 0.97),
        ("97 % decided, limits among the eyes", among.metrics.share() >= 0.97),
        ("97 % of conditions decided, limits among the eyes", among.conditions.share() >= 0.97),
        ("97 % decided, limits of the plan", by_plan.metrics.share() >= 0.97),
        ("97 % of conditions decided, limits of the plan", by_plan.conditions.share() >= 0.97),
    ] {
        if !met {
            println!("    MISSED: {goal}");
            missed += 1;
        }
    }
    missed
}

//! Rows and columns against full eyes and the exact surfaces of the simulated target: seconds, the worst lane's width and
//! height, and what a verdict on limits put among the eyes is worth.

use crate::simulated::{Crossings, SimulatedEye, each_start};
use eye::counts::CaptureView;
use eye::metrics::{Wanted, lane_metrics};
use eye::value::{EyeMetric, Reading};
use judge::judged::JudgedMetric;
use judge::judged_alone;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Capture, CaptureMode, Grid};
use plan::Plan;
use plan::expand::Condition;
use plan::limits::{Limit, Metric};
use runner::capture::CaptureOptions;
use statistics::proportion::exact_interval;
use statistics::special::normal_sf;

/// Starts that what is true of a condition is the mean over: verdicts speak of the condition, not of where one training landed.
const STARTS: u32 = 8;
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

/// The least true width and height over the lanes, ps and mV.
fn true_worst(lanes: &[Crossings], grid: &Grid) -> Option<[f64; 2]> {
    let mut worst = [f64::INFINITY; 2];
    for lane in lanes {
        worst[0] = worst[0].min((lane[0]? + lane[1]?) * grid.tap_step.0);
        worst[1] = worst[1].min((lane[2]? + lane[3]?) * grid.vref_step.0);
    }
    Some(worst)
}

#[derive(Default)]
struct Sums {
    eyes: usize,
    rows_s: f64,
    /// Seconds of full eyes, and of rows and columns of the same.
    both_s: [f64; 2],
    /// Errors of the worst lane as read and as judged, places.
    errors: [Vec<f64>; 2],
    judged: [Vec<f64>; 2],
    decided: usize,
    wrong: usize,
    beyond: usize,
    beyond_decided: usize,
    doubt: Doubt,
}

/// Verdicts within U of the limit, where the full eye follows: how many, how many of them rows and columns would have called
/// wrongly, and how many the full eye did; what rows and columns expected; verdicts that the full eye changed, and mended; decided by it.
#[derive(Default)]
struct Doubt {
    verdicts: usize,
    wrong: usize,
    wrong_after: usize,
    expected: f64,
    changed: usize,
    decided: usize,
}

/// Other starts, each with its condition.
type Others<T> = Vec<(Condition, T)>;

/// Takes the other starts; those of this condition (a first start whose training failed leaves some).
fn of_condition<T>(others: &mut Others<T>, condition: &Condition) -> Vec<T> {
    let all = std::mem::take(others).into_iter();
    all.filter(|(of, _)| of == condition).map(|(_, one)| one).collect()
}

/// A condition's true width and height: of each lane the mean over starts, of them the least, ps and mV.
fn worst_of_means(starts: &[Vec<Crossings>], grid: &Grid) -> Option<[f64; 2]> {
    let lanes = starts.first()?.len();
    let means: Option<Vec<Crossings>> = (0..lanes)
        .map(|lane| {
            let mut mean = [Some(0.0); 4];
            for start in starts {
                for (sum, reach) in mean.iter_mut().zip(start.get(lane)?) {
                    *sum = sum.zip(*reach).map(|(sum, reach)| sum + reach / starts.len() as f64);
                }
            }
            Some(mean)
        })
        .collect();
    true_worst(&means?, grid)
}

fn one(plan: &Plan, mut eye: SimulatedEye<'_>, others: &mut Others<Vec<Crossings>>, sums: &mut Sums) {
    let mut starts = of_condition(others, &eye.condition);
    let (found, seconds) = eye.capture(&CaptureOptions::new(CaptureMode::RowAndColumn, plan.capture.rule));
    let mut completed = None;
    if sums.eyes.is_multiple_of(FULL) {
        let options = CaptureOptions::new(CaptureMode::Exact, plan.capture.rule);
        let (_, full) = eye.capture(&options);
        sums.both_s = [sums.both_s[0] + full, sums.both_s[1] + seconds];
        let mut all = found.clone();
        eye.complete(&mut all, &options);
        completed = Some(all);
    }
    sums.eyes += 1;
    sums.rows_s += seconds;
    let grid = eye.device.grid;
    let here = eye.crossings(plan.capture.ber_limit);
    let worst_here = true_worst(&here, &grid);
    starts.push(here);
    let (Some(worst_here), Some(truth)) = (worst_here, worst_of_means(&starts, &grid)) else { return };
    let lanes = lane_metrics(&CaptureView::new(&found).expect("a capture fits itself"), &Wanted::margins());
    for (number, (metric, read)) in METRICS.into_iter().enumerate() {
        let values = lanes.iter().filter_map(|lane| lane.value(read, Reading::SubTap));
        let least = values.map(|value| value.base_value(&grid)).fold(f64::INFINITY, f64::min);
        let step = if number == 0 { grid.tap_step.0 } else { grid.vref_step.0 };
        sums.errors[number].push((least - worst_here[number]) / step);
        let mut random = SplitMix64::new((sums.eyes * 2 + number) as u64);
        for drawn in 0..LIMITS {
            let share = (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
            let minimum = truth[number] * (1.0 + WITHIN * (2.0 * share - 1.0));
            let mut asked = plan.clone();
            let limit = plan.limits.iter().find(|limit| limit.metric == metric).expect("given");
            asked.limits = vec![Limit { minimum: minimum.max(1.0), ..limit.clone() }];
            let judged = judged_alone(&asked, &eye.condition, None, &found).expect("counts");
            let Some(judged) = judged.metrics.first() else { continue };
            if drawn == 0 {
                sums.judged[number].push((judged.value - truth[number]) / step);
            }
            let band = judged.guard_band.abs().max(judged.expanded_uncertainty);
            let (decided, truly) = (judged.margin.abs() >= band, truth[number] - judged.limit);
            sums.decided += usize::from(decided);
            sums.wrong += usize::from(decided && (judged.margin > 0.0) != (truly > 0.0));
            sums.beyond += usize::from(truly.abs() >= band);
            sums.beyond_decided += usize::from(decided && truly.abs() >= band);
            if drawn == 0
                && let Some(completed) = &completed
            {
                sums.doubt.look((&asked, &eye.condition), (&found, completed), judged, truth[number]);
            }
        }
    }
}

impl Doubt {
    /// Limits within U of what rows and columns read: called by them, and by the full eye that goes on from their counts.
    fn look(
        &mut self,
        (plan, condition): (&Plan, &Condition),
        (lines, eye): (&Capture, &Capture),
        read: &JudgedMetric,
        truth: f64,
    ) {
        let sure = read.expanded_uncertainty;
        for drawn in 0..LIMITS {
            let share = 2.0 * (drawn as f64 + 0.5) / LIMITS as f64 - 1.0;
            let mut asked = plan.clone();
            asked.limits[0].minimum = (read.value + share * sure).max(1.0);
            let of = |capture| judged_alone(&asked, condition, None, capture).expect("counts");
            let (before, after) = (of(lines), of(eye));
            let (Some(before), Some(after)) = (before.metrics.first(), after.metrics.first()) else {
                continue;
            };
            let passes = truth > before.limit;
            let [by_lines, by_eye] = [before, after].map(|one| one.margin > 0.0);
            self.verdicts += 1;
            self.wrong += usize::from(by_lines != passes);
            self.wrong_after += usize::from(by_eye != passes);
            self.expected += normal_sf(2.0 * before.margin.abs() / before.expanded_uncertainty);
            self.changed += usize::from(by_lines != by_eye);
            let band = after.guard_band.abs().max(after.expanded_uncertainty);
            self.decided += usize::from(after.margin.abs() >= band);
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
                    others.push((eye.condition, eye.crossings(plan.capture.ber_limit)));
                } else {
                    one(&plan, eye, &mut others, &mut sums);
                }
            });
        }
        let share = sums.both_s[1] / sums.both_s[0];
        let read = most(&mut sums.errors);
        let judged = most(&mut sums.judged);
        let decided = sums.beyond_decided as f64 / sums.beyond.max(1) as f64;
        let wrong = exact_interval(sums.wrong as u64, sums.decided.max(1) as u64, 0.95).expect("counts");
        println!(
            "  {generation}: {} eyes, {:.0} s each, {share:.3} of a full eye ({} of them); worst lane off by at most {:.2} taps and \
             {:.2} steps in 95 % as read, {:.2} and {:.2} as judged; {} verdicts decided, {} of them wrong (95 % interval up to \
             {:.2} %); of {} limits truly beyond U {:.1} % decided",
            sums.eyes,
            sums.rows_s / sums.eyes as f64,
            sums.eyes.div_ceil(FULL),
            read[0],
            read[1],
            judged[0],
            judged[1],
            sums.decided,
            sums.wrong,
            100.0 * wrong.upper,
            sums.beyond,
            100.0 * decided
        );
        let doubt = &sums.doubt;
        println!(
            "    {} limits within U of what was read: {} words wrong by row and column ({:.1} expected), {} after the full eye; it changed {} words and \
             decided {}",
            doubt.verdicts, doubt.wrong, doubt.expected, doubt.wrong_after, doubt.changed, doubt.decided
        );
        for (goal, met) in [
            ("seconds <= 1/8 of the full eye's", share <= 0.125),
            ("worst lane within 1.2 places", read.iter().chain(&judged).all(|most| *most <= 1.2)),
            ("no wrong verdict", sums.wrong == 0),
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

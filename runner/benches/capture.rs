//! Capture strategies on generated eyes: bench seconds and contours beside fixed raster, early-stop raster and the
//! oracle (the smallest certified set), with the same point rule and the same draws; the bias of sub-tap edges
//! (also on the simulated target); and the compute cost. Each goal is printed with the figures that miss it and, where the reference itself cannot meet
//! it, with the reference's own figure.
//!
//! `cargo bench -p runner --bench capture [-- NAME | edges [SEED] | rows [CHIPS FROM]]` prints the tables; `edges` those of the
//! bias alone, with counts and shapes drawn by SEED, `rows` that of rows and columns, over so many invented chips, numbered from
//! FROM on, with as many seeds.

#[path = "support/bias.rs"]
mod bias;
#[path = "support/cases.rs"]
mod cases;
#[path = "support/cubic.rs"]
mod cubic;
#[path = "support/rows.rs"]
mod rows;
#[path = "support/simulated.rs"]
mod simulated;
#[path = "support/mod.rs"]
mod support;

use contract::{DriverError, PointCounts, PointRequest};
use eye::labels::{EyeLabels, Lattice};
use eye::map::PassMap;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Capture, CaptureMode, LaneSet, Point, VisitKind};
use runner::capture as strategy;
use runner::capture::{
    CaptureOptions, CaptureStats, Regime, Sampler, capture_into, empty_capture, snake_order,
};
use std::time::{Duration, Instant};
use support::Eyes;

/// Keeps the device's own computing time apart.
struct Timed<'a> {
    eyes: &'a mut Eyes,
    spent: Duration,
}

impl Sampler for Timed<'_> {
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError> {
        let start = Instant::now();
        let answers = self.eyes.sample(points);
        self.spent += start.elapsed();
        answers
    }
}

struct Run {
    capture: Capture,
    stats: CaptureStats,
    bench_s: f64,
    compute: Duration,
    longest_list_s: f64,
}

fn run(eyes: &mut Eyes, options: &CaptureOptions) -> Run {
    eyes.reset();
    let (device, lanes, operating) = (eyes.capabilities.clone(), eyes.lane_numbers(), eyes.operating.clone());
    let mut timed = Timed { eyes, spent: Duration::ZERO };
    let start = Instant::now();
    let mut capture = empty_capture(&device, &lanes, &operating, options);
    let stats =
        capture_into(&mut capture, &mut timed, &device, options).expect("the simulated device answers");
    let compute = start.elapsed() - timed.spent;
    Run { capture, stats, bench_s: eyes.clock_s, compute, longest_list_s: eyes.longest_list_s }
}

/// Seconds of the smallest certified set: both sides of every pass/fail pair of the raster's labels, each point for
/// the lanes that need it, one visit each.
fn oracle(eyes: &mut Eyes, labels: &EyeLabels, rule: PointRule) -> (f64, usize) {
    let grid = *labels.grid();
    let mut wanted: Vec<(Point, LaneSet)> = Vec::new();
    for index in 0..grid.len() {
        let Point { tap, vref } = grid.point(index);
        let here = labels.passing(index).0;
        let mut differs = 0;
        let mut beside = |tap: u16, vref: u16| {
            let point = Point { tap, vref };
            if grid.contains(point) {
                differs |= here ^ labels.passing(grid.index(point)).0;
            }
        };
        beside(tap + 1, vref);
        beside(tap, vref + 1);
        beside(tap.wrapping_sub(1), vref);
        beside(tap, vref.wrapping_sub(1));
        if differs != 0 {
            wanted.push((Point { tap, vref }, LaneSet(differs)));
        }
    }
    wanted.sort_by_key(|&(point, _)| snake_order(point));
    eyes.reset();
    let points = wanted.len();
    for (point, lanes) in wanted {
        let most_bits = rule.most_bits();
        eyes.visit(&PointRequest {
            point,
            bits_before: 0,
            errors_before: vec![],
            lanes,
            rule,
            most_bits,
            series: 0,
        });
    }
    (eyes.clock_s, points)
}

/// Contours of two captures: shares of points equal and within one point, greatest distance, lanes open in one only.
struct Agreement {
    equal: f64,
    within_one: f64,
    greatest: u16,
    wrong_lanes: u16,
}

fn agreement(truth: &EyeLabels, found: &EyeLabels) -> Agreement {
    let (mut points, mut equal, mut within, mut greatest) = (0u64, 0u64, 0u64, 0u16);
    for (a, b) in PassMap::of_lanes(truth).iter().zip(PassMap::of_lanes(found)) {
        let [a, b] = [a, &b].map(|map| map.contour().iter().map(|rim| rim.point).collect::<Vec<Point>>());
        // Both ways: a contour point missed and a contour point invented count alike.
        for (from, to) in [(&a, &b), (&b, &a)] {
            for point in from.iter() {
                let distance =
                    |other: &Point| point.tap.abs_diff(other.tap).max(point.vref.abs_diff(other.vref));
                let nearest = to.iter().map(distance).min().unwrap_or(u16::MAX);
                points += 1;
                equal += u64::from(nearest == 0);
                within += u64::from(nearest <= 1);
                greatest = greatest.max(nearest);
            }
        }
    }
    let share = |part: u64| if points == 0 { 1.0 } else { part as f64 / points as f64 };
    let wrong_lanes = (truth.open_lanes().0 ^ found.open_lanes().0).count_ones() as u16;
    Agreement { equal: share(equal), within_one: share(within), greatest, wrong_lanes }
}

fn labels(run: &Run) -> EyeLabels {
    EyeLabels::from_capture(&run.capture).expect("a capture fits itself")
}

/// One strategy's line: seconds, shares of the references, agreement with the raster, batches; then the goals missed.
fn line(name: &str, run: &Run, found: &Agreement, shares: [f64; 2], missed: &[String]) {
    println!(
        "    {name:<6} {:>8.2} s  {:>5.3} x oracle  {:>5.3} of raster  equal {:.4}  within 1 {:.4}  greatest {:>2}  \
         wrong lanes {}  {:>2} batches  {:>4} visits  longest list {:.1} s  compute {:.1} ms{}{}",
        run.bench_s,
        shares[0],
        shares[1],
        found.equal,
        found.within_one,
        found.greatest,
        found.wrong_lanes,
        run.stats.batches,
        run.stats.visits,
        run.longest_list_s,
        run.compute.as_secs_f64() * 1e3,
        if missed.is_empty() { "" } else { "  MISSED: " },
        missed.join(", "),
    );
}

/// One goal: what, the figure found, the most allowed, and why it cannot be met (empty: it can).
struct Goal<'a>(&'a str, f64, f64, String);

/// Goals looked at and missed over the whole bench.
#[derive(Default)]
struct Tally {
    looked_at: u32,
    missed: u32,
    /// Of those missed: the reference itself misses them.
    out_of_reach: u32,
}

impl Tally {
    /// Names the goals that a figure misses.
    fn missed(&mut self, goals: &[Goal<'_>]) -> Vec<String> {
        self.looked_at += goals.len() as u32;
        let missed: Vec<&Goal<'_>> = goals.iter().filter(|goal| goal.1 > goal.2).collect();
        self.missed += missed.len() as u32;
        self.out_of_reach += missed.iter().filter(|goal| !goal.3.is_empty()).count() as u32;
        let words = |Goal(name, _, most, why): &&Goal<'_>| {
            if why.is_empty() { format!("{name} <= {most}") } else { format!("{name} <= {most} ({why})") }
        };
        missed.iter().map(words).collect()
    }
}

/// Bench seconds of the independent re-tests of isolated decisions, which the rule asks for and the oracle has none of.
fn retest_seconds(eyes: &Eyes, capture: &Capture) -> f64 {
    let cost = strategy::visit_cost(&eyes.capabilities);
    let retests = capture.visits.iter().filter(|visit| visit.kind == VisitKind::Retest);
    retests.map(|visit| cost.seconds(visit.bits, true)).sum()
}

fn table(limit: f64, filter: &str, tally: &mut Tally) {
    let rule = PointRule::sequential(limit, 0.95);
    println!("\nBER limit {limit:.0e}: {}", rule.describe());
    for mut case in cases::all().into_iter().filter(|case| case.name.contains(filter)) {
        let wide = case.wide_goals;
        let eyes = &mut case.eyes;
        let grid = eyes.capabilities.grid;
        let cost = strategy::visit_cost(&eyes.capabilities);
        let fixed_s = grid.len() as f64 * cost.seconds(rule.clean_bits(), false)
            + f64::from(grid.vref_steps) * cost.vref_settle_s;
        let raster = run(eyes, &CaptureOptions::new(CaptureMode::Raster, rule));
        let truth = labels(&raster);
        let (oracle_s, points) = oracle(eyes, &truth, rule);
        let exact = run(eyes, &CaptureOptions::new(CaptureMode::Exact, rule));
        let fast = run(eyes, &CaptureOptions::new(CaptureMode::Fast, rule));
        println!(
            "{}: {} lanes, dwell ratio {:.1}, {:?}; fixed raster {fixed_s:.1} s, early-stop raster {:.1} s ({:.3}), \
             oracle {oracle_s:.2} s ({:.3} of the early-stop raster, {points} points)",
            case.name,
            truth.lanes(),
            cost.dwell_ratio(rule.clean_bits()),
            exact.stats.regime,
            raster.bench_s,
            raster.bench_s / fixed_s,
            oracle_s / raster.bench_s,
        );
        let long = exact.stats.regime == Regime::LongDwell && limit <= 1e-8;
        let (e, f) = (agreement(&truth, &labels(&exact)), agreement(&truth, &labels(&fast)));
        let shares = [exact.bench_s / oracle_s, exact.bench_s / raster.bench_s];
        let oracle_share = oracle_s / raster.bench_s;
        let retests = retest_seconds(eyes, &exact.capture) / oracle_s;
        let most_share = if wide { 0.75 } else { 0.62 };
        let beyond = |found: f64, most: f64| {
            if found > most { format!("the oracle itself takes {found:.3}") } else { String::new() }
        };
        let retested = if shares[0] - retests <= 1.10 {
            format!("re-tests of isolated decisions, which the oracle has none of, take {retests:.3}")
        } else {
            String::new()
        };
        let goals = if long {
            tally.missed(&[
                Goal("x oracle", shares[0], 1.10, retested),
                Goal("of early-stop raster", shares[1], most_share, beyond(oracle_share, most_share)),
                Goal("unequal contour points", 1.0 - e.equal, 0.001, String::new()),
                Goal("distance", f64::from(e.greatest), 1.0, String::new()),
                Goal("wrong lanes", f64::from(e.wrong_lanes), 0.0, String::new()),
                Goal("batches", f64::from(exact.stats.batches), 20.0, String::new()),
            ])
        } else if exact.stats.regime == Regime::ShortDwell {
            tally.missed(&[Goal("x oracle", shares[0], 1.55, String::new())])
        } else {
            Vec::new()
        };
        line("exact", &exact, &e, shares, &goals);
        let shares = [fast.bench_s / oracle_s, fast.bench_s / fixed_s];
        let goals = if long {
            tally.missed(&[
                Goal("x oracle", shares[0], 0.35, String::new()),
                Goal("of fixed raster", shares[1], if wide { 0.10 } else { 0.08 }, String::new()),
                Goal("points beyond 1 tap", 1.0 - f.within_one, 0.01, String::new()),
                Goal("distance", f64::from(f.greatest), 4.0, String::new()),
            ])
        } else {
            Vec::new()
        };
        line("fast", &fast, &f, shares, &goals);
        let survey_s = Lattice::every(4, &grid).len() as f64 * cost.seconds(0, false);
        println!(
            "    beside the oracle's: exact's re-tests {retests:.3}, a survey of every 4th tap and step without its bits \
             {:.3}",
            survey_s / oracle_s
        );
    }
}

fn compute_cost() {
    let rule = PointRule::sequential(1e-9, 0.95);
    for mut case in cases::all().into_iter().filter(|case| case.name.starts_with("72 lanes")) {
        let options = CaptureOptions::new(CaptureMode::Exact, rule);
        let mut times: Vec<Duration> = (0..9).map(|_| run(&mut case.eyes, &options).compute).collect();
        times.sort_unstable();
        println!(
            "compute cost of the strategy, {}: median {:.2} ms, least {:.2} ms of {}",
            case.name,
            times[times.len() / 2].as_secs_f64() * 1e3,
            times[0].as_secs_f64() * 1e3,
            times.len(),
        );
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let filter = words.first().cloned().unwrap_or_default();
    let number = |at: usize, otherwise| words.get(at).and_then(|word| word.parse().ok()).unwrap_or(otherwise);
    let silicon = rows::Silicon { chips: number(1, 1), from: number(2, 7) };
    if filter.is_empty() || filter == "edges" {
        println!("{} goals of the edges missed", bias::tables(number(1, 0)));
        if filter == "edges" {
            return;
        }
    }
    if filter.is_empty() || filter == "rows" {
        println!("{} goals of rows and columns missed", rows::table(silicon));
        if filter == "rows" {
            return;
        }
    }
    println!("exact is compared with the early-stop raster, fast with the fixed raster");
    let mut tally = Tally::default();
    for limit in [1e-9, 1e-8, 1e-7, 1e-6] {
        table(limit, &filter, &mut tally);
    }
    println!(
        "\n{} goals looked at, {} met, {} missed ({} of them are out of reach: see beside each)",
        tally.looked_at,
        tally.looked_at - tally.missed,
        tally.missed,
        tally.out_of_reach
    );
    compute_cost();
}

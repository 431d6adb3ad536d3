//! Capture strategies on generated eyes: bench seconds and contours beside fixed raster, early-stop raster and the
//! oracle (the smallest certified set), with the same point rule and the same draws; and the compute cost.
//!
//! `cargo bench -p runner --bench capture [-- NAME]` prints the tables.

#![allow(missing_docs)]

#[path = "support/cases.rs"]
mod cases;
#[path = "support/mod.rs"]
mod support;

use drivers::contract::{DriverError, PointCounts, PointRequest};
use plans::eye_labels::EyeLabels;
use plans::point_rule::PointRule;
use plans::results::{Capture, CaptureMode, LaneSet, Point};
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
    for lane in 0..truth.lanes() {
        let (a, b) = (truth.lane(lane).contour(), found.lane(lane).contour());
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

fn table(limit: f64, filter: &str) {
    let rule = PointRule::sequential(limit, 0.95);
    println!("\nBER limit {limit:.0e}, {}", rule.describe());
    println!(
        "{:<22} {:>5} {:>8} {:>8} {:>8} | {:>7} {:>6} {:>6} {:>6} {:>6} {:>4} {:>3} {:>5} {:>6} | {:>7} {:>6} {:>6} {:>6} {:>6} {:>4} {:>3} {:>5}",
        "case",
        "rho",
        "fixed s",
        "early s",
        "oracle s",
        "exact s",
        "x orac",
        "/early",
        "equal",
        "<=1",
        "max",
        "cl",
        "batch",
        "ms",
        "fast s",
        "x orac",
        "/fixed",
        "equal",
        "<=1",
        "max",
        "cl",
        "batch"
    );
    for mut case in cases::all() {
        if !case.name.contains(filter) {
            continue;
        }
        let eyes = &mut case.eyes;
        let grid = eyes.capabilities.grid;
        let cost = runner::capture::visit_cost(&eyes.capabilities);
        let fixed_s = grid.len() as f64 * cost.seconds(rule.clean_bits(), false)
            + f64::from(grid.vref_steps) * cost.vref_settle_s;
        let raster = run(eyes, &CaptureOptions::new(CaptureMode::Raster, rule));
        let truth = labels(&raster);
        let (oracle_s, points) = oracle(eyes, &truth, rule);
        let mut o = CaptureOptions::new(CaptureMode::Exact, rule);
        if std::env::var("FORCE").is_ok() {
            o.regime = Some(if std::env::var("FORCE").unwrap() == "long" {
                Regime::LongDwell
            } else {
                Regime::ShortDwell
            });
        }
        let exact = run(eyes, &o);
        if std::env::var("DIAG").is_ok() {
            let g = grid;
            let mut need = vec![0u128; g.len()];
            for i in 0..g.len() {
                let p = g.point(i);
                for (dx, dy) in [(0i32, 1i32), (1, 0), (0, -1), (-1, 0)] {
                    let (x, y) = (p.tap as i32 + dx, p.vref as i32 + dy);
                    if x >= 0 && y >= 0 && x < g.taps as i32 && y < g.vref_steps as i32 {
                        need[i] |= truth.passing(i).0
                            ^ truth.passing(g.index(Point { tap: x as u16, vref: y as u16 })).0;
                    }
                }
            }
            let mut bits = vec![0u64; g.len()];
            for v in &exact.capture.visits {
                bits[g.index(v.point)] += v.bits;
            }
            for y in (0..g.vref_steps).rev() {
                let row: String = (0..g.taps)
                    .map(|x| {
                        let i = g.index(Point { tap: x, vref: y });
                        let full = bits[i] as f64 > 0.3 * rule.clean_bits() as f64;
                        match (full, need[i] != 0) {
                            (true, true) => '#',
                            (true, false) => 'X',
                            (false, true) => 'o',
                            (false, false) => {
                                if bits[i] > 0 {
                                    '.'
                                } else {
                                    ' '
                                }
                            }
                        }
                    })
                    .collect();
                println!("{row}");
            }
        }
        let fast = run(eyes, &CaptureOptions::new(CaptureMode::Fast, rule));
        let (e, f) = (agreement(&truth, &labels(&exact)), agreement(&truth, &labels(&fast)));
        let regime = if exact.stats.regime == Regime::ShortDwell { "short" } else { "long" };
        println!(
            "{:<22} {:>5.0} {:>8.1} {:>8.1} {:>8.1} | {:>7.1} {:>6.3} {:>6.3} {:>6.4} {:>6.4} {:>4} {:>3} {:>5} {:>6.2} | {:>7.1} {:>6.3} {:>6.3} {:>6.4} {:>6.4} {:>4} {:>3} {:>5} {} {:.1}s v{} again{} opoints{}{}",
            case.name,
            cost.dwell_ratio(rule.clean_bits()),
            fixed_s,
            raster.bench_s,
            oracle_s,
            exact.bench_s,
            exact.bench_s / oracle_s,
            exact.bench_s / raster.bench_s,
            e.equal,
            e.within_one,
            e.greatest,
            e.wrong_lanes,
            exact.stats.batches,
            exact.compute.as_secs_f64() * 1e3,
            fast.bench_s,
            fast.bench_s / oracle_s,
            fast.bench_s / fixed_s,
            f.equal,
            f.within_one,
            f.greatest,
            f.wrong_lanes,
            fast.stats.batches,
            regime,
            exact.longest_list_s,
            exact.stats.visits,
            exact.stats.visits as usize
                - exact
                    .capture
                    .visits
                    .iter()
                    .map(|v| (v.point, v.kind as u8))
                    .collect::<std::collections::HashSet<_>>()
                    .len(),
            points,
            if case.wide_goals { " *" } else { "" },
        );
    }
}

fn main() {
    let filter = std::env::args().skip(1).find(|word| !word.starts_with('-')).unwrap_or_default();
    let limits: Vec<f64> = std::env::var("LIMITS")
        .map(|l| l.split(',').map(|x| x.parse().unwrap()).collect())
        .unwrap_or(vec![1e-9, 1e-8, 1e-7, 1e-6]);
    for limit in limits {
        table(limit, &filter);
    }
}

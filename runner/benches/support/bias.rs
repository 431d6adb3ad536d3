//! Bias of the edges on the operating rows and columns, and how often they lie within twice their uncertainty: on generated
//! shapes, on edges drawn at random, and on eyes of the simulated target.

use crate::cases;
use crate::simulated::{SimulatedEye, each_eye};
use crate::support::{Eyes, LaneEye};
use eye::counts::CaptureView;
use eye::edges::{EdgeMethod, Side};
use eye::metrics::{LaneMetrics, Wanted, lane_metrics};
use nightbench_core::point_rule::PointRule;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Capture, CaptureMode, LanePoint};
use plan::Plan;
use runner::capture::{CaptureOptions, capture};

const LIMITS: [f64; 4] = [1e-9, 1e-8, 1e-7, 1e-6];
/// Edges of a shape looked at, about: more captures where there are few lanes.
const EDGES: usize = 256;
/// Devices of sixteen lanes with edges drawn at random.
const DEVICES: u64 = 16;
/// Standard uncertainty of the fitted curve's shape, a line of the budget of its own (reports/judge/src/budget.rs).
const SHAPE: f64 = 0.05;
/// Further off than this it is another edge: that of a notch, or of a hole.
const ANOTHER: f64 = 6.0;

/// Edges found, beside where they are.
#[derive(Default, Clone, Copy)]
pub struct Bias {
    edges: usize,
    sum: f64,
    squares: f64,
    within: usize,
    /// At whole or half places.
    rounded: usize,
}

impl Bias {
    fn add(&mut self, reach: f64, u: f64, truth: f64) {
        let error = reach - truth;
        self.edges += 1;
        self.sum += error;
        self.squares += error * error;
        self.within += usize::from(error.abs() <= 1.96 * u.hypot(SHAPE));
        self.rounded += usize::from((2.0 * reach).fract() == 0.0);
    }
    fn join(&mut self, other: &Bias) {
        self.edges += other.edges;
        self.sum += other.sum;
        self.squares += other.squares;
        self.within += other.within;
        self.rounded += other.rounded;
    }
    fn mean(&self) -> f64 {
        self.sum / self.edges.max(1) as f64
    }
    fn words(&self) -> String {
        let n = self.edges.max(1) as f64;
        let scatter = (self.squares / n - self.mean().powi(2)).max(0.0).sqrt();
        format!("{:+.3} +- {scatter:.3}, {:5.1} %", self.mean(), 100.0 * self.within as f64 / n)
    }
}

/// Places from `from` outwards to where the eye first crosses `limit`.
fn crossing(eye: &LaneEye, from: LanePoint, (taps, steps): (f64, f64), limit: f64) -> f64 {
    let ber = |at: f64| eye.smooth_ber(f64::from(from.tap) + taps * at, f64::from(from.vref) + steps * at);
    let (mut inside, mut outside) = (0.0, 0.25);
    while ber(outside) <= limit && outside < 200.0 {
        inside = outside;
        outside += 0.25;
    }
    for _ in 0..40 {
        let middle = 0.5 * (inside + outside);
        *if ber(middle) <= limit { &mut inside } else { &mut outside } = middle;
    }
    inside
}

/// Adds a lane's edges: taps first, Vref steps second.
fn add(bias: &mut [Bias; 2], lane: &LaneMetrics, truth: [Option<f64>; 4]) {
    for (side, truth) in Side::ALL.into_iter().zip(truth) {
        let (reach, Some(truth)) = (lane.side(side), truth) else { continue };
        if reach.method != EdgeMethod::Border && truth > 0.0 && (truth - reach.sub_tap).abs() < ANOTHER {
            bias[side as usize / 2].add(reach.sub_tap, reach.u, truth);
        }
    }
}

fn lanes(capture: &Capture) -> Vec<LaneMetrics> {
    lane_metrics(&CaptureView::new(capture).expect("a capture fits itself"), &Wanted::margins())
}

fn of_shape(eyes: &mut Eyes, mode: CaptureMode, limit: f64, edges: usize) -> ([Bias; 2], f64) {
    let options = CaptureOptions::new(mode, PointRule::sequential(limit, 0.95));
    let captures = edges.div_ceil(2 * eyes.eyes.len());
    let (mut bias, mut seconds, seed) = ([Bias::default(); 2], 0.0, eyes.seed);
    for number in 0..captures {
        eyes.seed = seed + 1000 * number as u64;
        eyes.reset();
        let (device, numbers, at) = (eyes.capabilities.clone(), eyes.lane_numbers(), eyes.operating.clone());
        let found = capture(eyes, &device, &numbers, &at, &options).expect("captured");
        seconds += eyes.clock_s / captures as f64;
        for (lane, eye) in lanes(&found).iter().zip(&eyes.eyes) {
            let from = lane.operating;
            if eye.smooth_ber(f64::from(from.tap), f64::from(from.vref)) < limit {
                let sides = [(-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)];
                add(&mut bias, lane, sides.map(|side| Some(crossing(eye, from, side, limit))));
            }
        }
    }
    eyes.seed = seed;
    (bias, seconds)
}

/// Lanes whose edges are drawn: one tail, or two that meet anywhere between 1e-3 and 1e-9, in eyes of drawn form.
fn drawn(seed: u64) -> Eyes {
    let mut random = SplitMix64::new(seed);
    let mut between =
        |low: f64, high: f64| low + (high - low) * ((random.next_u64() >> 11) as f64 / (1u64 << 53) as f64);
    let lanes = (0..16).map(|_| {
        let mut lane = LaneEye::new(between(30.5, 32.5), between(31.0, 33.0), 26.0, between(20.0, 30.0));
        lane.sigma = between(0.6, 2.5);
        lane.shape = between(1.0, 2.5);
        lane.tilt = between(-0.2, 0.2);
        if between(0.0, 1.0) < 0.5 {
            lane.rare = (10f64.powf(between(-8.0, -3.0)), lane.sigma * between(1.2, 3.0));
        }
        lane
    });
    Eyes::new(64, 64, lanes.collect(), seed)
}

/// Edges of shapes that nothing was chosen with.
fn drawn_edges(mode: CaptureMode, seed: u64) -> u32 {
    println!("\nedges drawn at random, {}", mode.name());
    let mut missed = 0;
    for limit in LIMITS {
        let mut all = [Bias::default(); 2];
        for number in 0..DEVICES {
            let (bias, _) = of_shape(&mut drawn(0xd2a3 + 100 * seed + number), mode, limit, 32);
            all.iter_mut().zip(&bias).for_each(|(all, bias)| all.join(bias));
        }
        let beyond = all.iter().any(|bias| bias.mean().abs() > 0.05);
        missed += u32::from(beyond);
        println!(
            "  {limit:.0e} {} + {} edges: {}  |  {}{}",
            all[0].edges,
            all[1].edges,
            all[0].words(),
            all[1].words(),
            if beyond { "  MISSED: bias <= 0.05" } else { "" }
        );
    }
    missed
}

/// Goals missed: shape, what, figure.
fn shapes(mode: CaptureMode, seed: u64) -> u32 {
    println!(
        "\nedges of generated shapes, {}: found less true, taps | Vref steps, share within U",
        mode.name()
    );
    let (mut all, mut missed) = ([Bias::default(); 2], 0);
    for limit in LIMITS {
        for mut case in cases::all() {
            case.eyes.seed += seed;
            let (bias, seconds) = of_shape(&mut case.eyes, mode, limit, EDGES);
            let beyond = bias.iter().any(|bias| bias.mean().abs() > 0.15);
            missed += u32::from(beyond);
            println!(
                "  {limit:.0e} {:<27} {seconds:>8.2} s  {}  |  {}{}",
                case.name,
                bias[0].words(),
                bias[1].words(),
                if beyond { "  MISSED: bias <= 0.15" } else { "" }
            );
            all.iter_mut().zip(&bias).for_each(|(all, bias)| all.join(bias));
        }
    }
    let beyond = all.iter().any(|bias| bias.mean().abs() > 0.05);
    println!(
        "  all {} + {} edges: {}  |  {}{}",
        all[0].edges,
        all[1].edges,
        all[0].words(),
        all[1].words(),
        if beyond { "  MISSED: bias <= 0.05" } else { "" }
    );
    missed + u32::from(beyond)
}

/// A plan of some rates and two channels, hot and cold.
fn plan(generation: &str, lanes: u16, rates: &str, limit: f64) -> Plan {
    let text = format!(
        "title = \"Edges\"\n[interface]\ngeneration = \"{generation}\"\nlanes = {lanes}\n[[chip]]\nname = \"A\"\n[[module]]\n\
         name = \"M\"\nkind = \"UDIMM\"\nrated = {}\n[[channel]]\nname = \"direct\"\nfits = [\"UDIMM\"]\n[[channel]]\n\
         name = \"risers\"\nrisers = 2\nfits = [\"UDIMM\"]\n[matrix]\nrate = [{rates}]\ntemperature_degc = [0, 95]\n[capture]\n\
         directions = [\"read\"]\nber_limit = {limit:e}\n[[limit]]\nmetric = \"width\"\nminimum = 100\nunit = \"ps\"\nsource = \"invented\"\n",
        if generation == "DDR5" { 5600 } else { 3200 }
    );
    Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

fn simulated(mode: CaptureMode, seed: u64) -> u32 {
    println!("\nedges of the simulated target, {}, against its exact surfaces", mode.name());
    let mut missed = 0;
    for limit in [1e-6, 1e-9] {
        let (mut bias, mut eyes) = ([Bias::default(); 2], 0);
        for plan in [plan("DDR4", 8, "1600, 2400, 3200", limit), plan("DDR5", 8, "3200, 4400, 5600", limit)] {
            each_eye(&plan, 1 + seed, |mut eye: SimulatedEye<'_>| {
                let (found, _) = eye.capture(&CaptureOptions::new(mode, plan.capture.rule));
                for (lane, truth) in lanes(&found).iter().zip(eye.crossings(limit)) {
                    add(&mut bias, lane, truth);
                    eyes += 1;
                }
            });
        }
        let beyond = bias.iter().any(|bias| bias.mean().abs() > 0.05);
        missed += u32::from(beyond);
        println!(
            "  {limit:.0e} {eyes} eyes: {}  |  {}; at half taps {:.1} %{}",
            bias[0].words(),
            bias[1].words(),
            100.0 * bias[0].rounded as f64 / bias[0].edges.max(1) as f64,
            if beyond { "  MISSED: bias <= 0.05" } else { "" }
        );
    }
    missed
}

/// Prints the tables, with other counts and shapes by `seed`; says how many goals are missed.
pub fn tables(seed: u64) -> u32 {
    let modes = [CaptureMode::Exact, CaptureMode::Fast, CaptureMode::RowAndColumn];
    modes.into_iter().map(|mode| shapes(mode, seed) + drawn_edges(mode, seed) + simulated(mode, seed)).sum()
}

//! A generated capture of the size that matters: an early-stop raster of many lanes, for tests and the bench.

use nightbench_core::point_rule::PointRule;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{
    Capture, CaptureMode, Direction, EyeName, Grid, LanePoint, Point, Visit, VisitKind,
};
use nightbench_core::units::{Millivolts, Picoseconds};

/// Number of successes in `trials` of probability `p` (normal approximation where it is good).
pub fn binomial(random: &mut SplitMix64, trials: u64, p: f64) -> u64 {
    let mean = trials as f64 * p;
    if trials <= 64 {
        return (0..trials).filter(|_| random.unit() < p).count() as u64;
    }
    if mean < 30.0 {
        let (mut count, mut product) = (0, random.unit());
        while product > (-mean).exp() {
            count += 1;
            product *= random.unit();
        }
        return count.min(trials);
    }
    let normal = (0..12).map(|_| random.unit()).sum::<f64>() - 6.0;
    let value = mean + normal * (mean * (1.0 - p)).sqrt();
    value.round().clamp(0.0, trials as f64) as u64
}

/// An early-stop raster of `lanes` lanes on `size` x `size` points in row-snake order. Points outside every
/// eye stop after one burst of 8 bits, points with an open lane run on until every lane is decided. The eyes
/// are ellipses of about `open` of the grid's width and height; `skew` is how far the middle of one may lie off
/// the grid's, in 64ths of the grid. At an edge the error ratio falls from 1/2 by 3.3 decades a tap (Gaussian
/// jitter of about a third of a tap).
pub fn raster(seed: u64, lanes: u16, size: u16, open: f64, skew: f64) -> Capture {
    let mut random = SplitMix64::new(seed);
    let rule = PointRule::sequential(1e-6, 0.95);
    let scale = f64::from(size) / 64.0;
    let shapes: Vec<[f64; 4]> = (0..lanes)
        .map(|_| {
            let mut around =
                |middle: f64, spread: f64| (middle + spread * (2.0 * random.unit() - 1.0)) * scale;
            [around(32.0, skew), around(32.0, skew), around(32.0 * open, 1.0), around(32.0 * open, 1.0)]
        })
        .collect();
    let mut visits = Vec::new();
    for vref in 0..size {
        for column in 0..size {
            let tap = if vref % 2 == 0 { column } else { size - 1 - column };
            let ratios: Vec<f64> = shapes
                .iter()
                .map(|[x, y, half_width, half_height]| {
                    let across = (f64::from(tap) - x) / half_width;
                    let along = (f64::from(vref) - y) / half_height;
                    let depth = (1.0 - across.hypot(along)) * half_width;
                    if depth < 0.0 { 0.5 } else { 0.5 * 10.0_f64.powf(-3.3 * depth) }
                })
                .collect();
            visits.push(visit(&mut random, &rule, Point { tap, vref }, &ratios));
        }
    }
    let operating = |[x, y, ..]: &[f64; 4]| LanePoint { tap: x.round() as u16, vref: y.round() as u16 };
    Capture {
        eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
        grid: Grid {
            taps: size,
            vref_steps: size,
            tap_step: Picoseconds(9.765625),
            vref_start: Millivolts(540.0),
            vref_step: Millivolts(7.8),
            ui: Picoseconds(416.6666666666667),
            vddq: Millivolts(1200.0),
        },
        lanes: (0..lanes).collect(),
        operating: shapes.iter().map(operating).collect(),
        mode: CaptureMode::Raster,
        rule,
        visits,
    }
}

fn visit(random: &mut SplitMix64, rule: &PointRule, point: Point, ratios: &[f64]) -> Visit {
    let mut bits = 0;
    let mut errors = vec![0_u64; ratios.len()];
    let mut burst = 8;
    loop {
        for (sum, &ratio) in errors.iter_mut().zip(ratios) {
            *sum += binomial(random, burst, ratio);
        }
        bits += burst;
        let closed = ratios.iter().all(|&ratio| ratio >= 0.5);
        if closed || errors.iter().all(|&errors| rule.decide(bits, errors).is_some()) {
            return Visit { point, kind: VisitKind::Measure, bits, errors };
        }
        // Twice as many each time, and never past the next length at which a lane could pass.
        let next = errors
            .iter()
            .filter(|&&errors| rule.decide(bits, errors).is_none())
            .map(|&errors| rule.pass_bits(errors))
            .min()
            .unwrap_or(bits + 8);
        burst = bits.min(next.saturating_sub(bits)).max(8);
    }
}

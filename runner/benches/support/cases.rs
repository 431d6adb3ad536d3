//! The generated cases of the capture bench.

use super::support::{Eyes, LaneEye, Patch};

/// Deterministic spread in -1..1 of lane `i`, by purpose.
fn spread(i: usize, purpose: usize) -> f64 {
    // Low-discrepancy steps of irrational size: no generator needed, no two lanes alike.
    let steps = [0.618_033_988_75, 0.754_877_666_25, 0.569_840_290_99, 0.819_172_513_40];
    2.0 * ((i + 1) as f64 * steps[purpose % 4] + 0.37 * purpose as f64).fract() - 1.0
}

fn lanes(count: usize, mut lane: impl FnMut(usize) -> LaneEye) -> Vec<LaneEye> {
    (0..count).map(&mut lane).collect()
}

fn plain(i: usize, skew: f64, half_taps: f64, half_steps: f64) -> LaneEye {
    LaneEye::new(
        31.5 + skew * spread(i, 0),
        32.0 + 1.0 * spread(i, 1),
        half_taps * (1.0 + 0.04 * spread(i, 2)),
        half_steps * (1.0 + 0.04 * spread(i, 3)),
    )
}

/// One case: name, whether lanes are skewed or rare events dominate (wider goals), the device.
pub struct Case {
    pub name: &'static str,
    pub wide_goals: bool,
    pub eyes: Eyes,
}

/// Every case.
pub fn all() -> Vec<Case> {
    let case = |name, wide_goals, eyes| Case { name, wide_goals, eyes };
    let mut cases = vec![
        case("wide", false, Eyes::new(64, 64, lanes(32, |i| plain(i, 1.0, 26.0, 28.0)), 11)),
        case("narrow", false, Eyes::new(64, 64, lanes(32, |i| plain(i, 1.0, 17.0, 20.0)), 12)),
        case("very narrow", false, Eyes::new(64, 64, lanes(32, |i| plain(i, 1.0, 13.0, 16.0)), 12)),
        case("skewed +-6 taps", true, Eyes::new(64, 64, lanes(32, |i| plain(i, 6.0, 22.0, 26.0)), 13)),
    ];
    let closed = lanes(32, |i| {
        let mut eye = plain(i, 1.0, 26.0, 28.0);
        if i == 5 || i == 20 {
            eye.half_taps = 3.0;
            eye.floor = 1e-4;
        }
        eye
    });
    cases.push(case("2 lanes closed", false, Eyes::new(64, 64, closed, 14)));
    let notched = lanes(32, |i| {
        let mut eye = plain(i, 1.0, 24.0, 26.0);
        let at = |v: f64| v.round() as u16;
        if i % 3 == 0 {
            // A notch from the left edge inwards, and an island outside.
            eye.patches.push(Patch { taps: (at(eye.tap) - 24, at(eye.tap) - 9), steps: (38, 42), ber: 2e-5 });
            eye.patches.push(Patch { taps: (57, 61), steps: (4, 8), ber: 1e-13 });
        }
        if i % 4 == 1 {
            // A hole inside.
            eye.patches.push(Patch { taps: (28, 33), steps: (20, 24), ber: 1e-3 });
        }
        eye
    });
    cases.push(case("notch, hole, islands", false, Eyes::new(64, 64, notched, 15)));
    let border = lanes(32, |i| {
        let mut eye = plain(i, 1.5, 27.0, 30.0);
        eye.tap -= 18.0;
        eye.vref += 16.0;
        eye
    });
    cases.push(case("border", false, Eyes::new(64, 64, border, 16)));
    let rare = |sigma: f64| {
        lanes(32, |i| {
            let mut eye = plain(i, 1.0, 25.0, 27.0);
            eye.rare = (3e-7, sigma);
            eye.floor = 5e-12;
            if i == 9 {
                // Open to any short look, closed at the limit.
                eye.floor = 3e-8;
            }
            eye
        })
    };
    // Edges of 0.45 and of 0.28 decades a tap at BER 1e-9.
    cases.push(case("rare events, 1 closed", true, Eyes::new(64, 64, rare(2.5), 17)));
    cases.push(case("rare, very slow edges", true, Eyes::new(64, 64, rare(4.0), 17)));
    let tilted = lanes(32, |i| {
        let mut eye = plain(i, 1.0, 28.0, 30.0);
        eye.shape = 1.2;
        eye.sigma = 2.5;
        eye.tilt = 0.15;
        eye
    });
    cases.push(case("tilted, slow edges", false, Eyes::new(64, 64, tilted, 18)));
    let big = lanes(72, |i| {
        let mut eye = plain(i, 2.0, 50.0, 54.0);
        eye.tap += 32.0;
        eye.vref += 32.0;
        eye.sigma = 2.6;
        eye
    });
    cases.push(case("72 lanes, 128 x 128", false, Eyes::new(128, 128, big, 19)));
    cases.push(case(
        "72 lanes, 64 x 64",
        false,
        Eyes::new(64, 64, lanes(72, |i| plain(i, 1.5, 24.0, 26.0)), 20),
    ));
    // Shapes of the edge, each with what makes it hard for a fit.
    let edges = |count: usize, change: fn(&mut LaneEye)| {
        lanes(count, |i| {
            let mut eye = plain(i, 1.0, 24.0, 26.0);
            change(&mut eye);
            eye
        })
    };
    let steep = edges(32, |eye| eye.sigma = 0.5);
    cases.push(case("steep edges", false, Eyes::new(64, 64, steep, 21)));
    let slow = edges(32, |eye| (eye.half_taps, eye.sigma) = (30.0, 3.5));
    cases.push(case("slow edges", true, Eyes::new(64, 64, slow, 22)));
    let second = edges(32, |eye| eye.rare = (1e-4, 2.5));
    cases.push(case("second tail", true, Eyes::new(64, 64, second, 23)));
    let late = edges(32, |eye| eye.rare = (1e-7, 2.0));
    cases.push(case("second tail near the limit", true, Eyes::new(64, 64, late, 24)));
    let diamond = edges(32, |eye| (eye.shape, eye.tilt, eye.sigma) = (1.0, 0.3, 1.8));
    cases.push(case("tilted diamond", false, Eyes::new(64, 64, diamond, 25)));
    cases.push(case("one lane", false, Eyes::new(64, 64, edges(1, |eye| eye.sigma = 2.0), 26)));
    let low = lanes(8, |i| LaneEye { sigma: 2.0, ..plain(i, 2.0, 24.0, 9.0) });
    cases.push(case("8 lanes, low eye", false, Eyes::new(64, 64, low, 27)));
    cases
}

//! Held training: the eye slides with temperature; recalibration resets the termination's drift. Supply moves it too.

use super::{Bench, call, eye, request};
use contract::{Driver, Setting, StartKind};
use nightbench_core::generations::Rail;
use nightbench_core::results::{Direction, Point, TrainedEye};
use nightbench_core::units::{Celsius, Volts};
use std::sync::Arc;

/// A fine delay line without nonlinearity, and parts without spread, resolve the slide.
fn fine(plan: &str) -> String {
    plan.replace("lanes = 16", "lanes = 8\n[interface.read]\ntaps = 512\ntaps_per_ui = 256")
        + "\n[model]\ninl_pp_tap = 0.0\nsk_bit_ps = 0.0\nsk_lane_ps = 0.0\nz_bit = 0.0\nc_bit = 0.0\nlen_bit_mm = 0.0\n\
           rx_off_mv = 0.0\ndly_bit_tc_ps_per_k = 0.0\nstart_skew_ps = 0.0\n"
}

/// Edges (in ps) of lane 0's pass run at 1e-3 through the trained point, counted.
fn edges(bench: &mut Bench, trained: &TrainedEye, tap_ps: f64) -> (f64, f64) {
    let at = trained.settings[0];
    let mut bad = |tap: u16| bench.ratios(trained.eye, Point { tap, vref: at.vref }, 8, 200_000)[0] > 1e-3;
    assert!(!bad(at.tap), "the operating point passes");
    let mut edge = |step: i32| {
        let (mut inside, mut outside) = (i32::from(at.tap), i32::from(at.tap) + step * 160);
        assert!(bad(outside as u16));
        while (outside - inside).abs() > 1 {
            let middle = (inside + outside) / 2;
            if bad(middle as u16) { outside = middle } else { inside = middle }
        }
        f64::from(inside) * tap_ps
    };
    (edge(-1), edge(1))
}

fn held(bench: &mut Bench, trained: &[TrainedEye], setting: &Setting) {
    bench.target.apply(setting, &call()).unwrap();
    bench.target.restore(trained, &call()).unwrap();
}

/// Source: figures stored with the model. Trained at 25 degC and held at 95 degC the eye slides 14 to 18 ps towards
/// earlier taps, the late margin pays, the width shrinks by 2 to 5 %.
#[test]
fn held_training_shows_the_eye_sliding() {
    let mut bench = Bench::new(fine, &[Direction::Read]);
    let cold = bench.setting("unbuffered", "direct", "2400", 25.0);
    let result = bench.train(&cold, StartKind::PowerCycle);
    assert!(result.passed, "{:?}", result.failed_stage());
    let tap_ps = 1e12 / 2.4e9 / 256.0;
    let trained = eye(&result, Direction::Read).clone();
    let before = edges(&mut bench, &trained, tap_ps);
    let hot = Setting { temperature: Celsius(95.0), ..cold.clone() };
    held(&mut bench, &result.eyes, &hot);
    let after = edges(&mut bench, &trained, tap_ps);
    let (early, late) = (after.0 - before.0, after.1 - before.1);
    let centre = 0.5 * (early + late);
    assert!((-18.5..=-12.5).contains(&late), "late edge {late:.1} ps");
    assert!(
        (-18.0..=-10.0).contains(&centre) && late < early,
        "centre {centre:.1} ps, early edge {early:.1} ps"
    );
    let shrink = 1.0 - (after.1 - after.0) / (before.1 - before.0);
    assert!((0.01..=0.05).contains(&shrink), "shrinks by {shrink:.3}");
    // Trained anew at 95 degC the operating point follows the eye.
    let fresh = Setting { temperature: Celsius(95.0), calibrated_at: Celsius(95.0), ..cold };
    let again = bench.train(&fresh, StartKind::Retrain);
    let moved = (f64::from(eye(&again, Direction::Read).settings[0].tap)
        - f64::from(trained.settings[0].tap))
        * tap_ps;
    assert!((-19.0..=-9.0).contains(&moved), "{moved:.1} ps");
}

/// The driver's drift since calibration (+7 % at +70 K) lowers the swing: the middle of the signal rises. A recalibration
/// takes it back. Read at the middle of the eye as the trained Vref: VOL = VDDQ Ron/(Ron + losses + Rtt).
#[test]
fn recalibration_resets_the_drift_of_driver_and_termination() {
    let edit = |plan: &str| {
        fine(plan)
            .replace("taps_per_ui = 256", "taps_per_ui = 256\nvref_steps = 640\nvref_step_percent = 0.065")
            + "train_centre_step = 0.0\ntrain_threshold_dec = 0.0\nstart_threshold_dec = 0.0\nron_tc_per_k = 0.003\n"
    };
    let mut bench = Bench::new(edit, &[Direction::Read]);
    let cold = bench.setting("unbuffered", "direct", "1600", 25.0);
    let mut vref = |temperature: f64, calibrated: f64| {
        let setting =
            Setting { temperature: Celsius(temperature), calibrated_at: Celsius(calibrated), ..cold.clone() };
        let result = bench.train(&setting, StartKind::Retrain);
        eye(&result, Direction::Read).settings[0].vref
    };
    let (first, drifted, calibrated) = (vref(25.0, 25.0), vref(95.0, 25.0), vref(95.0, 95.0));
    assert!(drifted >= first + 5, "the middle rises with Ron: {first} -> {drifted} steps of 0.065 %");
    // What stays is the copper's resistance at 95 degC.
    assert!(
        2 * calibrated.abs_diff(first) <= drifted - first,
        "and comes back: {first}, {drifted}, {calibrated}"
    );
}

/// Supply corners: taps move by -100 ps/V (a model figure), so a lower VDDQ moves the eye to earlier taps.
#[test]
fn a_supply_corner_moves_a_held_eye() {
    // Driver and edge without dependence on the supply leave the delay line's part alone.
    let mut bench = Bench::new(|plan| fine(plan) + "ron_vc = 0.0\nedge_vc = 0.0\n", &[Direction::Read]);
    let nominal = bench.setting("unbuffered", "direct", "2400", 25.0);
    let result = bench.train(&nominal, StartKind::PowerCycle);
    let trained = eye(&result, Direction::Read).clone();
    let tap_ps = 1e12 / 2.4e9 / 256.0;
    let before = edges(&mut bench, &trained, tap_ps);
    let mut low = (*nominal.supply).clone();
    low.name = "low".into();
    low.set(Rail::Vdd, Volts(1.14));
    low.set(Rail::Vddq, Volts(1.14));
    let low = Setting { supply: Arc::new(low), ..nominal };
    held(&mut bench, &result.eyes, &low);
    let after = edges(&mut bench, &trained, tap_ps);
    // -60 mV x -100 ps/V = +6 ps on every tap instant: the same edges at taps 6 ps earlier (a tap is 1.6 ps).
    let centre = 0.5 * (after.0 + after.1 - before.0 - before.1);
    assert!((-7.6..=-4.4).contains(&centre), "{centre:.1} ps");
    let again = bench.target.train(&request(StartKind::Retrain), &call()).unwrap();
    assert!(again.passed);
}

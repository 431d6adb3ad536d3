//! Whole eyes: the reference channels, the pipeline against Monte Carlo, and the regression table.

use super::super::Path;
use super::super::channel::Channel;
use super::super::pulse::{self, Shaper};
use super::super::training::{PASS_BER, margins, train};
use super::super::variation::BitVariation;
use super::{close, lane, near, read_setup, risers};
use nightbench_core::devices::BusKind;

/// Check (i). Source: the default table in numpy, stored values.
#[test]
fn reference_channel_with_three_risers() {
    let rate = 2.667e9;
    let setup = read_setup(risers(BusKind::Unbuffered, 3, false), rate);
    assert_eq!(setup.path.connectors(), 4);
    let spots = [
        (0.0, 0.48383333, 0.0),
        (0.5e9, 0.41926960, 0.7962747),
        (1.2e9, 0.36505105, -0.5378154),
        (1.6e9, 0.19683952, 1.0442814),
        (2.4e9, 0.25624316, -0.2243925),
        (4.0e9, 0.05111394, 2.1018010),
        (8.0e9, 0.04606644, 2.2439416),
    ];
    let at: Vec<f64> = spots.iter().map(|spot| spot.0).collect();
    let h = Channel::new(setup.clone(), &at).unwrap().transfer(&BitVariation::default()).unwrap();
    for ((f, size, phase), h) in spots.iter().zip(&h) {
        near(&format!("|H| at {f}"), h.norm(), *size, 6e-9);
        near(&format!("phase at {f}"), h.arg(), *phase, 6e-8);
    }
    let channel = Channel::new(setup, &pulse::frequencies(rate)).unwrap();
    let transfer = channel.transfer(&BitVariation::default()).unwrap();
    let shaper = Shaper::new(&channel);
    let raw = shaper.raw(&transfer);
    let top = (0..raw.len()).max_by(|a, b| raw[*a].re.total_cmp(&raw[*b].re)).unwrap();
    assert_eq!(top, 300);
    close("time of the maximum in ps", top as f64 / 64.0 / rate * 1e12, 1757.5928, 1e-7);
    let cursors = [
        0.00018320,
        0.00731322,
        0.40049510,
        0.02306701,
        0.03462381,
        -0.01006905,
        0.01527459,
        -0.00382830,
        0.00635791,
        -0.00057136,
        0.00038919,
    ];
    let sample = |k: isize| raw[(top as isize + 64 * k).rem_euclid(2048) as usize];
    for (k, want) in (-2..).zip(cursors) {
        near(&format!("cursor {k}"), sample(k).re, want, 6e-9);
    }
    let all: Vec<isize> = pulse::CURSORS.collect();
    let isi: f64 = all.iter().filter(|k| **k != 0).map(|k| sample(*k).re.abs()).sum();
    near("sum |ISI|", isi, 0.11282083, 1e-8);
    near("sum of cursors", all.iter().map(|k| sample(*k).re).sum(), 0.48338397, 1e-8);
    let coupled: f64 = all.iter().map(|k| sample(*k).im.abs()).sum();
    let weights: f64 =
        read_setup(risers(BusKind::Unbuffered, 3, false), rate).parameters.coupling_weights().iter().sum();
    near("coupling of the byte", weights * coupled, 0.07901380, 1e-8);
}

/// Check (e2). Source: bit-by-bit Monte Carlo of 4e6 bits, stored values. The stored statistical column put the bounded
/// noise of +-16 mV on 17 bins of 2 mV, 34 mV in all; with that width this pipeline has to agree with it, and with the
/// exact width it has to agree with the Monte Carlo.
#[test]
fn whole_pipeline_against_monte_carlo() {
    let mut setup = read_setup(risers(BusKind::SmallOutline, 3, true), 2.4e9);
    setup.parameters.set("inl_pp_tap", 0.0).unwrap();
    let mut exact = lane(setup.clone());
    setup.parameters.set("v_dj_mv", 17.0).unwrap();
    let mut binned = lane(setup);
    let stored = [
        (38, 39, 2.8745e-03, 2.8745e-03, 2.7e-05),
        (21, 39, 8.7700e-05, 7.5500e-05, 4.3e-06),
        (36, 50, 2.1717e-03, 2.2070e-03, 2.3e-05),
        (37, 39, 3.4125e-04, 3.2975e-04, 9.1e-06),
    ];
    for (tap, vref, statistical, monte_carlo, sd) in stored {
        close("statistical", binned.ber(tap, vref), statistical, 0.012);
        near("Monte Carlo", exact.ber(tap, vref), monte_carlo, 3.0 * sd);
    }
}

struct Case {
    name: &'static str,
    path: Path,
    rate: f64,
    taps: usize,
    low: f64,
    high: f64,
}

/// Source: common practice, no source (the defaults were fitted to these). Regression figures, not evidence.
#[test]
fn table_of_what_the_defaults_give() {
    use BusKind::{LoadReduced, SmallOutline, Unbuffered};
    let stacked = Path::direct(BusKind::Stacked);
    let case = |name, path, rate, taps, low, high| Case { name, path, rate, taps, low, high };
    let cases = [
        case("unbuffered 2400 direct", Path::direct(Unbuffered), 2.4e9, 23, -16.2, 16.2),
        case("unbuffered 3200 direct", Path::direct(Unbuffered), 3.2e9, 21, -15.0, 15.0),
        case("unbuffered 2667 + 3 risers", risers(Unbuffered, 3, false), 2.667e9, 12, -7.8, 8.5),
        case("small-outline 2400, adapter + 3 risers", risers(SmallOutline, 3, true), 2.4e9, 13, -9.1, 9.8),
        case("die-stacked 2133 direct", stacked.clone(), 2.133e9, 23, -16.0, 16.0),
        case("die-stacked 2400 direct", stacked, 2.4e9, 23, -16.0, 16.0),
        case("load-reduced 2667 direct", Path::direct(LoadReduced), 2.667e9, 23, -20.0, 20.0),
        case("load-reduced 2667 + 3 risers", risers(LoadReduced, 3, false), 2.667e9, 14, -9.8, 9.8),
    ];
    for Case { name, path, rate, taps, low, high } in cases {
        let mut lane = lane(read_setup(path, rate));
        let t = train(lane.taps(), lane.vref_steps(), PASS_BER, |tap, vref| lane.ber(tap, vref)).unwrap();
        let seen = margins((64, 64), (t.tap, t.vref), PASS_BER, |tap, vref| lane.ber(tap, vref));
        assert_eq!(seen.taps.unwrap().len(), taps, "{name}: taps at the trained setting");
        let percent = |step: usize| 0.65 * (step as f64 - t.vref as f64);
        // One step of 0.65 % is the resolution.
        near(&format!("{name}: lower margin"), percent(t.vref_run.first), low, 0.75);
        near(&format!("{name}: upper margin"), percent(t.vref_run.last), high, 1.0);
    }
    // The small-outline channel at 3200 is where the defaults close the eye: at most two taps.
    let mut closed = lane(read_setup(risers(SmallOutline, 3, true), 3.2e9));
    assert!(train(64, 64, PASS_BER, |tap, vref| closed.ber(tap, vref)).is_err());
}

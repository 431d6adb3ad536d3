//! The coarse-to-fine training search against the full search, and what it saves.

use super::super::training::{Needed, PASS_BER, train_coarse_to_fine, train_over};
use super::super::variation::{BitDraws, BitVariation};
use super::super::{LaneSurface, Link, Parameters, Setup};
use super::{read_setup, risers};
use nightbench_core::devices::BusKind;
use nightbench_core::results::Direction;

fn bits(p: &Parameters, count: u32) -> Vec<BitVariation> {
    (0..count)
        .map(|i| {
            let z = |k: f64| 4.0 * ((f64::from(i) * 0.618_033_988_749_895 + k * 0.37).fract() - 0.5);
            let draws = BitDraws {
                impedance: z(1.0),
                capacitance: z(2.0),
                length: z(3.0),
                bit_skew: z(4.0),
                lane_skew: z(5.0),
                offset: z(6.0),
                delay_drift: z(7.0),
                nonlinearity_turn: z(8.0).abs().fract(),
            };
            BitVariation::from_draws(p, Direction::Read, &draws)
        })
        .collect()
}

fn setups() -> Vec<Setup> {
    use BusKind::{LoadReduced, SmallOutline, Unbuffered};
    let mut list = vec![
        read_setup(risers(Unbuffered, 0, false), 3.2e9),
        read_setup(risers(Unbuffered, 3, false), 2.667e9),
        read_setup(risers(SmallOutline, 3, true), 2.4e9),
        // Nearly and fully closed.
        read_setup(risers(SmallOutline, 3, true), 2.933e9),
        read_setup(risers(SmallOutline, 3, true), 3.2e9),
        read_setup(risers(LoadReduced, 2, false), 3.2e9),
    ];
    let mut write = read_setup(risers(Unbuffered, 2, false), 2.4e9);
    write.direction = Direction::Write;
    list.push(write);
    list
}

#[test]
fn coarse_to_fine_finds_what_the_full_search_finds() {
    let (mut trained, mut failed) = (0, 0);
    for setup in setups() {
        let link = Link::new(setup.clone()).unwrap();
        for bit in bits(&setup.parameters, 6) {
            let mut whole = link.lane(&bit).unwrap();
            for (pass_ber, needed) in [
                (PASS_BER, Needed::default()),
                (1e-9, Needed { taps: 3, steps: 1 }),
                (1e-4, Needed { taps: 1, steps: 5 }),
                (1e-12, Needed { taps: 20, steps: 20 }),
            ] {
                let full =
                    train_over(whole.taps(), whole.vref_steps(), pass_ber, needed, |t, v| whole.ber(t, v));
                let mut fresh = link.lane(&bit).unwrap();
                assert_eq!(train_coarse_to_fine(&mut fresh, pass_ber, needed), full);
                if full.is_ok() { trained += 1 } else { failed += 1 }
            }
        }
    }
    assert!(trained >= 50 && failed >= 20, "both kinds occur: {trained} trained, {failed} failed");
}

/// A column that is said to fail everywhere does, and the bound is sharp enough to be worth having.
#[test]
fn a_column_is_left_out_only_where_it_fails() {
    let mut left_out = 0;
    for setup in setups() {
        let link = Link::new(setup.clone()).unwrap();
        let bit = BitVariation::default();
        let (mut whole, mut fresh): (LaneSurface, LaneSurface) =
            (link.lane(&bit).unwrap(), link.lane(&bit).unwrap());
        for tap in 0..whole.taps() {
            let passes = (0..whole.vref_steps()).any(|vref| whole.ber(tap, vref) <= PASS_BER);
            match fresh.passing_column(tap, PASS_BER).map(<[f64]>::to_vec) {
                None => {
                    assert!(!passes, "tap {tap}");
                    left_out += 1;
                }
                Some(column) => {
                    let direct: Vec<f64> = (0..whole.vref_steps()).map(|vref| whole.ber(tap, vref)).collect();
                    assert_eq!(column, direct);
                }
            }
        }
    }
    assert!(left_out > 200, "{left_out} of 448 columns left out");
}

/// A start that shifts the strobe moves the eye by that much and nothing else.
#[test]
fn a_shift_moves_the_eye() {
    let mut setup = read_setup(risers(BusKind::Unbuffered, 1, false), 2.4e9);
    setup.parameters.set("inl_pp_tap", 0.0).unwrap();
    let link = Link::new(setup).unwrap();
    let mut lane = link.lane(&BitVariation::default()).unwrap();
    let before: Vec<f64> = (0..64).map(|tap| lane.ber(tap, 38)).collect();
    // Three taps of a thirty-second of a unit interval.
    lane.set_shift(3.0 / 32.0);
    for (tap, before) in before.iter().enumerate().take(60).skip(4) {
        let moved = lane.ber(tap - 3, 38);
        assert!((moved / before - 1.0).abs() < 1e-9, "tap {tap}: {moved} {before}");
    }
    lane.set_shift(0.0);
    assert_eq!((0..64).map(|tap| lane.ber(tap, 38)).collect::<Vec<_>>(), before);
}

//! The tables against published figures, and against themselves.

use super::*;
use crate::results::Direction;
use std::collections::BTreeSet;

/// Span 60.00 to 92.50 % (from memory; guaranteed 60 to 92, source: a vendor's datasheet); DDR5 97.5 to 35.0 %, default 75 %
/// at code 45 (from memory); step 7.8 mV at 1.2 V and 5.5 mV at 1.1 V.
#[test]
fn vref_codes() {
    let codes = |generation: Generation| generation.facts().write_vref.expect("codes");
    let ddr4 = codes(Generation::Ddr4);
    assert_eq!((ddr4.percent(0), ddr4.percent(50), ddr4.percent(51)), (Some(60.0), Some(92.5), None));
    let ddr5 = codes(Generation::Ddr5);
    assert_eq!((ddr5.percent(45), ddr5.percent(125)), (Some(75.0), Some(35.0)));
    assert!((0.0065 * Generation::Ddr4.nominal_vddq().0 - 7.8e-3).abs() < 1e-12);
    assert!((0.005 * Generation::Ddr5.nominal_vddq().0 - 5.5e-3).abs() < 1e-12);
}

/// Limits (source: DDR5 module datasheets); a symmetric -5 % corner would leave the lower one (computed).
#[test]
fn ddr5_supply_limits_are_asymmetric() {
    let vddq = Generation::Ddr5.facts().rail(Rail::Vddq).expect("VDDQ");
    let (low, high) = vddq.ranges_v[0];
    assert!(1.1 * 0.95 < low);
    assert!((low / 1.1 - 0.97).abs() < 1e-9);
    assert!((high / 1.1 - 1.06).abs() < 1e-9);
}

#[test]
fn every_table_is_whole() {
    for (name, generation) in Generation::ALL {
        let facts = generation.facts();
        let has = |nominal: u32| generation.rates().any(|rate| rate.nominal() == nominal);
        assert_eq!((facts.name, generation.to_string().as_str()), (name, name));
        assert!(facts.rate_thirds.is_sorted() && has(facts.usual_rate), "{name}");
        assert!(facts.rail(Rail::Vddq).is_some(), "{name}");
        for rail in facts.rails {
            let within = rail.ranges_v.iter().any(|(low, high)| (*low..=*high).contains(&rail.nominal_v));
            assert!(within, "{name} {}", rail.rail.name());
        }
        let steps: BTreeSet<&str> = facts.training.iter().map(|(_, step)| *step).collect();
        assert_eq!(steps.len(), facts.training.len(), "{name}: a name twice");
        for step in [TrainingStep::ReadCentring, TrainingStep::ReadVref] {
            assert!(facts.step(step).is_some(), "{name}");
        }
        assert_eq!(facts.command.is_some(), facts.step(TrainingStep::CommandAddress).is_some(), "{name}");
        assert_eq!(facts.dfe, facts.step(TrainingStep::Dfe).is_some(), "{name}");
        let figures: BTreeSet<&str> = facts.model.iter().map(|figure| figure.name).collect();
        assert_eq!(figures.len(), facts.model.len(), "{name}: a figure twice");
        for direction in [Direction::Read, Direction::Write] {
            let row = facts.termination(direction, 1, 1).expect("one module, one rank");
            assert_eq!(matches!(row.receiver, Rtt::Controller(_)), direction == Direction::Read, "{name}");
        }
        for row in facts.terminations {
            let same = facts.terminations.iter().filter(|other| {
                (other.direction, other.modules, other.ranks) == (row.direction, row.modules, row.ranks)
            });
            assert_eq!(same.count(), 1, "{name} {row:?}");
            // RTT of a DRAM are parts of RZQ, 240 ohm (data sheets of every generation).
            for ohm in [row.receiver, row.other_ranks, row.other_module].into_iter().filter_map(Rtt::ohm) {
                assert!((240.0 / ohm).fract() == 0.0 || ohm == 34.0, "{name}: {ohm} ohm");
            }
        }
        if let Some(mask) = facts.mask {
            for (rate, width, height, _) in mask.rows {
                assert!(has(*rate), "{name}");
                assert!((0.0..1.0).contains(width) && *height > 0.0, "{name}");
            }
        }
    }
}

/// POD: VOL = VDDQ Ron/(Ron + Rtt), middle VDDQ (2 Ron + Rtt)/(2 (Ron + Rtt)): 0.405 and 0.70 for 34/50 ohm (POD12's
/// reference load, a DDR4 data sheet).
#[test]
fn levels_of_the_signalling() {
    let h0 = 50.0 / 84.0;
    assert!((Signalling::Pod.low(h0) - 0.405).abs() < 5e-4);
    assert!((Signalling::Pod.middle(h0) - 0.70).abs() < 3e-3);
    // Centre-tapped: symmetrical about VDDQ/2, to which RTT goes (a DDR3 data sheet's ODT drawing); 34 ohm into the reference
    // load of 25 ohm to VDDQ/2 swings by VDDQ 25/59 (the load: DDR3 data sheets, from memory).
    let h0 = 25.0 / 59.0;
    assert_eq!(Signalling::Sstl.middle(h0), 0.5);
    assert!((1.0 - 2.0 * Signalling::Sstl.low(h0) - h0).abs() < 1e-12);
    // Ground-terminated: VOL = 0; VOH is 0.5 or 0.6 VDDQ on LPDDR4X, by 40 ohm into 40 or 60 (MR3, MR11; from memory).
    for (rtt, voh) in [(40.0, 0.5), (60.0, 0.6)] {
        let h0 = rtt / (40.0 + rtt);
        assert_eq!(Signalling::Lvstl.low(h0), 0.0);
        assert!((2.0 * Signalling::Lvstl.middle(h0) - voh).abs() < 1e-12);
    }
}

/// LPDDR5 (a data sheet): VDD2L as VDD2H or 0.87 to 0.97 V, VDDQ 0.5 or 0.3 V; LPDDR4X: VDDQ 0.57 to 0.65 V; DDR3(L): VREFDQ a
/// pin at half the supply, so that there are no codes.
#[test]
fn supplies_of_the_low_power_generations() {
    let within = |generation: Generation, rail: Rail, volts: f64| {
        let rail = generation.facts().rail(rail).expect("a rail");
        rail.ranges_v.iter().any(|(low, high)| (*low..=*high).contains(&volts))
    };
    for (volts, good) in [(0.87, true), (0.9, true), (1.05, true), (0.99, false)] {
        assert_eq!(within(Generation::Lpddr5, Rail::Vdd2l, volts), good, "{volts}");
    }
    for (volts, good) in [(0.5, true), (0.3, true), (0.4, false)] {
        assert_eq!(within(Generation::Lpddr5, Rail::Vddq, volts), good, "{volts}");
    }
    assert!(within(Generation::Lpddr4x, Rail::Vddq, 0.65) && !within(Generation::Lpddr4x, Rail::Vddq, 0.66));
    assert!(within(Generation::Ddr3, Rail::Vdd, 1.35) && !within(Generation::Ddr3, Rail::Vdd, 1.2));
    assert!(
        Generation::Ddr3.facts().write_vref.is_none() && Generation::Ddr3.facts().rail(Rail::Vpp).is_none()
    );
}

#[test]
fn lanes_form_channels() {
    let width = |generation: Generation, lanes: u16| generation.facts().channels.width(lanes);
    assert_eq!((width(Generation::Ddr5, 40), width(Generation::Ddr5, 64)), (40, 32));
    assert_eq!((width(Generation::Lpddr5, 64), width(Generation::Lpddr5, 8)), (16, 8));
    assert_eq!(width(Generation::Ddr3, 72), 72);
}

//! What follows from training on a real bench: one reference for a device, writes that are read back.

use super::{Bench, call, eye, with_model};
use contract::{Driver, StartKind};
use nightbench_core::results::Direction::{Read, Write};
use std::collections::BTreeSet;

#[test]
fn lanes_of_a_device_share_their_write_reference_and_no_other() {
    let model = "rx_off_mv = 12.0\n";
    let steps = |more: &str, direction| {
        // A write sweep that holds the whole eye.
        let wide = "lanes = 16\n[interface.write]\nvref_start_percent = 40.0\nvref_steps = 90\n";
        let plan = |plan: &str| with_model(&format!("{model}{more}"))(&plan.replace("lanes = 16\n", wide));
        let mut bench = Bench::new(plan, &[Read, Write]);
        let setting = bench.setting("unbuffered", "direct", "3200", 25.0);
        let trained = bench.train(&setting, StartKind::Retrain);
        assert!(trained.passed);
        let eye = eye(&trained, direction).clone();
        let taps: Vec<u16> = eye.settings.iter().map(|at| at.tap).collect();
        let steps: Vec<u16> = eye.settings.iter().map(|at| at.vref).collect();
        (steps, taps)
    };
    let different = |steps: &[u16]| steps.iter().collect::<BTreeSet<_>>().len();
    let (own, _) = steps("", Write);
    assert!(different(&own[..8]) > 2, "offsets of 12 mV rms in steps of 7.8 mV: {own:?}");
    // DDR4: the eight lanes of a device have one VrefDQ (MR6), the next device its own.
    let (shared, taps) = steps("vref_shared = 1", Write);
    assert_eq!((different(&shared[..8]), different(&shared[8..])), (1, 1), "{shared:?}");
    // About the middle of what the lanes would have taken themselves, each with a tap of its own.
    let mean = own[..8].iter().map(|step| f64::from(*step)).sum::<f64>() / 8.0;
    assert!((f64::from(shared[0]) - mean).abs() < 2.0, "{} of {own:?}", shared[0]);
    assert!(different(&taps) > 1, "{taps:?}");
    // The controller's reference is none of the DRAM's business.
    assert_eq!(steps("vref_shared = 1", Read).0, steps("", Read).0);
}

#[test]
fn what_is_written_is_counted_through_the_read_path() {
    // A receiver of the controller that reads one bit in some millions wrongly; the DRAM's is sound.
    let model = "rx_noise_mv = 44.0\ndram_rx_noise_mv = 4.0\n";
    let floors = |more: &str, directions: &[_]| {
        let mut bench = Bench::new(with_model(&format!("{model}{more}")), directions);
        let setting = bench.setting("unbuffered", "direct", "2400", 25.0);
        let trained = bench.train(&setting, StartKind::Retrain);
        assert!(trained.passed, "{:?}", trained.stages.last());
        let mut ratios = Vec::new();
        for direction in [Read, Write].into_iter().filter(|one| directions.contains(one)) {
            let eye = eye(&trained, direction).clone();
            let of_lane: Vec<f64> = bench
                .target
                .lane_surfaces()
                .filter(|(name, ..)| *name == eye.eye)
                .zip(&eye.settings)
                .map(|((.., surface), at)| surface.ber(usize::from(at.tap), usize::from(at.vref)))
                .collect();
            assert_eq!(of_lane.len(), 16);
            ratios.push(of_lane);
        }
        let shown: BTreeSet<_> = bench
            .target
            .capabilities(&call())
            .unwrap()
            .eyes
            .iter()
            .map(|eye| eye.eye.direction.name())
            .collect();
        assert_eq!(shown.len(), directions.len());
        ratios
    };
    let bare = floors("", &[Read, Write]);
    assert!(bare[0].iter().all(|ratio| (1e-12..1e-6).contains(ratio)), "{:?}", bare[0]);
    assert!(bare[1].iter().all(|ratio| *ratio < 1e-14), "{:?}", bare[1]);
    let through = floors("read_back = 1", &[Read, Write]);
    assert_eq!(through[0], bare[0], "reads stay");
    for (write, read) in through[1].iter().zip(&through[0]) {
        assert!((write / read - 1.0).abs() < 1e-3, "{write:e} of {read:e}");
    }
    // Where only writes are captured the read path is trained all the same, and shown nowhere.
    assert_eq!(floors("read_back = 1", &[Write])[0], through[1]);
}

#[test]
fn what_is_held_is_read_back_where_reads_were_trained() {
    let model = "rx_noise_mv = 44.0\ndram_rx_noise_mv = 4.0\nread_back = 1\n";
    let mut bench = Bench::new(with_model(model), &[Write]);
    let room = bench.setting("unbuffered", "direct", "2400", 25.0);
    let trained = bench.train(&room, StartKind::Retrain);
    let written = eye(&trained, Write).clone();
    let at = written.settings[0];
    let ratio = |bench: &mut Bench, degc: f64| {
        let setting = bench.setting("unbuffered", "direct", "2400", degc);
        bench.target.apply(&setting, &call()).unwrap();
        bench.target.restore(std::slice::from_ref(&written), &call()).unwrap();
        let (.., surface) = bench.target.lane_surfaces().next().unwrap();
        surface.ber(usize::from(at.tap), usize::from(at.vref))
    };
    // Noise grows with temperature, and the read point stays where it was trained.
    let (cold, hot) = (ratio(&mut bench, 25.0), ratio(&mut bench, 85.0));
    assert!(hot > 2.0 * cold && cold > 0.0, "{hot:e} after {cold:e}");
}

/// The word of the plan takes the figures of the generation's table; what the plan sets by name stays.
#[test]
fn the_estimated_effects_are_defaults_that_a_plan_overrides() {
    use crate::assembly::parameters;
    let figures = |values: &str| {
        let bench = Bench::new(with_model(values), &[Read]);
        parameters(bench.plan.interface.generation, &bench.plan.model).unwrap()
    };
    let facts = nightbench_core::rates::Generation::Ddr4.facts();
    let (none, all) = (figures("effects = \"none\""), figures("effects = \"estimated\""));
    for figure in facts.effects {
        assert_eq!(all.value(figure.name), figure.value, "{}", figure.name);
        assert_ne!(none.value(figure.name), figure.value, "{}", figure.name);
        assert!(!all.is_given(figure.name), "{}: an estimate, not the plan's", figure.name);
    }
    let own = figures("pdn_z_ohm = 0.25\neffects = \"estimated\"");
    assert_eq!((own.pdn_z_ohm, own.tx_rj_ps), (0.25, all.tx_rj_ps));
    assert!(own.is_given("pdn_z_ohm"));
    // Tables of every generation hold figures that exist, in range, each once.
    for (name, generation) in nightbench_core::rates::Generation::ALL {
        let effects = generation.facts().effects;
        let names: BTreeSet<&str> = effects.iter().map(|figure| figure.name).collect();
        assert_eq!(names.len(), effects.len(), "{name}");
        for figure in effects {
            let set = crate::physics::Parameters::of(generation).set(figure.name, figure.value);
            assert!(set.is_ok(), "{name}: {set:?}");
        }
    }
}

//! Rules: parameters, paths, patterns, drift, DFE, training.

use super::super::channel::Channel;
use super::super::channel::Dfe;
use super::super::line::SPEED_OF_LIGHT;
use super::super::measured::MeasuredTwoPort;
use super::super::parameters::{Mark, NAMES};
use super::super::path::{Element, Measured};
use super::super::pattern::Pattern;
use super::super::training::{PASS_BER, TrainingFailure, margins, train};
use super::super::twoport::{Complex, Scattering};
use super::super::variation::{BitDraws, BitVariation, Contact, Mounting};
use super::super::{CommandLine, Link, OperatingPoint, Parameters, Path, PhysicsError, Setup};
use super::{close, lane, near, read_setup, risers};
use nightbench_core::devices::{BusKind, ChannelSegment, SecondSlot};
use nightbench_core::rates::Generation;
use nightbench_core::results::Direction;

fn direct(rate: f64) -> Setup {
    read_setup(Path::direct(BusKind::Unbuffered), rate)
}

fn width(setup: Setup) -> usize {
    let mut lane = lane(setup);
    train(lane.taps(), lane.vref_steps(), PASS_BER, |t, v| lane.ber(t, v)).map_or(0, |t| t.tap_run.len())
}

#[test]
fn every_parameter_can_be_set_and_is_listed() {
    for start in Generation::ALL.map(|(_, generation)| Parameters::of(generation)) {
        start.validate().unwrap();
        let entries: Vec<_> = start.entries().collect();
        assert_eq!(entries.len(), NAMES.len());
        let mut changed = start.clone();
        for entry in &entries {
            changed.set(entry.name, entry.value).unwrap();
            assert!(!entry.description.is_empty() && !entry.mark.text().is_empty());
            assert!(changed.set(entry.name, f64::NAN).is_err());
            assert!(changed.set(entry.name, 1e30).is_err());
        }
        assert!(changed.entries().all(|entry| entry.mark == Mark::Given));
    }
    let ddr5 = Parameters::of(Generation::Ddr5);
    let memory = ddr5.entries().filter(|e| e.mark == Mark::Memory).count();
    let before = Parameters::ddr4().entries().filter(|e| e.mark == Mark::Memory).count();
    // The preamble is from memory in both tables.
    assert_eq!(memory, before + 21, "every override took effect");
    close("DDR5 supply", ddr5.vddq_nominal_v, 1.1, 0.0);
}

#[test]
fn an_unknown_parameter_suggests_known_ones() {
    let mut p = Parameters::ddr4();
    let text = |error: PhysicsError| error.to_string();
    assert!(text(p.set("conn_l", 1.0).unwrap_err()).contains("'conn_l_nh'"));
    assert!(text(p.set("riser_length_mm", 1.0).unwrap_err()).contains("'riser_len_mm'"));
    assert!(text(p.set("dram_cio_fp", 1.0).unwrap_err()).contains("did you mean 'dram_cio_pf'"));
    assert!(!text(p.set("zzzzzzzzzzzz", 1.0).unwrap_err()).contains("did you mean"));
    let range = text(p.set("rj_ps", -1.0).unwrap_err());
    assert!(range.contains("rj_ps is -1 ps rms") && range.contains("from 0.05"), "{range}");
    p.n_taps = 12.5;
    assert!(text(p.validate().unwrap_err()).contains("whole number"));
}

/// H(0) = Rodt/(Ron + Rdc + r_stub + Rodt), hand calculation from the table's lines.
#[test]
fn direct_current_transfer_is_the_divider() {
    let setup = direct(3.2e9);
    let channel = Channel::new(setup, &[0.0]).unwrap();
    let m = channel.drifted().materials;
    let delays = m.package.length_of_delay(28e-12) + m.package.length_of_delay(45e-12);
    close("package length", delays, 73e-12 * SPEED_OF_LIGHT / 3.6f64.sqrt(), 1e-14);
    let lines = m.package.direct_resistance() * delays
        + m.module.direct_resistance() * 0.030
        + m.board.direct_resistance() * 0.080;
    let h0 = channel.transfer(&BitVariation::default()).unwrap()[0];
    close("H0", h0.re, 48.0 / (34.3 + lines + 15.0 + 48.0), 1e-13);
    near("no imaginary part", h0.im, 0.0, 1e-15);
}

/// Driver edge into the 50 ohm reference load, between 0.55 and 0.85 VDDQ. Source: the model's own stored figures; the
/// datasheet limits are 4..9 V/ns (2..7 V/ns for a twin-die package).
#[test]
fn driver_edge_into_the_reference_load() {
    let p = Parameters::ddr4();
    driver_edge(0.80e-12, 28.0, 5.816);
    driver_edge(p.stack_cio_pf * 1e-12, p.stack_pkg_t_ps, 5.115);
}

fn driver_edge(cio: f64, delay_ps: f64, want: f64) {
    let p = Parameters::ddr4();
    let package = Channel::new(direct(3.2e9), &[]).unwrap().drifted().materials.package;
    let length = package.length_of_delay(delay_ps * 1e-12);
    let period = 16e-9;
    let edge = p.dram_t2080_ps * 1e-12 / 0.735;
    let harmonics: Vec<(f64, Complex)> = (0..1600)
        .map(|i| {
            let f = f64::from(2 * i + 1) / period;
            let omega = std::f64::consts::TAU * f;
            let h = super::super::twoport::Abcd::identity()
                .then_susceptance(omega * cio)
                .then(&package.at(f).line(p.dram_pkg_z_ohm, length))
                .transfer(p.dram_ron_ohm, 50.0);
            let shaped = h * super::super::pulse::sinc(f * edge).powi(2);
            (omega, shaped * 2.0 / (std::f64::consts::PI * f64::from(2 * i + 1)))
        })
        .collect();
    // Falling from VDDQ towards VOL.
    let volts = |t: f64| {
        let wave: f64 = harmonics.iter().map(|(w, h)| (h * Complex::from_polar(1.0, w * t)).im).sum();
        1.2 - 1.2 * (0.5 * 50.0 / 84.3 + wave)
    };
    let crossing = |level: f64| {
        let (mut low, mut high) = (-0.3e-9, 0.6e-9);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if volts(middle) > level { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    };
    let slew = 0.30 * 1.2 / (crossing(0.55 * 1.2) - crossing(0.85 * 1.2)) * 1e-9;
    close("slew in V/ns", slew, want, 0.02);
}

#[test]
fn a_write_is_the_same_path_backwards() {
    let mut setup = read_setup(risers(BusKind::Unbuffered, 2, false), 2.4e9);
    // With equal ends a reciprocal path passes the same either way.
    for name in ["odt_wr_ohm", "odt_rd_ohm"] {
        setup.parameters.set(name, 34.3).unwrap();
    }
    let f = [0.0, 0.4e9, 1.2e9, 3.1e9];
    let h = |direction| {
        let setup = Setup { direction, ..setup.clone() };
        Channel::new(setup, &f).unwrap().transfer(&BitVariation::default()).unwrap()
    };
    for (read, write) in h(Direction::Read).iter().zip(h(Direction::Write)) {
        near("read = write", (read - write).norm(), 0.0, 1e-12);
    }
    setup.parameters = Parameters::ddr4();
    let far = h_at(&Setup { direction: Direction::Write, ..setup.clone() }, 1.2e9);
    assert!((far - h_at(&setup, 1.2e9)).norm() > 0.01);
}

fn h_at(setup: &Setup, f: f64) -> Complex {
    Channel::new(setup.clone(), &[f]).unwrap().transfer(&BitVariation::default()).unwrap()[0]
}

#[test]
fn parts_show_where_they_should() {
    let base = direct(2.4e9);
    let other = |change: fn(&mut Path)| {
        let mut setup = base.clone();
        change(&mut setup.path);
        h_at(&setup, 1.2e9).norm()
    };
    let plain = h_at(&base, 1.2e9).norm();
    let two = other(|p| p.ranks = 2);
    let four = other(|p| p.ranks = 4);
    assert!(plain > two && two > four, "ranks load the line: {plain} {two} {four}");
    assert!(other(|p| p.kind = BusKind::Stacked) < plain);
    assert!((other(|p| p.second_slot = SecondSlot::Empty) - plain).abs() > 1e-3);
    assert!(other(|p| p.second_slot = SecondSlot::Populated) < plain);
    // Behind a data buffer ranks do not show.
    let buffered = |ranks| {
        let path = Path { ranks, ..Path::direct(BusKind::LoadReduced) };
        h_at(&read_setup(path, 2.4e9), 1.2e9)
    };
    assert_eq!(buffered(1), buffered(4));
    for (change, part) in [
        (Path { ranks: 3, ..base.path.clone() }, "3 package ranks"),
        (Path { risers: 4, ..base.path.clone() }, "4 risers"),
    ] {
        let error = Link::new(Setup { path: change, ..base.clone() }).err().unwrap().to_string();
        assert!(error.contains(part), "{error}");
    }
}

#[test]
fn a_measured_board_stands_in_for_the_modelled_one() {
    let setup = read_setup(risers(BusKind::Unbuffered, 1, false), 2.4e9);
    let board = Channel::new(setup.clone(), &[]).unwrap().drifted().materials.board;
    let frequencies: Vec<f64> = (1..=2000).map(|i| f64::from(i) * 20e6).collect();
    let points: Vec<Scattering> =
        frequencies.iter().map(|f| board.at(*f).line(46.0, 0.080).to_scattering(50.0)).collect();
    let two_port = MeasuredTwoPort::new(frequencies.clone(), points.clone(), 50.0).unwrap();
    let mut with = setup.clone();
    with.path.measured = Some(Measured { two_port, replaces: vec![ChannelSegment::Board], coupling: None });
    for f in [0.3e9, 1.2e9, 1.213e9, 4.8e9] {
        near("H", (h_at(&with, f) - h_at(&setup, f)).norm(), 0.0, 2e-4);
    }
    near("H(0)", (h_at(&with, 0.0) - h_at(&setup, 0.0)).norm(), 0.0, 5e-3);
    // Writes see it from the other end.
    with.direction = Direction::Write;
    let backwards = Setup { direction: Direction::Write, ..setup.clone() };
    near("write", (h_at(&with, 1.2e9) - h_at(&backwards, 1.2e9)).norm(), 0.0, 2e-4);

    let short = MeasuredTwoPort::new(frequencies[..50].to_vec(), points[..50].to_vec(), 50.0).unwrap();
    with.path.measured =
        Some(Measured { two_port: short, replaces: vec![ChannelSegment::Board], coupling: None });
    let error = Link::new(with.clone()).err().unwrap().to_string();
    assert!(error.contains("ends at 1.000 GHz") && error.contains("2.400 GHz"), "{error}");
    let mut apart = with.clone();
    if let Some(measured) = &mut apart.path.measured {
        measured.replaces = vec![ChannelSegment::Risers, ChannelSegment::Board];
    }
    assert!(apart.path.validate().unwrap_err().to_string().contains("neighbouring"));
    assert!(MeasuredTwoPort::new(vec![1e9, 1e9], points[..2].to_vec(), 50.0).is_err());
    assert!(MeasuredTwoPort::new(vec![1e9], points[..1].to_vec(), 50.0).is_err());
}

/// Source: the model's own stored figures: the eye slides 14..18 ps over +70 K, the late margin pays, the width shrinks
/// by 2..5 %.
#[test]
fn an_untrained_eye_slides_with_temperature() {
    let mut setup = read_setup(risers(BusKind::Unbuffered, 0, false), 2.4e9);
    // A fine delay line without nonlinearity resolves the slide.
    for (name, value) in [("taps_per_ui", 256.0), ("n_taps", 512.0), ("inl_pp_tap", 0.0)] {
        setup.parameters.set(name, value).unwrap();
    }
    let tap_ps = 1e12 / 2.4e9 / 256.0;
    let mut cold = lane(setup.clone());
    let (taps, vref) = (512, 64);
    let middle = {
        let step = 38;
        let run = margins((taps, vref), (250, step), PASS_BER, |t, v| cold.ber(t, v)).taps.unwrap();
        (run.first, run.last, step)
    };
    setup.operating_point =
        OperatingPoint { temperature_c: 95.0, calibration_c: 25.0, ..setup.operating_point };
    let mut hot = lane(setup);
    let run = margins((taps, vref), (250, middle.2), PASS_BER, |t, v| hot.ber(t, v)).taps.unwrap();
    let early_ps = (run.first as f64 - middle.0 as f64) * tap_ps;
    let late_ps = (run.last as f64 - middle.1 as f64) * tap_ps;
    assert!((-18.5..=-13.0).contains(&late_ps), "the late edge moves {late_ps:.1} ps");
    assert!(late_ps < early_ps && early_ps < 0.0, "both edges move, the late one further: {early_ps:.1}");
    let shrink = 1.0 - run.len() as f64 / (middle.1 - middle.0 + 1) as f64;
    assert!((0.015..=0.05).contains(&shrink), "shrinks by {shrink:.3}");
}

#[test]
fn calibration_resets_driver_and_termination_only() {
    let at = |temperature_c, calibration_c| {
        let mut setup = direct(2.4e9);
        setup.operating_point.temperature_c = temperature_c;
        setup.operating_point.calibration_c = calibration_c;
        *Channel::new(setup, &[]).unwrap().drifted()
    };
    let (cold, hot, fresh) = (at(25.0, 25.0), at(95.0, 25.0), at(95.0, 95.0));
    close("Ron +7 %", hot.ron_ohm / cold.ron_ohm, 1.07, 1e-12);
    close("Rodt +3.5 %", hot.rodt_ohm / cold.rodt_ohm, 1.035, 1e-12);
    assert_eq!((fresh.ron_ohm, fresh.rodt_ohm), (cold.ron_ohm, cold.rodt_ohm));
    assert_eq!((fresh.t2080_s, fresh.tap_shift_s), (hot.t2080_s, hot.tap_shift_s));
    close("edge", hot.t2080_s / cold.t2080_s, 1.084, 1e-12);
    close("drift in ps", hot.tap_shift_s * 1e12, 17.5, 1e-12);
}

/// Statistical random data against a maximal-length sequence of 1023 bits, which holds nearly every ten-bit pattern
/// once: same channel, coupling off, an error ratio that few bits decide.
#[test]
fn a_long_fixed_sequence_approaches_random_data() {
    let mut setup = read_setup(risers(BusKind::SmallOutline, 3, true), 2.4e9);
    for name in ["xt_w1", "xt_w2", "xt_w3", "xt_w4", "xt_w5", "xt_w6", "xt_w7"] {
        setup.parameters.set(name, 0.0).unwrap();
    }
    // Strong noise lets many patterns contribute; ten bits cannot hold the rarest ones.
    setup.parameters.set("rx_noise_mv", 30.0).unwrap();
    let mut state = 1u32;
    let bits: Vec<bool> = (0..1023)
        .map(|_| {
            let next = ((state >> 9) ^ (state >> 6)) & 1;
            state = ((state << 1) | next) & 0x3ff;
            next == 1
        })
        .collect();
    let mut random = lane(setup.clone());
    let mut fixed = lane(Setup { pattern: Pattern::Fixed(bits), ..setup });
    for (tap, vref) in [(39, 39), (38, 45), (20, 39), (21, 36)] {
        close("error ratio", fixed.ber(tap, vref), random.ber(tap, vref), 0.1);
        assert!((1e-9..0.1).contains(&random.ber(tap, vref)), "a telling point: {}", random.ber(tap, vref));
    }
}

#[test]
fn patterns_order_as_their_interference_does() {
    let base = read_setup(risers(BusKind::Unbuffered, 3, false), 2.667e9);
    let with = |pattern| width(Setup { pattern, ..base.clone() });
    let random = with(Pattern::Prbs);
    let together = with(Pattern::VictimAggressor);
    let clock = with(Pattern::Fixed(vec![true, false]));
    let inverted = with(Pattern::DataBusInversion);
    assert!(together < random, "aggressors in phase close the eye: {together} against {random}");
    assert!(clock > random, "a clock has no data-dependent interference: {clock} against {random}");
    assert!(inverted >= random, "inversion cannot make it worse: {inverted} against {random}");
    let constant = with(Pattern::Fixed(vec![true]));
    assert!(constant >= 60, "nothing to get wrong in time: {constant}");
    let empty = Link::new(Setup { pattern: Pattern::Fixed(vec![]), ..base.clone() }).err().unwrap();
    assert!(empty.to_string().contains("length of the fixed pattern is 0 bit"), "{empty}");
}

#[test]
fn feedback_opens_a_ddr5_eye() {
    let p = Parameters::of(Generation::Ddr5);
    let path = risers(BusKind::Unbuffered, 1, false);
    let setup = Setup::read(p, path, OperatingPoint::calibrated(4.8e9, 25.0, 1.1));
    let equalized = Setup { dfe: Dfe::FourTap, ..setup.clone() };
    let link = Link::new(equalized).unwrap();
    let bit = BitVariation::default();
    let (response, lane) = (link.response(&bit).unwrap(), link.lane(&bit).unwrap());
    for (k, tap) in (1..).zip(lane.feedback_v()) {
        let left = 0.55 * response.pulse(0, k) + tap;
        assert!(left.abs() <= 2.5e-3 + 1e-12, "post-cursor {k} is left with {left} V");
        near("step grid", (tap / 5e-3 - (tap / 5e-3).round()).abs(), 0.0, 1e-9);
    }
    let (without, with) = (width(setup), width(link.setup().clone()));
    assert!(with > without, "{with} taps with, {without} without");
}

#[test]
fn asking_for_one_point_equals_the_whole_surface() {
    let setup = read_setup(risers(BusKind::Unbuffered, 1, false), 3.2e9);
    let draws = BitDraws {
        impedance: 1.2,
        capacitance: -0.4,
        bit_skew: 1.7,
        offset: -1.0,
        nonlinearity_turn: 0.3,
        ..BitDraws::default()
    };
    let bit = BitVariation::from_draws(&setup.parameters, setup.direction, &draws);
    let link = Link::new(setup).unwrap();
    let whole = link.lane(&bit).unwrap().surface();
    let mut lazy = link.lane(&bit).unwrap();
    for (tap, vref) in [(63, 63), (0, 0), (31, 40), (17, 22), (32, 5)] {
        assert_eq!(lazy.ber(tap, vref).to_bits(), whole[tap * 64 + vref].to_bits());
    }
    assert_eq!(lazy.ber(64, 0), 0.5);
    assert_eq!(lazy.ber(0, 64), 0.5);
    assert!(whole.iter().all(|b| (1e-100..=1.0).contains(b)));
}

#[test]
fn deviations_move_what_they_name() {
    let p = Parameters::ddr4();
    assert_eq!(BitVariation::from_draws(&p, Direction::Read, &BitDraws::default()), BitVariation::default());
    let link = Link::new(direct(2.4e9)).unwrap();
    let run = |bit: BitVariation| {
        let mut lane = link.lane(&bit).unwrap();
        train(64, 64, PASS_BER, |t, v| lane.ber(t, v)).unwrap()
    };
    let plain = run(BitVariation::default());
    let late = run(BitVariation { skew_s: 52.08e-12, ..BitVariation::default() });
    assert!((3..=5).contains(&(late.tap as isize - plain.tap as isize)), "an eighth of the UI is four taps");
    let offset = run(BitVariation { offset_v: 0.0312, ..BitVariation::default() });
    assert_eq!(offset.vref_run.first + 4, plain.vref_run.first);
    let bad = BitVariation { z_scale: 0.0, ..BitVariation::default() };
    assert!(link.lane(&bad).err().unwrap().to_string().contains("impedance factor"));
    let worn = Contact::from_draws(&p, [1.0, -1.0, -2.0]);
    close("inductance", worn.l_scale, 1.03, 1e-12);
    close("capacitance", worn.c_scale, 0.97, 1e-12);
    close("resistance", worn.series_ohm, 0.04, 1e-12);
    let mut setup = direct(2.4e9);
    let before = h_at(&setup, 0.0).re;
    setup.mounting =
        Mounting { board: Contact { series_ohm: 1.0, ..Contact::default() }, ..Mounting::default() };
    close("one ohm more", 1.0 / h_at(&setup, 0.0).re - 1.0 / before, 1.0 / 48.0, 1e-9);
}

/// The training rule on eyes drawn by hand.
#[test]
fn training_rule() {
    let inside = |a: std::ops::RangeInclusive<usize>, b: std::ops::RangeInclusive<usize>| {
        move |t: usize, v: usize| if a.contains(&t) && b.contains(&v) { 1e-9 } else { 0.1 }
    };
    let t = train(64, 64, 1e-6, inside(20..=40, 30..=50)).unwrap();
    assert_eq!((t.tap, t.vref, t.tap_run.len(), t.vref_run.len()), (30, 40, 21, 21));
    assert!(!t.tap_run.censored_low && !t.vref_run.censored_high);
    let edge = train(64, 64, 1e-6, inside(0..=10, 30..=63)).unwrap();
    assert!(edge.tap_run.censored_low && !edge.tap_run.censored_high && edge.vref_run.censored_high);
    assert_eq!(train(64, 64, 1e-6, |_, _| 0.5), Err(TrainingFailure::NothingPasses));
    let narrow = train(64, 64, 1e-6, inside(20..=23, 30..=50));
    assert_eq!(narrow, Err(TrainingFailure::TooFewTaps { found: 4, needed: 5 }));
    let flat = train(64, 64, 1e-6, inside(20..=40, 30..=33));
    assert_eq!(flat, Err(TrainingFailure::TooFewVrefSteps { found: 4, needed: 5 }));
    // Two islands: the wider one counts even when the other is met first.
    let islands = |t: usize, _: usize| if (3..=9).contains(&t) || (30..=41).contains(&t) { 0.0 } else { 0.5 };
    assert_eq!(train(64, 8, 1e-6, islands).unwrap().tap, 35);
    let m = margins((64, 64), (5, 5), 1e-6, inside(20..=40, 30..=50));
    assert!(m.taps.is_none() && m.vref.is_none());
}

/// Two-ports that reflect and pass everything at once are no passive device; what they do to the pulse is refused.
#[test]
fn a_two_port_with_gain_is_refused() {
    let one = Complex::new(1.0, 0.0);
    let active = Scattering { s11: one, s12: one, s21: one, s22: one };
    let frequencies: Vec<f64> = (0..=100).map(|i| f64::from(i) * 1e8).collect();
    let two_port = MeasuredTwoPort::new(frequencies.clone(), vec![active; 101], 50.0).unwrap();
    let mut setup = direct(2.4e9);
    setup.parameters.set("odt_rd_ohm", 1000.0).unwrap();
    setup.path.measured = Some(Measured { two_port, replaces: vec![ChannelSegment::Board], coupling: None });
    let answer = Link::new(setup).unwrap().lane(&BitVariation::default());
    if let Ok(mut lane) = answer {
        assert!(lane.surface().iter().all(|ber| ber.is_finite()));
    }
    let loud = Scattering { s21: Complex::new(1.2, 0.0), ..active };
    let error = MeasuredTwoPort::new(frequencies, vec![loud; 101], 50.0).unwrap_err().to_string();
    assert!(error.contains("|S21| at 0 Hz is 1.2"), "{error}");
}

/// A soldered device has neither connector nor socket: package, via, board and package alone, so that at 0 Hz only the copper
/// stands between driver and termination. A compression connector is one more.
#[test]
fn a_soldered_device_is_point_to_point() {
    let p = Parameters::of(Generation::Lpddr5);
    let at = OperatingPoint::calibrated(6.4e9, 25.0, 0.5);
    let setup = |kind| Setup {
        signalling: Generation::Lpddr5.facts().signalling,
        ..Setup::read(p.clone(), Path::direct(kind), at)
    };
    let soldered = setup(BusKind::Soldered);
    assert_eq!((soldered.path.connectors(), setup(BusKind::Compression).path.connectors()), (0, 1));
    let channel = Channel::new(soldered.clone(), &[0.0, 3.2e9]).unwrap();
    let elements = channel.layout(&BitVariation::default()).elements;
    let inductances =
        |elements: &[Element]| elements.iter().filter(|e| matches!(e, Element::Series(..))).count();
    assert_eq!(inductances(&elements), 0);
    let other = Channel::new(setup(BusKind::Compression), &[0.0]).unwrap();
    assert_eq!(inductances(&other.layout(&BitVariation::default()).elements), 1);
    // 40 ohm into 40 ohm, less a few tenths of an ohm of copper: VOH half of VDDQ, middle a quarter.
    let lane = lane(soldered.clone());
    assert!((0.485..0.5).contains(&(2.0 * lane.middle_v() / 0.5)), "{}", lane.middle_v());
    assert!(width(soldered.clone()) > width(setup(BusKind::Compression)));
    let mut wrong = soldered;
    wrong.path.risers = 1;
    assert!(Link::new(wrong).err().unwrap().to_string().contains("stands alone"));
}

/// A fly-by line at 0 Hz is a divider of driver and far-end termination, whichever package sees it; a register's is the same with
/// the termination in the register. The further down the line, the narrower the eye.
#[test]
fn a_command_line_ends_behind_its_last_package() {
    let p = Parameters::of(Generation::Ddr5);
    let at = OperatingPoint::calibrated(2.4e9, 25.0, 1.1);
    let setup = |kind, line| Setup {
        direction: Direction::Command,
        ..Setup::read(p.clone(), Path { command: Some(line), ..Path::direct(kind) }, at)
    };
    let wanted = p.ca_odt_ohm / (p.ctl_ron_ohm + p.ca_odt_ohm);
    let register = CommandLine { loads: 1, seen_at: 0, fly_by: false };
    let mut setups = vec![setup(BusKind::Registered, register)];
    for seen_at in [0, 3, 7] {
        setups.push(setup(BusKind::Unbuffered, CommandLine { loads: 8, seen_at, fly_by: true }));
    }
    for setup in &setups {
        let h0 =
            Channel::new(setup.clone(), &[0.0]).unwrap().transfer(&BitVariation::default()).unwrap()[0].re;
        // Eight sections of copper take a little.
        assert!((h0 - wanted).abs() < 0.02, "{h0}, {wanted} expected");
    }
    let widths: Vec<usize> = setups.into_iter().map(width).collect();
    assert!(widths.is_sorted_by(|near, far| near >= far) && widths[3] < widths[0], "{widths:?}");
}

//! Every measured field tells in a text, and a text is read back as what was written.

use super::*;
use nightbench_core::devices::ModuleKind;
use nightbench_core::results::LaneSet;
use nightbench_core::units::Volts;
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;
use proptest::sample::select;

fn text() -> impl Strategy<Value = String> {
    let letters = [
        "a", "Z", "7", "-", "_", ".", "/", " ", ":", "é", "#", "'", "''", "\"", "\"\"", "\\", "\n", "\t",
        "\r", "\u{0}", "\u{8}", "\u{c}", "\u{1f}", "\u{7f}",
    ];
    vec(select(letters.to_vec()), 0..9).prop_map(|parts| parts.concat())
}

fn number() -> impl Strategy<Value = f64> {
    use proptest::num::f64::{NEGATIVE, NORMAL, POSITIVE, SUBNORMAL, ZERO};
    let plain = (-2_000_000i32..2_000_000, select(vec![1.0, 10.0, 1000.0, 1e9]));
    prop_oneof![
        plain.prop_map(|(whole, by)| f64::from(whole) / by),
        NORMAL | SUBNORMAL | ZERO | NEGATIVE | POSITIVE
    ]
}

fn values() -> impl Strategy<Value = Vec<ModelValue>> {
    vec((text(), number()).prop_map(|(name, value)| ModelValue { name, value, span: 0..0 }), 0..3)
}

/// Kind, stack and half population as a plan can give them.
fn kind() -> impl Strategy<Value = (ModuleKind, bool, bool)> {
    let plain = ModuleKind::ALL.map(|(_, kind)| (kind, false, false));
    let others = [(ModuleKind::Rdimm, true, false), (ModuleKind::Udimm, false, true)];
    select([plain.as_slice(), others.as_slice()].concat())
}

fn bus_kind() -> impl Strategy<Value = BusKind> {
    select(BusKind::ALL.map(|(_, kind)| kind).to_vec())
}

/// Rates of one generation: a plan has one, which [interface] writes.
fn a_rate() -> impl Strategy<Value = DataRate> {
    select(Generation::Ddr5.rates().collect::<Vec<_>>())
}

fn a_module() -> impl Strategy<Value = Module> {
    let populated = vec(any::<u128>().prop_map(LaneSet), 0..3);
    let sizes = (1u8..5, 4u8..17, 1u8..17);
    (text(), kind(), sizes, a_rate(), populated, option::of(text()), values()).prop_map(
        |(
            name,
            (kind, stacked, half_populated),
            (ranks, device_width, dies),
            rated,
            populated,
            serial,
            overrides,
        )| Module {
            name,
            kind,
            stacked,
            half_populated,
            ranks,
            device_width,
            dies,
            rated,
            populated,
            serial,
            overrides,
            lane_models: Vec::new(),
            fault: None,
        },
    )
}

fn a_measured_channel() -> impl Strategy<Value = MeasuredChannel> {
    let segments = vec(select(ChannelSegment::ALL.map(|(_, segment)| segment).to_vec()), 0..4);
    let pairing = select(PortPairing::ALL.map(|(_, pairing)| pairing).to_vec());
    ("[0-9a-f]{8}", pairing, 1u8..3, any::<bool>(), segments, any::<bool>()).prop_map(
        |(sha256, pairing, line, reversed, replaces, coupling)| MeasuredChannel {
            file: String::new(),
            span: 0..0,
            sha256,
            pairing,
            line,
            reversed,
            replaces,
            coupling,
        },
    )
}

fn a_channel() -> impl Strategy<Value = Channel> {
    let slot = select(vec![SecondSlot::None, SecondSlot::Empty, SecondSlot::Populated]);
    let measured = option::of(a_measured_channel());
    (text(), 0u8..4, any::<bool>(), slot, vec(bus_kind(), 0..4), measured, values()).prop_map(
        |(name, risers, adapter, second_slot, fits, measured, overrides)| Channel {
            name,
            risers,
            adapter,
            second_slot,
            fits,
            measured,
            overrides,
        },
    )
}

fn a_sweep() -> impl Strategy<Value = SweepRange> {
    (any::<u16>(), any::<u16>(), any::<u16>(), number(), number()).prop_map(
        |(taps, taps_per_ui, vref_steps, vref_start_percent, vref_step_percent)| SweepRange {
            taps,
            taps_per_ui,
            vref_steps,
            vref_start_percent,
            vref_step_percent,
        },
    )
}

fn an_interface() -> impl Strategy<Value = Interface> {
    let generation = select(Generation::ALL.map(|(_, generation)| generation).to_vec());
    let wck_ratio = option::of(select(vec![2u8, 4]));
    let termination = select(TerminationRule::ALL.map(|(_, rule)| rule).to_vec());
    (
        generation,
        any::<u16>(),
        a_sweep(),
        a_sweep(),
        option::of(a_sweep()),
        (any::<bool>(), any::<bool>()),
        termination,
        wck_ratio,
    )
        .prop_map(
            |(generation, lanes, read, write, command, (dfe, dram_dfe), termination, wck_ratio)| Interface {
                generation,
                lanes,
                read,
                write,
                command,
                dfe,
                dram_dfe,
                termination,
                wck_ratio,
            },
        )
}

fn a_training() -> impl Strategy<Value = Training> {
    let held = (number(), option::of(text()))
        .prop_map(|(temperature, supply)| TrainingPolicy::Held { temperature, supply });
    let policy = prop_oneof![Just(TrainingPolicy::EveryCondition), held];
    (policy, number(), any::<u16>(), any::<u16>()).prop_map(
        |(policy, pass_ber, fewest_taps, fewest_steps)| Training {
            pattern: None,
            policy,
            pass_ber,
            fewest_taps,
            fewest_steps,
        },
    )
}

fn a_rule() -> impl Strategy<Value = PointRule> {
    let sequential =
        (number(), number(), number(), number(), number()).prop_map(|(limit, ratio, alpha, beta, cap)| {
            PointRule::Sequential { limit, ratio, alpha, beta, cap }
        });
    let fixed = (0..i64::MAX as u64, any::<u32>())
        .prop_map(|(bits, errors)| PointRule::Fixed { bits, errors: errors.into() });
    prop_oneof![sequential, fixed]
}

fn a_capture() -> impl Strategy<Value = CapturePlan> {
    let directions = vec(select(vec![Direction::Read, Direction::Write]), 0..3);
    let mode = select(vec![CaptureMode::Exact, CaptureMode::Fast, CaptureMode::Raster]);
    let dwell = (option::of(any::<bool>()), any::<bool>());
    (directions, mode, a_rule(), number(), number(), dwell).prop_map(
        |(directions, mode, rule, ber_limit, confidence, (short_dwell, tap_sweep))| CapturePlan {
            directions,
            mode,
            rule,
            ber_limit,
            confidence,
            short_dwell,
            tap_sweep,
        },
    )
}

/// Takes over one field after the other from a second value: the text changes exactly when the value does.
macro_rules! every_field_tells {
    ($write:path, $one:expr, $other:expr, [$($field:ident),*]) => {{
        let (one, other) = (&$one, &$other);
        let text = $write(one).expect("finite");
        $(
            let mut changed = one.clone();
            changed.$field = other.$field.clone();
            let same = format!("{changed:?}") == format!("{one:?}");
            prop_assert_eq!($write(&changed).expect("finite") == text, same, "{}", stringify!($field));
        )*
    }};
}

proptest! {
    #[test]
    fn every_field_of_a_module_tells(one in a_module(), other in a_module()) {
        every_field_tells!(module, one, other, [
            name, ranks, device_width, dies, rated, populated, serial, overrides
        ]);
        let Module { kind, stacked, half_populated, .. } = other;
        let changed = Module { kind, stacked, half_populated, ..one.clone() };
        prop_assert_eq!(module(&changed) == module(&one), changed == one);
    }

    #[test]
    fn every_field_of_a_channel_tells(one in a_channel(), other in a_channel()) {
        every_field_tells!(channel, one, other, [
            name, risers, adapter, second_slot, fits, measured, overrides
        ]);
        if let (Some(mine), Some(theirs)) = (&one.measured, &other.measured) {
            let write = |measured: &MeasuredChannel| {
                channel(&Channel { measured: Some(measured.clone()), ..one.clone() })
            };
            every_field_tells!(write, mine.clone(), theirs.clone(), [
                sha256, pairing, line, reversed, replaces, coupling
            ]);
        }
    }

    #[test]
    fn every_field_of_an_interface_tells(one in an_interface(), other in an_interface()) {
        every_field_tells!(interface, one, other, [
            lanes, read, write, command, dfe, dram_dfe, termination, wck_ratio
        ]);
        let write = |read: &SweepRange| interface(&Interface { read: read.clone(), ..one.clone() });
        every_field_tells!(write, one.read.clone(), other.read.clone(), [
            taps, taps_per_ui, vref_steps, vref_start_percent, vref_step_percent
        ]);
    }

    #[test]
    fn every_field_of_training_and_capture_tells(
        one in (a_training(), a_capture()),
        other in (a_training(), a_capture()),
    ) {
        every_field_tells!(training, one.0, other.0, [policy, pass_ber, fewest_taps, fewest_steps]);
        every_field_tells!(capture, one.1, other.1, [
            directions, mode, rule, ber_limit, confidence, short_dwell, tap_sweep
        ]);
    }

    #[test]
    fn every_field_of_the_small_things_tells(
        names in (text(), text()),
        words in (option::of(text()), option::of(text())),
        volts in ((number(), number(), number()), (number(), number(), number())),
        lists in (values(), values()),
    ) {
        let a_chip = |name: &String, corner: &Option<String>| Chip { name: name.clone(), corner: corner.clone(), fault: None };
        every_field_tells!(chip, a_chip(&names.0, &words.0), a_chip(&names.1, &words.1), [name, corner]);
        let image = |name: &String, image: &Option<String>, overrides: &[ModelValue], volts: f64| Firmware {
            name: name.clone(),
            image: image.clone(),
            overrides: overrides.to_vec(),
            landings: vec![Landing { lane: 3, taps: (volts as i64 % 50) as i16, vref_steps: -1 }],
        };
        every_field_tells!(
            firmware,
            image(&names.0, &words.0, &lists.0, volts.0.0),
            image(&names.1, &words.1, &lists.1, volts.1.0),
            [name, image, landings]
        );
        let rails = |name: &String, (vdd, vddq, vpp): (f64, f64, f64)| {
            let rails = vec![(Rail::Vdd, Volts(vdd)), (Rail::Vddq, Volts(vddq)), (Rail::Vpp, Volts(vpp))];
            Supply { name: name.clone(), rails }
        };
        every_field_tells!(supply, rails(&names.0, volts.0), rails(&names.1, volts.1), [name, rails]);
        let same = format!("{:?}", lists.0) == format!("{:?}", lists.1);
        prop_assert_eq!(model(&lists.0) == model(&lists.1), same);
        let texts = [volts.0.0, volts.1.0].map(|degrees| temperature(Celsius(degrees), ControlPoint::Air));
        prop_assert_eq!(texts[0] == texts[1], format!("{:?}", volts.0.0) == format!("{:?}", volts.1.0));
    }

    /// The texts have the shape of TOML: its reader gives back what was written, bit by bit.
    #[test]
    fn texts_and_numbers_are_read_back(name in text(), volts in (number(), number(), number())) {
        let of = vec![(Rail::Vdd, Volts(volts.0)), (Rail::Vddq, Volts(volts.1)), (Rail::Vpp, Volts(volts.2))];
        let rails = Supply { name, rails: of };
        let written = supply(&rails).expect("finite");
        let read: toml::Table = written.parse().map_err(|error| TestCaseError::fail(format!("{written}: {error}")))?;
        prop_assert_eq!(read["value"]["name"].as_str(), Some(rails.name.as_str()));
        for (key, volts) in [("vdd", volts.0), ("vddq", volts.1), ("vpp", volts.2)] {
            prop_assert_eq!(read["value"][key].as_float().map(f64::to_bits), Some(volts.to_bits()), "{}", key);
        }
    }
}

#[test]
fn start_words_rates_and_patterns_tell() {
    assert_eq!(
        [StartWord::PowerCycle, StartWord::Reset, StartWord::Retrain].map(start),
        ["PowerCycle", "Reset", "Retrain"]
    );
    let rates: Vec<String> = Generation::Ddr4.rates().map(rate).collect();
    assert_eq!(rates, ["1600", "1866", "2133", "2400", "2666", "2933", "3200"]);
    let patterns =
        [Pattern::Prbs(7), Pattern::Fixed("01".into()), Pattern::VictimAggressor, Pattern::DataBusInversion];
    assert_eq!(
        patterns.map(|one| pattern(&one)),
        ["PRBS7", "fixed 01", "victim/aggressor", "data-bus inversion"]
    );
}

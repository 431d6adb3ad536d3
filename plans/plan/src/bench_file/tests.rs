//! A whole bench file, and what is refused.

use super::*;
use nightbench_core::rates::Generation;
use nightbench_core::units::Volts;

const WHOLE: &str = r#"
name = "bench 1"
[limits]
device_low_degc = -40
device_high_degc = 105
air_low_degc = -55
air_high_degc = 120
ramp_k_per_min = 20
[room]
temperature_degc = 23
humidity_percent = 40
[unattended]
most_hours = 14
most_consecutive_faults = 5
[agent]
command = ["python3", "agent.py"]
[mounted]
chip = "K1"
module = "Amber"
channel = "direct"
[events]
on = ["finished", "fault", "hands needed"]
command = ["logger"]
[[profile]]
name = "oven"
set_temperature = "TEMP {value}"
get_temperature = "TEMP?"
measure_temperature = "TEMP:ACT?"
terminator = "CR LF"
[[instrument]]
name = "oven"
kind = "chamber"
serial = "/dev/ttyUSB0"
baud = 19200
identity = "OV-1"
profile = "oven"
calibration_due = "2027-03-31"
[[instrument]]
name = "supply"
kind = "supply"
tcp = "192.0.2.10:5025"
identity = "PS-1"
[[rail]]
name = "VDDQ"
supply = "supply"
channel = "1"
low_v = 1.1
high_v = 1.3
most_a = 3
over_voltage_v = 1.4
[[sensor]]
point = "chip"
from = "agent"
channel = "chip"
"#;

#[test]
fn a_whole_bench_is_read() {
    let bench = BenchFile::read(WHOLE).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    assert_eq!(bench.name, "bench 1");
    assert_eq!(bench.rails[0].most_a, 3.0);
    // 23 degC at 40 %: dew point 8.7 degC (Magnus, from memory), so hands stay above 15 degC.
    assert!((bench.room.dew_point.0 - 8.7).abs() < 0.05);
    assert_eq!(bench.touch_band(), (Celsius(15.0), Celsius(43.0)));
    let oven = bench.chamber().unwrap();
    assert_eq!(oven.profile.command(Action::SetTemperature, None, Some(-10.0)).unwrap(), "TEMP -10.0000");
    assert_eq!(oven.calibration_due.unwrap().to_string(), "2027-03-31");
    assert_eq!(oven.profile.terminator, "\r\n");
}

#[test]
fn a_bench_without_limits_is_refused() {
    for (table, words) in [
        (
            "[limits]\ndevice_low_degc = -40\ndevice_high_degc = 105\nair_low_degc = -55\nair_high_degc = 120\nramp_k_per_min = 20\n",
            "no [limits]",
        ),
        ("over_voltage_v = 1.4\n", "no `over_voltage_v`"),
        ("device_high_degc = 105\n", "no `device_high_degc`"),
        ("most_a = 3\n", "no `most_a`"),
        ("most_hours = 14\n", "no `most_hours`"),
    ] {
        assert!(WHOLE.contains(table), "{table}");
        let mistakes = BenchFile::read(&WHOLE.replace(table, "")).unwrap_err();
        assert!(mistakes.iter().any(|mistake| mistake.message.contains(words)), "{words}: {mistakes:#?}");
    }
}

#[test]
fn every_mistake_is_found_at_once() {
    let text = WHOLE
        .replace("high_v = 1.3", "high_v = 1.0")
        .replace("kind = \"supply\"", "kind = \"suply\"")
        .replace("2027-03-31", "2027-02-30")
        .replace("humidity_percent = 40", "humidity_percent = 140")
        .replace("name = \"bench 1\"", "name = \"bench 1\"\ntime_scale = 60\ncolour = 1");
    let mistakes = BenchFile::read(&text).unwrap_err();
    let all: Vec<&str> = mistakes.iter().map(|mistake| mistake.message.as_str()).collect();
    let all = all.join("\n");
    for words in ["`low_v` 1.1 V is above", "`suply`", "2027-02-30", "140 %", "has no key `colour`"] {
        assert!(all.contains(words), "{words}\n{all}");
    }
}

#[test]
fn a_time_scale_is_for_loopback_only() {
    let text = WHOLE.replace("name = \"bench 1\"", "name = \"bench 1\"\ntime_scale = 60");
    let mistakes = BenchFile::read(&text).unwrap_err();
    assert!(mistakes[0].message.contains("not on loopback"), "{mistakes:?}");
}

#[test]
fn a_plan_narrows_the_bench_and_never_widens_it() {
    let bench = || BenchFile::read(WHOLE).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    let narrow = BenchLimits {
        device_high: Some(Celsius(85.0)),
        rails: vec![("VDDQ", Volts(1.14), Volts(1.26)), ("VPP", Volts(2.5), Volts(2.5))],
        most_hours: Some(10.0),
        most_consecutive_faults: Some(2),
        ..BenchLimits::default()
    };
    let narrowed = bench().narrowed(&narrow).unwrap();
    assert_eq!((narrowed.limits.device_low, narrowed.limits.device_high), (Celsius(-40.0), Celsius(85.0)));
    assert_eq!((narrowed.rails[0].low, narrowed.rails[0].high), (Volts(1.14), Volts(1.26)));
    assert_eq!((narrowed.unattended.most_hours, narrowed.unattended.most_consecutive_faults), (10.0, 2));
    let wide = BenchLimits {
        device_low: Some(Celsius(-55.0)),
        device_high: Some(Celsius(125.0)),
        rails: vec![("VDDQ", Volts(1.0), Volts(1.2))],
        most_hours: Some(15.0),
        most_consecutive_faults: Some(6),
        ..BenchLimits::default()
    };
    let words = bench().narrowed(&wide).unwrap_err();
    assert_eq!(words.len(), 5, "{words:#?}");
    for (line, part) in words.iter().zip(["device_low_degc", "device_high_degc", "VDDQ", "15 h", "faults 6"])
    {
        assert!(line.contains(part) && line.contains("never widen"), "{line}");
    }
}

/// Figures that pass one by one and would protect nothing.
#[test]
fn a_bench_file_that_protects_nothing_is_refused_with_the_reason() {
    let sound = include_str!("../../../../drivers/bench/agent/every-key-bench.toml");
    for (from, to, words) in [
        (
            "channel = \"2\"\nmeter",
            "channel = \"1\"\nmeter",
            "uses the same output of `supply A` as the rail VDD",
        ),
        // An instrument takes 01 for 1.
        (
            "channel = \"2\"\nmeter",
            "channel = \" 01\"\nmeter",
            "uses the same output of `supply A` as the rail VDD",
        ),
        ("over_voltage_v = 1.4 ", "over_voltage_v = 60 ", "protection at 60 V protects nothing"),
        ("tolerance_v = 0.02 ", "tolerance_v = 1 ", "accepts any voltage"),
        ("off_below_v = 0.1 ", "off_below_v = 0.9 ", "would count as off at 0.9 V"),
        ("most_a = 3   ", "most_a = 0   ", "`most_a` is 0 A"),
        ("air_high_degc = 120", "air_high_degc = 250", "145 K beyond the device's limit"),
        ("off = \"OUTP OFF,(@{channel})\"", "off = \"OUTP ON,(@{channel})\"", "the same as `on`"),
        ("off = \"OUTP OFF,(@{channel})\"", "off = \"outp 1, (@{channel})\"", "the same as `on`"),
        ("measure_voltage = \"MEAS:VOLT?", "measure_voltage = \"VOLT?", "it reads back what"),
        ("off = \"STOP\" ", "# off = \"STOP\" ", "has only one of `on` and `off`"),
    ] {
        assert!(sound.contains(from), "{from}");
        let problems = BenchFile::read(&sound.replacen(from, to, 1)).expect_err(words);
        let all: Vec<&str> = problems.iter().map(|problem| problem.message.as_str()).collect();
        assert!(all.iter().any(|message| message.contains(words)), "{words}: {all:#?}");
    }
}

/// Figures that no part on the bench survives. Sources: absolute maximum DC ratings of DDR4 datasheets (JESD79-4: VDD 1.5 V, VPP 3.0 V,
/// storage -55 degC), DDR3 (JESD79-3: 1.975 V, the highest of any generation) and DDR5 (1.4 V, 2.1 V) from memory; AEC-Q100 grades 0 and 1 (150 and 125 degC ambient), from memory.
#[test]
fn limits_beyond_what_any_part_survives_are_refused_or_told() {
    let of = |from: &str, to: &str| {
        assert!(WHOLE.contains(from), "{from}");
        BenchFile::read(&WHOLE.replacen(from, to, 1))
    };
    for (from, to, words) in [
        ("high_v = 1.3\n", "high_v = 12.0\n", "`high_v` 12 V is beyond 1.975 V"),
        (
            "device_high_degc = 105",
            "device_high_degc = 200",
            "no memory or test chip is meant for more than 150",
        ),
        ("identity = \"PS-1\"", "identity = \"PS-1\"\ntime_out_s = 20", "would be silent for twice as long"),
    ] {
        let all: Vec<String> = of(from, to).unwrap_err().into_iter().map(|one| one.message).collect();
        assert!(all.iter().any(|message| message.contains(words)), "{words}: {all:#?}");
    }
    let bench = of(
        "high_v = 1.3
most_a = 3
over_voltage_v = 1.4
",
        "high_v = 1.45
most_a = 3
over_voltage_v = 1.6
",
    );
    let bench = bench.unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    assert_eq!(bench.beyond_ratings(Generation::Ddr4), Vec::<String>::new());
    let beyond = bench.beyond_ratings(Generation::Ddr5);
    assert!(
        beyond.len() == 1 && beyond[0].contains("the absolute maximum rating of DDR5 is 1.400 V"),
        "{beyond:?}"
    );
    let doubts = bench.doubts(Some(Generation::Ddr4), &[]);
    assert!(
        doubts.len() == 1 && doubts[0].contains("acts only beyond the absolute maximum rating, 1.500 V"),
        "{doubts:?}"
    );
}

#[test]
fn a_level_that_overshoots_into_the_alarm_is_told_with_the_room_it_needs() {
    let bench = BenchFile::read(WHOLE).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    let doubts = |degc: f64| bench.doubts(Some(Generation::Ddr4), &[Celsius(degc), Celsius(degc)]);
    for quiet in [25.0, 85.0, 100.0, -35.0] {
        assert_eq!(doubts(quiet), Vec::<String>::new(), "{quiet}");
    }
    let near = doubts(104.9);
    assert!(near.len() == 1 && near[0].contains("0.1 K from the device's highest temperature"), "{near:?}");
    assert!(near[0].contains("Keep 5 K of room") && near[0].contains("ask for 100.0"), "{near:?}");
    let cold = doubts(-38.0);
    assert!(cold.len() == 1 && cold[0].contains("2.0 K from the device's lowest temperature"), "{cold:?}");
    assert!(cold[0].contains("ask for -35.0"), "{cold:?}");
    // A choice of a channel that nothing confirms.
    let text = WHOLE.replace(
        "name = \"oven\"\nset_temperature",
        "name = \"oven\"\nselect = \"CH {channel}\"\nset_temperature",
    );
    let text = text.replace("identity = \"PS-1\"", "identity = \"PS-1\"\nprofile = \"oven\"");
    let bench = BenchFile::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:#?}"));
    let doubts = bench.doubts(None, &[]);
    assert!(doubts.len() == 1 && doubts[0].contains("nothing tells which channel of `supply`"), "{doubts:?}");
}

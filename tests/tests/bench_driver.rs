//! Every driver passes one suite; the bench driver keeps its promises under each fault.

use crate::emulated::{bench_file, plan, setting, start};
use crate::scripted::Scripted;
use bench::{BenchDriver, CommandLog};
use contract::conformance::{self, training};
use contract::*;
use emulator::{EmulatedBench, Fault, Kind};
use nightbench_core::generations::Rail;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{LaneSet, Point, TrainedEye};
use nightbench_core::units::Volts;
use plan::Plan;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

fn driver(bench: &EmulatedBench) -> (BenchDriver, CommandLog) {
    let log = CommandLog::in_memory();
    (BenchDriver::new(Arc::new(bench_file(&bench.bench_file())), log.clone(), false), log)
}

fn call() -> Call {
    Call::within(Duration::from_secs(60), &CancelToken::new())
}

fn simulated(plan: &Plan) -> SimulatedTarget {
    SimulatedTarget::new(Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed: 1,
    }))
}

fn ready(driver: &mut BenchDriver, plan: &Plan, temperature: f64) -> Vec<TrainedEye> {
    driver.apply(&setting(plan, temperature), &call()).unwrap_or_else(|error| panic!("{error}"));
    driver.train(&training(), &call()).unwrap_or_else(|error| panic!("{error}")).eyes
}

fn sample(driver: &mut BenchDriver, trained: &[TrainedEye]) -> Result<Vec<PointCounts>, DriverError> {
    let at = trained[0].settings[0];
    let request = PointRequest {
        point: Point { tap: at.tap, vref: at.vref },
        bits_before: 0,
        errors_before: Vec::new(),
        lanes: LaneSet::first(1),
        rule: PointRule::sequential(1e-3, 0.95),
        most_bits: 1024,
        series: 0,
    };
    driver.sample(trained[0].eye, &[request], &call())
}

#[test]
fn the_simulated_driver_conforms() {
    let plan = plan();
    conformance::check(&mut simulated(&plan), &setting(&plan, 25.0)).unwrap();
}

#[test]
fn the_scripted_double_conforms() {
    let plan = plan();
    conformance::check(&mut Scripted::new(), &setting(&plan, 25.0)).unwrap();
}

#[test]
fn the_emulated_bench_conforms_and_is_off_at_the_end() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let (mut driver, log) = driver(&bench);
    if let Err(words) = conformance::check(&mut driver, &setting(&plan, 60.0)) {
        panic!("{words}\n{}", log.latest(60).join("\n"));
    }
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

/// The same silicon through sockets: counts are those of the simulated target.
#[test]
fn the_emulated_bench_counts_what_the_simulated_target_counts() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let (mut own, _) = driver(&bench);
    let mut other = simulated(&plan);
    let eyes = ready(&mut own, &plan, 25.0);
    other.apply(&setting(&plan, 25.0), &call()).unwrap();
    let expected = other.train(&training(), &call()).unwrap();
    assert_eq!(eyes, expected.eyes);
    for tap in 0..32 {
        let request = PointRequest {
            point: Point { tap, vref: 12 },
            bits_before: 0,
            errors_before: Vec::new(),
            lanes: LaneSet::first(8),
            rule: PointRule::sequential(1e-4, 0.95),
            most_bits: 100_000,
            series: 0,
        };
        let eye = eyes[0].eye;
        assert_eq!(
            own.sample(eye, std::slice::from_ref(&request), &call()).unwrap(),
            other.sample(eye, std::slice::from_ref(&request), &call()).unwrap()
        );
    }
}

#[test]
fn limits_are_refused_before_anything_is_sent() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let (mut driver, log) = driver(&bench);
    let error = driver.apply(&setting(&plan, 130.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::OutOfRange);
    let mut high = setting(&plan, 25.0);
    let mut supply = plan.supplies[0].clone();
    supply.set(Rail::Vddq, Volts(1.5));
    high.supply = Arc::new(supply);
    assert_eq!(driver.apply(&high, &call()).unwrap_err().kind, FaultKind::OutOfRange);
    let mut supply = plan.supplies[0].clone();
    supply.set(Rail::Vddq, Volts(f64::NAN));
    high.supply = Arc::new(supply);
    assert_eq!(driver.apply(&high, &call()).unwrap_err().kind, FaultKind::OutOfRange);
    assert!(!log.latest(100).iter().any(|line| line.contains(" > ")), "{:?}", log.latest(100));
}

#[test]
fn below_the_dew_point_a_dry_purge_is_needed() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let text = bench.bench_file().replace("dry_purge = true", "dry_purge = false");
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    let error = driver.apply(&setting(&plan, 5.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::Interlock);
    assert!(error.words.contains("dry purge"), "{error}");
}

#[test]
fn power_goes_on_in_the_order_of_the_rules_and_off_is_measured() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let (mut driver, log) = driver(&bench);
    ready(&mut driver, &plan, 25.0);
    let lines = log.latest(4000);
    let place =
        |words: &str| lines.iter().position(|line| line.contains(words)).unwrap_or_else(|| panic!("{words}"));
    assert!(place("VOLT:PROT 1.45") < place("CURR 3.0"));
    assert!(place("CURR 3.0") < place("VOLT 1.2"));
    assert!(place("VOLT 1.2") < place("OUTP ON"));
    assert!(place("OUTP ON") < place("MEAS:VOLT?"));
    assert!(place("MEAS:VOLT?") < place("\"method\":\"power\""));
    log.forget();
    driver.make_safe(&call()).unwrap();
    let lines = log.latest(4000);
    let place =
        |words: &str| lines.iter().position(|line| line.contains(words)).unwrap_or_else(|| panic!("{words}"));
    assert!(place("\"method\":\"safe\"") < place("OUTP OFF"));
    assert!(place("OUTP OFF") < place("MEAS:VOLT?"));
    assert!(place("SPO 23.0") > 0);
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

#[test]
fn an_output_that_stays_on_is_never_called_off() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let (mut driver, _) = driver(&bench);
    ready(&mut driver, &plan, 25.0);
    bench.world().suffer(Fault::StuckOn);
    let error = driver.make_safe(&call()).unwrap_err();
    assert!(error.kind == FaultKind::NotSafe && error.words.contains("VDDQ"), "{error}");
    let error = driver.safety_handle().make_safe().unwrap_err();
    assert_eq!(error.kind, FaultKind::NotSafe, "{error}");
}

#[test]
fn each_fault_of_an_answer_is_survived_by_reading_again() {
    let plan = plan();
    for fault in [Fault::NoAnswer, Fault::Garbage, Fault::Partial, Fault::Disconnect, Fault::NotANumber] {
        let bench = start(&plan, 1, 0.0, 2000.0);
        let (mut driver, log) = driver(&bench);
        let trained = ready(&mut driver, &plan, 25.0);
        bench.world().weather.arm(fault);
        // The next look meets the fault.
        std::thread::sleep(Duration::from_millis(60));
        let counts = sample(&mut driver, &trained).unwrap_or_else(|error| panic!("{fault:?}: {error}"));
        assert_eq!(counts.len(), 1);
        assert_eq!(bench.world().weather.happened(), [fault]);
        let lines = log.latest(200).join("\n");
        assert!(lines.contains("read again"), "{fault:?}\n{lines}");
        // After any such fault the instrument is identified, cleared and verified on a fresh connection.
        let after = lines.split("read again").nth(1).unwrap();
        for words in ["*IDN?", "*CLS", "VOLT?"] {
            assert!(after.contains(words), "{fault:?}: {words}\n{after}");
        }
    }
}

#[test]
fn each_fault_of_the_agent_ends_the_call_with_its_kind() {
    let plan = plan();
    for (fault, kind) in [
        (Fault::Hang, FaultKind::TimeOut),
        (Fault::Crash, FaultKind::Communication),
        (Fault::WrongId, FaultKind::Protocol),
        (Fault::Malformed, FaultKind::Protocol),
        (Fault::TooManyErrors, FaultKind::Protocol),
        (Fault::LostTraining, FaultKind::WrongOrder),
    ] {
        let bench = start(&plan, 1, 0.0, 500.0);
        let (mut driver, _) = driver(&bench);
        let trained = ready(&mut driver, &plan, 25.0);
        bench.world().weather.arm(fault);
        // TooManyErrors and LostTraining wait for a sample; the others may strike an earlier call of it.
        let begin = Instant::now();
        let error = sample(&mut driver, &trained).unwrap_err();
        assert_eq!(error.kind, kind, "{fault:?}: {error}");
        assert!(begin.elapsed() < Duration::from_secs(3), "{fault:?} took {:?}", begin.elapsed());
        // Nothing is trusted afterwards, and everything can be set anew.
        assert_eq!(sample(&mut driver, &trained).unwrap_err().kind, FaultKind::WrongOrder);
        let trained = ready(&mut driver, &plan, 25.0);
        sample(&mut driver, &trained).unwrap();
    }
}

#[test]
fn a_trip_is_an_alarm_that_switches_everything_off() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 500.0);
    let (mut driver, _) = driver(&bench);
    let trained = ready(&mut driver, &plan, 25.0);
    bench.world().suffer(Fault::Trip);
    std::thread::sleep(Duration::from_millis(60));
    let error = sample(&mut driver, &trained).unwrap_err();
    assert_eq!(error.kind, FaultKind::Alarm(Alarm::Voltage), "{error}");
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

#[test]
fn a_level_that_is_never_reached_has_a_kind_of_its_own() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 20_000.0);
    let (mut driver, _) = driver(&bench);
    bench.world().weather.arm(Fault::NeverReached);
    let error = driver.apply(&setting(&plan, 60.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::NotReached, "{error}");
}

#[test]
fn another_instrument_behind_the_address_is_refused() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let text = bench.bench_file().replace("EP-0001", "EP-0002");
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    let error = driver.apply(&setting(&plan, 25.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::WrongInstrument, "{error}");
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

#[test]
fn the_safety_handle_works_while_a_call_is_stuck() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 500.0);
    let text = bench.bench_file().replace("heartbeat_s = 0.5", "heartbeat_s = 30");
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    let trained = ready(&mut driver, &plan, 25.0);
    let handle = driver.safety_handle();
    bench.world().weather.arm(Fault::Hang);
    std::thread::scope(|scope| {
        let stuck = scope.spawn(|| sample(&mut driver, &trained));
        std::thread::sleep(Duration::from_millis(200));
        let begin = Instant::now();
        handle.make_safe().unwrap_or_else(|error| panic!("{error}"));
        assert!(begin.elapsed() < Duration::from_secs(5));
        assert_eq!(bench.world().still_on(), Vec::<String>::new());
        assert!(stuck.join().unwrap().is_err());
    });
}

#[test]
fn a_chamber_that_runs_away_is_an_alarm_long_before_the_limit() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 200.0);
    let text = bench.bench_file().replace("ramp_k_per_min = 1000", "ramp_k_per_min = 20");
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    bench.world().suffer(Fault::RunAway);
    let error = driver.apply(&setting(&plan, 60.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::Alarm(Alarm::Temperature), "{error}");
    // By the device's own ramp, or by the chamber's own sensor: whichever is noticed first.
    let fast = error.words.contains("changes too fast") && error.words.contains("20 K/min allowed");
    assert!(fast || error.words.contains("does not follow its set point"), "{error}");
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
    // Latched: nothing is switched on or heated by this driver again.
    let error = driver.apply(&setting(&plan, 60.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::Interlock, "{error}");
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
    // The same ramp without the fault is quiet.
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    driver.apply(&setting(&plan, 60.0), &call()).unwrap_or_else(|error| panic!("{error}"));
    driver.make_safe(&call()).unwrap();
}

#[test]
fn a_current_above_its_limit_is_an_alarm_on_the_way_to_a_temperature() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 200.0);
    let (mut driver, _) = driver(&bench);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let begin = Instant::now();
            while !bench.world().powered() && begin.elapsed() < Duration::from_secs(20) {
                std::thread::sleep(Duration::from_millis(2));
            }
            bench.world().suffer(Fault::OverCurrent);
        });
        let error = driver.apply(&setting(&plan, 85.0), &call()).unwrap_err();
        assert_eq!(error.kind, FaultKind::Alarm(Alarm::Current), "{error}");
        assert!(
            error.words.contains("takes 3.9") && error.words.contains("above its limit of 3 A"),
            "{error}"
        );
    });
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
    assert!(bench.world().true_device() < 84.0, "it was noticed on the way");
    assert!(bench.ledger().is_empty());
}

/// Switching off is told again until it was heard: a fault of the conversation leaves nothing on.
#[test]
fn making_safe_survives_faults_of_every_answer() {
    let plan = plan();
    for fault in Fault::OF_ANSWERS {
        let bench = start(&plan, 1, 0.0, 2000.0);
        let (mut driver, log) = driver(&bench);
        ready(&mut driver, &plan, 25.0);
        for _ in 0..3 {
            bench.world().weather.arm(fault);
        }
        driver
            .make_safe(&call())
            .unwrap_or_else(|error| panic!("{fault:?}: {error}\n{}", log.latest(80).join("\n")));
        assert_eq!(bench.world().weather.happened().len(), 3, "{fault:?}");
        assert_eq!(bench.world().still_on(), Vec::<String>::new(), "{fault:?}");
    }
}

/// A power switch goes on after the rails and off before them; one that stays on is never called off.
#[test]
fn a_power_switch_goes_on_last_and_off_first() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let text = format!(
        "{}\n[[instrument]]\nname = \"mains\"\nkind = \"power-switch\"\ntcp = \"{}\"\nidentity = \"ES-0001\"\n\
         time_out_s = 0.2\n",
        bench.bench_file(),
        bench.addresses()[4]
    );
    let log = CommandLog::in_memory();
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), log.clone(), false);
    ready(&mut driver, &plan, 25.0);
    assert_eq!(bench.world().switch, Some(true));
    let lines = log.latest(4000);
    let place =
        |words: &str| lines.iter().position(|line| line.contains(words)).unwrap_or_else(|| panic!("{words}"));
    let last = |words: &str| {
        lines.iter().rposition(|line| line.contains(words)).unwrap_or_else(|| panic!("{words}"))
    };
    assert!(last("supply > OUTP ON") < place("mains > OUTP ON"));
    assert!(place("mains > OUTP ON") < place("\"method\":\"power\""), "the device is started behind it");
    driver.make_safe(&call()).unwrap();
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
    assert_eq!(bench.world().switch, Some(false));
    ready(&mut driver, &plan, 25.0);
    bench.world().switch_stuck = true;
    let error = driver.make_safe(&call()).unwrap_err();
    assert!(error.kind == FaultKind::NotSafe && error.words.contains("mains"), "{error}");
    // The rails are off all the same: each instrument on its own.
    assert!(bench.world().outputs.iter().all(|output| !output.on));
}

/// A condition that is left during a job gives no counts, whatever the agent answers.
#[test]
fn what_leaves_its_tolerance_during_a_job_is_not_measured() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 500.0);
    let (mut driver, _) = driver(&bench);
    let trained = ready(&mut driver, &plan, 25.0);
    bench.world().outputs[1].volts += 0.03;
    std::thread::sleep(Duration::from_millis(60));
    let error = sample(&mut driver, &trained).unwrap_err();
    assert_eq!(error.kind, FaultKind::NotSettled, "{error}");
    assert!(error.words.contains("VDDQ left its tolerance during the job"), "{error}");
    let trained = ready(&mut driver, &plan, 25.0);
    bench.world().set_point = 32.0;
    std::thread::sleep(Duration::from_millis(150));
    let error = sample(&mut driver, &trained).unwrap_err();
    assert_eq!(error.kind, FaultKind::NotSettled, "{error}");
    assert!(error.words.contains("the temperature left its band during the job"), "{error}");
    driver.make_safe(&call()).unwrap();
}

/// A channel that cannot be chosen: what follows must not reach the one chosen before.
#[test]
fn nothing_is_set_when_a_channel_cannot_be_chosen() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let file = bench_file(&bench.bench_file());
    let spec = file.instrument("supply").unwrap().clone();
    let mut supply = bench::instrument::Instrument::new(spec, CommandLog::in_memory(), false);
    let set = plan::bench_file::Action::SetVoltage;
    supply.tell(set, Some("1"), Some(1.2), &call()).unwrap();
    let error = supply.tell(set, Some("9"), Some(1.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::Instrument(-222), "{error}");
    assert!((bench.world().outputs[0].volts - 1.2).abs() < 1e-9, "{}", bench.world().outputs[0].volts);
    // An older entry in the queue is no reason to refuse.
    bench.world().weather.arm(Fault::ErrorEntry);
    let get = plan::bench_file::Action::GetVoltage;
    assert!((supply.ask(get, Some("1"), 0.0, &call()).unwrap() - 1.2).abs() < 1e-9);
    supply.tell(set, Some("2"), Some(1.1), &call()).unwrap_or_else(|error| panic!("{error}"));
}

#[test]
fn currents_are_kept_with_the_readings() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let (mut driver, _) = driver(&bench);
    let trained = ready(&mut driver, &plan, 25.0);
    driver.take_readings();
    std::thread::sleep(Duration::from_millis(60));
    sample(&mut driver, &trained).unwrap();
    let readings = driver.take_readings();
    for rail in ["VDD", "VDDQ", "VPP"] {
        let current = readings.iter().find(|one| one.name == format!("{rail} current"));
        assert!(current.is_some_and(|one| one.unit == "A" && (one.value - 1.2).abs() < 1e-6), "{readings:?}");
    }
}

#[test]
fn a_stale_reading_is_an_alarm() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 100.0);
    let text = bench.bench_file();
    let stale = text.lines().find(|line| line.starts_with("stale_after_s")).unwrap();
    let text = text.replace(stale, "stale_after_s = 30.0");
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    let trained = ready(&mut driver, &plan, 25.0);
    // A meter neither heats nor powers: that it is silent is no alarm before its last reading is stale.
    bench.world().silent.insert(Kind::Meter);
    // 30 s of bench time are 0.3 s; a look that fails takes longer.
    std::thread::sleep(Duration::from_millis(350));
    // Everything is made safe, and without the meter nobody can say that its rail is off.
    let error = sample(&mut driver, &trained).unwrap_err();
    assert_eq!(error.kind, FaultKind::NotSafe, "{error}");
    assert!(error.words.contains("alarm: a watched reading is stale: "), "{error}");
    bench.world().silent.clear();
    driver.make_safe(&call()).unwrap();
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

/// An agent that is gone leaves a device in an unknown state: its power is off before anything else, and the next condition goes on.
#[test]
fn a_device_that_nobody_drives_has_no_power() {
    let plan = plan();
    for fault in [Fault::Hang, Fault::Crash, Fault::WrongId, Fault::Malformed] {
        let bench = start(&plan, 1, 0.0, 2000.0);
        let (mut driver, log) = driver(&bench);
        let trained = ready(&mut driver, &plan, 60.0);
        bench.world().weather.arm(fault);
        let error = sample(&mut driver, &trained).unwrap_err();
        assert!(error.kind.is_of_conversation(), "{fault:?}: {error}");
        let on: Vec<String> = bench.world().still_on();
        assert!(
            on.iter().all(|words| words.contains("chamber")),
            "{fault:?}: {on:?}\n{}",
            log.latest(30).join("\n")
        );
        let trained = ready(&mut driver, &plan, 60.0);
        sample(&mut driver, &trained).unwrap_or_else(|error| panic!("{fault:?}: {error}"));
        driver.make_safe(&call()).unwrap();
        assert_eq!(bench.world().still_on(), Vec::<String>::new());
    }
}

/// An agent as a child that never answers and does not listen to TERM: KILL ends its whole group, the rails go off.
#[test]
fn an_agent_that_hangs_is_killed_with_its_group() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 2000.0);
    let folder = crate::support::Folder::new();
    let numbers = folder.path().join("numbers");
    let script =
        format!("trap '' TERM; sleep 600 & echo $$ $! > {}; while :; do sleep 1; done", numbers.display());
    let text = bench.bench_file().replace(
        &format!("tcp = \"{}\"\nheartbeat_s", bench.addresses()[3]),
        &format!("command = [\"sh\", \"-c\", {script:?}]\nkill_after_s = 0.3\nheartbeat_s"),
    );
    assert!(text.contains("kill_after_s"));
    let mut driver = BenchDriver::new(Arc::new(bench_file(&text)), CommandLog::in_memory(), false);
    let begin = Instant::now();
    let error = driver.apply(&setting(&plan, 25.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::TimeOut, "{error}");
    driver.make_safe(&call()).unwrap();
    assert!(begin.elapsed() < Duration::from_secs(15), "{:?}", begin.elapsed());
    let numbers = std::fs::read_to_string(&numbers).expect("the child ran");
    for number in numbers.split_whitespace() {
        // A process that ended but was not waited for yet shows as a zombie.
        let status = std::fs::read_to_string(format!("/proc/{number}/stat")).unwrap_or_default();
        assert!(status.is_empty() || status.contains(") Z "), "process {number} is still there: {status}");
    }
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

/// Goal: at most 2 ms a batch beyond the agent's own time. The median over 300 batches, watch included.
#[test]
fn a_batch_costs_less_than_two_milliseconds_beyond_the_agent() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 100.0);
    let (mut driver, _) = driver(&bench);
    let trained = ready(&mut driver, &plan, 25.0);
    let mut overhead = Vec::new();
    for _ in 0..300 {
        let begin = Instant::now();
        sample(&mut driver, &trained).unwrap();
        let whole = begin.elapsed();
        let own = bench.ledger().last().unwrap().own_time;
        overhead.push(whole.saturating_sub(own));
    }
    overhead.sort();
    let (median, p95) = (overhead[150], overhead[285]);
    println!("overhead a batch: median {median:?}, 95 % {p95:?}");
    assert!(median < Duration::from_millis(2), "{median:?}");
}

/// The agent ends while the temperature settles: the job faults with that first cause. Nobody asks a fresh agent, which never heard of
/// power, for temperatures; the next attempt brings it to the state.
#[test]
fn an_agent_lost_while_settling_is_the_first_cause() {
    let plan = plan();
    let bench = start(&plan, 1, 0.0, 400.0);
    let (mut driver, log) = driver(&bench);
    let result = std::thread::scope(|scope| {
        scope.spawn(|| {
            // Once the agent heard of power, what follows are readings on the way to the level.
            for _ in 0..5000 {
                let mut world = bench.world();
                if world.device_on && world.true_air() > 30.0 {
                    world.weather.arm(Fault::Crash);
                    return;
                }
                drop(world);
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        driver.apply(&setting(&plan, 60.0), &call())
    });
    let error = result.unwrap_err();
    assert_eq!((error.kind, error.part), (FaultKind::Communication, Part::Agent), "{error}");
    assert!(error.words.contains("ended or closed the connection"), "{error}");
    let lines = log.latest(usize::MAX);
    let fault = lines.iter().rposition(|line| line.contains("ended or closed")).expect("the fault is logged");
    log.forget();
    let after: Vec<&String> = lines[fault..].iter().filter(|line| line.contains("\"method\"")).collect();
    assert!(after.is_empty(), "asked a fresh agent: {after:?}");
    driver.apply(&setting(&plan, 60.0), &call()).unwrap_or_else(|error| panic!("{error}"));
    let methods: Vec<String> = log
        .latest(usize::MAX)
        .iter()
        .filter_map(|line| line.split("\"method\":\"").nth(1)?.split('"').next().map(str::to_string))
        .collect();
    let first = |name: &str| methods.iter().position(|one| one == name).unwrap_or(usize::MAX);
    assert!(first("identify") < first("power") && first("power") < first("configure"), "{methods:?}");
    driver.make_safe(&call()).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

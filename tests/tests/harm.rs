//! Faults that could heat, power or mislead, each on the emulated bench, whose ledger knows the truth: no limit is passed with power on
//! for longer than the reaction time, nothing is switched on again, and the last word is true.

use crate::bench_run::{Rig, one_setup, rig};
use crate::emulated::{bench_file, setting, start};
use crate::harm_cases::{CASES, Case};
use crate::support::{Run, nightbench};
use contract::{Call, CancelToken, Driver};
use emulator::{Harm, Kind, Probe, Tells, World};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// How a faulty run ended, and what the world saw of it.
struct End {
    run: Run,
    on: Vec<String>,
    device: f64,
    air: f64,
    set_point: f64,
    switched_on: (u32, u32),
    harm: Vec<Harm>,
}

/// The bench of a case: its own limits, a supply that is looked at often, and a reaction time that fits.
fn bench_of(case: &Case) -> Rig {
    let plan = one_setup()
        .replace("rate = [2133, 2400]", "rate = [2133]")
        .replace("temperature_degc = [25, 60]", &format!("temperature_degc = [{}]", case.levels));
    let own = rig(&plan, 1, 0.0, case.scale);
    let text = std::fs::read_to_string(&own.file).expect("the bench file");
    let text = text
        .replace("device_high_degc = 105.0", &format!("device_high_degc = {:.1}", case.limit))
        .replace("attempts = 10", "attempts = 5");
    assert!(text.contains(&format!("device_high_degc = {:.1}", case.limit)));
    let more = text.find("[[sensor]]\npoint = \"DRAM case\"").expect("sensors come last");
    let text = if case.chip_only { text[..more].to_string() } else { text };
    std::fs::write(&own.file, text).expect("the bench file");
    let mut world = own.bench.world();
    // The band around the limit belongs to it.
    world.ledger.allowed.device.1 = case.limit + 1.0;
    // Two looks of the watch, and what a busy computer may be late.
    world.ledger.allowed.reaction_s = 2.0 * (0.03 * case.scale).clamp(2.0, 600.0) + case.scale;
    (case.before)(&mut world);
    drop(world);
    own
}

/// Acts on the world once the rails are up, while the rest goes on.
fn when_powered<T>(rig: &Rig, act: fn(&mut World), meanwhile: impl FnOnce() -> T) -> T {
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !over.load(Ordering::SeqCst) {
                let mut world = rig.bench.world();
                if world.powered() {
                    act(&mut world);
                    return;
                }
                drop(world);
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        let result = meanwhile();
        over.store(true, Ordering::SeqCst);
        result
    })
}

fn end_of(rig: &Rig, run: Run) -> End {
    let on = rig.bench.world().still_on();
    let world = rig.bench.world();
    let ledger = world.ledger.clone();
    End {
        run,
        on,
        device: ledger.device.1,
        air: ledger.air.1,
        set_point: ledger.highest_set_point,
        switched_on: (ledger.outputs_switched_on, ledger.chamber_switched_on),
        harm: ledger.harm,
    }
}

fn suffer(case: &Case) -> (Rig, End) {
    let rig = bench_of(case);
    let run = when_powered(&rig, case.powered, || rig.run(&[]));
    let end = end_of(&rig, run);
    (rig, end)
}

/// What is wrong about the end of a case; nothing, where it did no harm and told the truth.
fn wrongs(case: &Case, end: &End) -> Vec<String> {
    let mut wrong: Vec<String> = end.harm.iter().map(|harm| format!("HARM: {harm}")).collect();
    if !case.exits.contains(&end.run.code) {
        wrong.push(format!("exit {}, {:?} expected", end.run.code, case.exits));
    }
    if !end.on.is_empty() && (!case.stays_on || end.run.code != 6) {
        wrong.push(format!("still on: {}", end.on.join(", ")));
    }
    if !end.run.err.contains(case.says) {
        wrong.push(format!("does not say `{}`", case.says));
    }
    if end.set_point > case.limit + 1e-6 {
        wrong
            .push(format!("the set point went to {:.1} degC, device limit {:.1}", end.set_point, case.limit));
    }
    wrong
}

fn row(case: &Case, end: &End, wrong: &[String]) -> String {
    let last = end.run.err.lines().rev().find(|line| !line.trim().is_empty()).unwrap_or_default();
    format!(
        "{:<42} exit {:>3}  device {:>6.1}  air {:>6.1}  set {:>6.1}  on {:>2}/{:<2}  still on: {:<24}  {}  | {}",
        case.name,
        end.run.code,
        end.device,
        end.air,
        end.set_point,
        end.switched_on.0,
        end.switched_on.1,
        if end.on.is_empty() { "nothing".to_string() } else { end.on.join(", ") },
        if wrong.is_empty() { "ok".to_string() } else { wrong.join("; ") },
        last.chars().take(160).collect::<String>(),
    )
}

fn check(name: &str) -> (Rig, End) {
    let case = CASES.iter().find(|case| case.name == name).expect("a case of this name");
    let (rig, end) = suffer(case);
    let wrong = wrongs(case, &end);
    assert!(wrong.is_empty(), "{}\n{}", row(case, &end, &wrong), end.run.err);
    (rig, end)
}

/// The table of faults: `cargo test -p tests -- --ignored --nocapture table_of_faults`; NIGHTBENCH_CASE narrows it.
#[test]
#[ignore = "minutes: each row is tested on its own"]
fn table_of_faults_and_their_ends() {
    let only = std::env::var("NIGHTBENCH_CASE").unwrap_or_default();
    let mut harmful = 0;
    let mut wrongful = 0;
    for case in CASES.iter().filter(|case| case.name.contains(&only)) {
        let (_, end) = suffer(case);
        let wrong = wrongs(case, &end);
        harmful += usize::from(!end.harm.is_empty());
        wrongful += usize::from(!wrong.is_empty());
        println!("{}", row(case, &end, &wrong));
    }
    println!("rows with harm: {harmful}; rows that end otherwise than they should: {wrongful}");
    assert_eq!((harmful, wrongful), (0, 0));
}

#[test]
fn a_slow_device_is_waited_for_and_the_set_point_stays_below_its_limit() {
    let (rig, end) = check("a device that takes 900 s");
    assert!(end.device <= 95.0, "{}", end.device);
    rig.off();
}

#[test]
fn a_chamber_that_swings_settles() {
    check("a chamber that swings").0.off();
}

#[test]
fn a_sensor_that_contradicts_another_latches_before_anything_is_hot() {
    for name in ["a dead chip sensor", "a chip sensor stuck hot", "a chip sensor that came off"] {
        let (rig, end) = check(name);
        assert!(end.device < 95.0, "{name}: {}", end.device);
        // The next run is refused with the reason, and so is one by another file with the same addresses.
        let again = rig.run(&[]);
        assert_eq!(again.code, 5, "{name}: {}", again.err);
        assert!(
            again.err.contains("an alarm is latched") && again.err.contains("contradict"),
            "{}",
            again.err
        );
        assert_eq!(rig.bench.world().ledger.outputs_switched_on, end.switched_on.0, "{name}");
    }
}

/// Over-temperature: nothing is switched on again, the chamber is off, and only a person clears it, when it has cooled.
#[test]
fn an_alarm_latches_until_a_person_clears_it() {
    let (rig, end) = check("a heater that runs away");
    assert!(end.switched_on.0 <= 3, "{:?}", end.switched_on);
    let text = std::fs::read_to_string(&rig.file).expect("the bench file");
    let other = rig.folder.file("other.toml", &text.replace("name = \"emulated", "name = \"another"));
    let other = other.to_str().expect("a path");
    let run = nightbench(rig.folder.path(), &["run", &rig.plan, "--bench", other, "--into", "elsewhere"]);
    assert_eq!(run.code, 5, "by address, not by name or folder: {}", run.err);
    let look = |words: &[&str]| nightbench(rig.folder.path(), words);
    rig.bench.world().leave_at(150.0);
    let hot = look(&["bench", "clear", &rig.file]);
    assert_eq!(hot.code, 6, "{}\n{}", hot.out, hot.err);
    assert!(hot.err.contains("stays latched"), "{}", hot.err);
    // Everything is off: there is nothing to switch off by hand, but to wait for.
    assert!(hot.err.contains("everything was measured off") && hot.err.contains("wait"), "{}", hot.err);
    assert!(!hot.err.contains("Switch the bench off by hand"), "{}", hot.err);
    let state = look(&["bench", "check", &rig.file]);
    assert_eq!(state.code, 5, "{}", state.err);
    assert!(state.out.contains("ALARM, latched since 20") && state.out.contains("beyond"), "{}", state.out);
    rig.bench.world().leave_at(24.0);
    let cleared = look(&["bench", "clear", &rig.file]);
    assert_eq!(cleared.code, 0, "{}\n{}", cleared.out, cleared.err);
    assert!(cleared.out.contains("cleared: temperature alarm"), "{}", cleared.out);
    let run = rig.run(&[]);
    assert!([0, 1].contains(&run.code), "{}: {}", run.code, run.err);
    rig.off();
}

/// A chip that tells its temperature with power only: its alarm can be cleared once the other sensors are within their limits and it had
/// the time to cool down, and the run goes on.
#[test]
fn an_alarm_of_a_chip_that_tells_nothing_without_power_can_be_cleared() {
    let (rig, _) = check("a heater that runs away");
    rig.bench.world().chip_needs_power = true;
    rig.bench.world().leave_at(24.0);
    let look = |words: &[&str]| nightbench(rig.folder.path(), words);
    let young = look(&["bench", "clear", &rig.file]);
    assert_eq!(young.code, 5, "{}\n{}", young.out, young.err);
    assert!(young.err.contains("it may be warm still: wait for"), "{}", young.err);
    assert!(young.err.contains("stays latched"), "{}", young.err);
    let text = std::fs::read_to_string(&rig.file).expect("the bench file");
    assert!(!text.contains("[touch_safe]"), "{text}");
    std::fs::write(&rig.file, text + "\n[touch_safe]\ntime_constant_s = 1.0\n").expect("the bench file");
    std::thread::sleep(Duration::from_secs(6));
    // The air is too hot still.
    rig.bench.world().leave_at(150.0);
    let hot = look(&["bench", "clear", &rig.file]);
    assert!([5, 6].contains(&hot.code) && hot.err.contains("stays latched"), "{}\n{}", hot.out, hot.err);
    rig.bench.world().leave_at(24.0);
    let state = look(&["bench", "check", &rig.file]);
    assert!(state.out.contains("cannot be read now"), "{}\n{}", state.out, state.err);
    let cleared = look(&["bench", "clear", &rig.file]);
    assert_eq!(cleared.code, 0, "{}\n{}", cleared.out, cleared.err);
    let run = rig.run(&[]);
    assert!([0, 1].contains(&run.code), "{}: {}", run.code, run.err);
    rig.off();
}

#[test]
fn what_nothing_can_cool_is_never_called_safe() {
    check("a heater that nothing ends");
}

#[test]
fn off_is_said_until_it_was_heard() {
    check("the command off is not heard three times").0.off();
    check("an output that never switches off");
}

#[test]
fn electrical_alarms_latch_at_once() {
    for name in ["a shorted rail", "a protection that trips at once"] {
        let (rig, end) = check(name);
        assert!(end.switched_on.0 <= 2, "{name}: switched on {} times", end.switched_on.0);
        assert_eq!(rig.run(&[]).code, 5, "{name}");
        // A person cleared it: the protection is reset by that command alone.
        for output in &mut rig.bench.world().outputs {
            (output.shorted, output.trips) = (false, false);
        }
        let cleared = nightbench(rig.folder.path(), &["bench", "clear", &rig.file]);
        assert_eq!(cleared.code, 0, "{name}: {}", cleared.err);
        assert!([0, 1].contains(&rig.run(&[]).code), "{name}");
        rig.off();
    }
}

/// A rail whose readings are beyond its limits is switched off, and on again only after a person has looked: while it comes up and settles as
/// well as in the middle of a job, by the meter's word or the supply's, too high or too low.
#[test]
fn a_rail_beyond_its_limits_is_never_powered_again() {
    for name in [
        "a meter that reads high whenever its rail is on",
        "a supply that reads high whenever its rail is on",
        "a meter that reads high in the middle of a job",
        "a sense line that came off",
        "a rail that stays far below its limits",
    ] {
        let (rig, end) = check(name);
        assert!(end.switched_on.0 <= 3, "{name}: switched on {} times\n{}", end.switched_on.0, end.run.err);
        let again = rig.run(&[]);
        assert_eq!(again.code, 5, "{name}: {}", again.err);
        assert!(again.err.contains("an alarm is latched"), "{name}: {}", again.err);
        assert_eq!(rig.bench.world().ledger.outputs_switched_on, end.switched_on.0, "{name}");
        rig.off();
    }
}

#[test]
fn a_single_wrong_reading_decides_nothing() {
    check("one garbled voltage while a rail comes up").0.off();
    check("one garbled voltage").0.off();
    check("one garbled current").0.off();
    check("one garbled temperature").0.off();
}

/// What could not be made safe is a person's: no run starts before it was cleared, and it is cleared only once everything is measured off.
#[test]
fn what_could_not_be_made_safe_latches() {
    let (rig, end) = check("an output that never switches off");
    let again = rig.run(&[]);
    assert_eq!(again.code, 5, "{}", again.err);
    assert!(again.err.contains("could not make safe"), "{}", again.err);
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, end.switched_on.0, "{}", again.err);
    let clear = || nightbench(rig.folder.path(), &["bench", "clear", &rig.file]);
    assert_eq!(clear().code, 6);
    assert_eq!(rig.run(&[]).code, 5);
    for output in &mut rig.bench.world().outputs {
        (output.stuck, output.on) = (false, false);
    }
    let cleared = clear();
    assert_eq!(cleared.code, 0, "{}\n{}", cleared.out, cleared.err);
    assert!([0, 1].contains(&rig.run(&[]).code));
    rig.off();
}

#[test]
fn what_does_not_answer_is_never_called_safe() {
    check("a supply that falls silent");
    check("a supply that goes deaf");
    check("a chamber whose line hangs up");
}

/// What an output says about itself is less than what is measured.
#[test]
fn a_measured_voltage_decides_what_is_off() {
    check("outputs that say they are off").0.off();
    check("outputs that say they are on").0.off();
    check("an output that stays on and says it is off");
    check("a shorted output that does not hear off").0.off();
}

/// A supply that does not answer any more while everything is hot and on: two answers are waited for, the second over a fresh
/// connection, and then the rest is made safe at once, not after the silent one.
#[test]
fn what_answers_is_made_safe_at_once_when_something_falls_silent() {
    for hears in [true, false] {
        let case = CASES.iter().find(|case| case.name == "a supply that falls silent").expect("the case");
        let rig = bench_of(case);
        let over = AtomicBool::new(false);
        let (run, heard) = std::thread::scope(|scope| {
            let watcher = scope.spawn(|| {
                let until = |wanted: fn(&World) -> bool| {
                    while !over.load(Ordering::SeqCst) && !wanted(&rig.bench.world()) {
                        std::thread::sleep(Duration::from_millis(2));
                    }
                };
                until(|world| world.powered() && world.conditioning && world.true_device() > 55.0);
                let kinds = |world: &mut World| match hears {
                    true => world.silent.insert(Kind::Supply),
                    false => world.deaf.insert(Kind::Supply),
                };
                kinds(&mut rig.bench.world());
                let begin = std::time::Instant::now();
                until(|world| !world.conditioning);
                println!("the chamber is off after {:.2} s", begin.elapsed().as_secs_f64());
                rig.bench.world().unanswered
            });
            let run = rig.run(&["--only", "temperature=60"]);
            over.store(true, Ordering::SeqCst);
            (run, watcher.join().expect("the watcher"))
        });
        assert_eq!(run.code, 6, "{}", run.err);
        assert!((1..=5).contains(&heard), "{heard} messages were waited for in vain: {}", run.err);
        let mut world = rig.bench.world();
        assert_eq!(world.ledger.harm, Vec::new(), "{}", run.err);
        // Off is told to what does not answer as well: it may hear, and is not called safe for it.
        assert_eq!(world.still_on().is_empty(), hears, "{}", run.err);
    }
}

/// A command off that is never heard is told again and again, at a bounded rate: no log is filled.
#[test]
fn off_is_repeated_at_a_bounded_rate() {
    let case = CASES.iter().find(|case| case.name == "the command off is not heard three times").expect("it");
    let rig = bench_of(case);
    let run = when_powered(&rig, |world| world.swallowed_offs = u32::MAX, || rig.run(&[]));
    assert_eq!(run.code, 6, "{}", run.err);
    let log = std::fs::read_to_string(rig.folder.path().join("out/commands.log")).expect("the log");
    let told = log.matches("> OUTP OFF").count();
    println!("OFF was told {told} times, {} bytes of log", log.len());
    // Some 40 rounds of 8 s, three rails and the chamber, a few times made safe.
    assert!((10..=1500).contains(&told), "{told}");
}

/// What cannot be made safe in a run's start ends with 6, whoever remembers an alarm of it.
#[test]
fn a_start_that_cannot_be_made_safe_is_not_called_a_refusal() {
    type State = (&'static str, fn(&mut World));
    let states: [State; 4] = [
        ("stuck", |world| {
            world.outputs[1].on = true;
            world.outputs[1].volts = 1.2;
            world.outputs[1].stuck = true;
        }),
        ("never heard", |world| {
            world.outputs[1].on = true;
            world.outputs[1].volts = 1.2;
            world.swallowed_offs = 150;
        }),
        ("hot", |world| world.leave_at(101.0)),
        ("hot for a moment", |world| {
            world.thermal.device_s = 5.0;
            world.leave_at(97.5);
        }),
    ];
    for (name, state) in states {
        let case = CASES.iter().find(|case| case.name == "a bench left hot").expect("the case");
        let rig = bench_of(case);
        state(&mut rig.bench.world());
        let mut command = crate::support::program();
        command.current_dir(rig.folder.path()).env("NIGHTBENCH_STATE", "elsewhere");
        let output = command.args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"]).output();
        let output = output.expect("the program starts");
        let words = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(6), "{name}: {words}");
        assert!(words.contains("NOT SAFE"), "{name}: {words}");
        assert_eq!(rig.bench.world().ledger.outputs_switched_on, 0, "{name}: {words}");
    }
}

#[test]
fn a_bench_left_hot_is_not_switched_on() {
    let (rig, end) = check("a bench left hot");
    assert_eq!(end.switched_on, (0, 0));
    drop(rig);
}

/// Hands need more than the word of one sensor: the chip's dies at 25 degC while the device is hot; the chamber's own sensor and
/// the time since the heat still tell.
#[test]
fn hands_are_not_asked_for_on_the_word_of_one_sensor() {
    let plan = plan::Plan::read(&one_setup()).expect("a sound plan");
    let bench = start(&plan, 1, 0.0, 1500.0);
    let text = bench.bench_file();
    let more = text.find("[[sensor]]\npoint = \"DRAM case\"").expect("sensors come last");
    bench.world().thermal.device_s = 300.0;
    let mut driver =
        bench::BenchDriver::new(Arc::new(bench_file(&text[..more])), bench::CommandLog::in_memory(), false);
    let call = || Call::within(Duration::from_secs(120), &CancelToken::new());
    driver.apply(&setting(&plan, 85.0), &call()).unwrap_or_else(|error| panic!("{error}"));
    driver.make_safe(&call()).unwrap_or_else(|error| panic!("{error}"));
    bench.world().tells[Probe::Chip as usize] = Tells::Always(25.0);
    let ready = driver.wait_touch_safe(&call());
    let device = bench.world().true_device();
    println!("{ready:?} with the device at {device:.1} degC");
    assert!(ready.is_err() || (14.5..=43.5).contains(&device), "hands at {device} degC");
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

/// A lane that is never compared shows no error anywhere: not measured, whatever the strategy, and soon.
#[test]
fn a_lane_that_is_never_compared_is_not_measured() {
    for mode in ["raster", "exact", "fast"] {
        let plan = one_setup()
            .replace("rate = [2133, 2400]", "rate = [2133]")
            .replace("temperature_degc = [25, 60]", "temperature_degc = [25]")
            .replace("mode = \"raster\"", &format!("mode = \"{mode}\""));
        let own = rig(&plan, 1, 0.0, 2000.0);
        own.bench.world().blind_lanes = vec![3];
        let begin = std::time::Instant::now();
        let run = own.run(&[]);
        println!("{mode}: {:.1} s", begin.elapsed().as_secs_f64());
        assert_eq!(run.code, 3, "{mode}: {}", run.err);
        assert!(
            run.err.contains("lane 3 of") && run.err.contains("stuck or not compared"),
            "{mode}: {}",
            run.err
        );
        own.off();
    }
}

/// Somebody switches the outputs off at the front panel, or from another computer: that had a reason, and nothing is switched on
/// again before it was cleared.
#[test]
fn what_somebody_switched_off_stays_off() {
    let rig = rig(&one_setup(), 1, 0.0, 400.0);
    let switched_on = std::sync::atomic::AtomicU32::new(0);
    let over = AtomicBool::new(false);
    let run = std::thread::scope(|scope| {
        scope.spawn(|| {
            while !over.load(Ordering::SeqCst) && !rig.bench.world().powered() {
                std::thread::sleep(Duration::from_millis(2));
            }
            std::thread::sleep(Duration::from_millis(500));
            let mut world = rig.bench.world();
            for output in &mut world.outputs {
                output.on = false;
            }
            switched_on.store(world.ledger.outputs_switched_on, Ordering::SeqCst);
        });
        let run = rig.run(&[]);
        over.store(true, Ordering::SeqCst);
        run
    });
    assert_eq!(run.code, 3, "{}", run.err);
    assert!(run.err.contains("somebody, or a protection, switched it off"), "{}", run.err);
    let after = rig.bench.world().ledger.outputs_switched_on;
    assert_eq!(after, switched_on.load(Ordering::SeqCst), "switched on again: {}", run.err);
    rig.off();
    assert_eq!(rig.run(&[]).code, 5, "nothing is switched on before a person has looked");
}

/// A sensor that the bench file names and that never told anything guards nothing: no job is measured with it.
#[test]
fn a_sensor_that_never_tells_is_named_and_nothing_is_measured() {
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    rig.bench.world().tells[Probe::Chamber as usize] = Tells::Always(f64::NAN);
    let run = rig.run(&["--only", "temperature=25"]);
    assert_eq!(run.code, 3, "{}", run.err);
    assert!(run.err.contains("told nothing: mend it, or take it out of the bench file"), "{}", run.err);
    rig.off();
}

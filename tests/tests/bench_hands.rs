//! Hands on the emulated bench, scripted: asked only when everything is off and neither hot nor cold, kept until the mounting check has
//! passed, asked again for a re-seat; setups that do not work are left out and the rest is planned anew.

use crate::sitting::{Sitting, as_wanted, first_change_wrong, mounts};
use crate::support::{SMALL, json, nightbench};
use emulator::MountedThings;
use nightbench_core::faults::FaultKind;
use nightbench_core::results::JobOutcome;
use runner::console::exit::Exit;
use runner::run::bench_run::BenchEnd;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;

/// Amber on two channels and Cedar on two: four setups of four jobs.
fn four_setups() -> String {
    SMALL.replace(
        "[[module]]\nname = \"Birch\"\nkind = \"SODIMM\"\nrated = 2400",
        "[[module]]\nname = \"Cedar\"\nkind = \"UDIMM\"\nrated = 2666",
    )
}

/// A meter on the wrong rail reads a wrong voltage: the module in place is not to blame.
#[test]
fn a_fault_of_the_bench_sends_no_hands_to_a_module() {
    for declared in [true, false] {
        let mut sitting = Sitting::new(SMALL, 2000.0);
        sitting.bench_text = sitting.bench_text.replace("meter_channel = \"2\"", "meter_channel = \"3\"");
        if !declared {
            let (before, rest) = sitting.bench_text.split_once("[mounted]").expect("a declaration");
            let (_, after) = rest.split_once("\n\n").expect("its end");
            sitting.bench_text = format!("{before}{after}");
        }
        let mut hands = sitting.hands(mounts(&sitting.bench));
        let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
        // Only what nobody said to be in place is asked for, and that once.
        assert_eq!(hands.asked.len(), usize::from(!declared), "{:?}", hands.asked);
        assert!(hands.asked.iter().all(|(_, reseat)| reseat.is_empty()), "{:?}", hands.asked);
        let why = end.ended_early.as_deref().unwrap_or_default();
        assert!(why.starts_with("the bench has a fault: voltage alarm: VDDQ measures"), "{why}");
        assert_eq!(sitting.outcomes(), Vec::new());
        sitting.off();
    }
}

#[test]
fn hands_mount_each_setup_and_may_leave_after_its_check() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.outcomes().len(), 8);
    assert!(sitting.outcomes().iter().all(|(_, outcome)| *outcome == JobOutcome::Measured));
    // What is declared was checked first; the other setup was asked for once, without a reason to seat it again.
    assert_eq!(hands.asked.len(), 1, "{:?}", hands.asked);
    assert!(hands.asked[0].1.is_empty());
    assert_eq!(hands.told.len(), 2, "{:?}", hands.told);
    assert!(hands.told.iter().all(|words| words.contains("was checked") && words.contains("may leave")));
    let checks = sitting.events("mounting_check");
    assert_eq!(checks.len(), 2, "{checks:?}");
    assert!(checks.iter().all(|words| words.contains("passed")), "{checks:?}");
    assert!(sitting.seconds("change-over: mounting check") > 0.0);
    assert!(sitting.seconds("change-over: ramp") > 0.0 && sitting.seconds("change-over: soak") > 0.0);
    sitting.off();
}

/// A real bench runs at the speed of the clock: how long the check takes there is seen at a low time scale.
#[test]
fn a_mounting_check_takes_less_than_three_minutes_of_bench_time() {
    let sitting =
        Sitting::new(&SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [25]"), 100.0);
    let mut hands = sitting.hands(Box::new(|_, _| false));
    sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    let took = sitting.seconds("change-over: mounting check");
    println!("one mounting check: {took:.0} s of bench time at a scale of 100");
    assert!(took > 0.0 && took < 180.0, "{took} s");
}

#[test]
fn a_badly_seated_module_is_asked_for_again() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let bench = &sitting.bench;
    let mut hands = sitting.hands(Box::new(move |wanted, reseat| {
        let loose_lanes = if reseat.is_empty() { vec![3] } else { Vec::new() };
        bench.mount(MountedThings { loose_lanes, ..as_wanted(wanted) });
        true
    }));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    assert!(hands.asked[1].1.iter().any(|reason| reason.contains("lanes 3 of read")), "{:?}", hands.asked);
    assert_eq!(sitting.outcomes().len(), 8);
    assert!(sitting.outcomes().iter().all(|(_, outcome)| *outcome == JobOutcome::Measured));
    assert!(sitting.events("mounting_check").iter().any(|words| words.contains("failed in part")));
    sitting.off();
}

/// The serial number that the agent reads decides, not the operator's word.
#[test]
fn a_module_with_another_serial_number_is_asked_for_again() {
    let plan = four_setups().replace("name = \"Cedar\"", "name = \"Cedar\"\nserial = \"C-17\"");
    let sitting = Sitting::new(&plan, 2000.0);
    let bench = &sitting.bench;
    let mut wrong_once = true;
    let mut hands = sitting.hands(Box::new(move |wanted, _| {
        let mut things = as_wanted(wanted);
        if wanted.module == "Cedar" && std::mem::take(&mut wrong_once) {
            things.module_serial = Some("C-71".into());
        }
        bench.mount(things);
        true
    }));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    let again = hands.asked.iter().find(|(_, reseat)| !reseat.is_empty()).expect("a second request");
    assert!(again.1[0].contains("C-17") && again.1[0].contains("C-71"), "{again:?}");
    assert_eq!(sitting.outcomes().len(), 16);
    sitting.off();
}

/// What the bench file says is mounted is checked as well, while somebody is there to see to it.
#[test]
fn a_declared_setup_that_is_badly_seated_is_asked_for() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let bench = &sitting.bench;
    bench.mount(MountedThings { loose_lanes: vec![0, 1], ..bench.mounted() });
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    assert_eq!(hands.asked[0].0, "Amber on direct");
    let checks = sitting.events("mounting_check");
    assert!(checks[0].contains("failed in part") && checks[0].contains("lanes 0-1"), "{checks:?}");
    assert!(sitting.outcomes().iter().all(|(_, outcome)| *outcome == JobOutcome::Measured));
    sitting.off();
}

#[test]
fn a_setup_that_never_answers_is_left_out_and_the_rest_is_planned_anew() {
    let sitting = Sitting::new(&four_setups(), 2000.0);
    let mut hands = sitting.hands(first_change_wrong(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!((end.not_measured, end.waiting_for_hands), (4, 0), "{end:?}");
    let outcomes = sitting.outcomes();
    assert_eq!(outcomes.len(), 16);
    let broken = &hands.asked[0].0;
    assert_eq!(hands.asked.iter().filter(|(setup, _)| setup == broken).count(), 2, "{:?}", hands.asked);
    for (setup, outcome) in &outcomes {
        match outcome {
            JobOutcome::NotMeasured(fault) => {
                assert_eq!(setup, broken);
                assert_eq!(fault.kind, FaultKind::MountingCheck);
                assert!(fault.detail.starts_with("2 times for the whole device"), "{fault}");
                assert!(fault.detail.contains("is mounted, not"), "{fault}");
            }
            other => assert!(setup != broken && *other == JobOutcome::Measured, "{setup}: {other:?}"),
        }
    }
    assert_eq!(sitting.events("setup_left_out").len(), 1);
    let anew = sitting.events("planned_anew");
    assert!(!anew.is_empty(), "the change of plan is not in the log");
    println!("planned anew: {anew:?}");
    sitting.off();
}

#[test]
fn a_change_that_is_declined_leaves_its_jobs_waiting() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let mut hands = sitting.hands(Box::new(|_, _| false));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!((end.waiting_for_hands, end.not_measured), (4, 0), "{end:?}");
    assert_eq!(end.exit(Exit::Pass), Exit::Incomplete);
    assert_eq!(sitting.outcomes().len(), 4);
    sitting.off();
}

/// A device that is still hot when the run begins is waited for, not taken for badly seated.
#[test]
fn a_device_still_hot_from_an_earlier_run_is_waited_for() {
    let sitting = Sitting::new(SMALL, 2000.0);
    sitting.bench.world().leave_at(95.0);
    let mut hands = sitting.hands(Box::new(|_, _| false));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!((end.waiting_for_hands, end.not_measured), (4, 0), "{end:?}");
    assert!(sitting.events("mounting_check")[0].contains("passed"), "{:?}", sitting.events("mounting_check"));
    sitting.off();
}

/// Whoever looks from outside while a prompt waits is told that hands are wanted now, and for what; a wrong module in is told as that.
#[test]
fn a_prompt_that_waits_is_told_from_outside() {
    let sitting = Sitting::new(SMALL, 1000.0);
    let (bench, folder) = (&sitting.bench, sitting.folder.path());
    let (told, late) = (std::cell::RefCell::new(Vec::new()), std::cell::RefCell::new(Vec::new()));
    let look = || json(&nightbench(folder, &["status", "out", "--json"]))["next_hands_on"].clone();
    let mut hands = sitting.hands(Box::new(|wanted, _| {
        let words = nightbench(folder, &["status", "out"]).out;
        told.borrow_mut().push((format!("{} on {}", wanted.module, wanted.channel), look(), words));
        bench.mount(as_wanted(wanted));
        true
    }));
    // The prompt is over.
    hands.on_leave = Box::new(|_| late.borrow_mut().push(look()));
    sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    drop(hands);
    assert!(!told.borrow().is_empty());
    for (wanted, next, words) in told.borrow().iter() {
        assert_eq!((&next["begin"], &next["mount"]), (&"now".into(), &wanted.as_str().into()), "{words}");
        assert!(words.contains("next hands at the bench  now: mount"), "{words}");
    }
    assert!(late.borrow().iter().all(|next| next["begin"] != "now"), "{late:?}");
    sitting.off();
}

#[test]
fn a_panic_makes_the_bench_safe() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let bench = &sitting.bench;
    hands.on_leave = Box::new(move |_| {
        // The mounting check leaves the device powered.
        assert!(bench.world().powered(), "the test needs something that is on");
        panic!("a fault of the program");
    });
    let ended =
        catch_unwind(AssertUnwindSafe(|| sitting.run(&mut hands))).expect("the panic does not get out");
    let failure = ended.expect_err("an internal fault");
    assert_eq!(failure.exit, Exit::Incomplete, "{failure}");
    assert!(failure.words.contains("internal fault; the bench was made safe"), "{failure}");
    sitting.off();
}

#[test]
fn a_run_ends_warm() {
    let text = SMALL
        .replace("temperature_degc = [25, 60]", "temperature_degc = [-20]")
        .replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133, 2400]");
    let sitting = Sitting::new(&text, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert!(sitting.bench.ledger().iter().all(|entry| entry.temperature.0 < 30.0));
    assert!(sitting.bench.ledger().iter().any(|entry| entry.temperature.1 < -18.0), "it was never cold");
    let device = sitting.bench.world().true_device();
    assert!(device > 14.0, "the run ended at {device} degC");
    sitting.off();
}

/// The computer was suspended with the rails up: on waking everything is made safe, it is said, and this run switches nothing on again.
#[test]
fn a_suspended_computer_makes_its_bench_safe_when_it_wakes() {
    let sitting = Sitting::new(&crate::bench_run::one_setup(), 100.0);
    let before = std::cell::Cell::new(0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    hands.on_leave = Box::new(|_| {
        before.set(sitting.bench.world().ledger.outputs_switched_on);
        sitting.suspended_s.fetch_add(3600, Ordering::SeqCst);
    });
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    let why = end.ended_early.as_deref().unwrap_or_default();
    assert!(why.contains("this computer was suspended for 3600 s"), "{why}");
    assert_eq!(end.not_safe, None);
    assert_eq!(sitting.bench.world().ledger.outputs_switched_on, before.get(), "switched on again");
    assert!(sitting.outcomes().is_empty(), "{:?}", sitting.outcomes());
    sitting.off();
}

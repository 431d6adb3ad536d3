//! Every single lost command and many single odd answers in a bench's life: none does harm, none makes the last word untrue.

use crate::emulated::{bench_file, plan, setting, start};
use crate::support::effort;
use bench::{BenchDriver, CommandLog};
use contract::conformance::training;
use contract::{Call, CancelToken, Driver, DriverError, PointRequest};
use emulator::{EmulatedBench, Mishap};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{LaneSet, Point};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

const LIVES_AT_A_TIME: usize = 3;
/// Answers that are wrong in ways of their own: nothing, on, a voltage, a temperature, far beyond, no number, another sign, no text.
const ODD: [&str; 9] =
    ["0", "1", "1.2", "25.0", "1e9", "9.91E+37", "-5", "%&#?", "-222,\"Data out of range\""];

fn call() -> Call {
    Call::within(Duration::from_secs(60), &CancelToken::new())
}

/// From cold and dark through two temperatures and supplies to safe.
fn life(driver: &mut BenchDriver) -> Result<(), DriverError> {
    let plan = plan();
    for degc in [25.0, 60.0] {
        driver.apply(&setting(&plan, degc), &call())?;
        let trained = driver.train(&training(), &call())?.eyes;
        let eye = &trained[0];
        let at = eye.settings[0];
        let request = PointRequest {
            point: Point { tap: at.tap, vref: at.vref },
            bits_before: 0,
            errors_before: Vec::new(),
            lanes: LaneSet::first(eye.lanes.len() as u16),
            rule: PointRule::Fixed { bits: 4096, errors: 4096 },
            most_bits: 4096,
            series: 0,
        };
        driver.sample(eye.eye, &[request], &call())?;
        driver.confirm(&call())?;
    }
    Ok(())
}

/// One life with one mishap; what is wrong about its end.
fn lived(mishap: Option<Mishap>) -> (EmulatedBench, Vec<String>) {
    let bench = start(&plan(), 1, 0.0, 3000.0);
    bench.world().mishaps.next = mishap;
    let log = CommandLog::in_memory();
    let mut driver = BenchDriver::new(Arc::new(bench_file(&bench.bench_file())), log.clone(), false);
    let first = life(&mut driver);
    let counted = bench.ledger().len();
    let safe = driver.make_safe(&call());
    let mut wrong = Vec::new();
    if let Err(error) = &safe {
        wrong.push(format!("not safe: {error}"));
    }
    let (on, harm) = {
        let mut world = bench.world();
        (world.still_on(), world.ledger.harm.clone())
    };
    if safe.is_ok() && !on.is_empty() {
        wrong.push(format!("called safe with {}", on.join(", ")));
    }
    wrong.extend(harm.iter().map(|harm| format!("HARM: {harm}")));
    if first.is_ok() {
        for entry in &bench.ledger()[..counted] {
            let (asked, was) = entry.temperature;
            if (asked - was).abs() > 1.5 || entry.rail_deviation > 0.015 {
                wrong.push(format!(
                    "counted at {was:.1} degC, {asked} asked, a rail {:.3} V off",
                    entry.rail_deviation
                ));
            }
        }
    }
    if !wrong.is_empty() {
        wrong.push(format!("{first:?}"));
        wrong.push(log.latest(60).join("\n"));
    }
    (bench, wrong)
}

#[test]
fn no_single_lost_command_and_no_single_odd_answer_does_harm_or_lies() {
    let (bench, wrong) = lived(None);
    assert!(wrong.is_empty(), "{wrong:?}");
    let (commands, questions) = {
        let world = bench.world();
        (world.mishaps.commands, world.mishaps.questions)
    };
    drop(bench);
    // The last ones may not come in another life.
    let (step, odd_step) = effort((3, 41), (1, 23), (1, 1));
    let lost = (0..commands).step_by(step).map(Mishap::LostCommand);
    let odd = (0..questions * ODD.len() as u64)
        .step_by(odd_step)
        .map(|number| Mishap::OddAnswer(number % questions, ODD[(number / questions) as usize].to_string()));
    let mishaps: Vec<Mishap> = lost.chain(odd).collect();
    let (next, failed) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    // A life is waiting, mostly.
    std::thread::scope(|scope| {
        for _ in 0..LIVES_AT_A_TIME {
            scope.spawn(|| {
                while let Some(mishap) = mishaps.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let (bench, wrong) = lived(Some(mishap.clone()));
                    if !wrong.is_empty() {
                        let spoiled = bench.world().mishaps.spoiled.clone().unwrap_or_default();
                        let words = format!("{mishap:?} ({spoiled}): {}", wrong.join("\n"));
                        failed.lock().expect("no panic").push(words);
                    }
                }
            });
        }
    });
    let (tried, failed) = (mishaps.len(), failed.into_inner().expect("no panic"));
    println!(
        "{commands} commands, {questions} questions in a life; {tried} mishaps, {} with a wrong end",
        failed.len()
    );
    for one in &failed {
        println!("{one}\n");
    }
    assert!(failed.is_empty(), "{} of {tried}", failed.len());
}

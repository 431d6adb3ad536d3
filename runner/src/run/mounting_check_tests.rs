//! Mounting checks on a scripted device with one fault at a time, and on the simulated target.

use super::*;
use crate::run::execute::Executor;
use contract::{Capabilities, SafetyHandle, StartKind};
use nightbench_core::generations::Rail;
use nightbench_core::results::{
    Direction, EyeName, Grid, LanePoint, LaneTraining, TrainedEye, TrainingResult, TrainingStage,
};
use nightbench_core::units::{Celsius, Millivolts, Picoseconds, Seconds};
use plan::Plan;
use plan::expand::{Job, expand};
use plan::keys::JobKeys;
use plan::selection::Selection;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::sync::Arc;

const PLAN: &str = include_str!("../../../plans/library/quick-look.toml");

/// What is wrong with the device.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    None,
    Silent,
    OtherChip,
    NoRail,
    TrainingLanes(u16),
    CommandTraining,
    DeadLanes(u16),
    StuckLane,
    ClosedEye,
    Slow,
}

struct Scripted {
    fault: Fault,
    lanes: u16,
    elapsed_s: f64,
}

const EYE: EyeName = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };

fn identity(chip: &str) -> Identity {
    Identity {
        chip_serial: chip.into(),
        firmware_build: "b".into(),
        firmware_hash: "h".into(),
        settings_hash: "s".into(),
        agent_version: "a".into(),
    }
}

impl Driver for Scripted {
    fn is_simulated(&self) -> bool {
        false
    }
    fn identity(&mut self, _: &Call) -> Result<Identity, DriverError> {
        Ok(identity(if self.fault == Fault::OtherChip { "K2" } else { "K1" }))
    }
    fn capabilities(&mut self, _: &Call) -> Result<Capabilities, DriverError> {
        let grid = Grid {
            taps: 64,
            vref_steps: 32,
            tap_step: Picoseconds(20.0),
            vref_start: Millivolts(400.0),
            vref_step: Millivolts(12.0),
            ui: Picoseconds(640.0),
            vddq: Millivolts(1200.0),
        };
        let eye = EyeCapabilities {
            eye: EYE,
            grid,
            lanes: LaneSet::first(self.lanes),
            compared_bits_per_second: 1e9,
            visit_overhead_s: 1e-3,
            vref_settle_s: 0.0,
            early_stop: true,
            fewest_bits: 8,
        };
        Ok(Capabilities { eyes: vec![eye], restores_training: true, power_cycle: true })
    }
    fn apply(&mut self, setting: &Setting, _: &Call) -> Result<Readback, DriverError> {
        if self.fault == Fault::Silent {
            return Err(DriverError::new(FaultKind::TimeOut, "no answer from the agent within 60 s"));
        }
        if self.fault == Fault::Slow {
            self.elapsed_s += 400.0;
        }
        let vddq = if self.fault == Fault::NoRail { Volts(0.02) } else { setting.supply.vddq() };
        let rails = vec![("VDD".into(), setting.supply.rail(Rail::Vdd).expect("VDD")), ("VDDQ".into(), vddq)];
        Ok(Readback { temperature: Celsius(25.0), rails, settling: Seconds(0.0) })
    }
    fn train(&mut self, _: &TrainingRequest, _: &Call) -> Result<TrainingResult, DriverError> {
        assert!(
            !matches!(self.fault, Fault::NoRail | Fault::OtherChip),
            "trained without power or on another device"
        );
        let (bad, eye) = match self.fault {
            Fault::TrainingLanes(count) => (count, Some(EYE)),
            Fault::CommandTraining => (1, None),
            _ => (0, Some(EYE)),
        };
        let lanes = (0..self.lanes)
            .map(|lane| LaneTraining {
                lane,
                delay_taps: None,
                width_taps: None,
                vref_step: None,
                height_steps: None,
                end_stop: false,
                passed: lane >= bad,
            })
            .collect();
        let stage = TrainingStage {
            name: "read centring".into(),
            eye,
            by_byte_lane: false,
            lanes,
            causes: Vec::new(),
        };
        let settings = vec![LanePoint { tap: 32, vref: 16 }; usize::from(self.lanes)];
        let eyes = vec![TrainedEye { eye: EYE, lanes: (0..self.lanes).collect(), settings }];
        Ok(TrainingResult { passed: bad == 0, stages: vec![stage], eyes })
    }
    fn restore(&mut self, _: &[TrainedEye], _: &Call) -> Result<(), DriverError> {
        Ok(())
    }
    fn sample(
        &mut self,
        _: EyeName,
        points: &[PointRequest],
        _: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        let mut answers = Vec::new();
        for (at, request) in points.iter().enumerate() {
            let (tap, vref) = (f64::from(request.point.tap), f64::from(request.point.vref));
            let inside = ((tap - 32.0) / 14.0).powi(2) + ((vref - 16.0) / 9.0).powi(2) < 1.0;
            let bits = request.most_bits;
            // Chance, with a spread that no fixed pattern has.
            let chance = bits / 2 + (at as u64 * 7919) % 61;
            let healthy = if inside { 0 } else { chance };
            let count = |lane: u16| match self.fault {
                Fault::DeadLanes(dead) if lane < dead => chance,
                Fault::StuckLane if lane == 3 => bits / 2,
                Fault::ClosedEye if lane == 5 => healthy.max(bits / 20),
                _ => healthy,
            };
            answers.push(PointCounts { bits, errors: (0..self.lanes).map(count).collect() });
            self.elapsed_s += 1e-3;
        }
        Ok(answers)
    }
    fn confirm(&mut self, _: &Call) -> Result<(), DriverError> {
        Ok(())
    }
    fn make_safe(&mut self, _: &Call) -> Result<(), DriverError> {
        Ok(())
    }
    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        struct Nothing;
        impl SafetyHandle for Nothing {
            fn make_safe(&self) -> Result<(), DriverError> {
                Ok(())
            }
        }
        Box::new(Nothing)
    }
    fn elapsed(&self) -> Seconds {
        Seconds(self.elapsed_s)
    }
}

const REQUEST: TrainingRequest = TrainingRequest {
    start: StartKind::PowerCycle,
    pass_ber: 1e-6,
    fewest_taps: 5,
    fewest_steps: 5,
    command: false,
    write: false,
};

fn check(fault: Fault) -> MountingReport {
    let plan = Plan::read(PLAN).unwrap();
    let expansion = expand(&plan, &Selection::default());
    let keys = JobKeys::new(&plan, "1").expect("finite numbers");
    let executor = Executor::new(&plan, &expansion, &keys);
    let job = Job { condition: 0, mounting: 0, repeat: 0, start: 0 };
    let setting = executor.setting(&expansion.conditions[0], &job, 1);
    let mut driver = Scripted { fault, lanes: 8, elapsed_s: 0.0 };
    check_mounting(&mut driver, &setting, Some(&identity("K1")), &REQUEST, CALL_LIMIT, &CancelToken::new())
        .unwrap()
}

#[test]
fn each_fault_has_its_verdict_and_its_words() {
    use CheckVerdict::*;
    for (fault, verdict, answered, words) in [
        (Fault::None, Pass, true, ""),
        (Fault::Silent, DeviceFailure, false, "time-out: no answer"),
        (Fault::OtherChip, DeviceFailure, false, "another chip answers: `K2` instead of `K1`"),
        (Fault::NoRail, DeviceFailure, false, "VDDQ reads 0.020 V"),
        (Fault::TrainingLanes(2), ReSeat, true, "fails in read centring of read rank 0 on lanes 0-1"),
        (Fault::TrainingLanes(8), DeviceFailure, true, "lanes 0-7"),
        (Fault::CommandTraining, DeviceFailure, true, "fails in read centring on lanes 0"),
        (Fault::DeadLanes(1), ReSeat, true, "lanes 0 of read rank 0 see nothing"),
        (Fault::DeadLanes(8), DeviceFailure, true, "lanes 0-7 of read rank 0 see nothing"),
        (Fault::StuckLane, ReSeat, true, "lanes 3 of read rank 0 give the same count"),
        (Fault::ClosedEye, ReSeat, true, "lanes 5 of read rank 0 have no open eye"),
        (Fault::Slow, Pass, true, "more than 180 s"),
    ] {
        let report = check(fault);
        assert_eq!((report.verdict, report.answered), (verdict, answered), "{fault:?}: {report:?}");
        let all = report.reasons.join("; ");
        assert!(all.contains(words), "{fault:?}: {all}");
        assert_eq!(all.is_empty(), words.is_empty(), "{fault:?}: {all}");
        assert!(fault == Fault::Slow || report.bench_s < LONGEST_S);
    }
}

#[test]
fn two_device_failures_skip_the_setup_and_stubborn_lanes_are_measured() {
    let (good, silent, lanes) = (check(Fault::None), check(Fault::Silent), check(Fault::DeadLanes(1)));
    assert_eq!(next_step(&[]), NextStep::Go { noted: Vec::new() });
    assert_eq!(next_step(std::slice::from_ref(&good)), NextStep::Go { noted: Vec::new() });
    assert!(matches!(next_step(std::slice::from_ref(&silent)), NextStep::ReSeat { .. }));
    let NextStep::SkipSetup(fault) = next_step(&[silent.clone(), silent.clone()]) else {
        panic!("not skipped")
    };
    assert_eq!(fault.kind, FaultKind::MountingCheck);
    assert!(fault.detail.starts_with("2 times for the whole device: time-out"), "{fault}");
    assert!(matches!(next_step(&[silent.clone(), lanes.clone()]), NextStep::ReSeat { .. }));
    assert!(matches!(next_step(&[silent.clone(), lanes.clone(), silent.clone()]), NextStep::ReSeat { .. }));
    assert_eq!(next_step(&[silent.clone(), good]), NextStep::Go { noted: Vec::new() });
    // A fault of an instrument is nobody's who seats modules.
    let mut dark = silent.clone();
    dark.fault = dark.fault.map(|fault| fault.at(Part::Instrument));
    assert!(matches!(next_step(std::slice::from_ref(&dark)), NextStep::StopRun(_)));
    assert!(matches!(next_step(&[silent, dark]), NextStep::StopRun(_)));
    let three = [lanes.clone(), lanes.clone(), lanes.clone()];
    assert_eq!(next_step(&three), NextStep::Go { noted: lanes.reasons });
}

#[test]
fn the_simulated_target_passes_within_the_time_model() {
    let plan = Plan::read(PLAN).unwrap();
    let expansion = expand(&plan, &Selection::default());
    let keys = JobKeys::new(&plan, "1").expect("finite numbers");
    let executor = Executor::new(&plan, &expansion, &keys);
    let options = Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: Vec::new(),
        directions: plan.capture.directions.clone(),
        measured: Default::default(),
        seed: 1,
    });
    let mut driver = SimulatedTarget::new(options);
    let job = Job { condition: 0, mounting: 0, repeat: 0, start: 0 };
    let setting = executor.setting(&expansion.conditions[0], &job, 1);
    let request = executor.training_request();
    let report =
        check_mounting(&mut driver, &setting, None, &request, CALL_LIMIT, &CancelToken::new()).unwrap();
    assert_eq!(report.verdict, CheckVerdict::Pass, "{:?}", report.reasons);
    assert!(report.bench_s > 0.0 && report.bench_s < plan.times.mounting_check_s, "{} s", report.bench_s);
    let stopped = CancelToken::new();
    stopped.cancel();
    let error = check_mounting(&mut driver, &setting, None, &request, CALL_LIMIT, &stopped).unwrap_err();
    assert_eq!(error.kind, FaultKind::Cancelled);
}

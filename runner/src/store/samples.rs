//! Sample jobs, results and folders for the tests of the store.

use super::generated::raster;
use super::rows::{JobKey, JobRow, Meta, Reading, Target};
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::point_rule::PointRule;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{
    CaptureMode, Direction, EyeName, Identity, JobOutcome, JobResult, JobTimes, LanePoint, LaneTraining,
    Readback, TrainedEye, TrainingResult, TrainingStage, VisitKind,
};
use nightbench_core::units::{Celsius, Seconds, Volts};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// A folder for one test, removed at its end.
pub struct Folder(pub PathBuf);

impl Folder {
    /// An empty folder of its own.
    pub fn new() -> Folder {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let name = format!("store-test-{}-{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    /// A run folder in it, not created yet.
    pub fn run(&self) -> PathBuf {
        self.0.join("run")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Copies the files of a folder one after the other, as `cp -r` does.
pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir(to).unwrap();
    let mut names: Vec<PathBuf> =
        std::fs::read_dir(from).unwrap().map(|entry| entry.unwrap().path()).collect();
    names.sort();
    for name in names {
        // Opening the lock file would release it in this process (POSIX locks); other processes may copy it.
        if !name.ends_with("run.lock") {
            std::fs::copy(&name, to.join(name.file_name().unwrap())).unwrap();
        }
    }
}

/// What the folders of the tests have in common.
pub fn meta(target: Target) -> Meta {
    Meta {
        tool_version: "0.1.0".into(),
        title: "Night run".into(),
        plan_text: "title = \"Night run\"\n".into(),
        seed: u64::MAX - 1,
        target,
        created_utc: "2026-03-01T22:00:00.000Z".into(),
    }
}

/// A bench of some name.
pub fn bench() -> Target {
    Target::Bench("bench two".into())
}

/// Key of the job with a number.
pub fn key(number: u64) -> JobKey {
    // Keys in another order than the numbers, as hashes are.
    let mut key = [0; 32];
    for (index, chunk) in key.chunks_exact_mut(8).enumerate() {
        chunk.copy_from_slice(
            &SplitMix64::new(number.wrapping_add(index as u64 * 1000)).next_u64().to_le_bytes(),
        );
    }
    key
}

/// Condition and times of the job with a number.
pub fn row(number: u64) -> JobRow {
    JobRow {
        key: key(number),
        plan_position: number,
        chip: "chip A".into(),
        firmware: "image 7".into(),
        module: "small-outline 'x8'".into(),
        channel: "two risers".into(),
        rate: "DDR4-2667".into(),
        temperature: "hot".into(),
        supply: "low".into(),
        pattern: "PRBS 7".into(),
        rate_mts: 8000.0 / 3.0,
        temperature_set_degc: 95.0,
        mounting: 2,
        repeat: 1,
        start: 0,
        started_utc: "2026-03-01T22:15:03.250Z".into(),
        ended_utc: "2026-03-01T22:16:00.000Z".into(),
        started_bench_s: 60.0 * number as f64,
        ended_bench_s: 60.0 * number as f64 + 56.75,
    }
}

/// Result of the job with a number: measured, failed in training or not measured.
pub fn result(number: u64) -> JobResult {
    let eye = EyeName { direction: Direction::Write, rank: 1, sub_channel: Some(1) };
    let passed = number % 5 != 3;
    let lane = |lane| LaneTraining {
        lane,
        // Numbers whose shortest decimal form has 16 or 17 digits.
        delay_taps: Some(1.0 / 3.0 + number as f64),
        width_taps: Some(0.1 + 0.2),
        vref_step: None,
        height_steps: Some(-0.000_123_456_789_012_345_67),
        end_stop: lane == 1,
        passed: passed || lane != 1,
    };
    let training = TrainingResult {
        stages: vec![TrainingStage {
            name: "write levelling".into(),
            eye: Some(eye),
            by_byte_lane: true,
            lanes: (0..3).map(lane).collect(),
            causes: if passed { vec![] } else { vec!["no clock".into(), "lane open".into()] },
        }],
        eyes: vec![TrainedEye {
            eye,
            lanes: vec![4, 5],
            settings: vec![LanePoint { tap: 3, vref: 65535 }; 2],
        }],
        passed,
    };
    let mut first = raster(number, 5, 8, 0.6, 1.5);
    first.visits.extend(first.visits.get(3).cloned());
    if let Some(last) = first.visits.last_mut() {
        last.kind = VisitKind::Drift;
    }
    let mut second = raster(number + 1000, 2, 8, 0.6, 1.5);
    second.eye = eye;
    second.mode = CaptureMode::Exact;
    second.rule = PointRule::Fixed { bits: 3_000_000_000, errors: 2 };
    JobResult {
        outcome: match number % 5 {
            3 => JobOutcome::TrainingFailed,
            4 => JobOutcome::NotMeasured(Fault::new(FaultKind::NotReached, "the case is at 60 \u{b0}C")),
            _ => JobOutcome::Measured,
        },
        identity: Identity {
            chip_serial: "A-0007".into(),
            firmware_build: "7.1".into(),
            firmware_hash: "ab12".into(),
            settings_hash: "cd34".into(),
            agent_version: "1".into(),
        },
        readback: (number % 5 != 4).then(|| Readback {
            temperature: Celsius(94.7 + 0.1),
            rails: vec![("VDDQ".into(), Volts(1.0 / 1.1)), ("VDD".into(), Volts(1.2))],
            settling: Seconds(312.5),
        }),
        trainings: vec![training],
        captures: if number % 5 < 3 { vec![first, second] } else { vec![] },
        times: JobTimes { training_s: 11.1 * 3.0, measuring_s: 0.7 },
    }
}

/// Readings taken during the job with a number.
pub fn readings(number: u64) -> Vec<Reading> {
    (0..3)
        .map(|index| Reading {
            bench_s: 60.0 * number as f64 + f64::from(index),
            name: "case temperature".into(),
            value: 94.9 + f64::from(index) / 30.0,
            unit: "degC".into(),
        })
        .collect()
}

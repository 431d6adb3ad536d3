//! One suite that every driver passes: order of calls, limits, whole answers, idempotent make-safe.
//!
//! It lives beside the contract so that a driver written elsewhere can be checked by it too.

use crate::{
    Call, CancelToken, Driver, FaultKind, PointCounts, PointRequest, Setting, StartKind, TrainingRequest,
};
use nightbench_core::devices::{
    BusKind, Channel, Chip, ControlPoint, Module, ModuleKind, Pattern, SecondSlot, Supply,
};
use nightbench_core::generations::Rail;
use nightbench_core::point_rule::PointRule;
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::{LanePoint, LaneSet, Point, TrainedEye};
use nightbench_core::units::{Celsius, Volts};
use std::sync::Arc;
use std::time::Duration;

/// Longest single call of the suite.
const LIMIT: Duration = Duration::from_secs(120);

fn call() -> Call {
    Call::within(LIMIT, &CancelToken::new())
}

fn ensure(holds: bool, words: impl FnOnce() -> String) -> Result<(), String> {
    if holds { Ok(()) } else { Err(words()) }
}

fn kind_of<T>(result: Result<T, crate::DriverError>) -> Option<FaultKind> {
    result.err().map(|error| error.kind)
}

fn request(at: LanePoint, lanes: u16, most_bits: u64) -> PointRequest {
    PointRequest {
        point: Point { tap: at.tap, vref: at.vref },
        bits_before: 0,
        errors_before: Vec::new(),
        lanes: LaneSet::first(lanes),
        rule: PointRule::sequential(1e-3, 0.95),
        most_bits,
        series: 0,
    }
}

/// What the suite asks a training for: a retrain, read only.
pub fn training() -> TrainingRequest {
    TrainingRequest {
        start: StartKind::Retrain,
        pass_ber: 1e-4,
        fewest_taps: 2,
        fewest_steps: 2,
        command: false,
        write: false,
    }
}

/// A setting for a driver that takes any: an invented UDIMM on a direct channel at DDR4-2400.
pub fn setting() -> Setting {
    let rate = DataRate::parse(Generation::Ddr4, "2400").expect("a standard rate");
    let name = || "conformance".to_string();
    Setting {
        chip: Arc::new(Chip { name: name(), corner: None, fault: None }),
        firmware: None,
        module: Arc::new(Module {
            name: name(),
            kind: ModuleKind::Udimm,
            stacked: false,
            half_populated: false,
            ranks: 1,
            device_width: 8,
            dies: 1,
            rated: rate,
            populated: vec![LaneSet::first(64)],
            serial: None,
            overrides: Vec::new(),
            lane_models: Vec::new(),
            fault: None,
        }),
        channel: Arc::new(Channel {
            name: name(),
            risers: 0,
            adapter: false,
            second_slot: SecondSlot::None,
            fits: vec![BusKind::Unbuffered],
            measured: None,
            overrides: Vec::new(),
        }),
        rate,
        temperature: Celsius(25.0),
        control_point: ControlPoint::Chip,
        calibrated_at: Celsius(25.0),
        supply: Arc::new(Supply {
            name: name(),
            rails: vec![(Rail::Vdd, Volts(1.2)), (Rail::Vddq, Volts(1.2)), (Rail::Vpp, Volts(2.5))],
        }),
        pattern: Pattern::Prbs(7),
        mounting: 0,
        start: 0,
        wck_ratio: None,
        noise_key: [0; 32],
    }
}

/// Runs the suite on a fresh driver that has applied nothing yet. `setting` must be one at which the interface trains.
///
/// # Errors
/// The first broken promise, in words.
pub fn check(driver: &mut dyn Driver, setting: &Setting) -> Result<(), String> {
    before_anything(driver)?;
    let trained = first_light(driver, setting)?;
    sampling(driver, &trained)?;
    losing_training(driver, setting, &trained)?;
    stopping(driver, setting)?;
    safe_at_the_end(driver)
}

fn before_anything(driver: &mut dyn Driver) -> Result<(), String> {
    driver.make_safe(&call()).map_err(|error| format!("make_safe before anything: {error}"))?;
    ensure(kind_of(driver.capabilities(&call())) == Some(FaultKind::WrongOrder), || {
        "capabilities before apply must be `wrong order`".into()
    })?;
    ensure(kind_of(driver.identity(&call())) == Some(FaultKind::WrongOrder), || {
        "identity before apply must be `wrong order`".into()
    })?;
    ensure(kind_of(driver.confirm(&call())) == Some(FaultKind::WrongOrder), || {
        "confirm before apply must be `wrong order`".into()
    })?;
    ensure(kind_of(driver.train(&training(), &call())) == Some(FaultKind::WrongOrder), || {
        "train before apply must be `wrong order`".into()
    })
}

fn first_light(driver: &mut dyn Driver, setting: &Setting) -> Result<Vec<TrainedEye>, String> {
    let readback = driver.apply(setting, &call()).map_err(|error| format!("apply: {error}"))?;
    ensure((readback.temperature.0 - setting.temperature.0).abs() < 5.0, || {
        format!("apply at {} reads back {}", setting.temperature, readback.temperature)
    })?;
    for (name, asked) in setting.supply.named() {
        let found = readback.rails.iter().find(|(rail, _)| rail == name);
        ensure(found.is_some_and(|(_, volts)| (volts.0 - asked.0).abs() < 0.05), || {
            format!("{name} reads back {found:?}, {asked} asked")
        })?;
    }
    let identity = driver.identity(&call()).map_err(|error| format!("identity: {error}"))?;
    ensure(!identity.chip_serial.is_empty() && !identity.agent_version.is_empty(), || {
        format!("the identity is empty: {identity:?}")
    })?;
    let again = driver.identity(&call()).map_err(|error| format!("identity: {error}"))?;
    ensure(identity == again, || "the identity changes between two calls".into())?;
    let known = driver.capabilities(&call()).map_err(|error| format!("capabilities: {error}"))?;
    ensure(!known.eyes.is_empty(), || "no eye can be captured".into())?;
    for eye in &known.eyes {
        ensure(!eye.grid.is_empty() && !eye.lanes.is_empty() && eye.fewest_bits > 0, || {
            format!("{}: an empty grid, no lanes, or visits of no bits", eye.eye)
        })?;
        let early = driver.sample(eye.eye, &[request(LanePoint { tap: 0, vref: 0 }, 1, 64)], &call());
        ensure(kind_of(early) == Some(FaultKind::WrongOrder), || {
            format!("{}: a sample before training must be `wrong order`", eye.eye)
        })?;
    }
    let result = driver.train(&training(), &call()).map_err(|error| format!("train: {error}"))?;
    ensure(result.passed, || "the setting of the suite must train".into())?;
    for eye in &known.eyes {
        let trained = result.eye(eye.eye).ok_or_else(|| format!("{}: no trained settings", eye.eye))?;
        ensure(trained.lanes == eye.lanes.iter().collect::<Vec<_>>(), || {
            format!("{}: trained lanes are not the captured lanes", eye.eye)
        })?;
    }
    Ok(result.eyes)
}

fn check_counts(counts: &PointCounts, lanes: usize, most: u64) -> Result<(), String> {
    ensure(counts.errors.len() == lanes, || {
        format!("{} lanes counted, {lanes} expected", counts.errors.len())
    })?;
    ensure(counts.bits > 0 && counts.bits <= most, || {
        format!("{} bits compared, 1 to {most} asked", counts.bits)
    })?;
    ensure(counts.errors.iter().all(|errors| *errors <= counts.bits), || "more errors than bits".into())
}

fn sampling(driver: &mut dyn Driver, trained: &[TrainedEye]) -> Result<(), String> {
    let known = driver.capabilities(&call()).map_err(|error| format!("capabilities: {error}"))?;
    for eye in &known.eyes {
        let settings = trained
            .iter()
            .find(|one| one.eye == eye.eye)
            .ok_or_else(|| format!("{}: not trained", eye.eye))?;
        let centre = settings.settings.first().copied().ok_or_else(|| format!("{}: no lanes", eye.eye))?;
        let lanes = eye.lanes.len();
        let most = 4096u64.next_multiple_of(eye.fewest_bits);
        let corner = LanePoint { tap: eye.grid.taps - 1, vref: eye.grid.vref_steps - 1 };
        let batch = [request(centre, 1, most), request(corner, 1, most), request(centre, 1, eye.fewest_bits)];
        let counts = driver.sample(eye.eye, &batch, &call()).map_err(|error| format!("sample: {error}"))?;
        ensure(counts.len() == batch.len(), || {
            format!("{} points asked, {} answered", batch.len(), counts.len())
        })?;
        for (asked, got) in batch.iter().zip(&counts) {
            check_counts(got, usize::from(lanes), asked.most_bits)?;
        }
        let first = counts.first().and_then(|one| one.errors.first()).copied().unwrap_or(u64::MAX);
        ensure(first == 0, || format!("{}: errors at the trained point of lane 0", eye.eye))?;
        let none =
            driver.sample(eye.eye, &[], &call()).map_err(|error| format!("an empty batch: {error}"))?;
        ensure(none.is_empty(), || "an empty batch has answers".into())?;
        let beyond = request(LanePoint { tap: eye.grid.taps, vref: 0 }, 1, most);
        ensure(kind_of(driver.sample(eye.eye, &[beyond], &call())) == Some(FaultKind::OutOfRange), || {
            "a tap beyond the grid must be `out of range`".into()
        })?;
        let mut lane = request(centre, 1, most);
        lane.lanes = LaneSet(1 << lanes.min(nightbench_core::results::MOST_LANES - 1));
        ensure(kind_of(driver.sample(eye.eye, &[lane], &call())) == Some(FaultKind::OutOfRange), || {
            "a lane beyond the eye's must be `out of range`".into()
        })?;
        let mut short = request(centre, 1, most);
        short.errors_before = vec![0; usize::from(lanes) + 1];
        ensure(kind_of(driver.sample(eye.eye, &[short], &call())) == Some(FaultKind::OutOfRange), || {
            "earlier counts of other lanes must be `out of range`".into()
        })?;
        // A refused question changes nothing: the next one is answered.
        let after = driver.sample(eye.eye, &[request(centre, 1, most)], &call());
        ensure(after.is_ok(), || format!("a refused question breaks the next one: {after:?}"))?;
    }
    Ok(())
}

fn losing_training(driver: &mut dyn Driver, setting: &Setting, trained: &[TrainedEye]) -> Result<(), String> {
    let eye = trained.first().ok_or("nothing trained")?;
    let centre = eye.settings.first().copied().ok_or("no lanes")?;
    // The same condition again keeps its training.
    driver.apply(setting, &call()).map_err(|error| format!("apply again: {error}"))?;
    let kept = driver.sample(eye.eye, &[request(centre, 1, 64)], &call());
    ensure(kept.is_ok(), || format!("the same condition lost its training: {kept:?}"))?;
    driver.confirm(&call()).map_err(|error| format!("confirm: {error}"))?;
    let mut reseated = setting.clone();
    reseated.mounting += 1;
    driver.apply(&reseated, &call()).map_err(|error| format!("apply after a re-seat: {error}"))?;
    let lost = driver.sample(eye.eye, &[request(centre, 1, 64)], &call());
    ensure(kind_of(lost) == Some(FaultKind::WrongOrder), || "a re-seat must invalidate training".into())?;
    let known = driver.capabilities(&call()).map_err(|error| format!("capabilities: {error}"))?;
    if known.restores_training {
        ensure(kind_of(driver.restore(&[], &call())) == Some(FaultKind::OutOfRange), || {
            "restoring nothing must be `out of range`".into()
        })?;
        driver.restore(trained, &call()).map_err(|error| format!("restore: {error}"))?;
        let restored = driver.sample(eye.eye, &[request(centre, 1, 64)], &call());
        ensure(restored.is_ok(), || format!("a sample after restore: {restored:?}"))?;
    } else {
        ensure(kind_of(driver.restore(trained, &call())) == Some(FaultKind::Unsupported), || {
            "restore must be `unsupported` where the capabilities say so".into()
        })?;
    }
    Ok(())
}

fn stopping(driver: &mut dyn Driver, setting: &Setting) -> Result<(), String> {
    let token = CancelToken::new();
    token.cancel();
    let cancelled = driver.apply(setting, &Call::within(LIMIT, &token));
    ensure(kind_of(cancelled) == Some(FaultKind::Cancelled), || {
        "a cancelled apply must be `cancelled`".into()
    })?;
    let late = Call { deadline: std::time::Instant::now(), cancel: CancelToken::new() };
    std::thread::sleep(Duration::from_millis(2));
    let late = driver.apply(setting, &late);
    ensure(kind_of(late) == Some(FaultKind::TimeOut), || {
        "an apply past its deadline must be `time-out`".into()
    })
}

fn safe_at_the_end(driver: &mut dyn Driver) -> Result<(), String> {
    for _ in 0..2 {
        driver.make_safe(&call()).map_err(|error| format!("make_safe: {error}"))?;
    }
    driver.safety_handle().make_safe().map_err(|error| format!("safety handle: {error}"))?;
    ensure(driver.elapsed().0 >= 0.0, || "the clock runs backwards".into())
}

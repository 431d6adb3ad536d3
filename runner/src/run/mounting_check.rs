//! The mounting check after a hands-on change: is what was mounted really there and well seated, before the operator is told that
//! they may leave? Identity, power, training at the slowest rate, a coarse look at every eye, dead and stuck lanes; seconds of bench
//! time, well under three minutes.

use contract::{
    Call, CancelToken, Driver, DriverError, EyeCapabilities, FaultKind, Part, PointCounts, PointRequest,
    Setting, TrainingRequest,
};
use nightbench_core::events::CheckVerdict;
use nightbench_core::faults::Fault;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Identity, LaneSet, Point, Readback};
use nightbench_core::text::lane_list;
use nightbench_core::units::Volts;
use std::time::Duration;

/// Longest a mounting check may take on the bench, seconds.
pub const LONGEST_S: f64 = 180.0;
/// Attempts (the first mounting included) after which the same trouble is taken for the device's own.
pub const MOST_ATTEMPTS: usize = 3;
/// Largest deviation of a rail, as a share of what was set. Common practice, no source.
const RAIL_TOLERANCE: f64 = 0.05;
/// Points of the coarse look: delay taps x Vref steps, spread over the whole sweep.
const COARSE: (u16, u16) = (13, 7);
/// Bits compared at each of them.
const COARSE_BITS: u64 = 4096;
/// A lane whose best point has a higher bit error ratio sees nothing of its data (chance is 0.5).
const DEAD_RATIO: f64 = 0.2;
/// A lane whose best point has a higher bit error ratio has no eye worth the name.
const CLOSED_RATIO: f64 = 0.01;
/// Longest a single call to a driver may take on a bench.
pub const CALL_LIMIT: Duration = Duration::from_secs(60);

/// A mounting check's result.
#[derive(Debug, Clone, PartialEq)]
pub struct MountingReport {
    pub verdict: CheckVerdict,
    /// Why, each naming the thing and its value; empty for a pass.
    pub reasons: Vec<String>,
    /// The device answered, is the one expected and has its power: what failed is the interface.
    pub answered: bool,
    /// The driver's fault that ended the check.
    pub fault: Option<DriverError>,
    /// Bench time it took, seconds.
    pub bench_s: f64,
}

/// What to do after a mounting check.
#[derive(Debug, Clone, PartialEq)]
pub enum NextStep {
    /// Go on with the setup's jobs; what was noted goes into the log.
    Go {
        /// Trouble that stayed after re-seating: the jobs will show it as results.
        noted: Vec<String>,
    },
    /// Ask the operator for a re-seat.
    ReSeat {
        /// Why.
        reasons: Vec<String>,
    },
    /// The bench itself has a fault: what is mounted is not to blame, and nothing can be measured.
    StopRun(DriverError),
    /// Leave out the rest of the setup: its jobs are not measured for this fault.
    SkipSetup(Fault),
}

/// Decides after the last of a setup's mounting checks, oldest first. Two whole-device failures in a row skip the setup; lanes that stay
/// dead over [`MOST_ATTEMPTS`] mountings are the device's own, and measuring it gives a result.
pub fn next_step(attempts: &[MountingReport]) -> NextStep {
    let Some(last) = attempts.last() else { return NextStep::Go { noted: Vec::new() } };
    if let Some(fault) = last.fault.as_ref().filter(|fault| fault.part == Part::Instrument) {
        return NextStep::StopRun(fault.clone());
    }
    let failures = attempts.iter().rev().take_while(|one| one.verdict == CheckVerdict::DeviceFailure).count();
    match last.verdict {
        CheckVerdict::Pass => NextStep::Go { noted: Vec::new() },
        CheckVerdict::DeviceFailure if failures >= 2 => {
            let why = last.reasons.join("; ");
            let detail = format!("{failures} times for the whole device: {why}");
            NextStep::SkipSetup(Fault::new(FaultKind::MountingCheck, detail))
        }
        _ if attempts.len() >= MOST_ATTEMPTS && last.verdict == CheckVerdict::ReSeat => {
            NextStep::Go { noted: last.reasons.clone() }
        }
        _ => NextStep::ReSeat { reasons: last.reasons.clone() },
    }
}

/// Checks a mounting. `setting` is the setup's gentlest condition: slowest rate, touch-safe temperature, first supply;
/// `expected` is who answered before, where that is known.
///
/// # Errors
/// `Cancelled` when a stop was asked for; every other fault is in the report.
pub fn check_mounting(
    driver: &mut dyn Driver,
    setting: &Setting,
    expected: Option<&Identity>,
    request: &TrainingRequest,
    call_limit: Duration,
    cancel: &CancelToken,
) -> Result<MountingReport, DriverError> {
    let begin = driver.elapsed().0;
    let mut report = MountingReport {
        verdict: CheckVerdict::Pass,
        reasons: Vec::new(),
        answered: true,
        fault: None,
        bench_s: 0.0,
    };
    if let Err(error) = look(driver, setting, expected, request, (call_limit, cancel), &mut report) {
        if error.kind == FaultKind::Cancelled && cancel.is_cancelled() {
            return Err(error);
        }
        report.fail(error.to_string());
        report.answered = false;
        report.fault = Some(error);
    }
    report.bench_s = driver.elapsed().0 - begin;
    if report.bench_s > LONGEST_S {
        report.reasons.push(format!(
            "the mounting check took {:.0} s, more than {LONGEST_S} s: the operator waits too long",
            report.bench_s
        ));
    }
    Ok(report)
}

impl MountingReport {
    /// Does something answer that is not what the plan names?
    pub fn is_another(&self) -> bool {
        self.fault.as_ref().is_some_and(|fault| fault.kind == FaultKind::WrongIdentity)
    }

    fn fail(&mut self, reason: String) {
        self.verdict = CheckVerdict::DeviceFailure;
        self.reasons.push(reason);
    }

    fn lanes_fail(&mut self, reason: String, failed: usize, of: usize) {
        let verdict = if failed >= of { CheckVerdict::DeviceFailure } else { CheckVerdict::ReSeat };
        if self.verdict != CheckVerdict::DeviceFailure {
            self.verdict = verdict;
        }
        self.reasons.push(reason);
    }
}

fn look(
    driver: &mut dyn Driver,
    setting: &Setting,
    expected: Option<&Identity>,
    request: &TrainingRequest,
    (call_limit, cancel): (Duration, &CancelToken),
    report: &mut MountingReport,
) -> Result<(), DriverError> {
    let call = || Call::within(call_limit, cancel);
    let readback = driver.apply(setting, &call())?;
    let identity = driver.identity(&call())?;
    if let Some(words) = expected.and_then(|expected| other_identity(expected, &identity)) {
        report.fail(words);
        report.answered = false;
    }
    for words in weak_rails(setting, &readback) {
        report.fail(words);
        report.answered = false;
    }
    if !report.answered {
        // Nothing else is worth the operator's time, and nothing is driven without its proper supply.
        return Ok(());
    }
    let training = driver.train(request, &call())?;
    if let Some(stage) = training.failed_stage() {
        let failed = stage.failed_lanes();
        let what = if stage.by_byte_lane { "byte lanes" } else { "lanes" };
        let eye = stage.eye.map_or(String::new(), |eye| format!(" of {eye}"));
        let words = format!(
            "training at {} MT/s fails in {}{eye} on {what} {}",
            setting.rate,
            stage.name,
            lane_list(failed.iter().copied())
        );
        // Command and address serve every lane.
        let of = if stage.eye.is_none() { 0 } else { stage.lanes.len() };
        report.lanes_fail(words, failed.len(), of);
        return Ok(());
    }
    for eye in driver.capabilities(&call())?.eyes {
        let points = coarse_points(&eye);
        let answers = driver.sample(eye.eye, &points, &call())?;
        look_at_lanes(&eye, &answers, report);
    }
    Ok(())
}

fn other_identity(expected: &Identity, found: &Identity) -> Option<String> {
    let parts = [
        ("chip", &expected.chip_serial, &found.chip_serial),
        ("firmware build", &expected.firmware_build, &found.firmware_build),
        ("firmware", &expected.firmware_hash, &found.firmware_hash),
        ("settings", &expected.settings_hash, &found.settings_hash),
    ];
    let other = parts.iter().find(|(_, expected, found)| expected != found)?;
    Some(format!("another {} answers: `{}` instead of `{}`", other.0, other.2, other.1))
}

fn weak_rails(setting: &Setting, readback: &Readback) -> Vec<String> {
    let supply = &setting.supply;
    let mut words = Vec::new();
    for (name, wanted) in supply.named() {
        let Some((_, Volts(read))) = readback.rails.iter().find(|(rail, _)| rail == name) else { continue };
        // A reading that is no number is not within anything.
        let within = (read - wanted.0).abs() <= RAIL_TOLERANCE * wanted.0.abs();
        if !within {
            words.push(format!(
                "{name} reads {read:.3} V instead of {:.3} V (allowed: {:.0} %)",
                wanted.0,
                100.0 * RAIL_TOLERANCE
            ));
        }
    }
    words
}

/// Points spread evenly over the whole sweep, its ends included.
fn coarse_points(eye: &EyeCapabilities) -> Vec<PointRequest> {
    let spread = |count: u16, of: u16| -> Vec<u16> {
        let (count, last) = (count.min(of).max(1), of.saturating_sub(1));
        let at = |k: u16| (u32::from(k) * u32::from(last) / u32::from((count - 1).max(1))) as u16;
        (0..count).map(at).collect()
    };
    let bits = COARSE_BITS.max(eye.fewest_bits);
    let mut points = Vec::new();
    for vref in spread(COARSE.1, eye.grid.vref_steps) {
        for tap in spread(COARSE.0, eye.grid.taps) {
            points.push(PointRequest {
                point: Point { tap, vref },
                bits_before: 0,
                errors_before: Vec::new(),
                lanes: LaneSet::first(eye.lanes.len()),
                // Every bit is compared, whatever the errors: their number itself is looked at.
                rule: PointRule::Fixed { bits, errors: bits },
                most_bits: bits,
                // A series of its own: the jobs' own counts stay what they are.
                series: u32::MAX,
            });
        }
    }
    points
}

fn look_at_lanes(eye: &EyeCapabilities, answers: &[PointCounts], report: &mut MountingReport) {
    let lanes: Vec<u16> = eye.lanes.iter().collect();
    let ui = eye.grid.ui.0;
    // Only where the sweep reaches beyond the eye must errors be seen somewhere.
    let beyond = f64::from(eye.grid.taps) * eye.grid.tap_step.0 >= 1.5 * ui;
    let (mut dead, mut stuck, mut closed) = (Vec::new(), Vec::new(), Vec::new());
    for (place, lane) in lanes.iter().enumerate() {
        let counts: Vec<(u64, u64)> = answers
            .iter()
            .filter(|answer| answer.bits > 0)
            .filter_map(|answer| Some((*answer.errors.get(place)?, answer.bits)))
            .collect();
        let best =
            counts.iter().map(|(errors, bits)| *errors as f64 / *bits as f64).fold(f64::INFINITY, f64::min);
        let same = counts.len() > 1 && counts.windows(2).all(|pair| pair[0] == pair[1]);
        if same && (best > 0.0 || beyond) {
            stuck.push(*lane);
        } else if best > DEAD_RATIO {
            dead.push(*lane);
        } else if best > CLOSED_RATIO {
            closed.push(*lane);
        }
    }
    for (what, list) in [
        ("see nothing of their data (dead)", dead),
        ("give the same count everywhere (stuck)", stuck),
        ("have no open eye", closed),
    ] {
        if !list.is_empty() {
            let words = format!("lanes {} of {} {what}", lane_list(list.iter().copied()), eye.eye);
            report.lanes_fail(words, list.len(), lanes.len());
        }
    }
}

#[cfg(test)]
#[path = "mounting_check_tests.rs"]
mod tests;

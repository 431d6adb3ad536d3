//! The capture strategy: which points of an eye are measured next, and for which lanes.
//!
//! Bench time is dwell times points, so a capture spends full dwell on the contour only: a cheap survey finds
//! where each lane's eye lies, and a closure walks onto the contour from outside, where points fail early and
//! cost little. All lanes share (tap, Vref): a point is visited once for every lane that needs it.
//!
//! Guarantee, for `exact`: every pass/fail neighbour pair of every returned region was measured on both sides, and
//! any pass region at least 4 x 4 points large is found. For `fast` the same holds on the lattice of every second
//! tap and step, and the rest is inferred, but for the rims of every lane's operating row and column, which are measured
//! in every mode; in `row_and_column` nothing else is. A pass region that reaches the border of the grid is measured
//! there at every fourth place. Not guaranteed: holes inside the eye that the survey does not hit, smaller islands. A lane whose
//! trained centre and survey places all fail at the limit is closed, however open it was to the short survey.
//!
//! Pure logic: the device is a [`Sampler`].

mod closure;
mod engine;
mod rims;
mod rows_and_columns;
mod short;
mod split;
#[cfg(test)]
use self as strategy;
#[cfg(test)]
#[path = "../../benches/support/mod.rs"]
mod simulated_eyes;
#[cfg(test)]
mod tests;

pub use engine::SWEEP_BITS;
pub use short::short_look;
pub use split::{snake_order, split_by_time, visit_cost};

use contract::{DriverError, EyeCapabilities, FaultKind, PointCounts, PointRequest};
use engine::Engine;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Capture, CaptureMode, LanePoint, MOST_LANES};

/// Measures lists of points: one answer a point, in the order asked.
pub trait Sampler {
    /// Measures the points. The device ends each point itself when the lanes asked for are decided, or compares
    /// `most_bits`.
    ///
    /// # Errors
    /// Whatever the device reports; it is passed on as it is.
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError>;
}

/// How the survey is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Regime {
    /// Dwell outweighs the visit overhead: a short survey first, full dwell on the contour only. A visit ends at the
    /// next length a point can pass at, so every point is decided alike whatever lanes it is visited for.
    LongDwell,
    /// Visits cost as much as their bits: the survey itself is measured at full length, and a visit runs on until
    /// all its lanes are decided. A lane is then judged on the counts at the end of the visit: a few in a hundred
    /// contour points move by one point against a raster, for a quarter less time.
    ShortDwell,
}

/// Dwell ratio below which a full-length survey is the cheaper one (measured: see the capture bench).
const SHORT_DWELL_BELOW: f64 = 8.0;

impl Regime {
    /// Chosen from rho = (N / rate) / visit overhead, N the bits of an error-free point.
    pub fn choose(rule: &PointRule, eye: &EyeCapabilities) -> Regime {
        let rho = visit_cost(eye).dwell_ratio(rule.clean_bits());
        if rho < SHORT_DWELL_BELOW { Regime::ShortDwell } else { Regime::LongDwell }
    }
}

/// What a capture is asked to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CaptureOptions {
    /// How the points are chosen.
    pub mode: CaptureMode,
    /// The rule that decides them.
    pub rule: PointRule,
    /// Survey regime; `None` chooses it from the dwell ratio.
    pub regime: Option<Regime>,
    /// Longest expected time of one list of points, seconds (the driver contract asks for less than about 10).
    pub batch_seconds: f64,
    /// Most points of one list.
    pub batch_points: usize,
    /// Early points measured again last, to show drift within the capture.
    pub drift_points: usize,
    /// Measure where each lane's eye crosses, for the size of a tap.
    pub tap_sweep: bool,
}

impl CaptureOptions {
    /// The usual limits: 9 s and 4096 points a list, 8 drift points, regime by the dwell ratio, no sweep.
    pub fn new(mode: CaptureMode, rule: PointRule) -> CaptureOptions {
        CaptureOptions {
            mode,
            rule,
            regime: None,
            batch_seconds: 9.0,
            batch_points: 4096,
            drift_points: 8,
            tap_sweep: false,
        }
    }
}

/// How a capture went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CaptureStats {
    /// Survey regime used.
    pub regime: Regime,
    /// Batches: times the strategy had to see results before it could go on.
    pub batches: u32,
    /// Lists sent to the device (batches split by expected time).
    pub lists: u32,
    /// Visits made.
    pub visits: u64,
}

/// Captures one eye.
///
/// `lanes` are lane (DQ) numbers, `operating` their trained settings in the same order.
///
/// # Errors
/// `OutOfRange` for lanes, settings or limits that do not fit the device, `Protocol` for answers that do not fit
/// the question, and whatever the device reports. Use [`capture_into`] to keep what was measured before the error.
pub fn capture(
    sampler: &mut dyn Sampler,
    eye: &EyeCapabilities,
    lanes: &[u16],
    operating: &[LanePoint],
    options: &CaptureOptions,
) -> Result<Capture, DriverError> {
    let mut capture = empty_capture(eye, lanes, operating, options);
    capture_into(&mut capture, sampler, eye, options)?;
    Ok(capture)
}

/// A capture without visits, for [`capture_into`].
pub fn empty_capture(
    eye: &EyeCapabilities,
    lanes: &[u16],
    operating: &[LanePoint],
    options: &CaptureOptions,
) -> Capture {
    Capture {
        eye: eye.eye,
        grid: eye.grid,
        lanes: lanes.to_vec(),
        operating: operating.to_vec(),
        mode: options.mode,
        rule: options.rule,
        visits: Vec::new(),
    }
}

/// Captures one eye into `into`, which must come from [`empty_capture`]; on an error every visit answered so far is
/// in it.
///
/// # Errors
/// As [`capture`].
pub fn capture_into(
    into: &mut Capture,
    sampler: &mut dyn Sampler,
    eye: &EyeCapabilities,
    options: &CaptureOptions,
) -> Result<CaptureStats, DriverError> {
    check(into, eye, options)?;
    let regime = options.regime.unwrap_or_else(|| Regime::choose(&options.rule, eye));
    let mut engine = Engine::new(into, sampler, eye, options)?;
    match options.mode {
        CaptureMode::Raster => {
            engine.raster()?;
            engine.tell_operating()?;
        }
        CaptureMode::Exact | CaptureMode::Fast => engine.survey_and_close(regime)?,
        CaptureMode::RowAndColumn => engine.rows_and_columns()?,
    }
    engine.retest()?;
    engine.drift()?;
    if options.tap_sweep {
        engine.tap_sweep()?;
    }
    Ok(engine.stats(regime))
}

/// Takes the full eye after all, on the counts that a capture of rows and columns left.
///
/// # Errors
/// As [`capture`].
pub fn complete(
    capture: &mut Capture,
    sampler: &mut dyn Sampler,
    eye: &EyeCapabilities,
    options: &CaptureOptions,
) -> Result<CaptureStats, DriverError> {
    capture.mode = CaptureMode::Exact;
    // The rows were swept when they were measured.
    let options = CaptureOptions { mode: CaptureMode::Exact, tap_sweep: false, ..*options };
    capture_into(capture, sampler, eye, &options)
}

fn check(capture: &Capture, eye: &EyeCapabilities, options: &CaptureOptions) -> Result<(), DriverError> {
    let refuse = |words: String| Err(DriverError::new(FaultKind::OutOfRange, words));
    let grid = &eye.grid;
    if grid.is_empty() {
        return refuse(format!(
            "{}: the sweep has {} taps x {} Vref steps; at least 1 x 1 is needed",
            eye.eye, grid.taps, grid.vref_steps
        ));
    }
    if capture.lanes.is_empty() || capture.lanes.len() > usize::from(MOST_LANES) {
        return refuse(format!(
            "{}: {} lanes asked for; a capture takes 1 to {MOST_LANES}",
            eye.eye,
            capture.lanes.len()
        ));
    }
    if let Some(lane) = capture.lanes.iter().find(|&&lane| !eye.lanes.contains(lane)) {
        return refuse(format!("{}: lane {lane} cannot be captured by the device; leave it out", eye.eye));
    }
    if capture.operating.len() != capture.lanes.len() {
        return refuse(format!(
            "{}: {} operating points for {} lanes; give one a lane",
            eye.eye,
            capture.operating.len(),
            capture.lanes.len()
        ));
    }
    for (lane, at) in capture.lanes.iter().zip(&capture.operating) {
        if at.tap >= grid.taps || at.vref >= grid.vref_steps {
            return refuse(format!(
                "{}: lane {lane} operates at tap {}, Vref step {}, outside the sweep of {} x {}",
                eye.eye, at.tap, at.vref, grid.taps, grid.vref_steps
            ));
        }
    }
    let positive = |value: f64| value.is_finite() && value > 0.0;
    if !positive(eye.compared_bits_per_second) {
        return refuse(format!(
            "{}: the device reports {} compared bits/s; more than 0 are needed",
            eye.eye, eye.compared_bits_per_second
        ));
    }
    if !positive(options.batch_seconds) || options.batch_points == 0 {
        return refuse(format!(
            "limits of one list of points are {} s and {} points; both must be above 0",
            options.batch_seconds, options.batch_points
        ));
    }
    if options.rule.table().looks().is_empty() {
        return refuse(format!(
            "the rule can never pass a point ({}); raise its cap",
            options.rule.describe()
        ));
    }
    Ok(())
}

//! What no capture can show: an eye wider than one unit interval or higher than the swing. Such a lane is stuck, or was never
//! compared: it is not measured.

use contract::{DriverError, FaultKind};
use nightbench_core::point_rule::Decision;
use nightbench_core::results::{Capture, CaptureMode, Point, VisitKind};
use std::collections::BTreeMap;

/// Half of what was compared beyond one unit interval is the neighbour bit: no lane passes there.
///
/// # Errors
/// `ImpossibleAnswer`, naming the lane and what it showed.
pub(super) fn possible(captured: &Capture) -> Result<(), DriverError> {
    for (index, lane) in captured.lanes.iter().enumerate() {
        let never_fails =
            !captured.visits.iter().any(|visit| visit.errors.get(index).is_some_and(|n| *n > 0));
        let spans = if never_fails {
            Some((seen(captured, |point| point.tap), seen(captured, |point| point.vref)))
        } else {
            own_run(captured, index)
        };
        let Some((taps, steps)) = spans else { continue };
        let (wide_ui, high) = in_eyes(captured, taps, steps);
        if wide_ui > 1.0 || high > 1.0 {
            let what = if never_fails { "never sees an error" } else { "sees errors only beyond that" };
            return Err(DriverError::new(
                FaultKind::ImpossibleAnswer,
                format!(
                    "lane {lane} of {} {what}: open over {wide_ui:.2} UI and {:.0} % of VDDQ, at most 1 UI and 100 % are \
                     possible: stuck or not compared. Look at the lane's contact and at the agent's comparison",
                    captured.eye,
                    100.0 * high
                ),
            ));
        }
    }
    Ok(())
}

/// Width in unit intervals and height as a share of VDDQ of so many taps and steps.
fn in_eyes(captured: &Capture, taps: u16, steps: u16) -> (f64, f64) {
    let grid = &captured.grid;
    (f64::from(taps) * grid.tap_step.0 / grid.ui.0, f64::from(steps) * grid.vref_step.0 / grid.vddq.0)
}

/// From the lowest to the highest value of everything visited.
fn seen(captured: &Capture, of: fn(&Point) -> u16) -> u16 {
    let values = captured.visits.iter().map(|visit| of(&visit.point));
    values.clone().max().unwrap_or(0) - values.min().unwrap_or(0)
}

/// The run of passing points through a lane's operating point, along its row and its column: where every neighbour pair of the region
/// was measured. `None` where it was not.
fn own_run(captured: &Capture, index: usize) -> Option<(u16, u16)> {
    if captured.mode == CaptureMode::Fast {
        return None;
    }
    let at = captured.operating.get(index)?;
    let run = |place: fn(&Point) -> u16, across: fn(&Point) -> u16, own: u16, row: u16| -> u16 {
        // Continued measurements add up.
        let mut counts: BTreeMap<u16, (u64, u64)> = BTreeMap::new();
        for visit in &captured.visits {
            if visit.kind == VisitKind::Measure && across(&visit.point) == row {
                let count = counts.entry(place(&visit.point)).or_default();
                count.0 += visit.bits;
                count.1 += visit.errors.get(index).copied().unwrap_or(0);
            }
        }
        let (mut low_fail, mut high_fail) = (None, None);
        let mut passes = Vec::new();
        for (here, (bits, errors)) in counts {
            match captured.rule.decide(bits, errors) {
                Some(Decision::Pass) => passes.push(here),
                Some(Decision::Fail) if here < own => low_fail = Some(here),
                Some(Decision::Fail) if here > own => high_fail = high_fail.or(Some(here)),
                // Closed where it works: there is no run.
                Some(Decision::Fail) => return 0,
                None => {}
            }
        }
        passes.retain(|here| {
            low_fail.is_none_or(|low| *here > low) && high_fail.is_none_or(|high| *here < high)
        });
        passes.iter().max().zip(passes.iter().min()).map_or(0, |(high, low)| high - low)
    };
    Some((
        run(|point| point.tap, |point| point.vref, at.tap, at.vref),
        run(|point| point.vref, |point| point.tap, at.vref, at.tap),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::point_rule::PointRule;
    use nightbench_core::results::{Direction, EyeName, Grid, LanePoint, Visit};
    use nightbench_core::units::{Millivolts, Picoseconds};

    /// One row of 46 taps, 32 a unit interval: errors of the only lane at each tap.
    fn row(errors: impl Fn(u16) -> u64) -> Capture {
        let eye = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
        let visit = |tap| Visit {
            point: Point { tap, vref: 8 },
            kind: VisitKind::Measure,
            bits: 100_000,
            errors: vec![errors(tap)],
        };
        Capture {
            eye,
            grid: Grid {
                taps: 46,
                vref_steps: 16,
                tap_step: Picoseconds(10.0),
                vref_start: Millivolts(500.0),
                vref_step: Millivolts(10.0),
                ui: Picoseconds(320.0),
                vddq: Millivolts(1200.0),
            },
            lanes: vec![5],
            operating: vec![LanePoint { tap: 22, vref: 8 }],
            mode: CaptureMode::Exact,
            rule: PointRule::sequential(1e-3, 0.95),
            visits: (0..46).map(visit).collect(),
        }
    }

    #[test]
    fn an_eye_of_more_than_one_unit_interval_is_no_measurement() {
        let error = possible(&row(|_| 0)).unwrap_err();
        assert_eq!(error.kind, FaultKind::ImpossibleAnswer);
        assert!(error.words.contains("lane 5 of") && error.words.contains("1.41 UI"), "{}", error.words);
        assert!(error.words.contains("never sees an error"), "{}", error.words);
        // A few errors at the border do not make it possible.
        let error = possible(&row(|tap| if tap < 3 { 40_000 } else { 0 })).unwrap_err();
        assert!(error.words.contains("1.31 UI"), "{}", error.words);
        // An eye of 20 taps, and its neighbour a unit interval later, are.
        possible(&row(|tap| if (12..32).contains(&(tap % 32)) { 0 } else { 40_000 })).unwrap();
        // A lane that is closed where it works, and a grid narrower than a unit interval, say nothing of this kind.
        possible(&row(|_| 40_000)).unwrap();
        let mut narrow = row(|_| 0);
        narrow.visits.truncate(30);
        possible(&narrow).unwrap();
    }
}

//! Lanes on the verge of closing: the operating point fails, but so narrowly that where training lands decides, and another start may well
//! find the lane open.

use crate::counts::CaptureView;
use crate::edges::at_least;
use crate::metrics::state;
use crate::value::EyeState;
use nightbench_core::results::{CaptureMode, LanePoint, Point};

/// Taps and Vref steps within which an eye beside a failing operating point is reached by the scatter of training: half a place a start, so
/// two starts lie further apart than this in less than one of a hundred.
const WITHIN: i32 = 2;
/// Decades above the limit from which a failing operating point says that no eye is that near (an error ratio rises by one to two and a
/// half decades a tap, and by half to one a Vref step near the tip of an eye): of a row and a column nothing else is seen.
const DECADES: f64 = 3.0;
/// Chance of as many errors at the limit itself from which they do not show a ratio above it.
const SHOWN: f64 = 0.05;

/// Does a lane's operating point fail where another start may pass? A full eye shows the places beside; a capture of rows and columns
/// how far the error ratio lies above the limit.
pub fn on_the_verge(view: &CaptureView<'_>, lane: usize) -> bool {
    let (Some(map), Some(at)) = (view.maps().get(lane), view.capture().operating.get(lane)) else {
        return false;
    };
    if state(map, *at) == EyeState::Open {
        return false;
    }
    let beside = places(*at).any(|point| view.grid().contains(point) && map.passes(point));
    if view.capture().mode != CaptureMode::RowAndColumn {
        return beside;
    }
    let (bits, errors) = view.count(lane, Point { tap: at.tap, vref: at.vref }).unwrap_or((1, 1));
    beside || errors as f64 / bits as f64 <= view.ber_limit() * 10f64.powf(DECADES)
}

/// Does a lane's operating point fail on errors that do not show its ratio above the limit? Two errors fail a point, whatever it truly has; the lane may then
/// be open in this very start.
pub fn closed_in_doubt(view: &CaptureView<'_>, lane: usize) -> bool {
    let Some(at) = view.capture().operating.get(lane) else { return false };
    let (bits, errors) = view.count(lane, Point { tap: at.tap, vref: at.vref }).unwrap_or((1, 1));
    in_doubt(bits, errors, view.ber_limit())
}

/// May the limit itself have made so many errors?
pub fn in_doubt(bits: u64, errors: u64, limit: f64) -> bool {
    at_least(errors as f64, bits as f64 * limit) > SHOWN
}

/// The places beside an operating point.
fn places(at: LanePoint) -> impl Iterator<Item = Point> {
    let moved = |from: u16, by: i32| u16::try_from(i32::from(from) + by).ok();
    (-WITHIN..=WITHIN)
        .flat_map(|tap| (-WITHIN..=WITHIN).map(move |vref| (tap, vref)))
        .filter_map(move |(tap, vref)| Some(Point { tap: moved(at.tap, tap)?, vref: moved(at.vref, vref)? }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cases::{capture, visit};
    use nightbench_core::point_rule::PointRule;
    use nightbench_core::results::Capture;

    const LIMIT: f64 = 1e-6;

    fn told(capture: &Capture) -> bool {
        on_the_verge(&CaptureView::new(capture).expect("sound counts"), 0)
    }

    /// A row and a column show how far the operating point's own ratio lies above the limit: a thousand times and more is no verge.
    #[test]
    fn rows_and_columns_go_by_the_ratio_of_the_operating_point() {
        let of = |bits: u64, errors: u64| {
            let mut capture = capture(20, 16, 1, PointRule::sequential(LIMIT, 0.95));
            capture.mode = CaptureMode::RowAndColumn;
            capture.visits.push(visit(10, 8, bits, &[errors]));
            capture
        };
        let in_doubt =
            |capture: &Capture| closed_in_doubt(&CaptureView::new(capture).expect("sound counts"), 0);
        // At the limit 4.6 and 0.2 errors are expected: two are made with a chance of 0.94 and of 0.018.
        assert!(in_doubt(&of(4_600_000, 2)) && !in_doubt(&of(200_000, 2)));
        assert!(told(&of(4_600_000, 2)), "two errors where three are allowed");
        assert!(told(&of(200_000, 2)), "ten times the limit");
        assert!(!told(&of(1_000, 2)), "two thousand times the limit");
        assert!(!told(&of(30_000_000, 0)), "an open lane");
    }

    /// A full eye shows where the lane passes: two places off is the same eye, four are another start's only by a fault.
    #[test]
    fn a_full_eye_goes_by_the_places_beside() {
        let of = |off: u16| {
            let mut capture = capture(20, 16, 1, PointRule::error_free(LIMIT, 0.95));
            for index in 0..capture.grid.len() {
                let Point { tap, vref } = capture.grid.point(index);
                let passes = (10 + off..16).contains(&tap) && (6..11).contains(&vref);
                capture.visits.push(visit(tap, vref, 3_000_000, &[if passes { 0 } else { 100 }]));
            }
            capture
        };
        assert!(told(&of(2)) && !told(&of(4)) && !told(&of(0)));
    }
}

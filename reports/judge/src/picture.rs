//! The picture of a captured eye: error classes of every point, and the outlines of worst lane and all lanes.

use super::details::details;
use crate::audit::ExtrapolationNote;
use crate::judged::EyePicture;
use eye::contour::{Outline, outline};
use eye::counts::{CaptureView, CountError};
use eye::extrapolation::extrapolate;
use eye::together::common_map;
use nightbench_core::results::{Capture, CaptureMode, LanePoint, Point};
use plan::presets::MASK_BER;
use std::collections::BTreeSet;
use std::fmt::Write;
use std::ops::Range;

/// Most decades told apart.
const MOST_CLASSES: u8 = 8;

/// Draws a capture, with the outline of the lane that decides. `mask`: half width (ps) and half height (mV) of the
/// mask that [`super::details`] scales.
///
/// # Errors
/// Counts that contradict themselves, or a lane that was not captured.
pub fn picture(
    capture: &Capture,
    worst_lane: u16,
    mask: Option<(f64, f64)>,
) -> Result<EyePicture, CountError> {
    let view = CaptureView::new(capture)?;
    let classes = classes_of(&view, 0..capture.lanes.len());
    let details = Some(details(&view, worst_lane, mask));
    let paths = view.maps().iter().map(|map| outline(map).path_data());
    let lane_paths = capture.lanes.iter().copied().zip(paths).collect();
    Ok(EyePicture { classes, details, lane_paths, ..outlines(&view, worst_lane) })
}

/// Every lane of a capture as a picture of its own: its error classes and its outline.
///
/// # Errors
/// Counts that contradict themselves.
pub fn lane_pictures(capture: &Capture) -> Result<Vec<EyePicture>, CountError> {
    let view = CaptureView::new(capture)?;
    let picture = |(index, lane): (usize, &u16)| {
        let own = outlines(&view, *lane);
        EyePicture {
            classes: classes_of(&view, index..index + 1),
            all_lanes_path: String::new(),
            inferred_path: String::new(),
            ..own
        }
    };
    Ok(capture.lanes.iter().enumerate().map(picture).collect())
}

/// The outlines of a capture alone: without error classes and details, which cost ten times as much.
///
/// # Errors
/// Counts that contradict themselves.
pub fn outline_picture(capture: &Capture, worst_lane: u16) -> Result<EyePicture, CountError> {
    Ok(outlines(&CaptureView::new(capture)?, worst_lane))
}

/// The decade above the floor of each point's worst lane among these (0: no error), 254 and 253 where only inferred.
fn classes_of(view: &CaptureView<'_>, lanes: Range<usize>) -> Vec<u8> {
    let capture = view.capture();
    let grid = capture.grid;
    let floor = 1.0 / capture.rule.clean_bits().max(1) as f64;
    (0..grid.len())
        .map(|index| {
            let point = grid.point(index);
            let counts = lanes.clone().filter_map(|lane| view.count(lane, point));
            let ratio = |(bits, errors): (u64, u64)| errors as f64 / bits.max(1) as f64;
            match counts.map(ratio).max_by(f64::total_cmp) {
                Some(ratio) if ratio > 0.0 => {
                    let decades = (ratio / floor).log10().max(0.0);
                    1 + (decades as u8).min(MOST_CLASSES - 1)
                }
                Some(_) => 0,
                None if view.maps()[lanes.clone()].iter().all(|map| map.passes(point)) => 254,
                None if capture.mode == CaptureMode::RowAndColumn => 255,
                None => 253,
            }
        })
        .collect()
}

fn outlines(view: &CaptureView<'_>, worst_lane: u16) -> EyePicture {
    let capture = view.capture();
    let lane = capture.lanes.iter().position(|lane| *lane == worst_lane).unwrap_or(0);
    let operating = capture.operating.get(lane).copied().unwrap_or(LanePoint { tap: 0, vref: 0 });
    let together = common_map(view);
    let outlines = [view.maps().get(lane), together.as_ref()].map(|map| map.map(outline));
    let path = |outline: &Option<Outline>| outline.as_ref().map(Outline::path_data).unwrap_or_default();
    let inferred: BTreeSet<Point> =
        outlines.iter().flatten().flat_map(|outline| &outline.inferred).copied().collect();
    EyePicture {
        job: String::new(),
        eye: capture.eye,
        grid: capture.grid,
        classes: Vec::new(),
        worst_lane_path: path(&outlines[0]),
        all_lanes_path: path(&outlines[1]),
        inferred_path: dots(&inferred),
        lane_paths: Vec::new(),
        worst_lane: capture.lanes.get(lane).copied().unwrap_or(worst_lane),
        operating,
        clean_bits: capture.rule.clean_bits().max(1),
        details: None,
    }
}

/// A dot at each point: lines without length, drawn by their round ends.
fn dots(points: &BTreeSet<Point>) -> String {
    let mut path = String::new();
    for point in points {
        // Writing to a string cannot fail.
        let _ = write!(path, "M{} {}h0", point.tap, point.vref);
    }
    path
}

/// A lane's eye at the bit error ratio that a write mask is defined for: information beside the verdict, which rests
/// on counted errors. `None` where the operating point fails or the counts contradict themselves.
pub fn extrapolated(
    capture: &Capture,
    condition: &str,
    lane: u16,
    mask: (f64, f64),
) -> Option<ExtrapolationNote> {
    let view = CaptureView::new(capture).ok()?;
    let index = capture.lanes.iter().position(|known| *known == lane)?;
    let found = extrapolate(&view, index, MASK_BER)?;
    let grid = capture.grid;
    Some(ExtrapolationNote {
        condition: condition.into(),
        eye: capture.eye,
        lane,
        target_ber: MASK_BER,
        width_ps: found.width.map(|width| width.half.position * grid.tap_step.0),
        height_mv: found.height.map(|height| height.half.position * grid.vref_step.0),
        differences: (
            found.width.and_then(|width| width.difference).map(|steps| steps * grid.tap_step.0),
            found.height.and_then(|height| height.difference).map(|steps| steps * grid.vref_step.0),
        ),
        mask,
    })
}

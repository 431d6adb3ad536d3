//! The picture of a captured eye: error classes of every point, and the outlines of worst lane and all lanes.

use super::details::details;
use crate::audit::ExtrapolationNote;
use crate::eye::contour::{Outline, outline};
use crate::eye::counts::{CaptureView, CountError};
use crate::eye::extrapolation::extrapolate;
use crate::eye::together::common_map;
use crate::judged::EyePicture;
use plans::plan::presets::DDR4_MASK_BER;
use plans::results::{Capture, LanePoint, Point};
use std::collections::BTreeSet;
use std::fmt::Write;

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
    let grid = capture.grid;
    let clean_bits = capture.rule.clean_bits().max(1);
    let floor = 1.0 / clean_bits as f64;
    let mut classes = vec![255u8; grid.len()];
    for (index, class) in classes.iter_mut().enumerate() {
        let point = grid.point(index);
        let mut worst: Option<f64> = None;
        for lane in 0..capture.lanes.len() {
            if let Some((bits, errors)) = view.count(lane, point) {
                let ratio = if bits == 0 { 0.0 } else { errors as f64 / bits as f64 };
                worst = Some(worst.map_or(ratio, |known| known.max(ratio)));
            }
        }
        if let Some(ratio) = worst {
            *class = if ratio <= 0.0 {
                0
            } else {
                let decades = (ratio / floor).log10().max(0.0);
                1 + (decades as u8).min(MOST_CLASSES - 1)
            };
        }
    }
    for (index, class) in classes.iter_mut().enumerate().filter(|(_, class)| **class == 255) {
        let passes = view.maps().iter().all(|map| map.passes(grid.point(index)));
        *class = if passes { 254 } else { 253 };
    }
    let lane = capture.lanes.iter().position(|lane| *lane == worst_lane).unwrap_or(0);
    let operating = capture.operating.get(lane).copied().unwrap_or(LanePoint { tap: 0, vref: 0 });
    let together = common_map(&view).map(|(map, _)| map);
    let outlines = [view.maps().get(lane), together.as_ref()].map(|map| map.map(outline));
    let path = |outline: &Option<Outline>| outline.as_ref().map(Outline::path_data).unwrap_or_default();
    let inferred: BTreeSet<Point> =
        outlines.iter().flatten().flat_map(|outline| &outline.inferred).copied().collect();
    Ok(EyePicture {
        job: String::new(),
        eye: capture.eye,
        grid,
        classes,
        worst_lane_path: path(&outlines[0]),
        all_lanes_path: path(&outlines[1]),
        inferred_path: dots(&inferred),
        worst_lane: capture.lanes.get(lane).copied().unwrap_or(worst_lane),
        operating,
        clean_bits,
        details: Some(details(&view, worst_lane, mask)),
    })
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
    let found = extrapolate(&view, index, DDR4_MASK_BER)?;
    let grid = capture.grid;
    Some(ExtrapolationNote {
        condition: condition.into(),
        eye: capture.eye,
        lane,
        target_ber: DDR4_MASK_BER,
        width_ps: found.width.map(|width| width.half.position * grid.tap_step.0),
        height_mv: found.height.map(|height| height.half.position * grid.vref_step.0),
        differences: (
            found.width.and_then(|width| width.difference).map(|steps| steps * grid.tap_step.0),
            found.height.and_then(|height| height.difference).map(|steps| steps * grid.vref_step.0),
        ),
        mask,
    })
}

//! Every metric of one captured eye, with its extrapolation and what the capture claims: information beside the
//! verdict.

use crate::judged::{DetailRow, DetailValue, ExtrapolatedSize, EyeDetails};
use eye::counts::CaptureView;
use eye::extrapolation::{ExtrapolatedOpening, extrapolate};
use eye::labels::drift;
use eye::metrics::{LaneMetrics, Wanted, lane_metrics};
use eye::shapes::{Mask, MaskShape};
use eye::together::aligned_metrics;
use eye::value::{EyeMetric, Reading};
use nightbench_core::eye_confidence::eye_confidence;
use nightbench_core::results::{CaptureMode, Grid};
use nightbench_core::units::{Millivolts, Picoseconds};

/// The bit error ratio that DRAM write masks are specified at (JESD79-4 datasheet figures).
const MASK_BER: f64 = 1e-16;
/// Flat top of the hexagonal mask as a share of its width: a common eye-mask shape, no source.
const HEXAGON_FLAT: f64 = 0.5;

/// Details of a capture for one lane and for all lanes together. Masks are as wide and high as the limits
/// (`half_width` ps, `half_height` mV to either side); without both limits no mask is fitted.
pub fn details(view: &CaptureView<'_>, worst_lane: u16, mask: Option<(f64, f64)>) -> EyeDetails {
    let capture = view.capture();
    let masks = mask.map_or_else(Vec::new, |(half_width, half_height)| {
        [MaskShape::Rectangle, MaskShape::Hexagon { flat: HEXAGON_FLAT }]
            .map(|shape| Mask {
                shape,
                half_width: Picoseconds(half_width),
                half_height: Millivolts(half_height),
            })
            .to_vec()
    });
    // Rows and columns show no area.
    let lines_only = capture.mode == CaptureMode::RowAndColumn;
    let wanted = if lines_only { Wanted::margins() } else { Wanted::everything(masks) };
    let lanes = lane_metrics(view, &wanted);
    let position = capture.lanes.iter().position(|lane| *lane == worst_lane).unwrap_or(0);
    let together = aligned_metrics(view, &lanes, &wanted);
    let worst = lanes.get(position);
    let mut rows = Vec::new();
    for metric in EyeMetric::ALL {
        let one = worst.and_then(|lane| size(lane, metric, view.grid()));
        let all = together.as_ref().and_then(|lane| size(lane, metric, view.grid()));
        if one.is_some() || all.is_some() {
            rows.push(DetailRow {
                name: words(metric).into(),
                unit: unit(metric).into(),
                worst_lane: one,
                all_lanes: all,
            });
        }
    }
    for (index, shape) in ["rectangle", "hexagon"].into_iter().enumerate() {
        let scale = |lane: Option<&LaneMetrics>| {
            lane.and_then(|lane| lane.masks.get(index)).map(|fit| DetailValue {
                value: fit.scale,
                standard_uncertainty: fit.u,
                at_least: fit.at_least,
            })
        };
        let (one, all) = (scale(worst), scale(together.as_ref()));
        if one.is_some() || all.is_some() {
            rows.push(DetailRow {
                name: format!("largest {shape} of the limits' shape"),
                unit: "x limits".into(),
                worst_lane: one,
                all_lanes: all,
            });
        }
    }
    let beyond = extrapolate(view, position, MASK_BER);
    let grown = |opening: Option<ExtrapolatedOpening>, step: f64| {
        opening.map(|opening| ExtrapolatedSize {
            conservative: opening.half.position * step,
            fitted: opening.free.map(|free| free.position * step),
            difference: opening.difference.map(|difference| difference * step),
        })
    };
    let grid = view.grid();
    let labels = view.labels();
    let measured = (0..grid.len()).filter(|index| !labels.measured(*index).is_empty()).count();
    let passes = |index: &usize| labels.measured(*index).is_empty() && !labels.passing(*index).is_empty();
    let between = (0..grid.len()).filter(passes).count();
    let limit = view.ber_limit();
    let drifting = drift(capture);
    EyeDetails {
        rows,
        extrapolation_ber: MASK_BER,
        width_beyond_ps: grown(beyond.and_then(|beyond| beyond.width), grid.tap_step.0),
        height_beyond_mv: grown(beyond.and_then(|beyond| beyond.height), grid.vref_step.0),
        confidence: eye_confidence(
            &capture.rule,
            limit,
            capture.lanes.len() as u16,
            2 * capture.lanes.len() as u64,
        )
        .sentence,
        measured_points: measured,
        inferred_points: if lines_only { between } else { grid.len() - measured },
        visits: capture.visits.len(),
        retested: labels.retested().len(),
        drift_checks: drifting.checks.len(),
        drifted: drifting.significant,
    }
}

fn size(lane: &LaneMetrics, metric: EyeMetric, grid: &Grid) -> Option<DetailValue> {
    lane.value(metric, Reading::SubTap).map(|value| DetailValue {
        value: value.base_value(grid),
        standard_uncertainty: value.base_u(grid),
        at_least: value.at_least,
    })
}

fn words(metric: EyeMetric) -> &'static str {
    match metric {
        EyeMetric::Width => "width",
        EyeMetric::Height => "height",
        EyeMetric::EarlyMargin => "to the early edge",
        EyeMetric::LateMargin => "to the late edge",
        EyeMetric::LowerMargin => "to the lower edge",
        EyeMetric::UpperMargin => "to the upper edge",
        EyeMetric::Area => "area",
        EyeMetric::RectangleWidth => "largest rectangle, width",
        EyeMetric::RectangleHeight => "largest rectangle, height",
    }
}

fn unit(metric: EyeMetric) -> &'static str {
    use eye::value::Axis;
    match metric.axis() {
        Axis::Delay => "ps",
        Axis::Vref => "mV",
        Axis::Both => "ps mV",
    }
}

//! Order and splitting of a batch: rows in a snake, lists short enough for one call to the driver.

use contract::{EyeCapabilities, PointRequest};
use nightbench_core::capture_cost::VisitCost;
use nightbench_core::results::Point;
use std::ops::Range;

/// The cost model of an eye's device.
pub fn visit_cost(eye: &EyeCapabilities) -> VisitCost {
    VisitCost {
        compared_bits_per_second: eye.compared_bits_per_second,
        visit_overhead_s: eye.visit_overhead_s,
        vref_settle_s: eye.vref_settle_s,
    }
}

/// Key that sorts points row by row (one Vref step a row), every second row backwards: Vref changes once a row.
pub fn snake_order(point: Point) -> (u16, u16) {
    (point.vref, if point.vref.is_multiple_of(2) { point.tap } else { u16::MAX - point.tap })
}

/// Splits a list into ranges that take at most `limit_s` each if every point runs to its `most_bits`, and hold at
/// most `most_points`. A point that alone takes longer has a range of its own.
pub fn split_by_time(
    points: &[PointRequest],
    cost: &VisitCost,
    limit_s: f64,
    most_points: usize,
) -> Vec<Range<usize>> {
    let mut ranges = Vec::new();
    let (mut start, mut spent_s) = (0, 0.0);
    for (at, request) in points.iter().enumerate() {
        // The first point of a list is taken to change Vref: nobody knows what came between two calls.
        let changes = at == start || points[at - 1].point.vref != request.point.vref;
        let mut seconds = cost.seconds(request.most_bits, changes);
        if at > start && (spent_s + seconds > limit_s || at - start >= most_points) {
            ranges.push(start..at);
            (start, spent_s) = (at, 0.0);
            seconds = cost.seconds(request.most_bits, true);
        }
        spent_s += seconds;
    }
    if start < points.len() {
        ranges.push(start..points.len());
    }
    ranges
}

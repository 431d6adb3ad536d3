//! The short look of a line test: each lane's row (and column) from its trained point outwards, place by place, until the
//! error ratio is beyond the limit. Lanes share a visit to the same place.

use super::Sampler;
use super::split::{snake_order, split_by_time, visit_cost};
use contract::{DriverError, EyeCapabilities, FaultKind, PointRequest};
use eye::short::{Edge, searches};
use nightbench_core::line::{ShortCounts, ShortLook, ShortVisit};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{LanePoint, LaneSet, MOST_LANES, Point};
use std::collections::{BTreeSet, HashMap};

/// Longest list of points, seconds, and most points of one.
const BATCH: (f64, usize) = (9.0, 4096);

/// Looks at one eye; `limits` are the error ratios that edges are wanted at.
///
/// # Errors
/// `OutOfRange` for lanes or settings that do not fit the device, `Protocol` for answers that do not fit the question, and
/// whatever the device reports.
pub fn short_look(
    sampler: &mut dyn Sampler,
    eye: &EyeCapabilities,
    (lanes, operating): (&[u16], &[LanePoint]),
    look: &ShortLook,
    limits: &[f64],
) -> Result<ShortCounts, DriverError> {
    let grid = eye.grid;
    let out = |words: String| Err(DriverError::new(FaultKind::OutOfRange, format!("{}: {words}", eye.eye)));
    if lanes.is_empty() || lanes.len() > usize::from(MOST_LANES) || lanes.len() != operating.len() {
        return out(format!("{} lanes with {} trained points", lanes.len(), operating.len()));
    }
    if grid.is_empty() || operating.iter().any(|at| at.tap >= grid.taps || at.vref >= grid.vref_steps) {
        return out("a lane was trained outside the sweep".into());
    }
    let mut counts = ShortCounts {
        eye: eye.eye,
        grid,
        lanes: lanes.to_vec(),
        operating: operating.to_vec(),
        visits: Vec::new(),
    };
    let bits = look.bits.max(eye.fewest_bits);
    let rule = PointRule::Fixed { bits, errors: bits };
    let all = LaneSet::first(lanes.len() as u16);
    let mut known: HashMap<Point, usize> = HashMap::new();
    loop {
        let mut wanted: BTreeSet<((u16, u16), Point2)> = BTreeSet::new();
        for at in 0..lanes.len() {
            let seen = |point: Point| {
                let ShortVisit(_, _, bits, errors) = &counts.visits[*known.get(&point)?];
                Some((*bits, errors[at]))
            };
            for search in searches(&counts, at, look) {
                for limit in limits {
                    if let Edge::Wanted(point) = search.follow(seen, *limit) {
                        wanted.insert((snake_order(point), (point.tap, point.vref)));
                    }
                }
            }
        }
        if wanted.is_empty() {
            return Ok(counts);
        }
        let request = |(_, (tap, vref)): ((u16, u16), Point2)| PointRequest {
            point: Point { tap, vref },
            bits_before: 0,
            errors_before: Vec::new(),
            lanes: all,
            rule,
            most_bits: bits,
            series: 0,
        };
        let requests: Vec<PointRequest> = wanted.into_iter().map(request).collect();
        for range in split_by_time(&requests, &visit_cost(eye), BATCH.0, BATCH.1) {
            let requests = &requests[range];
            let answers = sampler.sample(requests)?;
            let protocol =
                |words: String| DriverError::new(FaultKind::Protocol, format!("{}: {words}", eye.eye));
            if answers.len() != requests.len() {
                return Err(protocol(format!("{} points asked, {} answered", requests.len(), answers.len())));
            }
            for (request, answer) in requests.iter().zip(answers) {
                let Point { tap, vref } = request.point;
                if answer.errors.len() != lanes.len() {
                    return Err(protocol(format!(
                        "{} lanes answered of {}",
                        answer.errors.len(),
                        lanes.len()
                    )));
                }
                if answer.bits == 0 || answer.errors.iter().any(|errors| *errors > answer.bits) {
                    let words = format!("more errors than bits at tap {tap}, Vref step {vref}");
                    return Err(DriverError::new(
                        FaultKind::ImpossibleAnswer,
                        format!("{}: {words}", eye.eye),
                    ));
                }
                known.insert(request.point, counts.visits.len());
                counts.visits.push(ShortVisit(tap, vref, answer.bits, answer.errors));
            }
        }
    }
}

/// Tap and Vref step.
type Point2 = (u16, u16);

//! Sending batches and keeping the books: requests, answers, visits, decisions.

use super::split::{snake_order, split_by_time, visit_cost};
use super::{CaptureOptions, CaptureStats, Regime, Sampler};
use contract::{DriverError, EyeCapabilities, FaultKind, PointCounts, PointRequest};
use eye::counts::ber_limit;
use eye::labels::{LabelError, Tally};
use eye::verge::in_doubt;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Capture, Grid, LaneSet, Point, Visit, VisitKind};
use std::collections::BTreeMap;

/// Bits of a place of a sweep for the size of a tap: a crossing to a fortieth of a tap.
pub const SWEEP_BITS: u64 = 16_384;

/// A point to be visited for a set of lanes (positions in the capture's lane order).
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    /// Grid index.
    pub index: usize,
    /// Lanes to be decided.
    pub lanes: u128,
}

/// Each point once, for all the lanes it is wanted for.
fn by_point(mut wanted: Vec<Wanted>) -> Vec<Wanted> {
    wanted.sort_unstable_by_key(|want| want.index);
    wanted.dedup_by(|later, first| {
        let same = later.index == first.index;
        if same {
            first.lanes |= later.lanes;
        }
        same
    });
    wanted
}

/// One capture under way.
pub(super) struct Engine<'a> {
    capture: &'a mut Capture,
    sampler: &'a mut dyn Sampler,
    eye: &'a EyeCapabilities,
    pub(super) options: &'a CaptureOptions,
    pub(super) tally: Tally,
    pub(super) grid: Grid,
    /// All captured lanes.
    pub(super) all: u128,
    /// Cumulative bits a visit must not run past, ascending; the last decides every lane.
    ladder: Vec<u64>,
    /// Visits may run past a rung, until the lanes asked for are decided.
    pub(super) straddle: bool,
    /// Most bits of one visit.
    chunk: u64,
    batches: u32,
    lists: u32,
}

impl<'a> Engine<'a> {
    pub(super) fn new(
        capture: &'a mut Capture,
        sampler: &'a mut dyn Sampler,
        eye: &'a EyeCapabilities,
        options: &'a CaptureOptions,
    ) -> Result<Engine<'a>, DriverError> {
        let grid = capture.grid;
        let refused = |error: LabelError| DriverError::new(FaultKind::OutOfRange, error.to_string());
        let mut tally = Tally::new(capture).map_err(refused)?;
        // A capture may go on where another left off.
        capture.visits.iter().try_for_each(|visit| tally.absorb(visit)).map_err(refused)?;
        let cost = visit_cost(eye);
        let spare_s = options.batch_seconds - cost.visit_overhead_s - cost.vref_settle_s;
        let chunk = (spare_s.max(0.1 * options.batch_seconds) * cost.compared_bits_per_second) as u64;
        // A visit ends at the next length a point can pass at: so a point is decided alike whatever lanes it is
        // visited for, and in whatever parts.
        let mut ladder = tally.table().looks().to_vec();
        ladder.push(options.rule.most_bits());
        if !eye.early_stop {
            // The device cannot stop a failing point: short rungs first.
            let first = ladder[0];
            ladder
                .extend([first / 256, first / 16].into_iter().filter(|&rung| rung >= eye.fewest_bits.max(1)));
        }
        ladder.sort_unstable();
        ladder.dedup();
        let all = LaneSet::first(capture.lanes.len() as u16).0;
        let chunk = chunk.max(eye.fewest_bits).max(1);
        let engine = Engine {
            capture,
            sampler,
            eye,
            options,
            tally,
            grid,
            all,
            ladder,
            straddle: false,
            chunk,
            batches: 0,
            lists: 0,
        };
        Ok(engine)
    }

    pub(super) fn stats(&self, regime: Regime) -> CaptureStats {
        let visits = self.capture.visits.len() as u64;
        CaptureStats { regime, batches: self.batches, lists: self.lists, visits }
    }

    /// Bits of the survey in the long-dwell regime: as long as a visit's overhead, within 1e4 bits and a
    /// thirtieth of an error-free point.
    pub(super) fn survey_bits(&self) -> u64 {
        let overhead = (self.eye.visit_overhead_s * self.eye.compared_bits_per_second) as u64;
        let most = self.options.rule.clean_bits() / 30;
        overhead.max(10_000).min(most).max(self.eye.fewest_bits).max(1)
    }
    /// The bit error ratio that the rule tests against.
    pub(super) fn limit(&self) -> f64 {
        ber_limit(&self.options.rule)
    }
    /// Bits of an error-free point.
    pub(super) fn clean_bits(&self) -> u64 {
        self.options.rule.clean_bits()
    }
    pub(super) fn operating(&self, lane: usize) -> Point {
        let at = self.capture.operating[lane];
        Point { tap: at.tap, vref: at.vref }
    }
    /// Undecided lanes among `lanes`.
    pub(super) fn open(&self, wanted: Wanted) -> u128 {
        wanted.lanes & !self.tally.decided(wanted.index).0
    }

    /// Visits points up to `upto` cumulative bits, or to the next length they can be decided at: one batch. Each
    /// point is visited once, for all the lanes it is wanted for.
    pub(super) fn measure(&mut self, wanted: Vec<Wanted>, upto: Option<u64>) -> Result<(), DriverError> {
        let wanted = by_point(wanted);
        let mut requests = Vec::with_capacity(wanted.len());
        for want in wanted {
            let lanes = self.open(want);
            let before = self.tally.bits(want.index);
            let rung = self.rung(before, upto);
            if lanes == 0 || rung <= before {
                continue;
            }
            let errors_before = if before == 0 { Vec::new() } else { self.tally.errors(want.index).to_vec() };
            requests.push(PointRequest {
                point: self.grid.point(want.index),
                bits_before: before,
                errors_before,
                lanes: LaneSet(lanes),
                rule: self.options.rule,
                most_bits: (rung - before).min(self.chunk).max(self.eye.fewest_bits),
                series: 0,
            });
        }
        self.send(requests, VisitKind::Measure)
    }

    /// Counts on at points, whatever is decided there, until every lane wanted has so many errors or a clean point's bits
    /// are compared: one batch. No look of the rule is run past, so that the other lanes are decided as ever.
    pub(super) fn count_on(&mut self, wanted: Vec<Wanted>, errors: u64) -> Result<(), DriverError> {
        let clean = self.clean_bits();
        let mut requests = Vec::with_capacity(wanted.len());
        for want in by_point(wanted) {
            let before = self.tally.bits(want.index);
            let upto =
                if self.eye.early_stop { clean } else { clean.min((before * 4).max(self.survey_bits())) };
            requests.push(PointRequest {
                point: self.grid.point(want.index),
                bits_before: before,
                errors_before: if before == 0 { Vec::new() } else { self.tally.errors(want.index).to_vec() },
                lanes: LaneSet(want.lanes),
                rule: PointRule::Fixed { bits: clean, errors: errors - 1 },
                most_bits: (upto - before).min(self.chunk).max(self.eye.fewest_bits),
                series: 0,
            });
        }
        self.send(requests, VisitKind::Measure)
    }

    /// Counts on at operating points that failed on errors that do not show a ratio above the limit, until [`Tally`] goes by that
    /// ratio. Lanes that it opens.
    pub(super) fn tell_operating(&mut self) -> Result<u128, DriverError> {
        let telling = self.tally.telling_bits();
        let allowed = (telling as f64 * self.limit()).round() as u64;
        let mut opened = 0;
        loop {
            let mut requests = Vec::new();
            let mut asked = Vec::new();
            for lane in LaneSet(self.all).iter() {
                let index = self.grid.index(self.operating(usize::from(lane)));
                let (bits, errors) = (self.tally.bits(index), self.tally.errors(index)[usize::from(lane)]);
                let may_open = errors <= allowed && in_doubt(bits, errors, self.limit());
                if may_open && bits < telling && self.tally.closed(index).contains(lane) {
                    asked.push(Wanted { index, lanes: 1 << lane });
                }
            }
            if asked.is_empty() {
                return Ok(opened);
            }
            for want in by_point(asked.clone()) {
                let before = self.tally.bits(want.index);
                requests.push(PointRequest {
                    point: self.grid.point(want.index),
                    bits_before: before,
                    errors_before: self.tally.errors(want.index).to_vec(),
                    lanes: LaneSet(want.lanes),
                    rule: PointRule::Fixed { bits: telling, errors: allowed },
                    most_bits: (self.rung(before, Some(telling)) - before)
                        .min(self.chunk)
                        .max(self.eye.fewest_bits),
                    series: 0,
                });
            }
            self.send(requests, VisitKind::Measure)?;
            for want in asked.iter().filter(|want| self.tally.passed(want.index).0 & want.lanes != 0) {
                opened |= want.lanes;
            }
        }
    }

    fn rung(&self, before: u64, upto: Option<u64>) -> u64 {
        let mut above = self.ladder.iter().copied().filter(|&rung| rung > before);
        let rung = if self.straddle { above.next_back() } else { above.next() }.unwrap_or(u64::MAX);
        upto.map_or(rung, |upto| rung.min(upto))
    }

    fn send(&mut self, mut requests: Vec<PointRequest>, kind: VisitKind) -> Result<(), DriverError> {
        if requests.is_empty() {
            return Ok(());
        }
        requests.sort_by_key(|request| snake_order(request.point));
        self.batches += 1;
        let cost = visit_cost(self.eye);
        for range in split_by_time(&requests, &cost, self.options.batch_seconds, self.options.batch_points) {
            let list = &requests[range];
            self.lists += 1;
            let answers = self.sampler.sample(list)?;
            if answers.len() != list.len() {
                return Err(self.mismatch(format!(
                    "{} points asked for, {} answered",
                    list.len(),
                    answers.len()
                )));
            }
            for (request, counts) in list.iter().zip(answers) {
                self.take(request, counts, kind)?;
            }
        }
        Ok(())
    }

    fn take(
        &mut self,
        request: &PointRequest,
        counts: PointCounts,
        kind: VisitKind,
    ) -> Result<(), DriverError> {
        let Point { tap, vref } = request.point;
        let at = format_args!("tap {tap}, Vref step {vref}").to_string();
        if counts.errors.len() != self.capture.lanes.len() {
            let lanes = self.capture.lanes.len();
            return Err(
                self.mismatch(format!("{at}: {} lanes counted instead of {lanes}", counts.errors.len()))
            );
        }
        // A device compares whole bursts: it may run past the limit by one.
        let most = request.most_bits.saturating_add(self.eye.fewest_bits);
        if counts.bits == 0 || counts.bits > most {
            return Err(self.mismatch(format!("{at}: {} bits compared, 1 to {most} asked for", counts.bits)));
        }
        if let Some(errors) = counts.errors.iter().find(|&&errors| errors > counts.bits) {
            return Err(self.mismatch(format!("{at}: {errors} errors in {} bits", counts.bits)));
        }
        let visit = Visit { point: request.point, kind, bits: counts.bits, errors: counts.errors };
        let absorbed = self.tally.absorb(&visit);
        self.capture.visits.push(visit);
        absorbed.map_err(|error| self.mismatch(error.to_string()))
    }

    fn mismatch(&self, words: String) -> DriverError {
        DriverError::new(FaultKind::Protocol, format!("{}: {words}", self.eye.eye))
    }

    /// Every point of the grid, all lanes, until all are decided.
    pub(super) fn raster(&mut self) -> Result<(), DriverError> {
        loop {
            let wanted: Vec<Wanted> = (0..self.grid.len())
                .map(|index| Wanted { index, lanes: self.all })
                .filter(|&want| self.open(want) != 0)
                .collect();
            if wanted.is_empty() {
                return Ok(());
            }
            self.measure(wanted, None)?;
        }
    }

    /// Isolated decisions are tested once more, independently. The label follows the re-test; both stay.
    pub(super) fn retest(&mut self) -> Result<(), DriverError> {
        let mut open: Vec<Wanted> = (0..self.grid.len())
            .map(|index| Wanted { index, lanes: self.tally.isolated(index).0 })
            .filter(|want| want.lanes != 0)
            .collect();
        while !open.is_empty() {
            let mut requests = Vec::with_capacity(open.len());
            let mut still = Vec::with_capacity(open.len());
            for want in open {
                let (before, errors_before) = match self.tally.retest_counts(want.index) {
                    Some((bits, errors)) => (bits, errors.to_vec()),
                    None => (0, Vec::new()),
                };
                let table = self.tally.table();
                // A capture that goes on may hold a re-test from before a point was isolated.
                let settled = |lane: u16| {
                    self.tally
                        .retested()
                        .iter()
                        .any(|known| known.lane == lane && self.grid.index(known.point) == want.index)
                };
                let undecided = |lane: &u16| {
                    before == 0
                        || table.decide(before, errors_before[usize::from(*lane)]).is_none()
                        || !settled(*lane)
                };
                // A label that followed its re-test may have freed the one beside it.
                let isolated = LaneSet(want.lanes & self.tally.isolated(want.index).0);
                let lanes: LaneSet = isolated.iter().filter(undecided).collect();
                if lanes.is_empty() {
                    continue;
                }
                let most = (self.rung(before, None).saturating_sub(before))
                    .min(self.clean_bits())
                    .min(self.chunk)
                    .max(self.eye.fewest_bits);
                requests.push(PointRequest {
                    point: self.grid.point(want.index),
                    bits_before: before,
                    errors_before,
                    lanes,
                    rule: self.options.rule,
                    most_bits: most,
                    series: 1,
                });
                still.push(want);
            }
            self.send(requests, VisitKind::Retest)?;
            open = still;
        }
        Ok(())
    }

    /// Measures along every lane's operating row wherever it does not pass, for the size of a tap ([`eye::tap_size`]).
    pub(super) fn tap_sweep(&mut self) -> Result<(), DriverError> {
        let mut rows: BTreeMap<u16, LaneSet> = BTreeMap::new();
        for (lane, at) in self.capture.operating.iter().enumerate() {
            rows.entry(at.vref).or_default().0 |= 1 << lane;
        }
        let clean = self.clean_bits();
        let bits = SWEEP_BITS.min(self.chunk).max(self.eye.fewest_bits);
        let mut requests = Vec::new();
        for (vref, lanes) in rows {
            for tap in 0..self.grid.taps {
                let point = Point { tap, vref };
                let index = self.grid.index(point);
                let errors = self.tally.errors(index);
                if self.tally.bits(index) >= clean && lanes.iter().all(|lane| errors[usize::from(lane)] == 0)
                {
                    continue;
                }
                requests.push(PointRequest {
                    point,
                    bits_before: 0,
                    errors_before: Vec::new(),
                    lanes,
                    // Decided only when all bits are in: what is wanted is the share of errors.
                    rule: PointRule::Fixed { bits, errors: bits },
                    most_bits: bits,
                    series: 3,
                });
            }
        }
        self.send(requests, VisitKind::Sweep)
    }

    /// Measures some early points again, for as many bits as the first time. Points that show errors without
    /// being swamped by them move most when the eye drifts, and cost little.
    pub(super) fn drift(&mut self) -> Result<(), DriverError> {
        const TELLING: std::ops::RangeInclusive<u64> = 8..=2_000;
        let early = self.capture.visits.len().div_ceil(4);
        let cheap = self.clean_bits() / 4;
        let mut scored: Vec<(usize, usize)> = Vec::new();
        for (at, visit) in self.capture.visits.iter().take(early).enumerate() {
            let telling = visit.errors.iter().filter(|errors| TELLING.contains(errors)).count();
            if visit.kind == VisitKind::Measure && telling > 0 && visit.bits <= cheap {
                scored.push((telling, at));
            }
        }
        scored.sort_unstable_by(|a, b| b.cmp(a));
        // Half of them from the left, half from the right of the most telling points: drift shows as opposite signs.
        let mut chosen: Vec<usize> = Vec::new();
        let middle = self.capture.operating.iter().map(|at| usize::from(at.tap)).sum::<usize>()
            / self.capture.operating.len().max(1);
        for left in [true, false] {
            let side = scored.iter().map(|&(_, at)| at).filter(|&at| {
                (usize::from(self.capture.visits[at].point.tap) < middle) == left
                    && !chosen.iter().any(|&c| self.capture.visits[c].point == self.capture.visits[at].point)
            });
            let share = if left { self.options.drift_points / 2 } else { self.options.drift_points };
            let more: Vec<usize> = side.take(share.saturating_sub(chosen.len())).collect();
            chosen.extend(more);
        }
        let requests = chosen
            .into_iter()
            .map(|at| {
                let visit = &self.capture.visits[at];
                PointRequest {
                    point: visit.point,
                    bits_before: 0,
                    errors_before: Vec::new(),
                    lanes: LaneSet(self.all),
                    // Decided only when all bits are in: an early end would leave nothing to compare.
                    rule: PointRule::Fixed { bits: visit.bits, errors: visit.bits },
                    most_bits: visit.bits,
                    series: 2,
                }
            })
            .collect();
        self.send(requests, VisitKind::Drift)
    }
}

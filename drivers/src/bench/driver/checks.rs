//! What is asked of the agent and what it answers, checked: whole trainings, counts that can be.

use super::BenchDriver;
use crate::bench::agent::messages::{PointQuestion, SampleRequest, Sampled};
use crate::contract::{Call, DriverError, ErrorKind, EyeCapabilities, PointCounts, PointRequest};
use plans::results::{EyeName, TrainingResult};

impl BenchDriver {
    /// A training result must be whole: every eye with its lanes, settings on the grid; none where it failed.
    pub(super) fn check_training(&self, result: &TrainingResult) -> Result<(), DriverError> {
        let wrong =
            |words: String| Err(DriverError::new(ErrorKind::Protocol, format!("agent: training: {words}")));
        if result.passed != result.stages.iter().all(plans::results::TrainingStage::passed) {
            return wrong("`passed` contradicts its stages".into());
        }
        if !result.passed {
            return Ok(());
        }
        for own in self.capabilities.iter().flat_map(|known| &known.eyes) {
            let Some(eye) = result.eye(own.eye) else { return wrong(format!("no settings for {}", own.eye)) };
            let lanes: Vec<u16> = own.lanes.iter().collect();
            if eye.lanes != lanes || eye.settings.len() != lanes.len() {
                return wrong(format!("{} has settings of other lanes", own.eye));
            }
            if eye.settings.iter().any(|at| at.tap >= own.grid.taps || at.vref >= own.grid.vref_steps) {
                return wrong(format!("{} has a setting beyond its grid", own.eye));
            }
        }
        Ok(())
    }

    pub(super) fn sampled(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        own: &EyeCapabilities,
        lanes: usize,
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        self.watch(call)?;
        let request = SampleRequest { eye, points: points.iter().map(PointQuestion::new).collect() };
        let answer: Sampled = self.ask_agent("sample", &request, call, Sampled { counts: Vec::new() })?;
        let wrong =
            |words: String| Err(DriverError::new(ErrorKind::Protocol, format!("agent: sample: {words}")));
        if answer.counts.len() != points.len() {
            return wrong(format!("{} points asked, {} answered", points.len(), answer.counts.len()));
        }
        let mut counts = Vec::with_capacity(points.len());
        for (asked, got) in points.iter().zip(answer.counts) {
            let at = format!("tap {} at Vref step {}", asked.point.tap, asked.point.vref);
            if got.errors.len() != lanes {
                return wrong(format!("{at}: counts of {} lanes, {lanes} expected", got.errors.len()));
            }
            if got.errors.iter().any(|errors| *errors > got.bits) {
                return wrong(format!("{at}: more errors than bits"));
            }
            let most = asked.most_bits.max(own.fewest_bits).next_multiple_of(own.fewest_bits);
            if got.bits == 0 || got.bits > most {
                return wrong(format!("{at}: {} bits compared, 1 to {most} asked", got.bits));
            }
            counts.push(PointCounts { bits: got.bits, errors: got.errors });
        }
        // What was counted while a reading went stale or the condition left its band is no measurement.
        self.plant.check_stale()?;
        self.watch(call)?;
        Ok(counts)
    }
}

/// Is the point one that this eye has?
pub(super) fn check_request(
    request: &PointRequest,
    own: &EyeCapabilities,
    lanes: usize,
) -> Result<(), DriverError> {
    let out = |words: String| Err(DriverError::new(ErrorKind::OutOfRange, words));
    let (point, grid) = (request.point, own.grid);
    if !grid.contains(point) {
        return out(format!(
            "tap {} at Vref step {} is beyond the grid of {} taps x {} steps",
            point.tap, point.vref, grid.taps, grid.vref_steps
        ));
    }
    if request.lanes.iter().any(|lane| usize::from(lane) >= lanes) {
        return out(format!("a lane beyond the {lanes} captured lanes was asked for"));
    }
    if !request.errors_before.is_empty() && request.errors_before.len() != lanes {
        return out(format!("earlier counts of {} lanes, {lanes} expected", request.errors_before.len()));
    }
    Ok(())
}

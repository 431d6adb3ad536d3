//! View of a capture: summed counts, labels and bit maps of every lane, made once from its visits.

use crate::labels::{EyeLabels, LabelError, Tally};
use crate::map::PassMap;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Capture, Grid, Point};
use thiserror::Error;

/// Why a capture's counts cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum CountError {
    /// The grid has no points.
    #[error(
        "the capture of {eye} has a grid of {taps} taps x {vref_steps} Vref steps; both must be at least 1"
    )]
    EmptyGrid {
        /// Which eye.
        eye: String,
        /// Number of taps.
        taps: u16,
        /// Number of Vref steps.
        vref_steps: u16,
    },
    /// One operating point a lane is needed.
    #[error(
        "the capture of {eye} has {lanes} lanes but {operating} operating points; store one for each lane, in the \
         lanes' order"
    )]
    Operating {
        /// Which eye.
        eye: String,
        /// Number of lanes.
        lanes: usize,
        /// Number of operating points.
        operating: usize,
    },
    /// A visit does not fit the capture's grid, lanes or lane limit.
    #[error("the capture of {eye} is damaged and must be measured again: {source}")]
    Visit {
        /// Which eye.
        eye: String,
        /// What does not fit.
        source: LabelError,
    },
    /// More errors than bits.
    #[error(
        "visit {visit} of {eye} counts {errors} errors in {bits} bits on lane {lane}; errors cannot exceed bits: \
         the capture is damaged and must be measured again"
    )]
    Errors {
        /// Which eye.
        eye: String,
        /// Index of the visit.
        visit: usize,
        /// Lane number (DQ).
        lane: u16,
        /// Errors found.
        errors: u64,
        /// Bits compared.
        bits: u64,
    },
}

/// Summed counts and labels of a capture.
#[derive(Debug, Clone)]
pub struct CaptureView<'a> {
    capture: &'a Capture,
    tally: Tally,
    labels: EyeLabels,
    maps: Vec<PassMap>,
    ber_limit: f64,
}

impl<'a> CaptureView<'a> {
    /// Sums the visits and labels every point. Re-tests and drift visits enter no count.
    ///
    /// # Errors
    /// They name what contradicts the capture's own grid, lanes or bits.
    pub fn new(capture: &'a Capture) -> Result<CaptureView<'a>, CountError> {
        let grid = &capture.grid;
        let lanes = capture.lanes.len();
        let eye = || capture.eye.to_string();
        if grid.is_empty() {
            return Err(CountError::EmptyGrid { eye: eye(), taps: grid.taps, vref_steps: grid.vref_steps });
        }
        if capture.operating.len() != lanes {
            let operating = capture.operating.len();
            return Err(CountError::Operating { eye: eye(), lanes, operating });
        }
        let damaged = |source| CountError::Visit { eye: eye(), source };
        let mut tally = Tally::new(capture).map_err(damaged)?;
        for (index, visit) in capture.visits.iter().enumerate() {
            if let Some(lane) = visit.errors.iter().position(|errors| *errors > visit.bits) {
                return Err(CountError::Errors {
                    eye: eye(),
                    visit: index,
                    lane: capture.lanes.get(lane).copied().unwrap_or(lane as u16),
                    errors: visit.errors[lane],
                    bits: visit.bits,
                });
            }
            tally.absorb(visit).map_err(damaged)?;
        }
        let labels = EyeLabels::from_tally(grid, lanes as u16, &tally);
        let maps = PassMap::of_lanes(&labels);
        Ok(CaptureView { capture, tally, labels, maps, ber_limit: ber_limit(&capture.rule) })
    }

    /// The capture itself.
    pub fn capture(&self) -> &'a Capture {
        self.capture
    }
    /// Its axes.
    pub fn grid(&self) -> &'a Grid {
        &self.capture.grid
    }
    /// Labels of every point and lane.
    pub fn labels(&self) -> &EyeLabels {
        &self.labels
    }
    /// One map a lane, in the capture's lane order.
    pub fn maps(&self) -> &[PassMap] {
        &self.maps
    }
    /// The bit error ratio the capture's rule tests against, see [`ber_limit`].
    pub fn ber_limit(&self) -> f64 {
        self.ber_limit
    }

    /// Bits and errors of a lane (position in the capture's lanes) at a point; `None` where never measured.
    pub fn count(&self, lane: usize, point: Point) -> Option<(u64, u64)> {
        let grid = &self.capture.grid;
        if !grid.contains(point) {
            return None;
        }
        let index = grid.index(point);
        let bits = self.tally.bits(index);
        let errors = self.tally.errors(index).get(lane)?;
        (bits > 0).then_some((bits, *errors))
    }
}

/// The bit error ratio a rule tests against. A sequential rule states it; a fixed-length rule implies it: the
/// ratio at which it would pass with probability 0.05 (Poisson; 0 errors in N bits: 2.996 / N).
pub fn ber_limit(rule: &PointRule) -> f64 {
    match *rule {
        PointRule::Sequential { limit, .. } => limit,
        PointRule::Fixed { bits, errors } => {
            let dof = 2.0 * (errors as f64 + 1.0);
            let mean = statistics::special::chi2_quantile(0.95, dof).map_or(dof, |x| 0.5 * x);
            (mean / (bits.max(1) as f64)).min(0.5)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cases::{capture, visit};
    use nightbench_core::results::VisitKind;

    #[test]
    fn measure_visits_add_up_and_retests_stay_out() {
        let mut capture = capture(4, 3, 2, PointRule::error_free(1e-3, 0.95));
        capture.visits =
            vec![visit(1, 2, 1000, &[1, 0]), visit(1, 2, 2000, &[0, 3]), visit(0, 0, 5000, &[0, 9])];
        let mut retest = visit(1, 2, 7777, &[7, 7]);
        retest.kind = VisitKind::Retest;
        capture.visits.push(retest);
        let view = CaptureView::new(&capture).expect("valid");
        assert_eq!(view.count(0, Point { tap: 1, vref: 2 }), Some((3000, 1)));
        assert_eq!(view.count(1, Point { tap: 1, vref: 2 }), Some((3000, 3)));
        assert_eq!(view.count(1, Point { tap: 2, vref: 2 }), None);
        assert_eq!(view.count(2, Point { tap: 1, vref: 2 }), None);
        assert_eq!(view.count(0, Point { tap: 9, vref: 2 }), None);
        let maps = view.maps();
        assert!(maps[0].passes(Point { tap: 0, vref: 0 }));
        assert!(!maps[1].passes(Point { tap: 0, vref: 0 }) && maps[1].measured(Point { tap: 0, vref: 0 }));
        assert!(!maps[0].measured(Point { tap: 3, vref: 0 }));
    }

    #[test]
    fn damaged_captures_are_refused_with_the_reason() {
        let rule = PointRule::error_free(1e-3, 0.95);
        let mut off = capture(4, 3, 2, rule);
        off.visits = vec![visit(4, 0, 10, &[0, 0])];
        assert!(CaptureView::new(&off).unwrap_err().to_string().contains("tap 4"));
        let mut short = capture(4, 3, 2, rule);
        short.visits = vec![visit(0, 0, 10, &[0])];
        assert!(
            CaptureView::new(&short).unwrap_err().to_string().contains("counts 1 lanes; the capture has 2")
        );
        let mut many = capture(4, 3, 2, rule);
        many.visits = vec![visit(0, 0, 10, &[0, 11])];
        assert!(CaptureView::new(&many).unwrap_err().to_string().contains("11 errors in 10 bits on lane 1"));
        let mut bare = capture(4, 3, 2, rule);
        bare.operating.pop();
        assert!(matches!(CaptureView::new(&bare), Err(CountError::Operating { .. })));
        assert!(matches!(CaptureView::new(&capture(0, 3, 2, rule)), Err(CountError::EmptyGrid { .. })));
    }

    /// N x BER at 95 %: 2.996 for 0 errors, 6.296 for 2 (bit-error-tester user-guide table).
    #[test]
    fn a_fixed_rule_implies_its_limit() {
        assert!((ber_limit(&PointRule::Fixed { bits: 1_000_000, errors: 0 }) * 1e6 - 2.996).abs() < 5e-4);
        assert!((ber_limit(&PointRule::Fixed { bits: 1_000_000, errors: 2 }) * 1e6 - 6.296).abs() < 5e-4);
        assert_eq!(ber_limit(&PointRule::sequential(1e-9, 0.95)), 1e-9);
    }
}

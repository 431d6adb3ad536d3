//! Which of two judged metrics is worse: the one order of lanes, metrics and conditions; and the worst condition of a run.

use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun};
use std::cmp::Ordering;

impl JudgedMetric {
    /// Margins beyond this many standard uncertainties conform, or fail, with a probability of more than 99.9 %, which is
    /// as finely as a page tells them apart. Which of them is worse is then a matter of the margin alone.
    pub const CERTAIN: f64 = 3.1;

    /// Margin in standard uncertainties up to [`Self::CERTAIN`], then margin as a share of the limit. Lower is worse.
    pub fn badness(margin: f64, limit: f64, standard_uncertainty: f64) -> (f64, f64) {
        let sure = if standard_uncertainty > 0.0 {
            margin / standard_uncertainty
        } else {
            margin.signum() * Self::CERTAIN
        };
        let share = if limit.abs() > 0.0 { margin / limit.abs() } else { margin };
        (sure.clamp(-Self::CERTAIN, Self::CERTAIN), share)
    }

    /// Worse metrics first: verdict, then as [`Self::badness`] says.
    pub fn compare_worst(&self, other: &JudgedMetric) -> Ordering {
        let of =
            |metric: &JudgedMetric| Self::badness(metric.margin, metric.limit, metric.standard_uncertainty);
        let ((sure, share), (other_sure, other_share)) = (of(self), of(other));
        (other.verdict.cmp(&self.verdict))
            .then(sure.total_cmp(&other_sure))
            .then(share.total_cmp(&other_share))
    }
}

impl JudgedRun {
    /// Does a condition count for the decision: within its module's rating, or where the plan lets others count as well?
    pub fn counts(&self, judged: &JudgedCondition) -> bool {
        !judged.beyond_rating || self.beyond_rating_counts
    }

    /// Does a condition count while others that were planned do not?
    pub fn counts_beside_others(&self, judged: &JudgedCondition) -> bool {
        self.counts(judged) && self.conditions.iter().any(|one| !self.counts(one))
    }

    /// Index of the condition whose deciding metric is worst: of those that count and have a verdict, else of the others with a
    /// verdict, else of whatever has a margin.
    pub fn worst(&self) -> Option<usize> {
        let judged = |one: &JudgedCondition| one.verdict.is_some();
        self.worst_of(|one| self.counts(one) && judged(one))
            .or_else(|| self.worst_of(judged))
            .or_else(|| self.worst_of(|one| self.counts(one)))
            .or_else(|| self.worst_of(|_| true))
    }

    /// Index of the worst condition that does not count, where it is worse than the worst one.
    pub fn worse_beside(&self) -> Option<usize> {
        let metric = |index: usize| self.conditions.get(index).and_then(JudgedCondition::worst);
        let found = self.worst_of(|one| !self.counts(one) && one.verdict.is_some())?;
        let worst = metric(self.worst()?)?;
        metric(found)?.compare_worst(worst).is_lt().then_some(found)
    }

    /// The same among some conditions; the first in the plan's order of equals.
    fn worst_of(&self, of: impl Fn(&JudgedCondition) -> bool) -> Option<usize> {
        let all = self.conditions.iter().enumerate().filter(|(_, one)| of(one));
        let with_margin = all.filter_map(|(index, one)| Some((index, one.worst()?)));
        with_margin.min_by(|(_, a), (_, b)| a.compare_worst(b)).map(|(index, _)| index)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two lanes beyond any doubt are told apart by their margin, two in doubt by what the verdict rests on.
    #[test]
    fn margins_tell_certain_lanes_apart_and_probability_doubtful_ones() {
        let of = |margin: f64, u: f64| JudgedMetric::badness(margin, 100.0, u);
        assert!(of(30.0, 1.0) < of(31.0, 3.0));
        assert!(of(6.0, 3.0) < of(5.0, 1.0));
        assert!(of(-100.0, 1.0) < of(-20.0, 0.1));
        assert!(of(0.0, 0.0) < of(1.0, 0.0));
    }
}

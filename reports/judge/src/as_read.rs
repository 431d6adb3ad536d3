//! Passes whose lane read below its limit: what was judged lies on the other side of the limit than what was read.
//!
//! A verdict speaks of the condition, over all the starts it may have; a reading speaks of the starts that were measured. Where training
//! put a lane far off the mean place of its strobe, or the lowest of many readings is low by chance, the two may part at the limit.

use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun, Verdict, VerdictCounts};

impl JudgedMetric {
    /// It passes, conditionally or not, and the lane it rests on read below the limit.
    pub fn passes_read_below(&self) -> bool {
        self.verdict <= Verdict::ConditionalPass && self.worst_lane.as_read < self.limit
    }
}

impl JudgedCondition {
    /// Of a condition that passes, conditionally or not, the metric that was read furthest below its limit; `None` where all were read
    /// at it or above.
    pub fn passes_read_below(&self) -> Option<&JudgedMetric> {
        let passes = self.verdict.is_some_and(|verdict| verdict <= Verdict::ConditionalPass);
        let share = |metric: &JudgedMetric| metric.worst_lane.as_read / metric.limit;
        let below = self.metrics.iter().filter(|metric| passes && metric.passes_read_below());
        below.min_by(|a, b| share(a).total_cmp(&share(b)))
    }
}

impl JudgedRun {
    /// Conditions that pass, conditionally or not, though a lane read below its limit: of those that count for the decision, or of the others.
    pub fn passes_read_below(&self, that_count: bool) -> VerdictCounts {
        let mut counts = VerdictCounts::default();
        for one in self.conditions.iter().filter(|one| self.counts(one) == that_count) {
            if let Some(verdict) = one.verdict.filter(|_| one.passes_read_below().is_some()) {
                counts.add(verdict);
            }
        }
        counts
    }
}

/// `2 passes and 1 conditional pass`; empty without any.
pub fn passes_in_words(counts: VerdictCounts) -> String {
    let plain = |many: usize| format!("{many} {}", if many == 1 { "pass" } else { "passes" });
    let conditional =
        |many: usize| format!("{many} conditional {}", if many == 1 { "pass" } else { "passes" });
    match (counts.pass, counts.conditional_pass) {
        (0, 0) => String::new(),
        (some, 0) => plain(some),
        (0, some) => conditional(some),
        (some, more) => format!("{} and {}", plain(some), conditional(more)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditional_passes_are_told_apart() {
        let words = |pass, conditional_pass| {
            passes_in_words(VerdictCounts { pass, conditional_pass, ..VerdictCounts::default() })
        };
        assert_eq!(words(2, 1), "2 passes and 1 conditional pass");
        assert_eq!(words(1, 0), "1 pass");
        assert_eq!(words(0, 2), "2 conditional passes");
        assert_eq!(words(0, 0), "");
    }
}

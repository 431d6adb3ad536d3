//! What a reader needs to know before the first number: when a point passes, and what the quantities are.

use super::words::{count, ratio};
use judge::judged::{JudgedRun, RunFacts};
use nightbench_core::point_rule::PointRule;
use plan::limits::Metric;
use plan::presets::MASK_BER;
use serde::Serialize;

/// Words beside the decision.
#[derive(Debug, Serialize)]
pub(super) struct Reading {
    /// When a point passes.
    pub point: String,
    /// What a mask is judged at; empty without one.
    pub mask: String,
    /// What there is to know of the memory.
    pub memory: String,
}

/// The words for a run.
pub(super) fn reading(run: &JudgedRun, facts: &RunFacts) -> Reading {
    let point = match run.point_rule {
        PointRule::Sequential { limit, beta, cap, .. } => format!(
            "A point (a delay tap at a Vref step) passes when its counts show a bit error ratio below {} with {:.0} % \
             confidence. What {} bits leave open counts as fail.",
            ratio(limit),
            100.0 * (1.0 - beta),
            ratio(cap / limit)
        ),
        PointRule::Fixed { bits, errors } => format!(
            "A point (a delay tap at a Vref step) passes with at most {} in {} bits.",
            count(usize::try_from(errors).unwrap_or(usize::MAX), "error", "errors"),
            ratio(bits as f64)
        ),
    };
    let masked = facts.limits.iter().any(|limit| limit.metric == Metric::Mask);
    let mask = if masked {
        format!(
            "The write mask is defined at a bit error ratio of {}; it is judged at the one that was counted, and what \
             lies beyond is extrapolated for information only.",
            ratio(MASK_BER)
        )
    } else {
        String::new()
    };
    Reading { point, mask, memory: facts.memory.join(" ") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::fixture::{Kind, demo};

    #[test]
    fn ratio_and_confidence_stand_beside_the_decision() {
        let mut demo = demo(60, Kind::Usual);
        demo.run.point_rule = PointRule::sequential(1e-9, 0.99);
        let words = reading(&demo.run, &demo.facts);
        assert!(words.point.contains("below 1.0e\u{2212}9 with 99 % confidence"), "{}", words.point);
        assert!(words.point.contains("8.0e9 bits"), "{}", words.point);
        demo.run.point_rule = PointRule::Fixed { bits: 3_000_000, errors: 0 };
        let words = reading(&demo.run, &demo.facts);
        assert!(words.point.contains("at most 0 errors in 3.0e6 bits"), "{}", words.point);
    }
}

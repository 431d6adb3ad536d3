//! What a captured eye claims: 95 % per point is not 95 % per eye.

use crate::point_odds::PointOdds;
use crate::point_rule::PointRule;

/// The claim made for one captured eye.
#[derive(Debug, Clone, PartialEq)]
pub struct EyeConfidence {
    /// Probability that a point exactly at the limit passes.
    pub point_at_limit: f64,
    /// Places the claim covers.
    pub places: u64,
    /// Upper bound of the probability that any of them, pulled in by one point, holds a bit error ratio above
    /// the limit, for edges of at least half a decade per point.
    pub any_beyond: f64,
    /// The claim in words, for the report.
    pub sentence: String,
}

/// The claim for `places` edge places at the bit error ratio `limit`: one per lane for its worst edge, two
/// per lane for a width, or the number of contour points for a whole contour.
///
/// The contour pulled in by one point holds a point beyond the limit only if that point *and* the one outside
/// it both passed. The first lies at the limit or above, the second half a decade higher, and their counts
/// are independent; the bound adds up over the places.
pub fn eye_confidence(rule: &PointRule, limit: f64, lanes: u16, places: u64) -> EyeConfidence {
    let at_limit = PointOdds::of(rule, limit).pass;
    let outside = PointOdds::of(rule, limit * 10f64.sqrt()).pass;
    let any_beyond = (at_limit * outside * places as f64).min(1.0);
    let sentence = format!(
        "A point exactly at BER {limit:.1e} passes with a probability of {:.1} %; this holds for a point, not for an \
         eye. The claim is for the contour pulled in by one point: the probability that any of {places} edge \
         places of {lanes} lanes holds a BER above {limit:.1e} there is at most {any_beyond:.1e}, for edges of at least half \
         a decade a point.",
        at_limit * 100.0
    );
    EyeConfidence { point_at_limit: at_limit, places, any_beyond, sentence }
}

/// How many full-dwell points drawn at random inside the eye must all pass to show, at `confidence`, that
/// less than `bad_share` of its area is bad: the smallest n with (1 - bad_share)^n <= 1 - confidence. `None`
/// outside 0..1.
pub fn passes_to_claim(bad_share: f64, confidence: f64) -> Option<u32> {
    let inside = |value: f64| value > 0.0 && value < 1.0;
    (inside(bad_share) && inside(confidence))
        .then(|| ((1.0 - confidence).ln() / (-bad_share).ln_1p()).ceil() as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 72 lanes, one edge place each: at most 3e-4, for the zero-error and for the sequential rule.
    #[test]
    fn seventy_two_lanes_stay_below_three_in_ten_thousand() {
        for rule in [PointRule::error_free(1e-9, 0.95), PointRule::sequential(1e-9, 0.95)] {
            let claim = eye_confidence(&rule, 1e-9, 72, 72);
            assert!(claim.any_beyond <= 3e-4 && claim.any_beyond > 1e-5, "{}", claim.any_beyond);
            assert!(claim.sentence.contains("72 lanes"));
        }
        let zero = eye_confidence(&PointRule::error_free(1e-9, 0.95), 1e-9, 72, 72);
        // 72 x exp(-2.9957) x exp(-2.9957 sqrt 10)
        assert!((zero.any_beyond - 2.77e-4).abs() < 2e-6, "{}", zero.any_beyond);
    }

    /// 59, 149 and 299 random passes: 5 %, 2 % and 1 % at 95 %.
    #[test]
    fn random_passes_bound_the_bad_area() {
        assert_eq!(passes_to_claim(0.05, 0.95), Some(59));
        assert_eq!(passes_to_claim(0.02, 0.95), Some(149));
        assert_eq!(passes_to_claim(0.01, 0.95), Some(299));
        assert_eq!(passes_to_claim(0.0, 0.95), None);
    }
}

//! Why there is no test, in words with the remedy.

use super::guard_bands::WIDEST_SDS;
use super::prediction::LEAST_CORRELATION;
use super::sample::Asked;

/// Why there is no test.
#[derive(Debug, Clone, PartialEq)]
pub enum Refusal {
    TooFew { sound: usize, need: usize },
    Correlation { r: f64, r_all_eyes: Option<f64> },
    NoGuardBand { escapes: f64, overkill: f64, sent_on: f64, guard_sds: f64 },
    NoFit(String),
}

impl Refusal {
    /// In words, with the remedy.
    pub fn words(&self, asked: &Asked) -> String {
        let percent = |share: f64| format!("{:.3} %", 100.0 * share);
        match self {
            Refusal::TooFew { sound, need } => format!(
                "{sound} sound units; {need} are needed, from several lots: characterize {} more. Faulty units do not count",
                need - sound
            ),
            Refusal::Correlation { r, r_all_eyes } => {
                let eyes = match r_all_eyes {
                    Some(r) => format!(" (full eyes at room temperature: {r:.3})"),
                    None => String::new(),
                };
                format!(
                    "the correlation of predicted and measured corner {} is {r:.3}{eyes}; {LEAST_CORRELATION} is needed. Room \
                     temperature cannot sort these units against that limit: if all of them lie far above it, that is the finding; \
                     else test hot, or find more margin",
                    asked.metric.name()
                )
            }
            Refusal::NoGuardBand { escapes, overkill, sent_on, guard_sds } => format!(
                "no guard band up to {WIDEST_SDS} residual standard deviations keeps escapes to {}, overkill to {} and corner \
                 tests to {}: the nearest, {guard_sds} of them, gives {}, {} and {}. Allow more, or test hot",
                percent(asked.escapes),
                percent(asked.overkill),
                percent(asked.sent_on),
                percent(*escapes),
                percent(*overkill),
                percent(*sent_on)
            ),
            Refusal::NoFit(words) => format!("no prediction: {words}"),
        }
    }
}

//! How a condition is trained and captured, and how often: `[training]`, `[capture]`, `[repeats]`.

use super::section::Section;
use nightbench_core::devices::Pattern;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{CaptureMode, Direction};

/// Where training happens.
#[derive(Debug, Clone, PartialEq)]
pub enum TrainingPolicy {
    /// Trained anew at every condition.
    EveryCondition,
    /// Trained at one temperature and supply of each setup and rate, then held: shows the drift.
    Held {
        /// Temperature level it is trained at, degC.
        temperature: f64,
        /// Supply it is trained at; `None` = each condition's own.
        supply: Option<String>,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Training {
    pub policy: TrainingPolicy,
    /// A point passes training when its bit error ratio is at most this.
    pub pass_ber: f64,
    /// Fewest taps of a lane's window.
    pub fewest_taps: u16,
    /// Fewest Vref steps of a lane's window.
    pub fewest_steps: u16,
    /// Pattern it is trained with; `None` = the condition's own. Extra jobs keep the training of the job they explain.
    pub pattern: Option<Pattern>,
}

impl Training {
    /// Reads `[training]`, or the defaults where it is absent.
    pub fn read(section: Option<Section<'_>>) -> Training {
        let mut training = Training {
            policy: TrainingPolicy::EveryCondition,
            pass_ber: 1e-6,
            fewest_taps: 5,
            fewest_steps: 5,
            pattern: None,
        };
        let Some(section) = section else { return training };
        let policy = section.choice("policy", &[("every condition", false), ("held", true)]).unwrap_or(false);
        let temperature = section.number("held_temperature_degc", -60.0..=150.0, "°C");
        let supply = section.text("held_supply");
        match (policy, temperature) {
            (true, Some(temperature)) => {
                training.policy = TrainingPolicy::Held { temperature, supply: supply.map(|text| text.value) };
            }
            (true, None) => section.mistake(
                "policy",
                "training is held, but the temperature to train at is missing",
                "add `held_temperature_degc = 25.0`, one of the matrix's temperatures",
            ),
            (false, Some(_)) => section.mistake(
                "held_temperature_degc",
                "a temperature to hold training from is given, but training is not held",
                "write `policy = \"held\"` or remove the key",
            ),
            (false, None) if supply.is_some() => section.mistake(
                "held_supply",
                "a supply to hold training from is given, but training is not held",
                "write `policy = \"held\"` or remove the key",
            ),
            (false, None) => {}
        }
        if let Some(ber) = section.number("pass_ber", 1e-12..=1e-2, "") {
            training.pass_ber = ber;
        }
        if let Some(taps) = section.whole("fewest_taps", 1..=1000, "taps") {
            training.fewest_taps = taps as u16;
        }
        if let Some(steps) = section.whole("fewest_steps", 1..=1000, "steps") {
            training.fewest_steps = steps as u16;
        }
        section.finish();
        training
    }
}

/// BER limit below which full eyes take hours a night does not have.
const DEEP: f64 = 1e-7;

/// How points are chosen, in the plan's words.
pub(crate) const MODES: [(&str, CaptureMode); 4] = [
    ("exact", CaptureMode::Exact),
    ("fast", CaptureMode::Fast),
    ("raster", CaptureMode::Raster),
    ("row_and_column", CaptureMode::RowAndColumn),
];

/// `[capture]`.
#[derive(Debug, Clone, PartialEq)]
pub struct CapturePlan {
    pub directions: Vec<Direction>,
    /// How points are chosen.
    pub mode: CaptureMode,
    /// The rule that decides a point.
    pub rule: PointRule,
    /// Bit error ratio limit of a point.
    pub ber_limit: f64,
    /// One-sided confidence of a point's decision.
    pub confidence: f64,
    /// Survey with the full number of bits: `None` = chosen from dwell against visit overhead.
    pub short_dwell: Option<bool>,
    /// Measure where each lane's eye crosses on either side, for the size of a tap.
    pub tap_sweep: bool,
}

impl CapturePlan {
    /// Reads `[capture]`, or the defaults where it is absent.
    ///
    /// Without `mode` a plan below a BER limit of 1e-7 takes rows and columns, unless `stored` says what the run was
    /// stored with.
    pub fn read(section: Option<Section<'_>>, stored: Option<CaptureMode>) -> CapturePlan {
        let mut plan = CapturePlan {
            directions: vec![Direction::Read],
            mode: CaptureMode::Exact,
            rule: PointRule::sequential(1e-6, 0.95),
            ber_limit: 1e-6,
            confidence: 0.95,
            short_dwell: None,
            tap_sweep: false,
        };
        let Some(section) = section else { return plan };
        if let Some(mut directions) = section.choices("directions", &Direction::ALL) {
            directions.sort();
            directions.dedup();
            plan.directions = directions;
        }
        if let Some(limit) = section.number("ber_limit", 1e-15..=1e-2, "") {
            plan.ber_limit = limit;
        }
        plan.mode = section.choice("mode", &MODES).or(stored).unwrap_or(if plan.ber_limit < DEEP {
            CaptureMode::RowAndColumn
        } else {
            CaptureMode::Exact
        });
        if let Some(confidence) = section.number("confidence", 0.5..=0.9999, "") {
            plan.confidence = confidence;
        }
        let rules = [("sequential", 0), ("error-free", 1), ("fixed", 2)];
        let chosen = section.choice("rule", &rules).unwrap_or(0);
        let bits = section.whole("bits", 8..=1_000_000_000_000_000, "bits");
        let errors = section.whole("errors_allowed", 0..=1_000_000, "errors").unwrap_or(0);
        for key in ["bits", "errors_allowed"].into_iter().filter(|key| chosen != 2 && section.has(key)) {
            let message = format!("`{key}` belongs to rule = \"fixed\"");
            section.mistake(key, message, "remove it, or write `rule = \"fixed\"`");
        }
        plan.rule = match chosen {
            0 => PointRule::sequential(plan.ber_limit, plan.confidence),
            1 => PointRule::error_free(plan.ber_limit, plan.confidence),
            _ => {
                if bits.is_none() && !section.has("bits") {
                    section.mistake("rule", "the fixed rule has no number of bits", "add `bits = 3000000`");
                }
                let rule = PointRule::Fixed { bits: bits.unwrap_or(8) as u64, errors: errors as u64 };
                if bits.is_some() {
                    check_fixed(&section, &plan, errors as u64, bits.unwrap_or(8) as u64);
                }
                rule
            }
        };
        let dwell =
            section.choice("dwell", &[("chosen", None), ("short", Some(true)), ("long", Some(false))]);
        plan.short_dwell = dwell.flatten();
        plan.tap_sweep = section.flag("tap_sweep", false);
        section.finish();
        plan
    }
}

/// A fixed rule must be able to show the BER limit at the confidence asked for: a point exactly at the limit
/// passes with a probability of at most 1 - confidence (Poisson).
fn check_fixed(section: &Section<'_>, plan: &CapturePlan, errors: u64, bits: u64) {
    let passes = |bits: f64| {
        let mean = bits * plan.ber_limit;
        let mut term = (-mean).exp();
        let mut sum = term;
        for k in 1..=errors {
            term *= mean / k as f64;
            sum += term;
        }
        sum
    };
    let risk = 1.0 - plan.confidence;
    if passes(bits as f64) <= risk * (1.0 + 1e-3) {
        return;
    }
    let (mut low, mut high) = (bits as f64, bits as f64);
    while passes(high) > risk && high < 1e18 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if passes(middle) > risk { low = middle } else { high = middle }
    }
    section.mistake(
        "bits",
        format!(
            "at most {errors} errors in {bits} bits cannot show a BER limit of {:e} at {} % confidence",
            plan.ber_limit,
            plan.confidence * 100.0
        ),
        format!("compare at least {high:.3e} bits, allow fewer errors, or raise `ber_limit`"),
    );
}

/// How a job starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StartWord {
    /// Supplies off and on.
    PowerCycle,
    Reset,
    /// Training only.
    Retrain,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Repeats {
    /// Measurements of a condition in one mounting, each retrained.
    pub repeats: u16,
    /// Mountings of a setup: one more than its re-seats.
    pub mountings: u16,
    /// Starts of a condition in one mounting and repeat.
    pub starts: u16,
    /// How each start begins.
    pub start: StartWord,
}

impl Repeats {
    /// Reads `[repeats]`, or one of each where it is absent.
    pub fn read(section: Option<Section<'_>>) -> Repeats {
        let mut repeats = Repeats { repeats: 1, mountings: 1, starts: 1, start: StartWord::PowerCycle };
        let Some(section) = section else { return repeats };
        if let Some(count) = section.whole("repeats", 1..=1000, "repeats") {
            repeats.repeats = count as u16;
        }
        if let Some(count) = section.whole("re_seats", 0..=100, "re-seats") {
            repeats.mountings = count as u16 + 1;
        }
        if let Some(count) = section.whole("starts", 1..=10_000, "starts") {
            repeats.starts = count as u16;
        }
        let words = [
            ("power cycle", StartWord::PowerCycle),
            ("reset", StartWord::Reset),
            ("retrain", StartWord::Retrain),
        ];
        if let Some(start) = section.choice("start", &words) {
            repeats.start = start;
        }
        section.finish();
        repeats
    }

    /// Jobs a condition needs.
    pub fn jobs(&self) -> u64 {
        u64::from(self.repeats) * u64::from(self.mountings) * u64::from(self.starts)
    }
}

#[cfg(test)]
mod tests {
    use crate::Plan;

    /// 3.0 / BER bits without an error, 6.3 / BER with up to two at 95 % (source: bit-error-tester confidence
    /// tables).
    #[test]
    fn a_fixed_rule_that_cannot_show_its_limit_is_refused() {
        let base = include_str!("../../library/quick-look.toml");
        let with = |bits: u64, errors: u64| {
            let rule =
                format!("rule = \"fixed\"\nbits = {bits}\nerrors_allowed = {errors}\nber_limit = 1e-6");
            Plan::read(&base.replace("ber_limit = 1e-6", &rule))
        };
        assert!(with(3_000_000, 0).is_ok());
        assert!(with(6_300_000, 2).is_ok());
        let short = with(2_900_000, 0).unwrap_err();
        assert!(short[0].message.contains("cannot show a BER limit of 1e-6"), "{}", short[0].message);
        assert!(
            short[0].remedy.as_ref().is_some_and(|words| words.contains("2.996e6")),
            "{:?}",
            short[0].remedy
        );
        assert!(with(6_200_000, 2).is_err());
        assert!(with(3000, 100_000).is_err());
    }
}

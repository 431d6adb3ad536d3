//! What is judged and how: limits of metrics, and the rule that turns a value into a verdict.

use crate::section::Section;
use nightbench_core::rates::DataRate;
use nightbench_core::results::Direction;
use nightbench_core::text::nearest;
use nightbench_core::units::{Millivolts, Picoseconds};
use serde::Serialize;

/// A judged metric of an eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Metric {
    /// Width at the operating Vref.
    Width,
    /// Height at the operating tap.
    Height,
    /// From the operating point to the early edge.
    EarlyMargin,
    /// From the operating point to the late edge.
    LateMargin,
    /// From the operating point to the upper edge.
    UpperMargin,
    /// From the operating point to the lower edge.
    LowerMargin,
    /// Width of the largest scaled mask that fits about the operating point.
    Mask,
}

impl Metric {
    /// Every metric with the plan's word.
    pub const ALL: [(&'static str, Metric); 7] = [
        ("width", Metric::Width),
        ("height", Metric::Height),
        ("early margin", Metric::EarlyMargin),
        ("late margin", Metric::LateMargin),
        ("upper margin", Metric::UpperMargin),
        ("lower margin", Metric::LowerMargin),
        ("mask", Metric::Mask),
    ];

    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    /// Measured along the delay axis?
    pub fn is_time(self) -> bool {
        matches!(self, Metric::Width | Metric::EarlyMargin | Metric::LateMargin | Metric::Mask)
    }

    /// Unit its values are kept in: `ps` or `mV`.
    pub fn base_unit(self) -> &'static str {
        if self.is_time() { "ps" } else { "mV" }
    }
}

/// Unit a limit is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum LimitUnit {
    #[serde(rename = "ps")]
    Picoseconds,
    #[serde(rename = "UI")]
    UnitIntervals,
    #[serde(rename = "taps")]
    Taps,
    #[serde(rename = "mV")]
    Millivolts,
    #[serde(rename = "% VDDQ")]
    PercentVddq,
    /// Vref steps.
    #[serde(rename = "steps")]
    Steps,
}

impl LimitUnit {
    pub(crate) const TIME: [(&'static str, LimitUnit); 3] =
        [("ps", LimitUnit::Picoseconds), ("UI", LimitUnit::UnitIntervals), ("taps", LimitUnit::Taps)];
    pub(crate) const VOLTAGE: [(&'static str, LimitUnit); 3] =
        [("mV", LimitUnit::Millivolts), ("% VDDQ", LimitUnit::PercentVddq), ("steps", LimitUnit::Steps)];

    /// The plan's word.
    pub fn name(self) -> &'static str {
        Self::TIME.iter().chain(&Self::VOLTAGE).find(|(_, unit)| *unit == self).map_or("", |(word, _)| word)
    }
}

/// A lower tolerance limit of one metric.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limit {
    pub metric: Metric,
    /// Direction it holds for.
    pub direction: Direction,
    /// Smallest acceptable value, in `unit`.
    pub minimum: f64,
    /// Unit of `minimum`.
    pub unit: LimitUnit,
    /// Rates it holds for; empty = every rate.
    pub rates: Vec<DataRate>,
    /// Where the figure comes from.
    pub source: String,
    /// The mask, where `metric` is a mask: `minimum` is its width.
    pub mask: Option<MaskSize>,
}

/// What a mask has beside its width.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MaskSize {
    pub height_mv: f64,
    /// Length of its flat top as a share of its width: 1 is a rectangle, less a hexagon, 0 a diamond.
    pub flat: f64,
}

impl Limit {
    /// Does the limit hold at this rate and direction?
    pub fn applies(&self, direction: Direction, rate: DataRate) -> bool {
        self.direction == direction && (self.rates.is_empty() || self.rates.contains(&rate))
    }

    /// The limit in ps (time metrics) or mV (voltage metrics).
    pub fn in_base_unit(&self, ui: Picoseconds, tap: Picoseconds, vddq: Millivolts, step: Millivolts) -> f64 {
        self.minimum
            * match self.unit {
                LimitUnit::Picoseconds | LimitUnit::Millivolts => 1.0,
                LimitUnit::UnitIntervals => ui.0,
                LimitUnit::Taps => tap.0,
                LimitUnit::PercentVddq => vddq.0 / 100.0,
                LimitUnit::Steps => step.0,
            }
    }
}

/// How a measured value and its uncertainty become a verdict: guard band w = r U.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DecisionRule {
    /// Name as printed.
    pub name: String,
    /// Guard band in units of the expanded uncertainty U, or of u where `in_standard` says so.
    pub guard_band_factor: f64,
    /// The guard band is a multiple of the standard uncertainty u.
    pub in_standard: bool,
    /// Coverage probability of U, for example 0.95.
    pub coverage: f64,
    /// Four words (pass, conditional pass, conditional fail, fail) or two.
    pub four_words: bool,
    /// Do rates beyond a module's rating count for the release decision?
    pub beyond_rating_counts: bool,
}

impl DecisionRule {
    /// Name, factor, and whether it counts u instead of U.
    const NAMED: [(&'static str, f64, bool); 11] = [
        ("simple acceptance", 0.0, false),
        ("guard band U", 1.0, false),
        ("ILAC-G8", 1.0, false),
        ("guard band 1.65 u", 1.65, true),
        ("ISO 14253-1", 1.65, true),
        ("guard band 1.5 U", 1.5, false),
        ("3 sigma", 1.5, false),
        ("guard band 3 U", 3.0, false),
        ("6 sigma", 3.0, false),
        ("guard band -U", -1.0, false),
        ("uncritical", -1.0, false),
    ];

    /// Is it the name of a rule that a plan may choose?
    pub fn is_named(name: &str) -> bool {
        Self::NAMED.iter().any(|line| line.0 == name)
    }

    /// The same words and coverage under a rule that a plan may choose by this name.
    ///
    /// # Errors
    /// Names the rules there are.
    pub fn with_rule(&self, name: &str) -> Result<DecisionRule, String> {
        let names = || Self::NAMED.iter().map(|line| line.0);
        let Some((name, guard_band_factor, in_standard)) =
            Self::NAMED.iter().find(|line| line.0 == name).copied()
        else {
            let near =
                nearest(name, names()).map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
            let known: Vec<&str> = names().collect();
            return Err(format!("there is no decision rule `{name}`{near} (known: {})", known.join(", ")));
        };
        Ok(DecisionRule { name: name.into(), guard_band_factor, in_standard, ..self.clone() })
    }

    /// Guard band w of a value with standard uncertainty `u` and U = `k` u.
    pub fn guard_band(&self, u: f64, k: f64) -> f64 {
        self.guard_band_factor * u * if self.in_standard { 1.0 } else { k }
    }

    /// The guard band in a formula, for example `1 U`.
    pub fn formula(&self) -> String {
        format!("{} {}", self.guard_band_factor, if self.in_standard { "u" } else { "U" })
    }

    /// Reads `[decision]`, or the default rule (w = U, four words) where it is absent.
    pub fn read(section: Option<Section<'_>>) -> DecisionRule {
        let mut rule = DecisionRule {
            name: "guard band U".into(),
            guard_band_factor: 1.0,
            in_standard: false,
            coverage: 0.95,
            four_words: true,
            beyond_rating_counts: false,
        };
        let Some(section) = section else { return rule };
        let named: Vec<(&str, (&str, f64, bool))> = Self::NAMED.iter().map(|line| (line.0, *line)).collect();
        let chosen = section.choice("rule", &named);
        let factor = section.number("guard_band_factor", -3.0..=10.0, "U");
        match (chosen, factor) {
            (Some(_), Some(_)) => section.mistake(
                "guard_band_factor",
                "both a named rule and a guard-band factor are given",
                "keep one of `rule` and `guard_band_factor`",
            ),
            (Some((name, factor, in_standard)), None) => {
                rule.name = name.into();
                rule.guard_band_factor = factor;
                rule.in_standard = in_standard;
            }
            (None, Some(factor)) => {
                rule.name = format!("guard band {factor} U");
                rule.guard_band_factor = factor;
            }
            (None, None) => {}
        }
        if let Some(coverage) = section.number("coverage", 0.5..=0.9999, "") {
            rule.coverage = coverage;
        }
        rule.four_words = section.choice("words", &[("four", true), ("two", false)]).unwrap_or(true);
        rule.beyond_rating_counts = section.flag("beyond_rating_counts", false);
        section.finish();
        rule
    }
}

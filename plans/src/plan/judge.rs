//! What is judged and how: `[[limit]]`, `[decision]`, `[[uncertainty]]`.

use super::devices::DataRateName;
use super::section::{Placed, Section};
use crate::rates::{DataRate, Generation};
use crate::results::Direction;
use crate::units::{Millivolts, Picoseconds};
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
    LeftMargin,
    /// From the operating point to the late edge.
    RightMargin,
    /// From the operating point up.
    UpMargin,
    /// From the operating point down.
    DownMargin,
}

impl Metric {
    /// Every metric with the plan's word.
    pub const ALL: [(&'static str, Metric); 6] = [
        ("width", Metric::Width),
        ("height", Metric::Height),
        ("left margin", Metric::LeftMargin),
        ("right margin", Metric::RightMargin),
        ("up margin", Metric::UpMargin),
        ("down margin", Metric::DownMargin),
    ];

    /// The plan's word.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    /// Measured along the delay axis?
    pub fn is_time(self) -> bool {
        matches!(self, Metric::Width | Metric::LeftMargin | Metric::RightMargin)
    }

    /// Unit its values are kept in: `ps` or `mV`.
    pub fn base_unit(self) -> &'static str {
        if self.is_time() { "ps" } else { "mV" }
    }
}

/// Unit a limit is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum LimitUnit {
    /// Picoseconds.
    #[serde(rename = "ps")]
    Picoseconds,
    /// Bit times.
    #[serde(rename = "UI")]
    UnitIntervals,
    /// Delay taps.
    #[serde(rename = "taps")]
    Taps,
    /// Millivolts.
    #[serde(rename = "mV")]
    Millivolts,
    /// Percent of VDDQ.
    #[serde(rename = "% VDDQ")]
    PercentVddq,
    /// Vref steps.
    #[serde(rename = "steps")]
    Steps,
}

impl LimitUnit {
    const TIME: [(&'static str, LimitUnit); 3] =
        [("ps", LimitUnit::Picoseconds), ("UI", LimitUnit::UnitIntervals), ("taps", LimitUnit::Taps)];
    const VOLTAGE: [(&'static str, LimitUnit); 3] =
        [("mV", LimitUnit::Millivolts), ("% VDDQ", LimitUnit::PercentVddq), ("steps", LimitUnit::Steps)];

    /// The plan's word.
    pub fn name(self) -> &'static str {
        Self::TIME.iter().chain(&Self::VOLTAGE).find(|(_, unit)| *unit == self).map_or("", |(word, _)| word)
    }
}

/// A lower tolerance limit of one metric.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limit {
    /// What is limited.
    pub metric: Metric,
    /// Direction it holds for.
    pub direction: Direction,
    /// Smallest acceptable value, in `unit`.
    pub minimum: f64,
    /// Unit of `minimum`.
    pub unit: LimitUnit,
    /// Rates it holds for; empty = every rate.
    pub rates: Vec<DataRateName>,
    /// Where the figure comes from.
    pub source: String,
}

impl Limit {
    /// Does the limit hold at this rate and direction?
    pub fn applies(&self, direction: Direction, rate: DataRate) -> bool {
        self.direction == direction && (self.rates.is_empty() || self.rates.iter().any(|name| name.0 == rate))
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

    fn read(section: Section<'_>, generation: Generation) -> Option<Limit> {
        let metric = section.required_choice("metric", &Metric::ALL);
        let direction = section
            .choice("direction", &[("read", Direction::Read), ("write", Direction::Write)])
            .unwrap_or(Direction::Read);
        let minimum = section.number("minimum", 0.0..=1e6, "");
        if minimum.is_none() && !section.has("minimum") {
            section.mistake("minimum", format!("{} has no `minimum`", section.title), "add `minimum = 0.25`");
        }
        let units: &[(&str, LimitUnit)] = match metric {
            Some(metric) if metric.is_time() => &LimitUnit::TIME,
            Some(_) => &LimitUnit::VOLTAGE,
            None => &[],
        };
        let unit = if units.is_empty() {
            section.text("unit").and(None)
        } else {
            section.required_choice("unit", units)
        };
        let rates = read_rates(&section, "rate", generation);
        let source = section.required_text("source", "where the figure comes from");
        section.finish();
        Some(Limit {
            metric: metric?,
            direction,
            minimum: minimum?,
            unit: unit?,
            rates: rates.into_iter().map(|rate| DataRateName(rate.value)).collect(),
            source: source?.value,
        })
    }
}

/// Reads a list of data rates by their standard names.
pub fn read_rates(section: &Section<'_>, key: &'static str, generation: Generation) -> Vec<Placed<DataRate>> {
    let mut rates: Vec<Placed<DataRate>> = Vec::new();
    for item in section.items(key).unwrap_or_default() {
        let words = item.value.words();
        match DataRate::parse(generation, &words) {
            Some(rate) if rates.iter().any(|known| known.value == rate) => section.problems().add(
                item.span,
                format!("`{key}` in {} names {rate} twice", section.title),
                Some("remove one of them".into()),
            ),
            Some(rate) => rates.push(Placed { value: rate, span: item.span }),
            None => {
                let names: Vec<String> = generation.rates().map(|rate| rate.to_string()).collect();
                section.problems().add(
                    item.span,
                    format!("{words} MT/s is no {generation} data rate"),
                    Some(format!("{generation} rates: {}", names.join(", "))),
                );
            }
        }
    }
    rates
}

/// Reads every `[[limit]]`.
pub fn read_limits(sections: Vec<Section<'_>>, generation: Generation) -> Vec<Limit> {
    sections.into_iter().filter_map(|section| Limit::read(section, generation)).collect()
}

/// How a measured value and its uncertainty become a verdict: guard band w = r U.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DecisionRule {
    /// Name as printed.
    pub name: String,
    /// Guard band in units of the expanded uncertainty U.
    pub guard_band_factor: f64,
    /// Coverage probability of U, for example 0.95.
    pub coverage: f64,
    /// Four words (pass, conditional pass, conditional fail, fail) or two.
    pub four_words: bool,
    /// Do rates beyond a module's rating count for the release decision?
    pub beyond_rating_counts: bool,
}

impl DecisionRule {
    const NAMED: [(&'static str, f64); 5] = [
        ("simple acceptance", 0.0),
        ("guard band U", 1.0),
        ("guard band 1.65 u", 0.83),
        ("guard band 1.5 U", 1.5),
        ("guard band 3 U", 3.0),
    ];

    /// Reads `[decision]`, or the default rule (w = U, four words) where it is absent.
    pub fn read(section: Option<Section<'_>>) -> DecisionRule {
        let mut rule = DecisionRule {
            name: "guard band U".into(),
            guard_band_factor: 1.0,
            coverage: 0.95,
            four_words: true,
            beyond_rating_counts: false,
        };
        let Some(section) = section else { return rule };
        let named: Vec<(&str, (&str, f64))> =
            Self::NAMED.iter().map(|(name, r)| (*name, (*name, *r))).collect();
        let chosen = section.choice("rule", &named);
        let factor = section.number("guard_band_factor", -3.0..=10.0, "U");
        match (chosen, factor) {
            (Some(_), Some(_)) => section.mistake(
                "guard_band_factor",
                "both a named rule and a guard-band factor are given",
                "keep one of `rule` and `guard_band_factor`",
            ),
            (Some((name, factor)), None) => {
                rule.name = name.into();
                rule.guard_band_factor = factor;
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

/// A line that a plan adds to the uncertainty budget, or sets instead of the tool's own line of that name.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BudgetLine {
    /// Name of the contribution.
    pub name: String,
    /// Along the delay axis (ps) or the voltage axis (mV).
    pub is_time: bool,
    /// Standard uncertainty in ps or mV.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; `None` = infinite (a type B estimate).
    pub degrees_of_freedom: Option<f64>,
    /// Where the figure comes from.
    pub source: String,
}

/// Reads every `[[uncertainty]]`.
pub fn read_budget(sections: Vec<Section<'_>>) -> Vec<BudgetLine> {
    let mut lines = Vec::new();
    for section in sections {
        let name = section.required_text("name", "re-seating");
        let ps = section.number("standard_uncertainty_ps", 0.0..=1e5, "ps");
        let mv = section.number("standard_uncertainty_mv", 0.0..=1e5, "mV");
        let freedom = section.number("degrees_of_freedom", 1.0..=1e9, "");
        let source = section.required_text("source", "study of re-seating, run folder name");
        let value = match (ps, mv) {
            (Some(ps), None) => Some((true, ps)),
            (None, Some(mv)) => Some((false, mv)),
            _ => {
                section.mistake(
                    "name",
                    format!("{} needs one standard uncertainty", section.title),
                    "give either `standard_uncertainty_ps` or `standard_uncertainty_mv`",
                );
                None
            }
        };
        section.finish();
        if let (Some(name), Some((is_time, standard_uncertainty)), Some(source)) = (name, value, source) {
            lines.push(BudgetLine {
                name: name.value,
                is_time,
                standard_uncertainty,
                degrees_of_freedom: freedom,
                source: source.value,
            });
        }
    }
    lines
}

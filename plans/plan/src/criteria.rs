//! Everything by which stored counts are judged, apart from what is measured: limits, decision rule, budget
//! lines.
//!
//! The same sections stand in a plan and in the file of `report --limits`; a run folder keeps every set it
//! was judged by as such a file.

use super::budget::{BudgetConfig, BudgetLine, read_budget};
use super::limits::{DecisionRule, Limit};
use super::read_limits::read_limits;
use super::release::ReleaseConfig;
use super::section::{Mistake, Mistakes, PLAN, Section};
use crate::earlier_words::in_todays_words;
use crate::plan::Plan;
use nightbench_core::rates::Generation;
use std::fmt::Write;
use toml::de::DeTable;

/// A set of limits, rule and budget lines.
#[derive(Debug, Clone, PartialEq)]
pub struct AcceptanceCriteria {
    pub limits: Vec<Limit>,
    pub decision: DecisionRule,
    /// Budget lines and studies.
    pub budget: BudgetConfig,
    /// What a release asks for.
    pub release: ReleaseConfig,
}

impl AcceptanceCriteria {
    /// Those of a plan.
    pub fn of(plan: &Plan) -> AcceptanceCriteria {
        AcceptanceCriteria {
            limits: plan.limits.clone(),
            decision: plan.decision.clone(),
            budget: plan.budget.clone(),
            release: plan.release.clone(),
        }
    }

    /// Reads a file that holds `[[limit]]`, `[decision]`, `[[uncertainty]]` and `[release]`.
    ///
    /// # Errors
    /// Every mistake in the text, each with its place.
    pub fn read(text: &str, generation: Generation) -> Result<AcceptanceCriteria, Vec<Mistake>> {
        AcceptanceCriteria::read_over(text, generation, None)
    }

    /// Reads a set that a run was stored with, which may be in the words of an earlier version.
    ///
    /// # Errors
    /// As [`AcceptanceCriteria::read`].
    pub fn read_stored(text: &str, generation: Generation) -> Result<AcceptanceCriteria, Vec<Mistake>> {
        AcceptanceCriteria::read(&in_todays_words(text), generation)
    }

    /// As [`AcceptanceCriteria::read`]; what the file says nothing of (`[[limit]]`, `[decision]`, `[[uncertainty]]` or
    /// `[release]`) is taken from `base`; without one the last three have their default.
    ///
    /// # Errors
    /// As [`AcceptanceCriteria::read`].
    pub fn read_over(
        text: &str,
        generation: Generation,
        base: Option<&AcceptanceCriteria>,
    ) -> Result<AcceptanceCriteria, Vec<Mistake>> {
        let mistakes = Mistakes::default();
        let (document, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            mistakes.add(error.span().unwrap_or(0..0), error.message().to_string(), None);
        }
        if !mistakes.is_empty() {
            return Err(mistakes.into_sorted());
        }
        let file = Section::new(PLAN, document.get_ref(), 0..0, &mistakes);
        let mut limits = read_limits(file.tables("limit"), generation);
        // A question about the rule alone is one about these limits.
        let asks = ["decision", "uncertainty", "release"].iter().any(|section| file.has(section));
        if let Some(base) = base.filter(|_| asks && !file.has("limit")) {
            limits = base.limits.clone();
        } else if !file.has("limit") {
            file.mistake(
                "limit",
                "the file has no [[limit]]: nothing could be judged",
                "add [[limit]] with `metric`, `minimum`, `unit` and `source`",
            );
        }
        let mut terms = AcceptanceCriteria {
            limits,
            decision: DecisionRule::read(file.table("decision")),
            budget: read_budget(file.tables("uncertainty")),
            release: ReleaseConfig::read(file.table("release")),
        };
        if let Some(base) = base {
            if !file.has("decision") {
                terms.decision = base.decision.clone();
            }
            if !file.has("uncertainty") {
                terms.budget = base.budget.clone();
            }
            if !file.has("release") {
                terms.release = base.release.clone();
            }
        }
        file.finish();
        if mistakes.is_empty() { Ok(terms) } else { Err(mistakes.into_sorted()) }
    }

    /// The set as a file that [`AcceptanceCriteria::read`] reads back; presets are written out.
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        for limit in &self.limits {
            let rates: Vec<String> = limit.rates.iter().map(|rate| quoted(&rate.to_string())).collect();
            let _ = write!(
                text,
                "[[limit]]\nmetric = {}\ndirection = {}\nminimum = {:?}\nunit = {}\n",
                quoted(limit.metric.name()),
                quoted(limit.direction.name()),
                limit.minimum,
                quoted(limit.unit.name()),
            );
            if !rates.is_empty() {
                let _ = writeln!(text, "rate = [{}]", rates.join(", "));
            }
            if let Some(mask) = limit.mask {
                let _ = writeln!(text, "mask_height_mv = {:?}\nmask_flat = {:?}", mask.height_mv, mask.flat);
            }
            let _ = writeln!(text, "source = {}\n", quoted(&limit.source));
        }
        let rule = &self.decision;
        let _ = writeln!(text, "[decision]\nrule = {}", quoted(&rule.name));
        if !DecisionRule::is_named(&rule.name) {
            text.truncate(text.rfind("rule = ").unwrap_or(text.len()));
            let _ = writeln!(text, "guard_band_factor = {:?}", rule.guard_band_factor);
        }
        let _ = writeln!(
            text,
            "coverage = {:?}\nwords = {}\nbeyond_rating_counts = {}\n",
            rule.coverage,
            quoted(if rule.four_words { "four" } else { "two" }),
            rule.beyond_rating_counts,
        );
        for line in &self.budget.lines {
            text.push_str(&budget_line(line));
        }
        for study in &self.budget.studies {
            let _ = writeln!(text, "[[uncertainty]]\nstudy = {}\n", quoted(study));
        }
        text.push_str("[release]\n");
        if let Some(units) = self.release.units {
            let _ = writeln!(text, "units = {units}");
        }
        let _ = writeln!(
            text,
            "content = {:?}\nconfidence = {:?}",
            self.release.content, self.release.confidence
        );
        text
    }
}

/// A budget line as a plan writes it.
pub fn budget_line(line: &BudgetLine) -> String {
    let mut text = format!("[[uncertainty]]\nname = {}\n", quoted(&line.name));
    if let Some(metric) = line.metric {
        let _ = writeln!(text, "metric = {}", quoted(metric.name()));
    }
    if let Some(direction) = line.direction {
        let _ = writeln!(text, "direction = {}", quoted(direction.name()));
    }
    let _ = writeln!(text, "{} = {:?}", line.unit.key(), line.standard_uncertainty);
    if let Some(freedom) = line.degrees_of_freedom {
        let _ = writeln!(text, "degrees_of_freedom = {freedom:?}");
    }
    let _ = writeln!(text, "source = {}\n", quoted(&line.source));
    text
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_string()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::Metric;
    use nightbench_core::results::Direction;

    const FILE: &str = r#"
[[limit]]
metric = "width"
minimum = 0.22
unit = "UI"
rate = [2400, 2666]
source = "a \"quoted\" source"

[[limit]]
preset = "DDR4 write mask"

[[limit]]
metric = "mask"
minimum = 70
unit = "ps"
mask_height_mv = 100
mask_flat = 0.5
source = "invented"

[decision]
rule = "ISO 14253-1"
words = "two"

[[uncertainty]]
name = "re-seating"
metric = "height"
standard_uncertainty_mv = 1.5
degrees_of_freedom = 7
source = "invented"

[[uncertainty]]
name = "size of a tap"
direction = "write"
standard_uncertainty_percent = 0.4
source = "invented"

[[uncertainty]]
study = "runs/study"

[release]
units = 5
"#;

    #[test]
    fn a_set_is_written_and_read_back() {
        let terms = AcceptanceCriteria::read(FILE, Generation::Ddr4).expect("sound");
        assert_eq!(terms.limits.len(), 9);
        let tap = &terms.budget.lines[1];
        assert!(
            tap.applies(Metric::Width, Direction::Write) && !tap.applies(Metric::Height, Direction::Write)
        );
        assert!(!tap.applies(Metric::Width, Direction::Read));
        assert_eq!(AcceptanceCriteria::read(&terms.to_text(), Generation::Ddr4).expect("sound"), terms);
        let own = AcceptanceCriteria::read(
            &FILE.replace("rule = \"ISO 14253-1\"", "guard_band_factor = 0.7"),
            Generation::Ddr4,
        );
        let own = own.expect("sound");
        assert_eq!(own.decision.guard_band_factor, 0.7);
        assert_eq!(AcceptanceCriteria::read(&own.to_text(), Generation::Ddr4).expect("sound"), own);
    }

    #[test]
    fn one_fault_of_a_figure_or_its_source_is_one_mistake_with_a_remedy_that_can_be_followed() {
        for (from, to, message, remedy) in [
            (
                "source = \"a \\\"quoted\\\" source\"",
                "source = \"\"",
                "`source` in [[limit]] number 1 is empty",
                "write where it comes from",
            ),
            (
                "degrees_of_freedom = 7\nsource = \"invented\"",
                "source = \" \"",
                "`source` in [[uncertainty]] `re-seating` is empty",
                "write where it comes from",
            ),
            (
                "standard_uncertainty_mv = 1.5",
                "standard_uncertainty_mv = -1",
                "`standard_uncertainty_mv` in [[uncertainty]] `re-seating` is -1 mV",
                "allowed: 0 mV to 100000 mV",
            ),
            (
                "metric = \"height\"\nstandard_uncertainty_mv = 1.5",
                "standard_uncertainty_ps = -1",
                "`standard_uncertainty_ps` in [[uncertainty]] `re-seating` is -1 ps",
                "allowed: 0 ps to 100000 ps",
            ),
            (
                "name = \"re-seating\"",
                "name = \"\"",
                "`name` in [[uncertainty]] `` is empty",
                "write a text, such as `name = \"re-seating\"`",
            ),
            (
                "metric = \"width\"",
                "metric = \"\"",
                "`metric` in [[limit]] number 1 is empty",
                "known: `width`, ",
            ),
            (
                "standard_uncertainty_mv = 1.5",
                "standard_uncertainty_mv = 1.5\nstandard_uncertainty_ps = 1",
                "needs one standard uncertainty",
                "give one of",
            ),
            ("standard_uncertainty_mv = 1.5", "", "needs one standard uncertainty", "give one of"),
        ] {
            assert_eq!(FILE.matches(from).count(), 1, "{from}");
            let mistakes = AcceptanceCriteria::read(&FILE.replace(from, to), Generation::Ddr4).unwrap_err();
            let [only] = mistakes.as_slice() else { panic!("{to}: {mistakes:?}") };
            assert!(only.message.contains(message), "{to}: {only:?}");
            assert!(only.remedy.as_deref().is_some_and(|words| words.starts_with(remedy)), "{to}: {only:?}");
        }
    }

    #[test]
    fn a_file_with_a_rule_alone_asks_about_the_limits_there_are() {
        let own = AcceptanceCriteria::read(FILE, Generation::Ddr4).expect("sound");
        let over = |text: &str| AcceptanceCriteria::read_over(text, Generation::Ddr4, Some(&own));
        let asked = over("[decision]\nguard_band_factor = 0.5\n").expect("sound");
        assert_eq!((&asked.limits, asked.decision.guard_band_factor), (&own.limits, 0.5));
        assert!(over("").unwrap_err()[0].message.contains("nothing could be judged"));
        let named = own.decision.with_rule("simple acceptance").expect("known");
        assert_eq!((named.guard_band_factor, named.four_words), (0.0, own.decision.four_words));
        let unknown = own.decision.with_rule("simple aceptance").unwrap_err();
        assert!(unknown.contains("did you mean `simple acceptance`?"), "{unknown}");
    }

    #[test]
    fn rules_by_name_give_their_guard_band() {
        // Guard bands (source: ILAC-G8:09/2019, table of rules; ISO 14253-1:2017, w = 1.65 u).
        for (name, u, k, w) in [
            ("simple acceptance", 2.0, 2.0, 0.0),
            ("ILAC-G8", 2.0, 2.0, 4.0),
            ("ISO 14253-1", 2.0, 2.0, 3.3),
            ("ISO 14253-1", 2.0, 2.5, 3.3),
            ("3 sigma", 2.0, 2.0, 6.0),
            ("6 sigma", 2.0, 2.0, 12.0),
            ("uncritical", 2.0, 2.0, -4.0),
        ] {
            let file = FILE.replace("ISO 14253-1", name);
            let rule = AcceptanceCriteria::read(&file, Generation::Ddr4).expect("sound").decision;
            assert!((rule.guard_band(u, k) - w).abs() < 1e-12, "{name}");
        }
    }

    #[test]
    fn a_mask_is_never_for_the_read_eye_and_a_preset_never_for_ddr5() {
        let read = FILE.replace("metric = \"mask\"", "metric = \"mask\"\ndirection = \"read\"");
        let mistakes = AcceptanceCriteria::read(&read, Generation::Ddr4).unwrap_err();
        assert!(mistakes[0].message.contains("never for the read eye"), "{mistakes:?}");
        let mistakes =
            AcceptanceCriteria::read(&FILE.replace("rate = [2400, 2666]", ""), Generation::Ddr5).unwrap_err();
        assert!(mistakes.iter().any(|mistake| mistake.message.contains("holds for DDR4")), "{mistakes:?}");
        let mistakes = AcceptanceCriteria::read("[decision]\n", Generation::Ddr4).unwrap_err();
        assert!(mistakes[0].message.contains("nothing could be judged"));
    }
}

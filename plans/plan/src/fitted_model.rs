//! A file with a fitted `[model]`: its figures, what they were fitted to and where they hold. `nightbench fit` writes it, a plan
//! names it with `file` in `[model]`.

use crate::condition::Condition;
use crate::expand::Expansion;
use crate::plan::Plan;
use nightbench_core::devices::ModelValue;
use nightbench_core::text::counted;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What the file says of the fit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fitted {
    /// Runs whose counts it was fitted to, each with the head of its results.
    pub to: Vec<String>,
    /// Day of the fit, ISO 8601.
    pub date: String,
    pub tool: String,
    /// The figures that were fitted; the others are those of the plan that began it.
    pub figures: Vec<String>,
    /// Held-out margins agreed and nothing left out gained more than chance.
    pub correlated: bool,
    /// Where it holds.
    pub rates: Vec<u32>,
    pub temperatures_degc: Vec<f64>,
    pub channels: Vec<String>,
    pub modules: Vec<String>,
    pub supplies: Vec<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    fitted: Fitted,
    model: BTreeMap<String, f64>,
}

/// A fitted model as a plan uses it.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedModel {
    /// Name of its file, as the plan writes it.
    pub file: String,
    pub fitted: Fitted,
    /// Every figure of the file.
    pub values: Vec<(String, f64)>,
}

impl FittedModel {
    /// Reads the text of a file.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn read(file: &str, text: &str) -> Result<FittedModel, String> {
        let read: Text = toml::from_str(text).map_err(|error| {
            format!("{file} is no fitted model ({}); `nightbench fit` writes one", error.message())
        })?;
        if read.model.values().any(|value| !value.is_finite()) {
            return Err(format!("{file} holds a figure that is no finite number; fit again"));
        }
        Ok(FittedModel { file: file.into(), fitted: read.fitted, values: read.model.into_iter().collect() })
    }

    /// The text of a file; `comment` stands above it, line by line.
    ///
    /// # Errors
    /// The writer's words.
    pub fn text(&self, comment: &[String]) -> Result<String, String> {
        let text = Text { fitted: self.fitted.clone(), model: self.values.iter().cloned().collect() };
        let tables = toml::to_string(&text).map_err(|error| error.to_string())?;
        Ok(comment.iter().map(|line| format!("# {line}\n")).collect::<String>() + &tables)
    }

    /// Its figures as values of a plan, at the place that names the file.
    pub fn model_values(&self, span: &std::ops::Range<usize>) -> Vec<ModelValue> {
        self.values
            .iter()
            .map(|(name, value)| ModelValue { name: name.clone(), value: *value, span: span.clone() })
            .collect()
    }

    /// What it is and where it holds, in a sentence.
    pub fn words(&self) -> String {
        let fitted = &self.fitted;
        let list = |words: &[String]| words.join(", ");
        let rates: Vec<String> = fitted.rates.iter().map(u32::to_string).collect();
        let degrees: Vec<String> = fitted.temperatures_degc.iter().map(f64::to_string).collect();
        format!(
            "The model ({}) is fitted to {}, {}; {}. Valid inside rates {} MT/s, temperatures {} \u{b0}C, channels {}, modules {}, supplies {}.",
            self.file,
            fitted.to.join("; "),
            fitted.date,
            if fitted.correlated {
                "correlated on held-out conditions"
            } else {
                "not shown to be correlated"
            },
            list(&rates),
            list(&degrees),
            list(&fitted.channels),
            list(&fitted.modules),
            list(&fitted.supplies)
        )
    }

    /// Why a condition lies outside of where it holds; empty inside. Between fitted rates and temperatures it holds.
    fn outside(&self, plan: &Plan, condition: &Condition) -> Vec<String> {
        let fitted = &self.fitted;
        let mut why = Vec::new();
        let rate = condition.rate(plan).nominal();
        let span = |low: Option<f64>, high: Option<f64>, value: f64| {
            low.zip(high).is_some_and(|(low, high)| (low - 1e-9..=high + 1e-9).contains(&value))
        };
        let rates = (fitted.rates.iter().min(), fitted.rates.iter().max());
        if !span(rates.0.map(|rate| f64::from(*rate)), rates.1.map(|rate| f64::from(*rate)), f64::from(rate))
        {
            why.push(format!("{rate} MT/s"));
        }
        let degrees = condition.temperature(plan).0;
        let least = fitted.temperatures_degc.iter().copied().reduce(f64::min);
        let most = fitted.temperatures_degc.iter().copied().reduce(f64::max);
        if !span(least, most, degrees) {
            why.push(format!("{degrees} \u{b0}C"));
        }
        for (what, list, name) in [
            ("channel", &fitted.channels, &condition.channel(plan).name),
            ("module", &fitted.modules, &condition.module(plan).name),
            ("supply", &fitted.supplies, &condition.supply(plan).name),
        ] {
            if !list.contains(name) {
                why.push(format!("{what} {name}"));
            }
        }
        why
    }

    /// What of a plan lies outside of where it holds, in a sentence; `None` where nothing does.
    pub fn warning(&self, plan: &Plan, expansion: &Expansion) -> Option<String> {
        let mut reasons: Vec<String> = Vec::new();
        let mut count = 0;
        for condition in &expansion.conditions {
            let why = self.outside(plan, condition);
            count += usize::from(!why.is_empty());
            why.into_iter().for_each(|why| {
                if !reasons.contains(&why) {
                    reasons.push(why);
                }
            });
        }
        (count > 0).then(|| {
            format!(
                "{} of {} outside of where the fitted model ({}) holds: {}",
                count,
                counted(expansion.conditions.len(), "condition"),
                self.file,
                reasons.join(", ")
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::expand::expand;
    use crate::files::{FileKind, Files, NamedFile, named_files};
    use crate::selection::Selection;

    const PLAN: &str = include_str!("../../library/quick-look.toml");

    fn model() -> FittedModel {
        FittedModel {
            file: "fitted.toml".into(),
            fitted: Fitted {
                to: vec!["Night, results 01234567".into()],
                date: "2026-11-29".into(),
                tool: "nightbench".into(),
                figures: vec!["rj_ps".into()],
                correlated: true,
                rates: vec![2400, 3200],
                temperatures_degc: vec![25.0],
                channels: vec!["direct".into(), "three risers".into()],
                modules: vec!["Amber 1Rx8 3200".into()],
                supplies: vec!["nominal".into()],
            },
            values: vec![("conn_c_pf".into(), 0.8), ("rj_ps".into(), 5.25)],
        }
    }

    #[test]
    fn a_file_is_read_back_and_refused_where_it_is_none() {
        let text = model().text(&["Written by a test.".into()]).unwrap();
        assert!(text.starts_with("# Written by a test.\n"), "{text}");
        assert_eq!(FittedModel::read("fitted.toml", &text).unwrap(), model());
        let fault = FittedModel::read("x.toml", &text.replace("rates", "speeds")).unwrap_err();
        assert!(fault.contains("x.toml is no fitted model") && fault.contains("nightbench fit"), "{fault}");
        assert!(FittedModel::read("x.toml", &text.replace("5.25", "inf")).unwrap_err().contains("finite"));
    }

    #[test]
    fn a_plan_takes_its_figures_carries_its_text_and_says_where_it_does_not_hold() {
        let text = format!("{PLAN}\n[model]\nfile = \"fitted.toml\"\nconn_c_pf = 0.9\n");
        let named = named_files(&text);
        assert_eq!((named[0].name.as_str(), named[0].kind), ("fitted.toml", FileKind::Model));
        let mut files = Files::default();
        files.insert(&named[0], model().text(&[]).unwrap().as_bytes());
        let plan = Plan::read_with(&text, &files).unwrap();
        let value = |name: &str| plan.model.iter().find(|value| value.name == name).unwrap().value;
        // The plan's own figure counts, once.
        assert_eq!((value("conn_c_pf"), value("rj_ps"), plan.model.len()), (0.9, 5.25, 2));
        let fitted = plan.fitted.clone().unwrap();
        assert!(fitted.words().contains("fitted to Night, results 01234567, 2026-11-29"));
        let warning = fitted.warning(&plan, &expand(&plan, &Selection::default())).unwrap();
        assert!(warning.contains("85 \u{b0}C") && warning.contains("module Cedar stacked 2133"), "{warning}");
        assert!(!warning.contains("2666 MT/s"), "between fitted rates it holds: {warning}");
        // What a run stores is read again without the file.
        let stored = files.add_to(&text);
        assert_eq!(Plan::read(&stored).unwrap().model, plan.model);
        let missing = Plan::read(&text).unwrap_err();
        assert!(missing[0].message.contains("fitted.toml"), "{missing:?}");
        let mut other = Files::default();
        other.insert(&NamedFile { name: "fitted.toml".into(), kind: FileKind::Model, span: 0..0 }, b"[x]\n");
        assert!(Plan::read_with(&text, &other).unwrap_err()[0].message.contains("no fitted model"));
    }
}

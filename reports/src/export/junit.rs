//! JUnit XML: a suite a setup, a case a condition. Failure = fails, error = no valid measurement, skipped = not run.

use super::{FACTOR_KEYS, level, reason};
use crate::judged::{JudgedCondition, JudgedRun, RunFacts, Verdict};
use plans::expand::Condition;
use plans::plan::matrix::Factor;
use std::collections::BTreeMap;
use std::fmt::{Result, Write};

/// One case: a condition that was run or is still to be run, or one left out with its reason.
enum Case<'a> {
    Planned(&'a JudgedCondition),
    LeftOut(&'a Condition, &'a str),
}

/// Writes the document. A conditional pass is a passing case that says so in its output, a conditional fail a failure
/// of its own type.
///
/// # Errors
/// Only those of `out`.
pub fn write(run: &JudgedRun, facts: &RunFacts, out: &mut dyn Write) -> Result {
    let mut suites: BTreeMap<(u16, u16, u16), Vec<Case<'_>>> = BTreeMap::new();
    for judged in &run.conditions {
        suites.entry(judged.condition.setup()).or_default().push(Case::Planned(judged));
    }
    for left in &run.left_out {
        suites.entry(left.condition.setup()).or_default().push(Case::LeftOut(&left.condition, &left.reason));
    }
    let mark = if facts.simulated { "SIMULATED - not measured: " } else { "" };
    let total = suites.values().flatten().fold(Counts::default(), |counts, case| counts.with(case));
    out.write_str("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")?;
    writeln!(
        out,
        "<testsuites name=\"{}\"{}>",
        escaped(&format!("{mark}{}", facts.title)),
        total.attributes()
    )?;
    for ((chip, module, channel), cases) in &suites {
        let setup = [(Factor::Chip, chip), (Factor::Module, module), (Factor::Channel, channel)];
        let name: Vec<String> =
            setup.iter().map(|(factor, at)| name_at(run, *factor, usize::from(**at))).collect();
        let name = name.join(", ");
        let counts = cases.iter().fold(Counts::default(), Counts::with);
        write!(out, "  <testsuite name=\"{}\"{}", escaped(&format!("{mark}{name}")), counts.attributes())?;
        if let Some(started) = facts.started_utc.as_deref() {
            // The format's time stamps carry no zone; UTC is meant.
            write!(out, " timestamp=\"{}\"", escaped(started.trim_end_matches('Z')))?;
        }
        out.write_str(">\n")?;
        for case in cases {
            write_case(run, case, &name, out)?;
        }
        out.write_str("  </testsuite>\n")?;
    }
    out.write_str("</testsuites>\n")
}

#[derive(Default, Clone, Copy)]
struct Counts {
    tests: usize,
    failures: usize,
    errors: usize,
    skipped: usize,
    seconds: f64,
}

impl Counts {
    fn with(mut self, case: &Case<'_>) -> Counts {
        self.tests += 1;
        match case {
            Case::LeftOut(..) => self.skipped += 1,
            Case::Planned(judged) => {
                self.seconds += seconds(judged);
                match judged.verdict {
                    Some(Verdict::Fail | Verdict::ConditionalFail) => self.failures += 1,
                    Some(_) => {}
                    None if judged.jobs.is_empty() => self.skipped += 1,
                    None => self.errors += 1,
                }
            }
        }
        self
    }

    fn attributes(self) -> String {
        format!(
            " tests=\"{}\" failures=\"{}\" errors=\"{}\" skipped=\"{}\" time=\"{:.3}\"",
            self.tests, self.failures, self.errors, self.skipped, self.seconds
        )
    }
}

fn seconds(judged: &JudgedCondition) -> f64 {
    judged.jobs.iter().map(|job| job.times.training_s + job.times.measuring_s).sum()
}

fn name_at(run: &JudgedRun, factor: Factor, at: usize) -> String {
    let name = run.level_names.get(factor as usize).and_then(|names| names.get(at));
    name.cloned().unwrap_or_else(|| format!("{} {}", factor.name(), at + 1))
}

fn write_case(run: &JudgedRun, case: &Case<'_>, suite: &str, out: &mut dyn Write) -> Result {
    let condition = match case {
        Case::Planned(judged) => &judged.condition,
        Case::LeftOut(condition, _) => condition,
    };
    let setup = [Factor::Chip, Factor::Module, Factor::Channel];
    let words: Vec<String> = FACTOR_KEYS
        .iter()
        .filter(|(_, factor)| !setup.contains(factor))
        .map(|(key, factor)| format!("{key} {}", name_at(run, *factor, condition.level(*factor))))
        .collect();
    let (class, name) = (escaped(suite), escaped(&words.join(", ")));
    let open =
        |seconds: f64| format!("    <testcase classname=\"{class}\" name=\"{name}\" time=\"{seconds:.3}\"");
    let judged = match case {
        Case::LeftOut(_, why) => {
            return writeln!(out, "{}><skipped message=\"{}\"/></testcase>", open(0.0), escaped(why));
        }
        Case::Planned(judged) => *judged,
    };
    let open = open(seconds(judged));
    let message = escaped(&message(run, judged));
    match judged.verdict {
        Some(Verdict::Pass) => writeln!(out, "{open}/>"),
        Some(Verdict::ConditionalPass) => {
            writeln!(out, "{open}><system-out>{message}</system-out></testcase>")
        }
        Some(Verdict::ConditionalFail) => {
            writeln!(out, "{open}><failure type=\"conditional fail\" message=\"{message}\"/></testcase>")
        }
        Some(Verdict::Fail) => {
            writeln!(out, "{open}><failure type=\"fail\" message=\"{message}\"/></testcase>")
        }
        None if judged.jobs.is_empty() => writeln!(out, "{open}><skipped message=\"{message}\"/></testcase>"),
        None => writeln!(out, "{open}><error type=\"not measured\" message=\"{message}\"/></testcase>"),
    }
}

fn message(run: &JudgedRun, judged: &JudgedCondition) -> String {
    let mut words = Vec::new();
    if let Some(verdict) = judged.verdict {
        words.push(verdict.words().to_string());
    }
    if judged.beyond_rating {
        words.push(format!("beyond rating at {} MT/s", level(run, judged, Factor::Rate)));
    }
    if let Some(worst) = judged.worst() {
        let unit = worst.metric.base_unit();
        words.push(format!(
            "{} of {}, lane {}: {:.3} {unit}, limit {:.3} {unit}, margin {:+.3} {unit}, U {:.3} {unit}",
            worst.metric.name(),
            worst.eye,
            worst.lane,
            worst.value,
            worst.limit,
            worst.margin,
            worst.expanded_uncertainty
        ));
    }
    if !reason(judged).is_empty() {
        words.push(reason(judged).to_string());
    }
    words.extend(judged.jobs.iter().filter(|job| !job.trouble.is_empty()).map(|job| job.trouble.clone()));
    words.join("; ")
}

/// Text for XML 1.0: markup escaped, characters that the standard forbids replaced.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' => out.push_str("&#10;"),
            '\r' => out.push_str("&#13;"),
            '\t' => out.push_str("&#9;"),
            '\u{0}'..='\u{1f}' | '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            _ => out.push(character),
        }
    }
    out
}

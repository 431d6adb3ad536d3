//! JUnit XML: a suite a setup, a case a job. Failures and errors are there exactly where `run` of the whole plan does not end with 0:
//! failure = its condition does not pass (a conditional pass is one too), error = not measured or undecided, skipped = not run,
//! predicted, not needed, or no limit applies. Beyond a module's rating nothing fails: the case says what was found. What decides
//! beside the measured jobs is one more case in the suite: jobs that were not run, predicted verdicts that are no pass or that do not
//! count, and, where highest rates are sought, each of them in place of the verdicts of its rates.

use super::{FACTOR_KEYS, level};
use judge::judged::{
    HighestRateNote, JobNote, JudgedCondition, JudgedRun, PredictedVerdict, RunFacts, Verdict,
};
use nightbench_core::condition::ConditionState;
use nightbench_core::text::counted;
use plan::expand::Condition;
use plan::matrix::Factor;
use std::collections::BTreeMap;
use std::fmt::{Result, Write};

/// One case: a job in the store, one still to be run (with its number among those of its condition), or a condition
/// left out with its reason.
enum Case<'a> {
    Done(&'a JudgedCondition, &'a JobNote),
    Waiting(&'a JudgedCondition, usize),
    LeftOut(&'a Condition, &'a str),
    /// What the predicted verdicts of the suite make of it: kind of the end, and words.
    Predicted(Predicted, String),
    /// So many conditions of the suite count and have jobs that were not run.
    NotRun(usize),
    /// A highest rate that was sought.
    Sought(&'a HighestRateNote),
}

/// Why predicted verdicts keep a suite from passing.
#[derive(Clone, Copy)]
enum Predicted {
    /// Some are no pass.
    NoPass,
    /// The audits do not let them count.
    NotAdmitted,
}

/// How a case ends.
enum End {
    Pass,
    /// Counts for nothing, and says what was found.
    Note,
    Failure(&'static str),
    Error(&'static str),
    Skipped,
}

impl Case<'_> {
    fn end(&self, run: &JudgedRun) -> End {
        match self {
            Case::Done(judged, _) if judged.beyond_rating && !run.beyond_rating_counts => End::Note,
            Case::LeftOut(..) | Case::Waiting(..) => End::Skipped,
            Case::NotRun(_) => End::Error("not measured"),
            Case::Sought(note) => match note.passes() {
                Some(true) => End::Pass,
                Some(false) => End::Failure("highest rate"),
                None => End::Error("not measured"),
            },
            // The answer decides, and what fails above it is no failure.
            Case::Done(judged, _) if is_search(run) => match judged.verdict {
                Some(Verdict::Pass) => End::Pass,
                _ => End::Note,
            },
            Case::Predicted(Predicted::NoPass, _) => End::Failure("predicted"),
            Case::Predicted(Predicted::NotAdmitted, _) => End::Error("not measured"),
            Case::Done(_, note) if !note.valid => End::Error("not measured"),
            Case::Done(_, note) if !note.trained => End::Failure("training"),
            Case::Done(judged, _) => match judged.verdict {
                Some(Verdict::Fail) => End::Failure("fail"),
                Some(Verdict::ConditionalFail) => End::Failure("conditional fail"),
                Some(Verdict::ConditionalPass) => End::Failure("conditional pass"),
                Some(Verdict::Pass) => End::Pass,
                None => match judged.state {
                    ConditionState::NotJudged => End::Skipped,
                    ConditionState::Undecided => End::Error("undecided"),
                    // This job is sound, but its condition is not whole.
                    _ => End::Error("not measured"),
                },
            },
        }
    }

    fn seconds(&self) -> f64 {
        match self {
            Case::Done(_, note) => note.times.training_s + note.times.measuring_s,
            _ => 0.0,
        }
    }
}

/// Writes the document. The verdict is that of the condition, on the mean over its jobs; a failed training is a
/// failure of that job.
///
/// # Errors
/// Only those of `out`.
pub fn write(run: &JudgedRun, facts: &RunFacts, out: &mut dyn Write) -> Result {
    let mut suites: BTreeMap<(u16, u16, u16), Vec<Case<'_>>> = BTreeMap::new();
    let jobs_each = run.jobs_each;
    for judged in &run.conditions {
        let cases = suites.entry(judged.condition.setup()).or_default();
        cases.extend(judged.jobs.iter().map(|note| Case::Done(judged, note)));
        cases.extend((judged.jobs.len()..jobs_each).map(|number| Case::Waiting(judged, number + 1)));
    }
    for left in &run.left_out {
        suites.entry(left.condition.setup()).or_default().push(Case::LeftOut(&left.condition, &left.reason));
    }
    for cases in suites.values_mut() {
        let (predicted, not_run) = (of_predicted(run, cases), of_not_run(run, cases));
        cases.extend(predicted.into_iter().chain(not_run));
    }
    for note in &run.audit.highest_rates {
        suites.entry(note.condition.setup()).or_default().push(Case::Sought(note));
    }
    let mark = if facts.simulated { "SIMULATED - not measured: " } else { "" };
    let total = suites.values().flatten().fold(Counts::default(), |counts, case| counts.with(case, run));
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
        let counts = cases.iter().fold(Counts::default(), |counts, case| counts.with(case, run));
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

/// Are highest rates sought?
fn is_search(run: &JudgedRun) -> bool {
    !run.audit.highest_rates.is_empty()
}

/// The case that conditions add to a suite that count and whose jobs were not all run.
fn of_not_run(run: &JudgedRun, cases: &[Case<'_>]) -> Option<Case<'static>> {
    let counts = |judged: &JudgedCondition| {
        judged.state.is_left() && (!judged.beyond_rating || run.beyond_rating_counts)
    };
    // The first of its jobs stands for a condition.
    let is_first = |case: &&Case<'_>| matches!(case, Case::Waiting(judged, 1) if counts(judged));
    let left = if is_search(run) { 0 } else { cases.iter().filter(is_first).count() };
    (left > 0).then_some(Case::NotRun(left))
}

/// The case that predicted verdicts add to a suite, where they keep it from passing.
fn of_predicted(run: &JudgedRun, cases: &[Case<'_>]) -> Option<Case<'static>> {
    let note = run.audit.predictions.as_ref()?;
    let (mut all, mut fails, mut perhaps) = (0, 0, 0);
    for case in cases {
        // A condition that waits for several jobs is one condition.
        let Case::Waiting(judged, 1) = case else { continue };
        let Some(predicted) = &judged.predicted else { continue };
        if judged.beyond_rating && !run.beyond_rating_counts {
            continue;
        }
        all += 1;
        match predicted.verdict {
            PredictedVerdict::Fail => fails += 1,
            PredictedVerdict::Pass => perhaps += usize::from(!predicted.beyond_guard),
        }
    }
    if all > 0 && !note.counts() {
        let words = format!("{all} predicted and not measured: {}", note.admission_words());
        return Some(Case::Predicted(Predicted::NotAdmitted, words));
    }
    let words = format!(
        "{fails} predicted fail, {perhaps} predicted pass that may lie within the guard band: not measured, and {}",
        note.admission_words()
    );
    (fails + perhaps > 0).then_some(Case::Predicted(Predicted::NoPass, words))
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
    fn with(mut self, case: &Case<'_>, run: &JudgedRun) -> Counts {
        self.tests += 1;
        self.seconds += case.seconds();
        match case.end(run) {
            End::Pass | End::Note => {}
            End::Failure(_) => self.failures += 1,
            End::Error(_) => self.errors += 1,
            End::Skipped => self.skipped += 1,
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

fn name_at(run: &JudgedRun, factor: Factor, at: usize) -> String {
    let name = run.level_names.get(factor as usize).and_then(|names| names.get(at));
    name.cloned().unwrap_or_else(|| format!("{} {}", factor.name(), at + 1))
}

fn write_case(run: &JudgedRun, case: &Case<'_>, suite: &str, out: &mut dyn Write) -> Result {
    let (condition, job) = match case {
        Case::Done(judged, note) => {
            let place = (note.mounting + 1, note.repeat + 1, note.start + 1);
            (&judged.condition, format!("mounting {}, repeat {}, start {}", place.0, place.1, place.2))
        }
        Case::Waiting(judged, number) => (&judged.condition, format!("job {number}")),
        Case::LeftOut(condition, _) => (*condition, String::new()),
        Case::NotRun(count) => {
            let words = format!("{} of this suite not run", counted(*count, "condition"));
            return write_named(suite, "jobs not run", case.end(run), &words, out);
        }
        Case::Sought(note) => {
            let words = match (note.highest_mts, note.is_known()) {
                (Some(rate), true) => format!("{rate} MT/s"),
                (Some(rate), false) => {
                    format!("{rate} MT/s so far: rates are left to ask, or were not measured")
                }
                (None, true) => "no rate that was asked passes".into(),
                (None, false) => "not known yet: rates are left to ask, or were not measured".into(),
            };
            let name = format!("highest rate that passes, {}", note.name);
            return write_named(suite, &name, case.end(run), &words, out);
        }
        Case::Predicted(kind, words) => {
            let (element, word) = match kind {
                Predicted::NoPass => ("failure", "predicted"),
                Predicted::NotAdmitted => ("error", "not measured"),
            };
            return writeln!(
                out,
                "    <testcase classname=\"{}\" name=\"predicted verdicts\" time=\"0.000\"><{element} type=\"{word}\" \
                 message=\"{}\"/></testcase>",
                escaped(suite),
                escaped(words)
            );
        }
    };
    let setup = [Factor::Chip, Factor::Module, Factor::Channel];
    let mut words: Vec<String> = FACTOR_KEYS
        .iter()
        .filter(|(_, factor)| !setup.contains(factor))
        .map(|(key, factor)| format!("{key} {}", name_at(run, *factor, condition.level(*factor))))
        .collect();
    words.extend((!job.is_empty()).then_some(job));
    let open = format!(
        "    <testcase classname=\"{}\" name=\"{}\" time=\"{:.3}\"",
        escaped(suite),
        escaped(&words.join(", ")),
        case.seconds()
    );
    let message = escaped(&match case {
        Case::LeftOut(_, why) => why.to_string(),
        Case::Waiting(judged, _)
            if matches!(
                judged.state,
                ConditionState::NotNeeded
                    | ConditionState::NoTime
                    | ConditionState::NoHands
                    | ConditionState::Predicted
            ) =>
        {
            judged.reason().into_owned()
        }
        Case::Waiting(judged, _) if !judged.detail.is_empty() => judged.reason().into_owned(),
        Case::Waiting(..) => "not run yet".into(),
        Case::Predicted(..) | Case::NotRun(_) | Case::Sought(_) => String::new(),
        Case::Done(judged, note) => message(run, judged, note),
    });
    match case.end(run) {
        End::Skipped => writeln!(out, "{open}><skipped message=\"{message}\"/></testcase>"),
        End::Error(kind) => writeln!(out, "{open}><error type=\"{kind}\" message=\"{message}\"/></testcase>"),
        End::Failure(kind) => {
            writeln!(out, "{open}><failure type=\"{kind}\" message=\"{message}\"/></testcase>")
        }
        End::Note => writeln!(out, "{open}><system-out>{message}</system-out></testcase>"),
        End::Pass => writeln!(out, "{open}/>"),
    }
}

/// A case of a name, that is no job.
fn write_named(suite: &str, name: &str, end: End, words: &str, out: &mut dyn Write) -> Result {
    write!(out, "    <testcase classname=\"{}\" name=\"{}\" time=\"0.000\"", escaped(suite), escaped(name))?;
    let words = escaped(words);
    match end {
        End::Failure(kind) => writeln!(out, "><failure type=\"{kind}\" message=\"{words}\"/></testcase>"),
        End::Error(kind) => writeln!(out, "><error type=\"{kind}\" message=\"{words}\"/></testcase>"),
        End::Pass | End::Note | End::Skipped => {
            writeln!(out, "><system-out>{words}</system-out></testcase>")
        }
    }
}

fn message(run: &JudgedRun, judged: &JudgedCondition, note: &JobNote) -> String {
    let mut words = Vec::new();
    if let Some(verdict) = judged.verdict {
        words.push(format!("{}{}", verdict.words(), judged.evidence().beside()));
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
    if judged.state != ConditionState::Judged {
        words.push(judged.reason().into_owned());
    }
    if !note.trouble.is_empty() {
        words.push(note.trouble.clone());
    }
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

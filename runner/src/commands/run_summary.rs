//! How `run`, `report` and `merge` end: the exit code of the verdicts, and the last words.

use crate::console::exit::Exit;
use crate::console::terminal::{Terminal, duration, folded, table};
use crate::evaluate::judging::{JudgedFolder, worst};
use crate::run::pending::PendingJob;
use judge::counts_in_words;
use judge::every_verdict_passes;
use judge::expected_in_words;
use judge::judged::{HighestRateNote, JudgedCondition, JudgedRun, PredictedVerdict, PredictionNote, Verdict};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::Evidence;
use nightbench_core::text::counted;
use plan::Plan;
use plan::expand::Condition;
use plan::matrix::Factor;
use plan::selection::Selection;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// The exit code of the verdicts over the conditions that were selected. Beyond-rating conditions count only with `beyond_counts`,
/// and conditions to which no limit applies have no verdict that could count; where nothing is left that counts, nothing was
/// selected (exit 4): an empty "every verdict passes" must not let anything through. A shard answers for its own jobs: a condition
/// whose other mountings belong to other shards is not held against it.
pub fn exit_of(
    folder: &JudgedFolder,
    beyond_counts: bool,
    selection: &Selection,
    shard: Option<&[PendingJob]>,
) -> Exit {
    let plan = &folder.file.plan;
    let admitted = folder.run.audit.predictions.as_ref().is_some_and(PredictionNote::counts);
    if !folder.run.audit.highest_rates.is_empty() {
        return exit_of_rates(folder, selection);
    }
    let mut own: HashMap<u32, usize> = HashMap::new();
    for pending in shard.into_iter().flatten() {
        *own.entry(pending.job.condition).or_default() += 1;
    }
    let mut all_pass = every_verdict_passes(&folder.run) || !selection.is_everything() || shard.is_some();
    let mut counting = 0;
    for (index, condition) in (0..).zip(&folder.run.conditions) {
        let own_jobs = own.get(&index).copied();
        let mine = selection.contains(&condition.condition) && (shard.is_none() || own_jobs.is_some());
        let beyond = condition.beyond_rating && !beyond_counts;
        if !mine || beyond || !is_judged(folder, condition) {
            continue;
        }
        counting += 1;
        // Counts where the plan admits it, and else as if it had not been measured.
        if let (Some(predicted), true) = (&condition.predicted, admitted) {
            all_pass &= predicted.beyond_guard;
            continue;
        }
        match condition.verdict {
            None if own_jobs.is_some_and(|jobs| {
                condition.jobs.len() >= jobs && condition.jobs.iter().all(|job| job.valid && job.trained)
            }) && condition.jobs.len() < plan.repeats.jobs() as usize => {}
            None => return Exit::Incomplete,
            Some(verdict) => all_pass &= verdict == Verdict::Pass,
        }
    }
    match (counting, all_pass) {
        // The whole answers for a shard.
        (0, _) if shard.is_none() => Exit::NothingSelected,
        (_, true) => Exit::Pass,
        (_, false) => Exit::NotAllPass,
    }
}

/// The exit code where the plan asks for highest rates: of the series that the selection holds a rate of. What fails above the
/// answer is no failure.
fn exit_of_rates(folder: &JudgedFolder, selection: &Selection) -> Exit {
    let plan = &folder.file.plan;
    let rates = 0..plan.matrix.rates.len() as u16;
    let selected = |note: &&HighestRateNote| {
        rates.clone().any(|rate| {
            let mut condition = note.condition;
            condition.levels[Factor::Rate as usize] = rate;
            selection.contains(&condition)
        })
    };
    let answers: Vec<Option<bool>> =
        folder.run.audit.highest_rates.iter().filter(selected).map(HighestRateNote::passes).collect();
    match answers.as_slice() {
        [] => Exit::NothingSelected,
        some if some.contains(&None) => Exit::Incomplete,
        some if some.contains(&Some(false)) => Exit::NotAllPass,
        _ => Exit::Pass,
    }
}

/// What is predicted, in a sentence.
pub fn prediction_words(run: &JudgedRun) -> String {
    let Some(note) = &run.audit.predictions else { return String::new() };
    if !note.finished {
        return "nothing is predicted yet: what is measured is still being chosen".into();
    }
    let counts = counts_in_words(run.predicted);
    let bound = note.drawn.bounds().or_else(|| note.mandatory.bounds());
    let bound = bound.map_or_else(
        || "no block was audited".to_string(),
        |(conditions, _)| format!("audits bound the share of wrong ones at {:.1} %", 100.0 * conditions),
    );
    let quarantined = match note.quarantined.len() {
        0 => String::new(),
        some => format!(
            "; {} of the matrix not predicted: a block lay far off, or its cover was not measured",
            counted(some, "part")
        ),
    };
    let perhaps = match note.perhaps_conditional {
        0 => String::new(),
        some => format!("; {some} of the predicted passes may lie within the guard band"),
    };
    let undecidable = match note.undecidable {
        0 => String::new(),
        some => format!(
            "; {} not predicted: a measurement there would be undecided, since the guard band is wider than the limit",
            counted(some, "condition")
        ),
    };
    let admitted = note.admission_words();
    match run.predicted.total() {
        0 => {
            let why = Some(note.nothing_left_words()).filter(|words| !words.is_empty());
            let why = why.map_or_else(String::new, |words| format!(": {words}"));
            format!("nothing that counts is predicted{why}{undecidable}{quarantined}")
        }
        _ => format!(
            "not measured: {counts}; {admitted}; wrong by the model's own account: {}, {bound}{perhaps}{undecidable}{quarantined}",
            expected_in_words(note.sum_p_wrong)
        ),
    }
}

/// Does any limit apply to a condition?
fn is_judged(folder: &JudgedFolder, condition: &JudgedCondition) -> bool {
    let plan = &folder.file.plan;
    let rate = condition.condition.rate(plan);
    let directions = &plan.capture.directions;
    // A failed training is a verdict whatever the limits are.
    condition.verdict.is_some()
        || folder.facts.limits.iter().any(|limit| directions.iter().any(|one| limit.applies(*one, rate)))
}

/// What to say before a run of which nothing will count.
pub fn nothing_counts<'c>(plan: &Plan, conditions: impl Iterator<Item = &'c Condition>) -> Option<String> {
    let counts = |condition: &Condition| {
        (plan.decision.beyond_rating_counts || !condition.beyond_rating(plan))
            && plan.capture.directions.iter().any(|direction| {
                let rate = condition.rate(plan);
                plan.limits.iter().any(|limit| limit.applies(*direction, rate))
            })
    };
    let mut conditions = conditions.peekable();
    conditions.peek()?;
    let none = !conditions.any(counts);
    none.then(|| {
        "nothing here counts towards a verdict: every condition is beyond its module's rating or without a limit; a run \
         measures and reports it, and ends with exit code 4"
            .to_string()
    })
}

/// Says why nothing counted, where [`exit_of`] says so.
pub fn explain(terminal: &Terminal, exit: Exit, folder: &JudgedFolder, selection: &Selection) {
    if exit == Exit::Incomplete {
        return tell_reasons(terminal, folder, selection);
    }
    if exit != Exit::NothingSelected {
        return;
    }
    let selected = || folder.run.conditions.iter().filter(|one| selection.contains(&one.condition));
    let unjudged = selected().filter(|one| !is_judged(folder, one)).count();
    let beyond = selected().count() - unjudged;
    let mut why = Vec::new();
    if beyond > 0 {
        why.push(format!("{} beyond a module's rating", counted(beyond, "condition")));
    }
    if unjudged > 0 {
        why.push(format!("{} to which no limit applies", counted(unjudged, "condition")));
    }
    let words = format!(
        "nothing selected that counts: {}; what was measured is in the report, and no verdict follows from it (exit 4)",
        why.join(" and ")
    );
    terminal.note(folded(&words, "", "  ").trim_end());
}

/// Series of rates that the last words show; the page shows all.
const MOST_RATES: usize = 24;

/// The answers of series, a line each.
pub fn rates_words(notes: &[HighestRateNote]) -> String {
    let mut text: String =
        notes.iter().take(MOST_RATES).map(|note| folded(&rate_words(note), "  ", "    ")).collect();
    if let Some(more) = notes.len().checked_sub(MOST_RATES).filter(|more| *more > 0) {
        text.push_str(&format!("  and {more} more; see the report\n"));
    }
    text
}

/// The answer of one series, in a line.
fn rate_words(note: &HighestRateNote) -> String {
    let list = |rates: &[u32]| rates.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
    let mut words = match (note.highest_mts, note.asked) {
        (Some(rate), _) if !note.is_known() => format!("at least {rate} MT/s"),
        (Some(rate), _) => format!("{rate} MT/s"),
        (None, 0) => "not yet run".into(),
        (None, _) if !note.is_known() => "not known yet".into(),
        (None, _) => "none".into(),
    };
    if !note.doubtful_mts.is_empty() {
        words.push_str(&format!(", in doubt at {}", list(&note.doubtful_mts)));
    }
    if !note.not_measured_mts.is_empty() {
        words.push_str(&format!(", not measured at {}", list(&note.not_measured_mts)));
    }
    match note.fails_at_mts {
        Some(rate) => words.push_str(&format!(", fails at {rate}")),
        None if note.fastest_passes => words.push_str(", the fastest asked for"),
        None => {}
    }
    let open = if note.asked > 0 && !note.finished { " (not finished)" } else { "" };
    format!("{}: {words}{open}", note.name)
}

/// Most reasons told where conditions have no verdict; all stand on the page.
const MOST_REASONS: usize = 3;

/// Why conditions have no verdict, the most frequent reasons first.
fn tell_reasons(terminal: &Terminal, folder: &JudgedFolder, selection: &Selection) {
    let without = folder.run.conditions.iter().filter(|one| {
        let has_reason = !one.detail.is_empty() && one.state == ConditionState::NotRun;
        (has_reason || matches!(one.state, ConditionState::Undecided | ConditionState::NotMeasured))
            && selection.contains(&one.condition)
    });
    let mut reasons: BTreeMap<String, usize> = BTreeMap::new();
    for one in without {
        let mut words: Vec<String> =
            one.open_questions().into_iter().map(|words| format!("undecided: {words}")).collect();
        if words.is_empty() {
            words.push(one.reason().into_owned());
        }
        words.into_iter().for_each(|words| *reasons.entry(words).or_default() += 1);
    }
    let mut reasons: Vec<(String, usize)> = reasons.into_iter().collect();
    reasons.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    for (reason, count) in reasons.iter().take(MOST_REASONS) {
        terminal.note(folded(&format!("{}: {reason}", counted(*count, "condition")), "", "  ").trim_end());
    }
    if let Some(more) = reasons.len().checked_sub(MOST_REASONS).filter(|more| *more > 0) {
        terminal.note(&format!("and {}; see the report", counted(more, "other reason")));
    }
}

/// The last words of a run: verdicts, the worst condition, and where the report is. What was not selected and has not run
/// is told apart from what could not be measured.
pub fn closing_words(folder: &JudgedFolder, report: &Path, selection: &Selection) -> String {
    let run = &folder.run;
    let waits =
        |one: &JudgedCondition| one.state == ConditionState::NotRun && !selection.contains(&one.condition);
    // By the rating itself, whether or not what lies beyond it counts.
    let row = |name: &str, of: &dyn Fn(&JudgedCondition) -> bool| -> Vec<String> {
        let (beyond, within): (Vec<_>, Vec<_>) =
            run.conditions.iter().filter(|one| of(one)).partition(|one| one.beyond_rating);
        vec![name.to_string(), within.len().to_string(), beyond.len().to_string()]
    };
    let mut rows: Vec<Vec<String>> = Verdict::ALL
        .iter()
        .map(|verdict| row(verdict.words(), &|one| one.verdict == Some(*verdict)))
        .collect();
    let predicts = run.predicted.total() + run.predicted_beyond_rating.total() > 0;
    let not_measured = if predicts { "neither measured nor predicted" } else { "not measured" };
    rows.push(row(not_measured, &|one| {
        (one.state.is_left() || one.state == ConditionState::NotMeasured) && !waits(one)
    }));
    let mut where_any = |found: Vec<String>| {
        if found[1..].iter().any(|many| many != "0") {
            rows.push(found);
        }
    };
    where_any(row("  of them nobody was there", &|one| one.state == ConditionState::NoHands));
    where_any(row("  of them no time was left", &|one| one.state == ConditionState::NoTime));
    where_any(row("not selected, not run", &waits));
    where_any(row("not needed", &|one| one.state == ConditionState::NotNeeded));
    for verdict in PredictedVerdict::ALL {
        where_any(row(verdict.words(), &|one| {
            one.predicted.as_ref().is_some_and(|predicted| predicted.verdict == verdict)
        }));
    }
    where_any(row("undecided: measured", &|one| one.state == ConditionState::Undecided));
    where_any(row("of them by row and column", &|one| {
        one.verdict.is_some() && one.evidence() == Evidence::RowAndColumn
    }));
    where_any(row("not judged: no limit", &|one| one.state == ConditionState::NotJudged));
    let mut text = String::new();
    if folder.facts.simulated {
        text.push_str("SIMULATED - not measured\n");
    }
    text.push_str(&table(&["conditions", "within rating", "beyond rating"], &rows, 1));
    text.push('\n');
    let untrained = run.conditions.iter().filter(|one| one.state == ConditionState::TrainingFailed).count();
    if untrained > 0 {
        let words = counted(untrained, "condition");
        text.push_str(&format!("\n{words} failed in training: no eye, no margin\n"));
    }
    if !run.audit.highest_rates.is_empty() {
        text.push_str("\nhighest rate that passes:\n");
        text.push_str(&rates_words(&run.audit.highest_rates));
    }
    let mut line = |words: String, first: &str| text.push_str(&folded(&words, first, "  "));
    if run.audit.predictions.is_some() {
        line(prediction_words(run), "\n");
    }
    if let Some((name, metric)) = worst(run).filter(|_| run.audit.highest_rates.is_empty()) {
        let judged = run.worst().and_then(|index| run.conditions.get(index));
        let of = match judged.is_some_and(|one| run.counts_beside_others(one)) {
            true => " within rating",
            false => "",
        };
        line(format!("worst measured condition{of}: {name}"), "\n");
        line(
            format!(
                "{} of {}, lane {}: margin {:+.1} {unit} (limit {:.1} {unit}, U {:.1} {unit}), {}{}",
                metric.metric.name(),
                metric.eye,
                metric.lane,
                metric.margin,
                metric.limit,
                metric.expanded_uncertainty,
                metric.verdict.words(),
                metric.evidence.beside(),
                unit = metric.metric.base_unit(),
            ),
            "  ",
        );
    }
    if let Some(hours) = &folder.hours {
        let mut words = format!("bench time: {}", duration((hours.total - hours.waiting) * 3600.0));
        if hours.waiting > 0.0 {
            let waiting = duration(hours.waiting * 3600.0);
            words.push_str(&format!(", and {waiting} of waiting for attended hours"));
        }
        let parts = format!(
            "measuring and training {}, ramps and soak {}, hands {}",
            duration((hours.measuring + hours.training) * 3600.0),
            duration((hours.ramps + hours.soak + hours.settle) * 3600.0),
            duration((hours.hands_on + hours.boot) * 3600.0),
        );
        line(words, "\n");
        line(parts, "  ");
    }
    text.push_str(&format!("\nreport: {}", report.display()));
    text
}

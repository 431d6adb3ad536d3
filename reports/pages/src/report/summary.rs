//! The top screen: the decision in a sentence, counts, coverage, the worst condition and what needs attention.

use super::rests_on::{RestsOn, rests_on};
use super::words::*;
use super::{eyes::MetricRow, eyes::metric_row, predicted};
use judge::judged::{JudgedRun, PredictedVerdict, PredictionNote, ReleaseDecision, RunFacts, Verdict};
use judge::passes_in_words;
use nightbench_core::condition::ConditionState;
use plan::matrix::Factor;
use serde::Serialize;

/// A count of one verdict.
#[derive(Debug, Serialize)]
pub(super) struct Tile {
    pub class: &'static str,
    pub glyph: &'static str,
    pub number: usize,
    pub words: String,
    pub beyond: usize,
}

/// A part of the coverage bar: share of its width.
#[derive(Debug, Serialize)]
pub(super) struct Part {
    pub class: &'static str,
    pub x: String,
    pub w: String,
    pub words: String,
}

/// A line that needs a reader's attention, with the place to look.
#[derive(Debug, Serialize)]
pub(super) struct Attention {
    pub words: String,
    pub link: String,
}

/// The worst condition.
#[derive(Debug, Serialize)]
pub(super) struct Worst {
    pub index: usize,
    pub anchor: String,
    pub name: String,
    pub class: &'static str,
    pub verdict: String,
    pub place: String,
    pub row: MetricRow,
    /// `within rating`, where other conditions are measured that do not count; else empty.
    pub of: &'static str,
    /// The worst condition beyond rating, where it is worse and does not count.
    pub worse_beyond: Option<WorseBeyond>,
}

/// A condition beyond rating.
#[derive(Debug, Serialize)]
pub(super) struct WorseBeyond {
    pub anchor: String,
    pub name: String,
    pub words: String,
}

#[derive(Debug, Serialize)]
pub(super) struct Summary {
    pub class: &'static str,
    pub decision: &'static str,
    pub sentence: String,
    pub rests_on: RestsOn,
    pub reasons: Vec<String>,
    pub incomplete: String,
    pub tiles: Vec<Tile>,
    pub beyond: usize,
    pub coverage: Vec<Part>,
    pub coverage_words: String,
    pub attention: Vec<Attention>,
    pub worst: Option<Worst>,
}

/// Builds the top screen.
pub(super) fn summary(run: &JudgedRun, facts: &RunFacts, anchors: &[String]) -> Summary {
    let (class, decision) = match (run.release.decision, run.release.open) {
        (ReleaseDecision::Yes, _) => ("vp", "Passes"),
        (ReleaseDecision::No, _) => ("vf", "Does not pass"),
        (ReleaseDecision::Undecided, Some(open)) => ("vn", open.words()),
        (ReleaseDecision::Undecided, None) => ("vn", "Undecided"),
    };
    let worst = run.worst().and_then(|index| {
        let judged = run.conditions.get(index)?;
        let metric = judged.worst()?;
        Some(Worst {
            index,
            anchor: anchors.get(index).cloned().unwrap_or_default(),
            name: judged.name.clone(),
            class: super::words::class(judged.verdict),
            verdict: format!("{} {}", glyph(judged.verdict), verdict_words(judged)),
            place: metric_place(metric),
            row: metric_row(metric),
            of: match run.counts_beside_others(judged) {
                true => " within rating",
                false => "",
            },
            worse_beyond: run.worse_beside().and_then(|index| worse_beyond(run, index, anchors)),
        })
    });
    let total = run.verdicts.total();
    Summary {
        class,
        decision,
        sentence: sentence(run, facts, worst.as_ref()),
        rests_on: rests_on(run),
        reasons: run.release.reasons.clone(),
        incomplete: incomplete(run),
        tiles: tiles(run),
        beyond: run.beyond_rating.total(),
        coverage: coverage(run),
        coverage_words: format!(
            "{} of {} planned {} a verdict{}; {} left out with a reason.",
            total + run.beyond_rating.total(),
            count(run.planned, "condition", "conditions"),
            if run.planned == 1 { "has" } else { "have" },
            if run.planned > 0 {
                format!(" ({:.0} %)", 100.0 * (total + run.beyond_rating.total()) as f64 / run.planned as f64)
            } else {
                String::new()
            },
            count(run.left_out.len(), "combination is", "combinations are"),
        ),
        attention: attention(run, facts),
        worst,
    }
}

fn worse_beyond(run: &JudgedRun, index: usize, anchors: &[String]) -> Option<WorseBeyond> {
    let judged = run.conditions.get(index)?;
    let metric = judged.worst()?;
    Some(WorseBeyond {
        anchor: anchors.get(index).cloned().unwrap_or_default(),
        name: judged.name.clone(),
        words: format!("{}, {}", verdict_words(judged), margin(metric)),
    })
}

fn sentence(run: &JudgedRun, facts: &RunFacts, worst: Option<&Worst>) -> String {
    let target = if facts.simulated { "On the simulated target, " } else { "" };
    let counted = run.verdicts.total();
    if let Some(words) = sought(run) {
        return format!("{}{words}", start(target));
    }
    if counted + run.beyond_rating.total() == 0 {
        return format!("{}no condition has a verdict: nothing can be said about the margin.", start(target));
    }
    let of = count(counted, "condition", "conditions");
    let main = if counted == 0 {
        "no condition within rating has a verdict".to_string()
    } else if run.verdicts.pass == counted {
        match counted {
            1 => "the one condition judged passes".into(),
            _ => format!("all {of} judged pass"),
        }
    } else {
        let mut parts = Vec::new();
        for verdict in Verdict::ALL.into_iter().rev() {
            let many = run.verdicts.of(verdict);
            if many > 0 {
                let verb = match (verdict, many) {
                    (Verdict::Fail, 1) => "fails",
                    (Verdict::Fail, _) => "fail",
                    (Verdict::Pass, 1) => "passes",
                    (Verdict::Pass, _) => "pass",
                    (Verdict::ConditionalFail, 1) => "fails conditionally",
                    (Verdict::ConditionalPass, 1) => "passes conditionally",
                    (Verdict::ConditionalFail, _) => "fail conditionally",
                    (Verdict::ConditionalPass, _) => "pass conditionally",
                };
                parts.push(format!("{many} {verb}"));
            }
        }
        format!("of {of} judged, {}", parts.join(", "))
    };
    let below = run.passes_read_below(true);
    let below = match below.total() {
        0 => String::new(),
        _ => format!("; in {} a lane read below its limit", passes_in_words(below)),
    };
    let mut missing = String::new();
    let predicted = run.predicted.total();
    for (number, words) in [
        (predicted, "predicted and not measured"),
        (run.not_measured, not_measured(run)),
        (run.undecided, "undecided"),
    ] {
        if number > 0 {
            missing.push_str(&format!("; {} {words}", count(number, "is", "are")));
        }
    }
    let tail = worst
        .map_or_else(String::new, |w| format!(" The worst measured{} is {} ({}).", w.of, w.name, w.place));
    format!("{}{main}{below}{missing}.{}{tail}", start(target), untrained(run))
}

/// The highest rates in a sentence, where the plan asks for them.
fn sought(run: &JudgedRun) -> Option<String> {
    let notes = &run.audit.highest_rates;
    notes.iter().find(|note| note.asked > 0)?;
    let of = |answer: Option<bool>| notes.iter().filter(|note| note.passes() == answer).count();
    let (passing, open) = (of(Some(true)), of(None));
    let mut words = match passing == notes.len() {
        true => format!("all {passing} series of rates "),
        false => format!("{passing} of {} series of rates ", notes.len()),
    };
    words.push_str(match notes.iter().any(|note| note.reaches.is_some()) {
        true => "reach the rate asked for",
        false => "have a rate that passes",
    });
    if open > 0 {
        words.push_str(&format!("; {}", count(open, "is not known yet", "are not known yet")));
    }
    words.push('.');
    // A series that was cut short has no answer yet.
    let known = || notes.iter().filter(|note| note.is_known());
    if let Some(slowest) = known().min_by_key(|note| note.highest_mts) {
        let which =
            if known().count() < notes.len() { "The lowest answer known" } else { "The lowest answer" };
        words.push_str(&match slowest.highest_mts {
            Some(rate) => format!(" {which} is {rate} MT/s, of {}.", slowest.name),
            None => format!(" {which} is that of {}: none of its rates passes.", slowest.name),
        });
    }
    Some(words)
}

/// Where training failed among the conditions that count: no margin is worse.
fn untrained(run: &JudgedRun) -> String {
    let failed: Vec<&str> = run
        .conditions
        .iter()
        .filter(|judged| run.counts(judged) && judged.state == ConditionState::TrainingFailed)
        .map(|judged| judged.name.as_str())
        .collect();
    match failed.as_slice() {
        [] => String::new(),
        [one] => format!(" Training fails at {one}."),
        [first, rest @ ..] => {
            format!(
                " Training fails at {first} and {}.",
                count(rest.len(), "other condition", "other conditions")
            )
        }
    }
}

/// The opening words; what follows begins with a small letter.
fn start(target: &str) -> String {
    if target.is_empty() { "Result: ".into() } else { target.into() }
}

fn incomplete(run: &JudgedRun) -> String {
    if run.jobs_done == 0 {
        format!(
            "Empty: no job of {} is in the store.",
            count(run.jobs_planned, "planned job", "planned jobs")
        )
    } else if run.jobs_done < run.jobs_planned {
        let why = left_by_hours(run).next().map_or_else(String::new, |(_, detail)| format!(": {detail}"));
        // A choice that has come to its end asks for no more.
        let goes_on = match run.audit.predictions.as_ref().is_some_and(|note| note.finished) {
            true => "What is neither measured nor predicted is measured where `run --only` names it.",
            false => "The same command continues the run.",
        };
        format!(
            "Incomplete: {} of {} are in the store{why}. {goes_on}",
            run.jobs_done,
            count(run.jobs_planned, "planned job", "planned jobs")
        )
    } else if run.predicted.total() > 0 && !run.audit.predictions.as_ref().is_some_and(PredictionNote::counts)
    {
        format!(
            "Incomplete: {} predicted and not measured, and predicted verdicts do not count.",
            count(run.predicted.total(), "condition is", "conditions are")
        )
    } else {
        String::new()
    }
}

/// Conditions that nobody was there to mount, or that no time was left for, and in what hours.
fn left_by_hours(run: &JudgedRun) -> impl Iterator<Item = (usize, &str)> {
    let of = |state: ConditionState| run.conditions.iter().filter(move |one| one.state == state);
    let states = [ConditionState::NoHands, ConditionState::NoTime];
    states
        .into_iter()
        .filter_map(move |state| of(state).next().map(|one| (of(state).count(), one.detail.as_str())))
}

fn tiles(run: &JudgedRun) -> Vec<Tile> {
    let mut tiles: Vec<Tile> = Verdict::ALL
        .into_iter()
        .map(|verdict| Tile {
            class: class(Some(verdict)),
            glyph: glyph(Some(verdict)),
            number: run.verdicts.of(verdict),
            words: verdict.words().into(),
            beyond: run.beyond_rating.of(verdict),
        })
        .collect();
    let mut none = |number: usize, words: &str| {
        tiles.push(Tile { class: "vn", glyph: glyph(None), number, words: words.into(), beyond: 0 });
    };
    none(run.not_measured, not_measured(run));
    if run.not_needed > 0 {
        none(run.not_needed, "not needed");
    }
    if run.undecided > 0 {
        none(run.undecided, "undecided: measured");
    }
    if run.not_judged > 0 {
        none(run.not_judged, "not judged: no limit");
    }
    for verdict in PredictedVerdict::ALL.into_iter().filter(|_| predicted::has_some(run)) {
        let (glyph, class) = predicted_mark(verdict);
        tiles.push(Tile {
            class,
            glyph,
            number: run.predicted.of(verdict),
            words: predicted::tile_words(verdict),
            beyond: run.predicted_beyond_rating.of(verdict),
        });
    }
    tiles
}

fn coverage(run: &JudgedRun) -> Vec<Part> {
    let both = |verdict: Verdict| run.verdicts.of(verdict) + run.beyond_rating.of(verdict);
    let judged: usize = Verdict::ALL.into_iter().map(both).sum();
    let mut parts: Vec<(&'static str, usize, &str)> =
        Verdict::ALL.into_iter().map(|v| (class(Some(v)), both(v), v.words())).collect();
    let mut without = run.planned.saturating_sub(judged + run.not_needed);
    for verdict in PredictedVerdict::ALL {
        let number = run.predicted.of(verdict) + run.predicted_beyond_rating.of(verdict);
        parts.push((predicted_mark(verdict).1, number, verdict.words()));
        without = without.saturating_sub(number);
    }
    parts.push(("vn", without, "without a verdict"));
    parts.push(("vo", run.not_needed, "not needed"));
    parts.push(("vo", run.left_out.len(), "left out"));
    let all: usize = parts.iter().map(|part| part.1).sum();
    let mut x = 0.0;
    let mut bar = Vec::new();
    for (class, number, words) in parts.into_iter().filter(|part| part.1 > 0) {
        let w = 1000.0 * number as f64 / all.max(1) as f64;
        bar.push(Part { class, x: coordinate(x), w: coordinate(w), words: format!("{number} {words}") });
        x += w;
    }
    bar
}

fn attention(run: &JudgedRun, facts: &RunFacts) -> Vec<Attention> {
    let mut list = Vec::new();
    let mut add = |number: usize, one: &str, many: &str, link: &str| {
        if number > 0 {
            list.push(Attention { words: count(number, one, many), link: link.into() });
        }
    };
    let metrics = || run.conditions.iter().filter_map(|condition| condition.worst());
    let counted = |verdict: Verdict| run.verdicts.of(verdict);
    add(run.jobs_planned.saturating_sub(run.jobs_done), "job not yet run", "jobs not yet run", "not-run");
    for (many, detail) in left_by_hours(run) {
        let words = |noun: &str| format!("{noun} without a job: {detail}");
        add(many, &words("condition"), &words("conditions"), "not-run");
    }
    let undecidable = run.audit.predictions.as_ref().map_or(0, |note| note.undecidable);
    add(
        undecidable,
        "condition is not predicted: a measurement would be undecided",
        "conditions are not predicted: measurements would be undecided",
        "predicted",
    );
    add(
        run.predicted.total() + run.predicted_beyond_rating.total(),
        "condition is predicted and not measured",
        "conditions are predicted and not measured",
        "predicted",
    );
    let quarantined = run.audit.predictions.as_ref().map_or(0, |note| note.quarantined.len());
    add(
        quarantined,
        "part of the matrix is not predicted (section 1 says why)",
        "parts of the matrix are not predicted (section 1 says why)",
        "predicted",
    );
    let sought = &run.audit.highest_rates;
    let answers = |wanted: Option<bool>| sought.iter().filter(|one| one.passes() == wanted).count();
    add(answers(None), "highest rate is not known yet", "highest rates are not known yet", "highest");
    add(
        answers(Some(false)),
        "series of rates has none that is fast enough and passes",
        "series of rates have none that is fast enough and passes",
        "highest",
    );
    if sought.is_empty() {
        add(counted(Verdict::Fail), "condition fails", "conditions fail", "conditions");
    }
    add(run.failed_trainings.len(), "training attempt failed", "training attempts failed", "training");
    add(
        counted(Verdict::ConditionalFail) + counted(Verdict::ConditionalPass),
        "condition lies within the guard band",
        "conditions lie within the guard band",
        "conditions",
    );
    add(
        run.passes_read_below(true).total(),
        "condition passes though a lane read below its limit (\u{2021})",
        "conditions pass though a lane read below its limit (\u{2021})",
        "conditions",
    );
    // What has not run yet is told by its jobs.
    let faults =
        run.conditions.iter().filter(|one| one.state == ConditionState::NotMeasured && run.counts(one));
    add(faults.count(), "condition not measured", "conditions not measured", "not-run");
    add(run.undecided, "condition measured and undecided", "conditions measured and undecided", "not-run");
    add(run.not_judged, "condition without any limit", "conditions without any limit", "not-run");
    add(
        metrics().filter(|m| m.off_centre).count(),
        "eye is open but the operating point lies outside it",
        "eyes are open but the operating point lies outside them",
        "eyes",
    );
    add(
        metrics().filter(|m| m.at_least).count(),
        "eye reaches the border of its grid: a lower bound",
        "eyes reach the border of their grid: lower bounds",
        "eyes",
    );
    let beyond = run.beyond_rating;
    add(
        beyond.total() - beyond.pass,
        "condition beyond rating does not pass (outside the decision)",
        "conditions beyond rating do not pass (outside the decision)",
        "matrix",
    );
    // Every planned chip and firmware image answers with an identity of its own.
    let levels = |factor: Factor| run.level_names.get(factor as usize).map_or(1, |names| names.len().max(1));
    let changed = run.identities.len().saturating_sub(levels(Factor::Chip) * levels(Factor::Firmware));
    add(
        changed,
        "change of the device's identity during the run",
        "changes of the device's identity during the run",
        "items",
    );
    let short = run.audit.extrapolations.iter().filter(|note| {
        note.width_ps.is_some_and(|width| width < note.mask.0)
            || note.height_mv.is_some_and(|height| height < note.mask.1)
    });
    add(
        short.count(),
        "eye is smaller than its mask when extrapolated to the ratio the mask is defined at (information, section A)",
        "eyes are smaller than their masks when extrapolated to the ratio the masks are defined at (information, \
         section A)",
        "annex",
    );
    let suspect = run.audit.charts.iter().map(|chart| chart.suspect_jobs).max().unwrap_or(0);
    add(
        suspect,
        "job is suspect: a reference job left its control limits",
        "jobs are suspect: a reference job left its control limits",
        "not-run",
    );
    add(
        run.outside_plan.jobs,
        "stored job is no longer in the plan (changed after it was measured)",
        "stored jobs are no longer in the plan (changed after they were measured)",
        "not-run",
    );
    let afterwards = run.audit.limit_sets.iter().filter(|set| set.shown && !set.agreed_before).count();
    add(
        afterwards,
        "set of limits on this page is not the one agreed before measuring",
        "sets of limits on this page are not the ones agreed before measuring",
        "uncertainty",
    );
    add(facts.notes.len(), "note by a reader", "notes by readers", "not-run");
    if list.is_empty() && !run.conditions.is_empty() {
        list.push(Attention { words: "Nothing.".into(), link: String::new() });
    }
    list
}

/// What a condition is that has neither a verdict nor a prediction.
fn not_measured(run: &JudgedRun) -> &'static str {
    let predicted = run.predicted.total() + run.predicted_beyond_rating.total();
    if predicted > 0 { "neither measured nor predicted" } else { "not measured" }
}

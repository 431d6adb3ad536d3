//! `status`: how far a run is, from another terminal too.

use super::run_summary::{prediction_words, rates_words};
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::slow_notice::SlowNotice;
use crate::console::terminal::{Terminal, about, duration, folded};
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::evaluate::left::{Finish, FinishFrom, Left, asked_and_left, to_come};
use crate::folder::eye_summaries::CacheUse;
use crate::forecast::folder_facts::PlanSize;
use crate::forecast::job_counts::JobCounts;
use crate::run::remeasure::still_asked_for;
use crate::store::{Holder, Store, StoreReader, Target, hex, utc_seconds};
use judge::judged::{JudgedCondition, JudgedRun, OutsidePlan, Verdict, VerdictCounts};
use nightbench_core::condition::ConditionState;
use nightbench_core::events::Event;
use nightbench_core::text::counted;
use serde::Serialize;
use serde_json::json;
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

/// Shows how far a run is and what fails so far.
pub fn status(terminal: &Terminal, dir: &Path, as_json: bool) -> Outcome {
    let _notice = SlowNotice::start(terminal, "judging what is there ...");
    let reader = Store::open_read_only(dir)?;
    // What was noted decides what is to come; results are looked through where they are not so many that it takes long.
    let log = reader.verify_notes()?;
    let meta = reader.meta()?;
    let progress = reader.progress()?;
    let size = PlanSize::of(&reader, &meta)?;
    let stored = (progress.measured + progress.training_failed + progress.not_measured) as usize;
    if stored <= MOST_JUDGED_JOBS {
        reader.verify()?;
    }
    let judged = SoFar::of(dir, &reader, stored);
    let outside = judged.as_ref().map_or(OutsidePlan::default(), |so_far| so_far.outside);
    let run = judged.as_ref().ok().map(|so_far| &so_far.run);
    let asked = run.map_or(Ok(0), |run| asked_and_left(&reader, &meta, run))?;
    let results = stored.saturating_sub(outside.jobs);
    let again = still_asked_for(&reader)?;
    let holder = Holder::running_in(dir);
    let to_come = to_come(dir, &reader, &meta, &size)?;
    let counts = match &judged {
        Ok(so_far) => JobCounts { done: results.min(so_far.counts.done), ..so_far.counts },
        Err(_) => JobCounts::unjudged(size.jobs as usize, results),
    };
    let counts = to_come.as_ref().map_or(counts, |jobs| counts.foretold(jobs.len())).asked_for(asked);
    let done = counts.done;
    let left = Left::of(&reader, &meta, &size, done, holder.is_some(), run, to_come.as_deref())?;
    let simulated = meta.target == Target::Simulated;
    let target = match &meta.target {
        Target::Simulated => format!("simulated target, seed {}", meta.seed),
        Target::Bench(name) => format!("bench {name}"),
    };
    let wall = if holder.is_some() { Wall::of(&reader, done)? } else { None };
    if as_json {
        let target = if simulated { "simulated target".to_string() } else { target };
        let so_far = judged.as_ref().ok();
        terminal.out(
            &json!({
                "title": meta.title, "simulated": simulated, "target": target,
                "job_counts": counts, "jobs": counts.plan, "done": done, "jobs_measured": progress.measured,
                "jobs_training_failed": progress.training_failed, "jobs_not_measured": progress.not_measured,
                "superseded": progress.superseded, "asked_again": again.as_ref().map(|(jobs, _)| jobs), "outside_plan": outside.jobs, "bench_hours": left.done_hours,
                "bench_hours_left": left.left_hours,
                "wall_clock_seconds_left": wall.as_ref().filter(|_| left.given.is_none()).and_then(Wall::left_s),
                "finish": left.finish.as_ref().map(finish_for_machines),
                "hours_of_this_run": left.given.as_ref().map(|given| json!({
                    "hours": given.hours, "used": given.used, "home_by": given.home_by,
                })),
                "most_hours": left.most_hours,
                "learned_from": left.learned_from,
                "next_hands_on": left.next.as_ref().map(|(when, what)| json!({"begin": when, "mount": what})),
                "running": holder.is_some(),
                "log_head": hex(&log.head), "log_events": log.events,
                "verdicts": so_far.map(|so_far| so_far.verdicts),
                "failing": so_far.map(|so_far| &so_far.failing),
                "highest_rates": so_far.map(|so_far| &so_far.run.audit.highest_rates),
                "not_measured": so_far.map(|so_far| so_far.run.not_measured),
                "not_needed": so_far.map(|so_far| so_far.run.not_needed),
                "predicted": run.filter(|run| run.audit.predictions.is_some()).map(|run| run.predicted),
                "predictions": run.and_then(|run| run.audit.predictions.as_ref()),
                "no_time_left": in_state(run, ConditionState::NoTime).filter(|left| *left > 0),
                "nobody_there": in_state(run, ConditionState::NoHands).filter(|left| *left > 0),
                "failing_beyond_rating": so_far.map(|so_far| &so_far.failing_beyond),
            })
            .to_string(),
        );
        return Ok(Exit::Pass);
    }
    let mut text = format!("{}\n{target}\n\n{}", meta.title, counts.words());
    if left.foretold_jobs.is_some() {
        let words = "what is to do is foretold from what is known now, and may change as the run goes on";
        text.push_str(folded(words, "\n  ", "  ").trim_end());
    }
    if let Some(words) = outside.words() {
        text.push_str(folded(&words, "\n  ", "  ").trim_end());
    }
    for (count, words) in [
        (progress.training_failed, "done with failed training"),
        (progress.not_measured, "done, but not measured: the report says why"),
        (progress.superseded, "measured again since (superseded)"),
    ] {
        if count > 0 {
            text.push_str(&format!("\n  {} {words}", counted(count as usize, "job")));
        }
    }
    if let Some((count, reason)) = &again {
        let words = format!(
            "{} asked to be measured again and not yet: until then the old result counts ({reason})",
            counted(*count, "job")
        );
        text.push_str(folded(&words, "\n  ", "  ").trim_end());
    }
    for state in [ConditionState::NoHands, ConditionState::NoTime] {
        let count = in_state(run, state).unwrap_or(0);
        let why = run.and_then(|run| run.conditions.iter().find(|one| one.state == state));
        if let Some(why) = why {
            let words = format!("{} not begun: {}", counted(count, "condition"), why.detail);
            text.push_str(folded(&words, "\n  ", "  ").trim_end());
        }
    }
    if let Some(run) = run.filter(|run| run.audit.predictions.is_some()) {
        text.push_str(folded(&prediction_words(run), "\n  ", "  ").trim_end());
    }
    if asked > 0 {
        let words = format!(
            "{} asked for by name (--only or the like) by the last run and left",
            counted(asked, "job")
        );
        text.push_str(folded(&words, "\n  ", "  ").trim_end());
    }
    text.push_str(&time_words(&left, wall.as_ref(), simulated, counts.to_do > 0));
    text.push_str(match holder {
        Some(_) => "\na run is going on",
        None if again.is_some() => "\nno run is going on; the same `run --again` command continues it",
        None if counts.to_do > 0 => "\nno run is going on; the same `run` command continues it",
        None => "\ncomplete",
    });
    text.push_str(&format!(
        "\nhead of the log (noted elsewhere, `report DIR --verify HEAD` proves the folder):\n  {}",
        hex(&log.head)
    ));
    match judged {
        Ok(so_far) => text.push_str(&so_far.words(dir, counts.to_do == 0)),
        Err(words) => text.push_str(&format!("\n\n{}", folded(&words, "", "  ").trim_end())),
    }
    terminal.out(&text);
    Ok(Exit::Pass)
}

/// Bench time done and left, and the time by this computer's clock where a run is going on.
fn time_words(left: &Left, wall: Option<&Wall>, simulated: bool, goes_on: bool) -> String {
    let mut text = String::new();
    if let Some(hours) = left.done_hours {
        text.push_str(&format!("\nbench time so far    {}", duration(hours * 3600.0)));
    } else if !simulated && wall.is_some() {
        text.push_str("\nbench time so far    not recorded before the first job of this run has ended");
    }
    if goes_on {
        let of = if left.given.is_some() { " for the whole plan" } else { "" };
        text.push_str(&format!("\nbench time to come   {}{of}", about(left.left_hours * 3600.0)));
        if let Some(most) = left.most_hours {
            let words = format!(
                "the plan gives each run {most} h at most (`most_hours`): `preview` says what the next one does"
            );
            text.push_str(folded(&words, "\n  ", "  ").trim_end());
        }
        if let Some(finish) = &left.finish {
            let [p10, p50, p90] = finish.words();
            text.push_str(&format!(
                "\n  ends  P10  {p10}  (one run in ten is through by then)\n        P50  {p50}  (every second one)\n        \
                 P90  {p90}  (nine in ten)"
            ));
            if finish.from == FinishFrom::Now && wall.is_none() {
                text.push_str("\n  (if it goes on now)");
            }
            if let Some(words) = &left.learned_from {
                text.push_str(folded(words, "\n  ", "  ").trim_end());
            }
        }
    }
    if let Some(given) = &left.given {
        text.push_str(folded(&format!("this run             {}", given.words()), "\n", "  ").trim_end());
    }
    if let Some((when, what)) = &left.next {
        let words = format!("next hands at the bench  {when}: mount {what}");
        text.push_str(folded(&words, "\n", "  ").trim_end());
    }
    if simulated {
        text.push_str("\n  (bench time: what a bench would take, hands and ramps included)");
    }
    if let Some(wall) = wall {
        text.push_str(&format!("\nby the clock here    running for {}", duration(wall.elapsed_s)));
        // Of all the jobs of the plan the hours of a run hold a part.
        if let Some(left) = wall.left_s().filter(|_| simulated && left.given.is_none()) {
            text.push_str(&format!(", {} left", about(left)));
        }
    }
    text
}

/// Conditions in a state.
fn in_state(run: Option<&JudgedRun>, state: ConditionState) -> Option<usize> {
    run.map(|run| run.conditions.iter().filter(|one| one.state == state).count())
}

/// Local time where there is a date, and hours from where it says.
fn finish_for_machines(finish: &Finish) -> serde_json::Value {
    let [p10, p50, p90] = &finish.at;
    json!({
        "from": finish.from, "p10_hours": p10.hours, "p50_hours": p50.hours, "p90_hours": p90.hours,
        "p10": p10.date, "p50": p50.date, "p90": p90.date,
    })
}

/// The present run by the clock of this computer.
struct Wall {
    elapsed_s: f64,
    /// Jobs it was to do, and those done since it began.
    asked: usize,
    jobs: usize,
}

impl Wall {
    /// Of the run that is going on.
    fn of(reader: &StoreReader, done: usize) -> Result<Option<Wall>, Failure> {
        let events = reader.events()?;
        let started = events.iter().rev().find_map(|stored| match stored.event()? {
            Event::RunStarted { jobs, done_before, .. } => Some((&stored.utc, jobs, done_before)),
            _ => None,
        });
        let Some((utc, asked, before)) = started else { return Ok(None) };
        let asked = usize::try_from(asked).unwrap_or(usize::MAX);
        let before = usize::try_from(before).unwrap_or(usize::MAX);
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_secs_f64();
        let elapsed = utc_seconds(utc).map(|then| (now - then).max(0.0));
        Ok(elapsed.map(|elapsed_s| Wall { elapsed_s, asked, jobs: done.saturating_sub(before) }))
    }

    /// Seconds that the jobs it was asked for still take at the pace so far, not those of the whole plan.
    fn left_s(&self) -> Option<f64> {
        let left = self.asked.saturating_sub(self.jobs);
        (self.jobs > 0).then(|| self.elapsed_s / self.jobs as f64 * left as f64)
    }
}

/// A condition that does not pass.
#[derive(Serialize)]
struct Failing {
    condition: String,
    verdict: &'static str,
    reason: String,
    beyond_rating: bool,
}

/// What the finished conditions come to.
struct SoFar {
    verdicts: VerdictCounts,
    beyond: VerdictCounts,
    /// Those that count, worst first.
    failing: Vec<Failing>,
    /// Those beyond rating, which do not.
    failing_beyond: Vec<Failing>,
    outside: OutsidePlan,
    counts: JobCounts,
    run: JudgedRun,
}

impl SoFar {
    /// Judges the finished conditions; an error is in words and no failure of `status`.
    fn of(dir: &Path, reader: &StoreReader, done: usize) -> Result<SoFar, String> {
        if done > MOST_JUDGED_JOBS {
            return Err(format!(
                "verdicts of more than {MOST_JUDGED_JOBS} jobs take a while: `nightbench report {}` works them out",
                dir.display()
            ));
        }
        let by = JudgedBy { instead: None, all_sets: false, cache: CacheUse::Look };
        let folder = JudgedFolder::read(dir, reader, by)
            .map_err(|failure| format!("what fails cannot be said: {}", failure.words))?;
        let mut failing: Vec<(Verdict, &JudgedCondition)> = folder
            .run
            .conditions
            .iter()
            .filter_map(|condition| condition.verdict.map(|verdict| (verdict, condition)))
            .filter(|(verdict, _)| *verdict > Verdict::ConditionalPass)
            .collect();
        failing.sort_by(|a, b| a.1.beyond_rating.cmp(&b.1.beyond_rating).then(b.0.cmp(&a.0)));
        let named = |(verdict, condition): &(Verdict, &JudgedCondition)| Failing {
            condition: condition.name.clone(),
            verdict: verdict.words(),
            reason: match condition.worst() {
                Some(metric) => format!(
                    "{} of {}, lane {}: margin {:+.1} {}",
                    metric.metric.name(),
                    metric.eye,
                    metric.lane,
                    metric.margin,
                    metric.metric.base_unit()
                ),
                None if condition.state == ConditionState::TrainingFailed => {
                    "training failed: no eye, no margin".into()
                }
                None => condition.reason().into_owned(),
            },
            beyond_rating: condition.beyond_rating,
        };
        let counts =
            |condition: &JudgedCondition| !condition.beyond_rating || folder.run.beyond_rating_counts;
        let (failing, beyond): (Vec<_>, Vec<_>) =
            failing.into_iter().partition(|(_, condition)| counts(condition));
        let [failing, failing_beyond] = [failing, beyond].map(|list| list.iter().map(named).collect());
        let (verdicts, beyond) = (folder.run.verdicts, folder.run.beyond_rating);
        let (outside, counts) = (folder.run.outside_plan, folder.job_counts);
        Ok(SoFar { verdicts, beyond, failing, failing_beyond, outside, counts, run: folder.run })
    }

    /// `complete`: nothing more will come.
    fn words(&self, dir: &Path, complete: bool) -> String {
        let so_far = if complete { "" } else { " so far" };
        let finished = self.verdicts.total() + self.beyond.total();
        if finished == 0 {
            return "\n\nno condition is finished yet".into();
        }
        let list = |counts: &VerdictCounts| {
            let words = Verdict::ALL.iter().filter(|verdict| counts.of(**verdict) > 0);
            let words: Vec<String> =
                words.map(|verdict| format!("{} {}", counts.of(*verdict), verdict.words())).collect();
            if words.is_empty() { "none".to_string() } else { words.join(", ") }
        };
        let mut text = format!("\n\nfinished conditions: {}", list(&self.verdicts));
        if self.beyond.total() > 0 {
            text.push_str(&format!("\nbeyond rating, not counted: {}", list(&self.beyond)));
        }
        if !self.run.audit.highest_rates.is_empty() {
            text.push_str("\n\nhighest rate that passes:\n");
            text.push_str(&rates_words(&self.run.audit.highest_rates));
            text.truncate(text.trim_end().len());
            return text;
        }
        match self.failing.is_empty() {
            true => text.push_str(&format!("\nnothing that counts fails{so_far}\n")),
            false => {
                text.push_str(&format!("\n\nfails{so_far}:\n"));
                list_failing(&mut text, &self.failing, dir);
            }
        }
        if !self.failing_beyond.is_empty() {
            text.push_str(&format!("\nbeyond rating, does not pass{so_far} and does not count:\n"));
            list_failing(&mut text, &self.failing_beyond, dir);
        }
        text.truncate(text.trim_end().len());
        text
    }
}

fn list_failing(text: &mut String, failing: &[Failing], dir: &Path) {
    for one in failing.iter().take(SHOWN_FAILING) {
        text.push_str(&folded(&format!("{}: {}", one.verdict, one.condition), "  ", "    "));
        text.push_str(&folded(&one.reason, "    ", "    "));
    }
    let more = failing.len().saturating_sub(SHOWN_FAILING);
    if more > 0 {
        let words = format!("and {more} more: `nightbench report {}` shows them all", dir.display());
        text.push_str(&folded(&words, "", "  "));
    }
}

/// Most jobs that are judged for a look in between.
const MOST_JUDGED_JOBS: usize = 3000;
/// Failing conditions shown on the terminal; --json names all.
const SHOWN_FAILING: usize = 10;

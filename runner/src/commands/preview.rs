//! `preview`: what would run, in which order, how long, and what to mount when.

use super::extra_jobs;
use super::measure::run_folder_of;
use super::preview_finish::finish_words;
use super::preview_folder::{Begun, PreviewFolder};
use super::preview_hours::Tonight;
use super::preview_predicted::{Predicting, prediction_words};
use super::run_summary::nothing_counts;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::slow_notice::SlowNotice;
use crate::console::terminal::{Terminal, duration, folded, table};
use crate::evaluate::comparing::foreseen as comparison_foreseen;
use crate::evaluate::page_facts::model_limits;
use crate::folder::output::Output;
use crate::folder::run_folder::keys_of;
use crate::forecast::capture_hours::{CaptureHours, capture_hours, longest_hands_free_min};
use crate::forecast::job_counts::JobCounts;
use crate::forecast::setup_list::{cautions, change_over_ratio, least_change_over_h, mountings, setup_list};
use crate::forecast::{Forecast, PRIOR_SD};
use crate::inputs::plan_file::PlanFile;
use crate::run::earlier_nights::EarlierNights;
use crate::run::hours::{fewer_words, given};
use crate::run::pending::every_job;
use crate::run::prediction::choosing::Basis;
use crate::run::prediction::foreseen::{Foreseen, foreseen};
use crate::store::Target;
use judge::comparison::power::Foresight;
use judge::{Assumption, assumptions};
use nightbench_core::results::Direction;
use nightbench_core::text::counted;
use pages::setup_list::ListedMounting;
use plan::Plan;
use plan::budget::{BudgetLine, TOOL_LINES};
use plan::coverage::CoverageKind;
use plan::criteria::AcceptanceCriteria;
use plan::highest_rate::rate_series;
use plan::limits::Metric;
use plan::obstacles::obstacles;
use schedule::finish_bound;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Mountings shown on the terminal; the page holds them all.
const SHOWN_MOUNTINGS: usize = 12;
/// Reasons shown on the terminal.
const SHOWN_REASONS: usize = 8;
/// Missing combinations shown on the terminal.
const SHOWN_MISSING: usize = 12;

/// What is asked beside the forecast.
#[derive(Debug, Clone, Copy, Default)]
pub struct Asked<'a> {
    /// Where the setup list goes.
    pub page: Option<&'a Path>,
    /// The run folder that the plan's run will be compared with.
    pub against: Option<&'a Path>,
    /// Bench hours of the next run.
    pub hours: Option<f64>,
    /// The run folder that it goes on from.
    pub into: Option<&'a Path>,
    /// Run folders of earlier nights on the same bench.
    pub nights: &'a [PathBuf],
}

/// Prints the forecast of a plan, and writes its setup list as a page if asked for.
pub fn preview(
    terminal: &Terminal,
    path: &Path,
    Asked { page, against, hours, into, nights }: Asked<'_>,
    only: &[String],
    as_json: bool,
) -> Outcome {
    let notice = SlowNotice::start(terminal, "working out order, hours and bound ...");
    let file = PlanFile::read(path, terminal.colour_err)?;
    let plan = &file.plan;
    let nights = EarlierNights::read(nights)?;
    let folder = PreviewFolder::of(plan, only, run_folder_of(path, into), &nights.learned(PRIOR_SD))?;
    let forecast = folder.selected_forecast(plan)?;
    let learned_from = nights.words(PRIOR_SD);
    let ways = capture_hours(plan, &forecast)?;
    let foreseen = against
        .map(|baseline| {
            Ok::<_, Failure>((baseline, comparison_foreseen(baseline, plan, &forecast.expansion)?))
        })
        .transpose()?;
    let predicting = Predicting::of(terminal, &file, &folder)?;
    let basis = predicting.as_ref().map(|predicting| predicting.basis(plan));
    if let Some(words) = fewer_words(plan, hours) {
        terminal.note(&words);
    }
    let tonight = match given(plan, hours) {
        Some(hours) => Some(Tonight::of(plan, &folder, hours, basis.as_ref())?),
        None => None,
    };
    let begun = if hours.is_some() { None } else { folder.begun(plan, basis.as_ref())? };
    // Asked for by name, the hours are what is told; those of a plan stand beside the whole.
    let alone = tonight.as_ref().filter(|_| hours.is_some());
    if let Some(page) = page {
        let list = match alone {
            Some(tonight) => tonight.list(plan, learned_from.as_deref())?,
            None => setup_list(plan, &forecast, learned_from.as_deref())?,
        };
        let html = pages::setup_list::build(&list).map_err(|words| Failure::new(Exit::Store, words))?;
        Output::named(page, &[path])?.put(&html)?;
        terminal.note(&format!("setup list: {}", page.display()));
    }
    let predicted = basis.as_ref().map(|basis| foreseen_walk(basis, &forecast)).transpose()?;
    let text = if as_json {
        let mut value = machine(plan, &forecast, &ways)?;
        let none_done = || json!(JobCounts::unjudged(forecast.jobs.len(), 0));
        value["job_counts"] = begun.as_ref().map_or_else(none_done, Begun::machine);
        value["earlier_nights"] = json!(forecast.learned.earlier_nights());
        if let Some(words) = &learned_from {
            value["learned_from"] = json!(words);
        }
        if let Some(predicted) = &predicted {
            value["with_predictions"] = json!(predicted);
        }
        if let Some(tonight) = &tonight {
            value["in_hours"] = tonight.machine(plan);
            value["in_hours"]["hands_on"] = hands_on(plan, &tonight.forecast()?);
        }
        if let Some((_, foreseen)) = &foreseen {
            value["against"] = json!(foreseen);
        }
        if let Some((jobs, hours)) = extra_jobs::foreseen(plan, &forecast)? {
            value["extra_jobs"] = json!({ "jobs": jobs, "hours": hours });
        }
        value.to_string()
    } else if let Some(tonight) = alone {
        let mut text = format!("{}\n\n{}", plan.title, tonight.words(plan));
        let listed = mountings(plan, &tonight.forecast()?);
        if !listed.is_empty() {
            text.push_str(&list_words(
                plan,
                &listed,
                page.is_some(),
                "What to mount in these hours, and when:",
            ));
        }
        text.push_str("\nThe whole plan: `preview` without --hours.");
        text
    } else {
        let mut text = words(plan, &forecast, &ways, page.is_some(), learned_from.as_deref())?;
        if let Some(begun) = &begun {
            let title_end = text.find('\n').unwrap_or(text.len());
            let words = folded(&begun.words(), "\n\n", "  ");
            text.insert_str(title_end, words.trim_end());
        }
        if let (Some(asked), Some(predicted)) = (plan.predicted, &predicted) {
            text.push_str("\n\n");
            text.push_str(folded(&prediction_words(asked, predicted), "", "  ").trim_end());
        }
        if let Some(tonight) = &tonight {
            text.push_str("\n\n");
            text.push_str(tonight.words(plan).trim_end());
        }
        if let Some((baseline, foreseen)) = &foreseen {
            text.push_str("\n\n");
            text.push_str(folded(&foreseen_words(baseline, foreseen), "", "  ").trim_end());
        }
        text
    };
    drop(notice);
    for warning in &file.warnings {
        terminal.note(&format!("warning: {warning}"));
    }
    for words in model_limits(plan) {
        terminal.note(folded(&words, "", "  ").trim_end());
    }
    if let Some(words) = nothing_counts(plan, forecast.expansion.conditions.iter()) {
        terminal.note(folded(&words, "", "  ").trim_end());
    }
    terminal.out(&text);
    Ok(Exit::Pass)
}

/// What the walk of a plan with predictions will take.
fn foreseen_walk(basis: &Basis<'_>, forecast: &Forecast) -> Result<Foreseen, Failure> {
    let keys = keys_of(basis.plan(), &Target::Simulated)?;
    Ok(foreseen(basis, &every_job(forecast, &keys)))
}

/// Minutes of a night that every stretch is held against: the shortest the plan's attended hours leave.
fn night_min(plan: &Plan) -> Option<f64> {
    plan.attended.as_ref().and_then(|attended| attended.nights_min()).map(|(shortest, _)| shortest)
}

fn machine(plan: &Plan, forecast: &Forecast, ways: &[CaptureHours]) -> Result<serde_json::Value, Failure> {
    let schedule = &forecast.schedule;
    let hours = schedule.hours();
    let price = plan.times.price_min;
    let bound = &forecast.order.bound;
    let setups: std::collections::BTreeSet<_> =
        forecast.expansion.conditions.iter().map(|condition| condition.setup()).collect();
    let finish = forecast.finish()?;
    let since = |t: f64| (t - schedule.start_min) / 60.0;
    let clock = |t: f64| plan.attended.as_ref().map(|attended| attended.words(t));
    let earliest = finish_bound(&forecast.problem, &forecast.calendar, schedule.start_min)
        .map_err(|error| Failure::invalid(error.to_string()))?;
    let night = night_min(plan);
    let capture: Vec<_> = ways
        .iter()
        .map(|way| {
            json!({
                "mode": way.mode.name(), "ber_limit": way.ber_limit, "planned": way.planned,
                "measuring_hours": way.measuring_h, "work_hours": way.work_h,
                "longest_hands_free_hours": way.longest_hands_free_h,
                "fits_the_night": night.map(|night| way.fits(night)),
            })
        })
        .collect();
    let missing: Vec<String> = plan.coverage.missing.iter().map(|one| plan.combination_words(one)).collect();
    Ok(json!({
        "conditions": forecast.expansion.conditions.len(),
        "rate_series": plan.highest_rate.map(|_| {
            rate_series(plan, &forecast.expansion, 0..forecast.expansion.conditions.len() as u32).len()
        }),
        "skipped": forecast.expansion.skipped.len(),
        "needs_hands": needs_hands(forecast),
        "jobs": forecast.jobs.len(),
        "setups": setups.len(),
        "hands_on_changes": schedule.cost.changes,
        "hours": {
            "total": hours.total, "measuring": hours.measuring, "training": hours.training, "ramps": hours.ramps,
            "soak": hours.soak, "settle": hours.settle, "hands_on": hours.hands_on, "boot": hours.boot,
            "waiting": hours.waiting,
        },
        "bound": {
            "change_over_hours": least_change_over_h(plan, forecast),
            "ratio": change_over_ratio(plan, forecast),
        },
        "bound_with_price": {
            "change_over_hours": bound.change_over_min / 60.0,
            "ratio": bound.ratio(&schedule.cost, price),
        },
        "release_impossible_because": obstacles(plan),
        "assumed": assumptions(plan, &AcceptanceCriteria::of(plan)).iter().map(Assumption::words).collect::<Vec<_>>(),
        "price_of_a_hands_on_change_min": price,
        "without_calendar": {
            "hands_on_changes": forecast.order.cost.changes,
            "ratio_with_price": bound.ratio(&forecast.order.cost, price),
        },
        "finish": {
            "begin": clock(schedule.start_min), "expected": clock(schedule.finish_min),
            "expected_hours": since(schedule.finish_min), "p10": clock(finish.p10_min), "p50": clock(finish.p50_min),
            "p90": clock(finish.p90_min), "p10_hours": since(finish.p10_min), "p50_hours": since(finish.p50_min),
            "p90_hours": since(finish.p90_min), "earliest_possible_hours": since(earliest),
        },
        "night_hours": night.map(|night| night / 60.0),
        "most_hours": plan.bench_limits.most_hours,
        "longest_hands_free_hours": longest_hands_free_min(schedule) / 60.0,
        "capture": capture,
        "missing_combinations": missing,
        "hands_on": hands_on(plan, forecast),
    }))
}

/// What is mounted when, for machines.
fn hands_on(plan: &Plan, forecast: &Forecast) -> serde_json::Value {
    let schedule = &forecast.schedule;
    let since = |t: f64| (t - schedule.start_min) / 60.0;
    let clock = |t: f64| plan.attended.as_ref().map(|attended| attended.words(t));
    let listed = mountings(plan, forecast);
    let moments = listed.iter().zip(&schedule.moments).map(|(mounting, moment)| {
        json!({
            "number": mounting.number, "module": mounting.module, "channel": mounting.channel,
            "channel_changes": mounting.channel_changes, "take_out": mounting.take_out, "jobs": mounting.jobs,
            "begin": clock(moment.start_min), "ready_hours": since(moment.ready_min),
            "begin_hours": since(moment.start_min), "leave_hours": since(moment.leave_min),
            "hands_free_until_hours": since(moment.hands_free_until_min),
        })
    });
    moments.collect::<Vec<_>>().into()
}

/// What a comparison with a baseline will see, in words.
fn foreseen_words(baseline: &Path, seen: &Foresight) -> String {
    let all = seen.conditions;
    let more = match seen.jobs_needed {
        Some(1) => "one job of each condition in both runs does that everywhere".into(),
        Some(jobs) => format!(
            "{jobs} jobs of each condition, each in a mounting of its own (`re_seats = {}`) and in both runs, do both everywhere",
            jobs - 1
        ),
        None => "no number of jobs does both everywhere: allow a larger loss".into(),
    };
    format!(
        "against {}: where nothing has changed, {} of {} are shown not worse with 80 % at least; twice the loss allowed (0.02 \
         UI, 1 % of VDDQ) is seen with 90 % at least at {} of {all}; a loss of {:.1} times what is allowed is seen at half of \
         them; {more}",
        baseline.display(),
        seen.shown_not_worse,
        counted(all, "condition"),
        seen.loss_seen,
        seen.visible_loss,
    )
}

/// How much of the plan a search for highest rates will ask, in words; `None` where every rate is measured.
fn series(plan: &Plan, forecast: &Forecast) -> Option<String> {
    plan.highest_rate?;
    let all = 0..forecast.expansion.conditions.len() as u32;
    let series = rate_series(plan, &forecast.expansion, all);
    let two: usize = series.iter().map(|one| one.conditions.len().min(2)).sum();
    let hours = forecast.schedule.hours();
    let share = two as f64 / forecast.expansion.conditions.len().max(1) as f64;
    Some(format!(
        "the highest rate is sought in {} series: {} if each asks two rates ({} of measuring and training in place of the {} below), all \
         of them at most; ramps and hands stay",
        series.len(),
        counted(two, "condition"),
        duration((hours.measuring + hours.training) * share * 3600.0),
        duration((hours.measuring + hours.training) * 3600.0),
    ))
}

/// Conditions a night-only plan leaves to the day.
fn needs_hands(forecast: &Forecast) -> usize {
    let expansion = &forecast.expansion;
    expansion.skipped.iter().filter(|skipped| expansion.needs_hands(skipped)).count()
}

fn words(
    plan: &Plan,
    forecast: &Forecast,
    ways: &[CaptureHours],
    page: bool,
    learned_from: Option<&str>,
) -> Result<String, Failure> {
    let schedule = &forecast.schedule;
    let mut text = format!(
        "{}\n\n{}, {}; {} left out\n",
        plan.title,
        counted(forecast.expansion.conditions.len(), "condition"),
        counted(forecast.jobs.len(), "job"),
        counted(forecast.expansion.skipped.len(), "condition"),
    );
    let single = forecast.problem.job_count();
    if forecast.jobs.len() > single {
        let more = counted(forecast.jobs.len() - single, "job");
        text.push_str(&format!("  {more} of these again: the baseline at the end, the reference job\n"));
    }
    if let Some(series) = series(plan, forecast) {
        text.push_str(&folded(&series, "", "  "));
    }
    let mut reasons: BTreeMap<u32, usize> = BTreeMap::new();
    for skipped in &forecast.expansion.skipped {
        *reasons.entry(skipped.reason).or_default() += 1;
    }
    let mut reasons: Vec<(u32, usize)> = reasons.into_iter().collect();
    reasons.sort_by_key(|(reason, count)| (std::cmp::Reverse(*count), *reason));
    for (reason, count) in reasons.iter().take(SHOWN_REASONS) {
        let line = format!("left out {count}: {}", forecast.expansion.reasons[*reason as usize]);
        text.push_str(&folded(&line, "  ", "    "));
    }
    if let Some(rest) = reasons.get(SHOWN_REASONS..).filter(|rest| !rest.is_empty()) {
        let count: usize = rest.iter().map(|(_, count)| count).sum();
        text.push_str(&format!("  left out {count} for {} more reasons\n", rest.len()));
    }
    text.push_str(&missing_words(plan));
    text.push('\n');
    text.push_str(&hours_words(plan, forecast));
    text.push_str(&finish_words(plan, forecast, learned_from)?);
    text.push_str(&extra_jobs::foreseen_words(plan, extra_jobs::foreseen(plan, forecast)?));
    text.push_str(&capture_words(plan, ways));
    text.push_str("\n\nTimes of the bench that [bench_times] does not state are estimates.\n");
    text.push_str(&budget_words(plan));
    text.push_str(&assumed_words(plan, &AcceptanceCriteria::of(plan)));
    for obstacle in obstacles(plan) {
        text.push_str(&folded(&format!("no release \"yes\" is possible: {obstacle}"), "", "  "));
    }
    let heading = match plan.predicted {
        None => "What to mount, and when:",
        Some(_) => {
            "What to mount, and when, if everything were measured (a run with predicted verdicts asks for what it chooses, setups of the \
             cover first):"
        }
    };
    text.push_str(&list_words(plan, &mountings(plan, forecast), page, heading));
    if schedule.moments.is_empty() {
        text.push_str("Nothing to mount.\n");
    }
    Ok(text.trim_end().to_string())
}

/// The budget of every judged metric: which lines the plan puts in place of the tool's own, which it adds, and which are the tool's.
fn budget_words(plan: &Plan) -> String {
    let named = |line: &BudgetLine| {
        let mut of = line.metric.map_or_else(String::new, |metric| format!(" of {}", metric.name()));
        if let Some(direction) = line.direction {
            of += &format!(", {direction}");
        }
        let unit = line.unit.words();
        format!("{} ({} {unit}{of}, source: {})", line.name, line.standard_uncertainty, line.source)
    };
    let judged: Vec<_> = plan.limits.iter().map(|limit| (limit.metric, limit.direction)).collect();
    let stands = |name: &str| TOOL_LINES.contains(&name);
    let (instead, beside): (Vec<&BudgetLine>, Vec<&BudgetLine>) =
        plan.budget.lines.iter().partition(|line| stands(&line.name));
    let replaced = |name: &str| {
        let given = |(metric, direction): &(Metric, Direction)| {
            instead.iter().any(|line| line.name == name && line.applies(*metric, *direction))
        };
        !judged.is_empty() && judged.iter().all(given)
    };
    let own: Vec<&str> = TOOL_LINES.into_iter().filter(|name| !replaced(name)).collect();
    let mut text = folded(&format!("uncertainty budget, the tool's own lines: {}", own.join(", ")), "", "  ");
    for (what, lines) in [("in place of the tool's own", instead), ("beside them", beside)] {
        if !lines.is_empty() {
            let words: Vec<String> = lines.into_iter().map(named).collect();
            text.push_str(&folded(&format!("{what}, of the plan: {}", words.join("; ")), "  ", "    "));
        }
    }
    for study in &plan.budget.studies {
        text.push_str(&folded(&format!("and the lines of the study {study}"), "  ", "    "));
    }
    text
}

/// What verdicts will rest on without having been measured, for `check` and `preview`; empty where there is nothing, or
/// where a study is named, which `run` reads.
pub fn assumed_words(plan: &Plan, criteria: &AcceptanceCriteria) -> String {
    if !criteria.budget.studies.is_empty() {
        return String::new();
    }
    assumptions(plan, criteria).iter().map(|one| folded(&one.words(), "", "  ")).collect()
}

/// The combinations no condition can hold, for `check` and `preview`; empty for full coverage.
pub fn missing_words(plan: &Plan) -> String {
    let missing = &plan.coverage.missing;
    let kind = match plan.coverage.kind {
        CoverageKind::Full => return String::new(),
        CoverageKind::OneFactorAtATime => "one factor at a time".to_string(),
        CoverageKind::TWise { strength } => format!("every combination of {strength} factors"),
    };
    if missing.is_empty() {
        return format!("coverage: {kind}, nothing missing\n");
    }
    let count = counted(missing.len(), "combination");
    let mut text = folded(&format!("coverage: {kind}; {count} cannot be had (skips and fits):"), "", "  ");
    for combination in missing.iter().take(SHOWN_MISSING) {
        text.push_str(&folded(&plan.combination_words(combination), "  ", "    "));
    }
    if missing.len() > SHOWN_MISSING {
        text.push_str(&format!("  and {} more (all with --json)\n", missing.len() - SHOWN_MISSING));
    }
    text
}

fn hours_words(plan: &Plan, forecast: &Forecast) -> String {
    let hours = forecast.schedule.hours();
    let cost = &forecast.schedule.cost;
    let bound = &forecast.order.bound;
    let rows: Vec<Vec<String>> = [
        ("measuring", hours.measuring),
        ("training", hours.training),
        ("ramps", hours.ramps),
        ("soak", hours.soak),
        ("settling, supply and rate changes", hours.settle),
        ("hands and mounting checks", hours.hands_on),
        ("boot", hours.boot),
        ("waiting for attended hours", hours.waiting),
        ("total", hours.total),
    ]
    .iter()
    .map(|(kind, value)| vec![kind.to_string(), format!("{value:.2}"), duration(value * 3600.0)])
    .collect();
    let mut text = table(&["bench time", "hours", ""], &rows, 1);
    let mut line = |words: String| text.push_str(&folded(&words, "", "  "));
    line(String::new());
    line(format!(
        "{} (the first mounting included), {} of them with the channel",
        counted(cost.changes as usize, "hands-on change"),
        cost.channel_changes
    ));
    line(format!(
        "ramps and hands: {:.2} h; no order with as few changes needs less than {:.2} h (ratio {:.4})",
        (cost.minutes.ramps() + cost.minutes.hands_on) / 60.0,
        least_change_over_h(plan, forecast),
        change_over_ratio(plan, forecast),
    ));
    line(format!(
        "with the price of {} min a change: {:.2} h against {:.2} h (ratio {:.4})",
        plan.times.price_min,
        cost.change_over_min(plan.times.price_min) / 60.0,
        bound.change_over_min / 60.0,
        bound.ratio(cost, plan.times.price_min),
    ));
    let alone = &forecast.order.cost;
    if alone.changes != cost.changes {
        line(format!(
            "filling nights and days takes more changes than the {} of the order alone (its ratio {:.4})",
            alone.changes,
            bound.ratio(alone, plan.times.price_min),
        ));
    }
    text
}

fn capture_words(plan: &Plan, ways: &[CaptureHours]) -> String {
    let night = night_min(plan);
    let rows: Vec<Vec<String>> = ways
        .iter()
        .map(|way| {
            let fits = match night {
                Some(night) if way.fits(night) => "yes",
                Some(_) => "no",
                None => "",
            };
            vec![
                format!("{}{}", way.mode.name(), if way.planned { " (this plan)" } else { "" }),
                format!("{:.0e}", way.ber_limit),
                format!("{:.1}", way.measuring_h),
                format!("{:.1}", way.work_h),
                format!("{:.1}", way.longest_hands_free_h),
                fits.to_string(),
            ]
        })
        .collect();
    let fits = if night.is_some() { "fits night" } else { "" };
    let header = ["capture", "BER limit", "measuring h", "total h", "without hands h", fits];
    let mut text = String::from("\n");
    text.push_str(&table(&header, &rows, 1));
    if let Some(night) = night {
        text.push_str(&format!("\n(a night leaves {:.1} h between attended hours)", night / 60.0));
    }
    text
}

fn list_words(plan: &Plan, mountings: &[ListedMounting], page: bool, heading: &str) -> String {
    let mut text = String::from("\nBefore every change:\n");
    for caution in cautions(plan) {
        text.push_str(&folded(&caution, "  - ", "    "));
    }
    text.push_str(&folded(heading, "\n", ""));
    let wide = mountings.last().map_or(1, |last| last.number.to_string().len());
    for mounting in mountings.iter().take(SHOWN_MOUNTINGS) {
        let indent = " ".repeat(wide + 6);
        let number = mounting.number;
        let stays = if mounting.channel_changes { "" } else { " (channel stays)" };
        let head = format!("{}  {} on {}{stays}", mounting.when, mounting.module, mounting.channel);
        text.push_str(&folded(&head, &format!("[ ] {number:>wide$}  "), &indent));
        if let Some(relation) = &mounting.relation {
            text.push_str(&folded(relation, &indent, &indent));
        }
        if let Some(old) = &mounting.take_out {
            text.push_str(&folded(&format!("take out first: {old}"), &indent, &indent));
        }
        let end = if mounting.last { ", the end" } else { "" };
        text.push_str(&folded(
            &format!(
                "you may leave at {}; nobody is needed for {}, until {}{end}",
                mounting.leave, mounting.hands_free_for, mounting.hands_free_until
            ),
            &indent,
            &indent,
        ));
        let jobs = counted(mounting.jobs, "job");
        text.push_str(&folded(&format!("{jobs} at {}", mounting.temperatures), &indent, &indent));
    }
    let more = mountings.len().saturating_sub(SHOWN_MOUNTINGS);
    if more > 0 {
        let hint =
            if page { "the page holds them all" } else { "`preview PLAN --page FILE.html` prints them all" };
        text.push_str(&format!("\nand {}: {hint}\n", counted(more, "more mounting")));
    }
    text
}

//! From a run folder to its judged results and its page: everything comes from the store.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::causes;
use crate::evaluate::criteria::{self, NamedCriteria};
use crate::evaluate::limit_sets::compare_sets;
use crate::evaluate::page_facts::{
    equipment, log_lines, model_entries, model_limits, strobe_lanes, superseded, tested_items,
};
use crate::evaluate::pictures::{self, Depth};
use crate::evaluate::report_number::{ReportNumber, Shown};
use crate::evaluate::timeline::{Composed, Ran, compose};
use crate::folder::eye_summaries::{CacheUse, NewSummary, SummarisedFolder, each_summary, facts};
use crate::folder::output::Output;
use crate::folder::run_folder::{keys_of, open_whole};
use crate::forecast::Forecast;
use crate::forecast::bench_clock::BenchClock;
use crate::forecast::job_counts::JobCounts;
use crate::forecast::merge_clock::MergedClock;
use crate::inputs::notes;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{MOST_TEXTS, bench_hours, failure_texts, hours_in_words};
use crate::run::hours::{HandsNote, HoursNote, seconds_of, walked_nights};
use crate::run::prediction::choosing::in_order_chosen;
use crate::run::prediction::note::{Kept, Marks};
use crate::store::{Meta, Store, StoreReader, Target, hex};
use judge::judged::{JudgedMetric, JudgedRun, OutsidePlan, RunFacts};
use judge::study::MetricStudy;
use judge::tap_size::TapSizes;
use judge::why::EdgeMeans;
use judge::{Judge, Series, extrapolated, reference_condition};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::JobOutcome;
use pages::report;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Condition, Expansion, Job};
use plan::limits::{Limit, Metric};
use plan::measure::TrainingPolicy;
use rayon::prelude::*;
use schedule::Hours;
use serde_json::json;
use sha2::{Digest, Sha256};
use simulator::target::MODEL_VERSION;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Most eyes drawn as pictures on a page.
const MOST_PICTURES: usize = 24;
/// Most eyes drawn as outlines on a page.
const MOST_OUTLINES: usize = 60;

/// Most masks seen at the bit error ratio they are defined for.
const MOST_EXTRAPOLATIONS: usize = 24;

/// A run folder, judged.
pub struct JudgedFolder {
    /// The plan as stored.
    pub file: PlanFile,
    /// Judged results.
    pub run: JudgedRun,
    /// Facts printed beside them.
    pub facts: RunFacts,
    /// The plan's jobs by key.
    pub jobs: HashMap<[u8; 32], Job>,
    /// Bench hours by kind: by the bench's clock, or composed for a simulated run, in the plan's order or as it was chosen.
    pub hours: Option<Hours>,
    /// How far the plan's jobs are.
    pub job_counts: JobCounts,
    /// The report's number, and what it is made from.
    pub number: ReportNumber,
    /// What is new in the cache of summaries.
    new_summaries: Vec<NewSummary>,
    /// Key of the first counting job of each condition, for its pictures.
    keys: Vec<Option<[u8; 32]>>,
}

/// What a folder is judged by.
pub struct JudgedBy {
    /// A set instead of the plan's own, with its name.
    pub instead: Option<(String, AcceptanceCriteria)>,
    /// Also by every other set on record, for comparison.
    pub all_sets: bool,
    /// What may be done with the cache of digests.
    pub cache: CacheUse,
}

impl JudgedBy {
    /// The plan's own set.
    pub fn plan(cache: CacheUse) -> JudgedBy {
        JudgedBy { instead: None, all_sets: true, cache }
    }
}

/// Jobs of a folder fed to a judge.
struct Filled<'p> {
    judge: Judge<'p>,
    keys: Vec<Option<[u8; 32]>>,
    seconds: f64,
    ends: Option<(String, String)>,
    /// Bench hours by kind.
    hours: Option<Hours>,
    jobs: HashMap<[u8; 32], Job>,
    ran: Vec<Ran>,
    /// Failed jobs of a bench, in the plan's order as far as stored.
    failed: Vec<([u8; 32], JobOutcome)>,
    new_summaries: Vec<NewSummary>,
    /// Mean edges of every condition.
    edges: EdgeMeans,
}

fn plan_of(dir: &Path, meta: &Meta) -> Result<PlanFile, Failure> {
    let origin = format!("plan stored in {}", dir.display());
    PlanFile::from_text(meta.plan_text.clone(), &origin, false)
        .map_err(|failure| Failure::new(Exit::Store, failure.words))
}

/// Feeds the counting jobs of a folder to a judge: all, or those of one condition (index).
fn fill<'p>(
    dir: &Path,
    reader: &StoreReader,
    plan: &'p Plan,
    forecast: &'p Forecast,
    limits: &[Limit],
    cache: CacheUse,
    only: Option<u32>,
) -> Result<Filled<'p>, Failure> {
    let target = reader.meta()?.target;
    let simulated = target == Target::Simulated;
    let keys = keys_of(plan, &target)?;
    let jobs: HashMap<[u8; 32], Job> = forecast
        .jobs
        .par_iter()
        .map(|job| (keys.key(&forecast.expansion.conditions[job.condition as usize], job), *job))
        .collect();
    let mut judge = Judge::new(plan, &forecast.expansion, simulated);
    let mut first_keys = vec![None; forecast.expansion.conditions.len()];
    let mut seconds = 0.0;
    let mut clock = BenchClock::new(plan, forecast);
    let mut ends: Option<(String, String)> = None;
    let (mut ran, mut failed) = (Vec::new(), Vec::new());
    let expansion = &forecast.expansion;
    let mut outside = OutsidePlan::default();
    let mut edges = EdgeMeans::default();
    let new_summaries = each_summary(
        &SummarisedFolder { dir, reader, limits, plan, expansion, cache_use: cache },
        |stored| {
            let Some(job) = jobs.get(&stored.row.key).copied() else {
                outside.jobs += 1;
                outside.failed_trainings += usize::from(stored.outcome == JobOutcome::TrainingFailed);
                return None;
            };
            only.is_none_or(|condition| condition == job.condition).then_some(job)
        },
        |stored, job, digest| {
            ran.push(Ran::new(stored, job, forecast));
            if !simulated && stored.outcome != JobOutcome::Measured && failed.len() < MOST_TEXTS {
                failed.push((stored.row.key, stored.outcome.clone()));
            }
            let levels = &expansion.conditions[job.condition as usize];
            digest.captures.iter().flatten().for_each(|eye| edges.add(levels, eye));
            judge.add(job, &stored.row.key, &facts(stored), digest);
            first_keys[job.condition as usize].get_or_insert(stored.row.key);
            clock.took(stored.row.plan_position, &stored.outcome, stored.times);
            seconds += stored.times.measuring_s + stored.times.training_s;
            if !stored.row.started_utc.is_empty() {
                let (start, end) = ends
                    .get_or_insert_with(|| (stored.row.started_utc.clone(), stored.row.ended_utc.clone()));
                *start = start.clone().min(stored.row.started_utc.clone());
                *end = end.clone().max(stored.row.ended_utc.clone());
            }
        },
    )?;
    judge.seal();
    judge.set_outside_plan(outside);
    // A bench has a clock of its own; a simulated run's time is composed.
    let hours = match (only, simulated) {
        (Some(_), _) => None,
        (None, true) => {
            let clock = clock.with_nights(walked_nights(reader, forecast)?);
            Some(Hours::from(&clock.done()?))
        }
        (None, false) => Some(bench_hours(reader)?),
    };
    Ok(Filled { judge, keys: first_keys, seconds, ends, hours, jobs, ran, failed, new_summaries, edges })
}

/// Studies the measurement of a run folder.
///
/// # Errors
/// Exit 2: no such folder; exit 74: the store cannot be read.
pub fn study_of(dir: &Path, cache: CacheUse) -> Result<(Vec<MetricStudy>, TapSizes), Failure> {
    let reader = open_whole(dir)?;
    let meta = reader.meta()?;
    let file = plan_of(dir, &meta)?;
    let forecast = Forecast::new(&file.plan, &[])?;
    let limits = &file.plan.limits;
    let filled = fill(dir, &reader, &file.plan, &forecast, limits, cache, None)?;
    Ok((filled.judge.study(&AcceptanceCriteria::of(&file.plan)), filled.judge.tap_sizes()))
}

/// The reference condition's values in an earlier run folder, where it was measured alike.
fn earlier_series(
    folder: &str,
    run_dir: &Path,
    plan: &Plan,
    expansion: &Expansion,
    criteria: &AcceptanceCriteria,
) -> Result<Vec<Series>, String> {
    let Some(index) = reference_condition(plan, expansion) else { return Ok(Vec::new()) };
    // As seen from here, or beside the run folder.
    let beside = run_dir.parent().map(|parent| parent.join(folder)).filter(|path| path.is_dir());
    let dir = &beside.filter(|_| !Path::new(folder).is_dir()).unwrap_or_else(|| folder.into());
    let words = |failure: Failure| failure.words;
    let reader = open_whole(dir).map_err(words)?;
    let meta = reader.meta().map_err(|error| error.to_string())?;
    let file = plan_of(dir, &meta).map_err(words)?;
    let forecast = Forecast::new(&file.plan, &[]).map_err(words)?;
    let own = keys_of(plan, &meta.target).map_err(words)?;
    let other = keys_of(&file.plan, &meta.target).map_err(words)?;
    let text = own.condition_text(&expansion.conditions[index], &[]);
    let same = |condition: &Condition| other.condition_text(condition, &[]) == text;
    let Some(index) = forecast.expansion.conditions.iter().position(same) else {
        return Err("it never measured the reference condition".into());
    };
    let filled =
        fill(dir, &reader, &file.plan, &forecast, &criteria.limits, CacheUse::Look, Some(index as u32))
            .map_err(words)?;
    Ok(filled.judge.series(index as u32, criteria))
}

impl JudgedFolder {
    /// Judges everything in a run folder.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn read(dir: &Path, reader: &StoreReader, by: JudgedBy) -> Result<JudgedFolder, Failure> {
        let meta = reader.meta()?;
        let file = plan_of(dir, &meta)?;
        let forecast = Forecast::new(&file.plan, &[])?;
        let simulated = meta.target == Target::Simulated;
        let (recorded, mut words) = criteria::recorded(reader, &file.plan)?;
        let own = criteria::of_plan(&file.plan, &recorded, dir)?;
        let what_if = by.instead.is_some();
        let (name, criteria) = by.instead.unwrap_or_else(|| ("the plan".into(), own.clone()));
        let mut sets: Vec<NamedCriteria> = if by.all_sets { recorded } else { Vec::new() };
        for (name, known) in [(&name, &criteria), (&"the plan".to_string(), &own)] {
            if !sets.iter().any(|set| set.criteria == *known) {
                sets.push(NamedCriteria {
                    name: name.clone(),
                    recorded: String::new(),
                    agreed_before: false,
                    criteria: known.clone(),
                });
            }
        }
        let limits: Vec<Limit> = sets.iter().flat_map(|set| set.criteria.limits.iter().cloned()).collect();
        let mut filled = fill(dir, reader, &file.plan, &forecast, &limits, by.cache, None)?;
        let mut earlier = Vec::new();
        let reference = file.plan.order.reference.as_ref();
        for folder in reference.iter().flat_map(|reference| &reference.earlier) {
            match earlier_series(folder, dir, &file.plan, &forecast.expansion, &criteria) {
                Ok(series) => earlier.extend(series),
                Err(error) => words.push(format!("the earlier run folder {folder} is left out: {error}")),
            }
        }
        let log = log_lines(reader, simulated)?;
        let causes = causes::shown(causes::standing(dir, reader, &filled.jobs)?);
        let hours_note = HoursNote::of(reader)?.filter(HoursNote::leaves_something);
        let mut in_turn: Option<(Vec<u64>, Hours)> = None;
        let hands_note = HandsNote::of(reader)?.filter(|_| hours_note.is_some());
        let mut left = hours_note.as_ref().map_or_else(String::new, |note| format!(" {note:?}"));
        let nights = walked_nights(reader, &forecast)?;
        if let Some(note) = &hands_note {
            left.push_str(&format!(" {note:?}"));
        }
        if nights.len() > 1 {
            left.push_str(&format!(" {nights:?}"));
        }
        if file.plan.predicted.is_some()
            && let marks = Marks::of(&file.text, &forecast.expansion, &keys_of(&file.plan, &meta.target)?)
            && let Some(kept) = Kept::of(reader, &marks)?
        {
            left.push_str(&format!(" {kept:?}"));
            if simulated {
                in_turn = Some(in_order_chosen(&forecast, &kept.chosen, &seconds_of(&forecast, reader)?));
            }
            let mut inputs = kept.into_inputs(meta.seed);
            // What was measured once is never predicted, whatever became of that attempt.
            let withdrawn = reader.given_up()?;
            inputs
                .asked
                .extend(withdrawn.keys().filter_map(|key| filled.jobs.get(key)).map(|job| job.condition));
            filled.judge.set_predictions(inputs);
        }
        let shown = Shown {
            // A comparison names each run's own report, whatever it judges both by.
            criteria: if by.all_sets { &criteria } else { &own },
            what_if: what_if && by.all_sets,
            elsewhere: format!("{earlier:?} {words:?}{left}"),
            causes: if causes.is_empty() { String::new() } else { json!(causes).to_string() },
            log: &log,
        };
        let number = ReportNumber::of(dir, reader, &meta, &shown)?;
        filled.judge.set_earlier(earlier);
        let mut run = filled.judge.judge(&criteria);
        let mut drawn: Vec<usize> =
            report::wanted_pictures(&run, MOST_PICTURES).into_iter().map(|(index, _)| index).collect();
        drawn.sort_unstable();
        drawn.dedup();
        run.audit.budgets = filled.judge.budgets_of(&criteria, &drawn);
        if let Some(note) = &hours_note {
            note.mark(&mut run, &forecast, hands_note.as_ref());
        }
        let needed = |job: &&Job| {
            let state = run.conditions[job.condition as usize].state;
            !matches!(state, ConditionState::NotNeeded | ConditionState::Predicted)
        };
        run.jobs_planned = forecast.jobs.iter().filter(needed).count();
        let job_counts = JobCounts::of(&run, &forecast.jobs, run.jobs_done);
        run.audit.words.extend(words);
        if by.all_sets {
            compare_sets(&mut run, &filled.judge, &criteria, &sets, simulated);
        }
        let (seconds, ends, first_keys) = (filled.seconds, filled.ends, filled.keys);
        let (jobs, ran, failed) = (filled.jobs, filled.ran, filled.failed);
        // What a run chose was done in that order, not in the plan's.
        let (turns, in_turn) = in_turn.unzip();
        // Of runs of given hours each has its own way out and home.
        let hours = in_turn.filter(|_| nights.is_empty()).or(filled.hours);
        if let Some(note) = &mut run.audit.predictions {
            // Waiting for attended hours is no work of the bench.
            let whole = forecast.schedule.hours();
            let done = hours.as_ref().map(|hours| hours.total - hours.waiting);
            note.hours = done.map(|done| (whole.total - whole.waiting, done));
        }
        let keys = keys_of(&file.plan, &meta.target)?;
        let plan_hash = sha256(&meta.plan_text);
        let order = match &turns {
            _ if !nights.is_empty() => Composed::Nights(&nights),
            Some(turns) => Composed::Chosen(turns),
            None => Composed::InTurn,
        };
        let (timeline, composed) = compose(ran, &meta.target, &forecast, &keys, order);
        let several = MergedClock::of(reader)?.several();
        let by_clock = hours.as_ref().filter(|_| !simulated).map(|hours| hours_in_words(hours, several));
        let timeline_source = by_clock.unwrap_or(composed);
        let generation = file.plan.interface.generation;
        let facts = RunFacts {
            memory: generation
                .facts()
                .on_die_ecc
                .map(|words| format!("{generation}: {words}."))
                .into_iter()
                .chain(file.plan.fitted.iter().filter(|_| simulated).map(|fitted| fitted.words()))
                .chain(file.plan.fitted.iter().filter(|_| simulated).filter_map(|fitted| {
                    fitted.warning(&file.plan, &forecast.expansion).map(|words| format!("{words}."))
                }))
                .chain(if simulated { model_limits(&file.plan) } else { Vec::new() })
                .collect(),
            title: file.plan.title.clone(),
            purpose: file.plan.purpose.clone(),
            laboratory: file.plan.laboratory.clone(),
            simulated,
            target: match &meta.target {
                Target::Simulated => format!("simulated target ({MODEL_VERSION})"),
                Target::Bench(name) => name.clone(),
            },
            report_id: number.number.clone(),
            replaces: number.replaces.clone(),
            results_head: hex(&number.results_head),
            tool_version: meta.tool_version.clone(),
            seed: meta.seed,
            plan_text: meta.plan_text.clone(),
            plan_hash,
            started_utc: ends.as_ref().map(|(start, _)| start.clone()),
            ended_utc: ends.map(|(_, end)| end),
            bench_hours: hours.map_or(seconds / 3600.0, |hours| hours.total - hours.waiting),
            model: if simulated { model_entries(&file) } else { Vec::new() },
            limits: criteria.limits.clone(),
            items: tested_items(&file, &run.identities),
            equipment: equipment(reader)?,
            log,
            timeline,
            timeline_source,
            texts: failure_texts(reader, &jobs, &failed)?,
            superseded: superseded(reader, &jobs)?,
            notes: notes::read(dir, &jobs)?,
            causes,
            edge_shifts: filled.edges.shifts(),
            strobe_lanes: strobe_lanes(&file.plan),
            what_if: None,
            held_degc: match file.plan.training.policy {
                TrainingPolicy::Held { temperature, .. } => Some(temperature),
                TrainingPolicy::EveryCondition => None,
            },
        };
        let new_summaries = filled.new_summaries;
        let mut folder = JudgedFolder {
            file,
            run,
            facts,
            hours,
            jobs,
            job_counts,
            number,
            new_summaries,
            keys: first_keys,
        };
        folder.extrapolate(reader)?;
        Ok(folder)
    }

    /// Sees the tightest masks at the bit error ratio that they are defined for.
    fn extrapolate(&mut self, reader: &StoreReader) -> Result<(), Failure> {
        let mut masks: Vec<(usize, JudgedMetric)> = Vec::new();
        for (index, condition) in self.run.conditions.iter().enumerate() {
            let found = condition.metrics.iter().filter(|metric| metric.metric == Metric::Mask);
            masks.extend(found.map(|metric| (index, metric.clone())));
        }
        masks.sort_by(|a, b| a.1.margin.total_cmp(&b.1.margin));
        for (index, metric) in masks.into_iter().take(MOST_EXTRAPOLATIONS) {
            let Some(key) = self.keys[index] else { continue };
            let Some(stored) = reader.job(&key)? else { continue };
            let condition = &self.run.conditions[index];
            let rate = condition.condition.rate(&self.file.plan);
            for capture in reader.captures(&stored)? {
                let capture = capture?;
                let height = self.facts.limits.iter().find_map(|limit| {
                    limit
                        .mask
                        .filter(|_| limit.applies(capture.eye.direction, rate))
                        .map(|mask| mask.height_mv)
                });
                if capture.eye == metric.eye
                    && let Some(height) = height
                    && let Some(note) =
                        extrapolated(&capture, &condition.name, metric.lane, (metric.limit, height))
                {
                    self.run.audit.extrapolations.push(note);
                }
            }
        }
        Ok(())
    }

    /// Writes DIR/report.html, or DIR/what-if.html for a question, and returns its path.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read or the page not written.
    pub fn write_page(&self, dir: &Path, reader: &StoreReader) -> Result<PathBuf, Failure> {
        let name = if self.facts.what_if.is_some() { "what-if.html" } else { "report.html" };
        Output::page(dir, name)?.put(&self.page(reader)?)?;
        Ok(dir.join(name))
    }

    /// The report as a page (HTML).
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn page(&self, reader: &StoreReader) -> Result<String, Failure> {
        let wanted = report::wanted_pictures(&self.run, MOST_PICTURES);
        let outlined = report::wanted_outlines(&self.run, &wanted, MOST_OUTLINES);
        let whole = wanted.iter().map(|(index, eye)| (*index, *eye, Depth::Whole));
        let outlines = outlined.iter().map(|(index, eye)| (*index, *eye, Depth::Outline));
        let pictures = pictures::draw(self, reader, whole.chain(outlines))?;
        report::build(&self.run, &self.facts, &pictures, &report::Options::default())
            .map_err(|error| Failure::new(Exit::Store, error.to_string()))
    }

    /// Was every job of the plan done?
    pub fn is_complete(&self) -> bool {
        self.run.jobs_done >= self.run.jobs_planned
    }

    /// Puts the report on record, and which summaries of the cache belong to the results.
    ///
    /// # Errors
    /// Exit 74: the store cannot be written.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
        let new: Vec<_> = self.new_summaries.iter().map(|new| (new.key, new.attempt, new.digest)).collect();
        store.note_summaries(&new)?;
        self.number.issue(store, self)
    }

    /// Key of the first counting job of a condition (index): the one that is pictured.
    pub fn first_key(&self, index: usize) -> Option<[u8; 32]> {
        self.keys.get(index).copied().flatten()
    }

    /// The machine-readable summary that `run` and `report` print.
    pub fn summary(&self, report: &Path) -> serde_json::Value {
        let run = &self.run;
        let worst = worst(run).map(|(name, metric)| {
            json!({
                "condition": name, "lane": metric.lane, "metric": metric.metric.name(),
                "direction": metric.eye.direction.name(), "rank": metric.eye.rank,
                "margin": metric.margin, "unit": metric.metric.base_unit(),
            })
        });
        json!({
            "simulated": self.facts.simulated,
            "jobs": run.jobs_done,
            "job_counts": self.job_counts,
            "bench_hours": self.facts.bench_hours,
            "verdicts": run.verdicts,
            "beyond_rating": run.beyond_rating,
            "not_measured": run.not_measured,
            "undecided": run.undecided,
            "not_needed": run.not_needed,
            "not_judged": run.not_judged,
            "predicted": run.audit.predictions.as_ref().map(|_| run.predicted),
            "predictions": run.audit.predictions,
            "worst": worst,
            "release": run.release,
            "global_risk": run.audit.global_risks,
            "headroom": run.audit.headroom,
            "highest_rates": run.audit.highest_rates,
            "limit_sets": run.audit.limit_sets,
            "suspect_jobs": run.audit.charts.iter().map(|chart| chart.suspect_jobs).max().unwrap_or(0),
            "report": report.display().to_string(),
            "report_id": self.facts.report_id,
            "replaces": self.facts.replaces,
            "results_head": self.facts.results_head,
        })
    }
}

/// The worst condition with a verdict, and the metric that decides it.
pub fn worst(run: &JudgedRun) -> Option<(&str, &JudgedMetric)> {
    let judged = run.conditions.get(run.worst()?).filter(|one| one.verdict.is_some())?;
    Some((judged.name.as_str(), judged.worst()?))
}

fn sha256(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}

//! Facts about a run that the page prints beside the judged results: what was tested, with what, and when.

use crate::causes::LaneCauses;
use crate::why::{EdgeShift, LaneGain};
use nightbench_core::results::EyeName;
use plan::limits::Limit;
use serde::Serialize;

/// A value of the simulated target's model, as used.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModelEntry {
    pub name: String,
    /// Value used.
    pub value: f64,
    pub unit: String,
    /// Where it comes from, for example `fitted estimate`.
    pub mark: String,
    /// Set by the plan instead of the default.
    pub set_by_plan: bool,
}

/// Something tested, as it was fitted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TestedItem {
    /// Chip, module or channel, with its name in the plan.
    pub name: String,
    /// What it is: kind, ranks, width, rating, risers.
    pub description: String,
    /// Serial number as identified; `None` where none was read.
    pub serial: Option<String>,
}

/// An instrument that took part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Equipment {
    /// Its part in the bench, for example `chamber`.
    pub role: String,
    /// Its answer to `*IDN?`.
    pub identification: String,
    /// Day its calibration runs out, ISO 8601; `None` = not stated.
    pub calibration_due: Option<String>,
}

/// One job on the run's time line, hours since the run began.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TimelineStep {
    /// Index of its condition.
    pub condition: usize,
    /// The job's key.
    pub key: String,
    /// Begin of the change-over before it, h.
    pub from_h: f64,
    /// Begin of the job itself, h.
    pub begin_h: f64,
    pub end_h: f64,
    /// Something was fitted by hand before it.
    pub hands: Option<HandsMoment>,
    /// Temperature asked for, degC.
    pub set_degc: f64,
    /// Temperature achieved, degC; `None` where none was read.
    pub achieved_degc: Option<f64>,
    /// A fault: no valid measurement.
    pub fault: bool,
}

/// A change by hand on the time line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HandsMoment {
    /// When, h since the run began: begin of the work where hours are composed, on a bench the moment the job could
    /// begin because the fit check was through.
    pub hour_h: f64,
    /// Temperature of the chamber then, degC; `None` where none was noted.
    pub chamber_degc: Option<f64>,
}

/// Texts kept with a job that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobTexts {
    /// Index of its condition.
    pub condition: usize,
    /// The job's key.
    pub key: String,
    /// How it failed.
    pub what: String,
    /// Name and text of each.
    pub texts: Vec<(String, String)>,
}

/// An attempt that does not count any more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Superseded {
    /// Index of its condition.
    pub condition: usize,
    /// The job's key.
    pub key: String,
    /// Attempt, from 1.
    pub attempt: u32,
    /// Why it was measured again.
    pub reason: String,
}

/// A reader's note on a condition or job: printed beside the verdict, never changing it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReviewNote {
    /// Index of the condition.
    pub condition: usize,
    /// The job's key, where the note is on one job.
    pub job: Option<String>,
    /// What is to be said.
    pub reason: String,
    /// A document or ticket it refers to.
    pub reference: Option<String>,
    /// Who says so.
    pub author: String,
    /// When, ISO 8601.
    pub date: Option<String>,
}

/// Causes of lost margin that were found in one eye: printed beside the verdicts, never changing them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FoundCauses {
    /// Index of the condition.
    pub condition: usize,
    pub eye: EyeName,
    /// The model whose signatures they were told by.
    pub model: String,
    /// Worst lane first.
    pub lanes: Vec<LaneCauses>,
    /// What every lane would gain at its best point.
    pub gains: Vec<LaneGain>,
    /// Extra jobs that the causes rest on beside the eye.
    pub extra_jobs: usize,
    /// Extra jobs that the model does not describe, so that they are left out.
    pub unused_jobs: usize,
    /// Why nothing can be said; empty where something can.
    pub nothing: String,
}

/// Facts about the run that the page prints beside the judged results.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct RunFacts {
    /// What a reader should know of the memory, and of a model that was fitted, a sentence each.
    pub memory: Vec<String>,
    /// Title of the plan.
    pub title: String,
    /// Purpose of the plan.
    pub purpose: Option<String>,
    /// Laboratory and location.
    pub laboratory: Option<String>,
    /// Simulated target?
    pub simulated: bool,
    /// Name of the target: `simulated target` or the bench's name.
    pub target: String,
    /// What the page asks instead of reporting, `judged by the file other.toml`; `None` on a report.
    pub what_if: Option<String>,
    /// Unique identifier of the report, on every page.
    pub report_id: String,
    /// Number of the report whose place it takes.
    pub replaces: Option<String>,
    /// Head of the results, limits and notes, hexadecimal.
    pub results_head: String,
    pub tool_version: String,
    /// Seed of the simulated target.
    pub seed: u64,
    /// The plan as run.
    pub plan_text: String,
    /// SHA-256 of the plan, hexadecimal.
    pub plan_hash: String,
    /// First and last moment of the run, UTC, ISO 8601; simulated runs have none (same data, same bytes).
    pub started_utc: Option<String>,
    /// See `started_utc`.
    pub ended_utc: Option<String>,
    /// Bench hours of the run: measuring and training.
    pub bench_hours: f64,
    /// Model values used (simulated target).
    pub model: Vec<ModelEntry>,
    /// Limits of the plan, with their sources.
    pub limits: Vec<Limit>,
    /// Chips, modules and channels tested.
    pub items: Vec<TestedItem>,
    /// Instruments of the bench; empty for the simulated target.
    pub equipment: Vec<Equipment>,
    /// Lines of the run's log worth a reader's attention (faults, repeats, changes), with their time.
    pub log: Vec<(String, String)>,
    /// The jobs in the order they ran.
    #[serde(skip)]
    pub timeline: Vec<TimelineStep>,
    /// Where the hours of the time line come from; empty for clock time.
    pub timeline_source: String,
    /// What the agent and the log said about jobs that failed, in the plan's order.
    #[serde(skip)]
    pub texts: Vec<JobTexts>,
    /// Attempts that do not count any more.
    #[serde(skip)]
    pub superseded: Vec<Superseded>,
    /// Notes of those who read the results.
    #[serde(skip)]
    pub notes: Vec<ReviewNote>,
    /// Causes of lost margin, where they were looked for.
    pub causes: Vec<FoundCauses>,
    /// Which factor moves which edge.
    #[serde(skip)]
    pub edge_shifts: Vec<EdgeShift>,
    /// Lanes that share a strobe on each module, in the order of the levels.
    pub strobe_lanes: Vec<u16>,
    /// Temperature at which training was done and then held, degC; `None` = trained at every condition.
    pub held_degc: Option<f64>,
}

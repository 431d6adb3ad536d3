//! A sample for a test: the corners of each unit from a run folder, and what the line's short look shows of it.

use super::lot_folder::{Begin, Entry, LotFolder, Purpose, UnitEntry};
use super::setup::{Conditions, Corner, Line, Turn, UnitFactor};
use super::station::{CallLimits, mean_lane, measure, simulated_target, worst_lane};
use crate::console::exit::{Exit, Failure};
use crate::folder::eye_summaries::{CacheUse, SummarisedFolder, each_summary};
use crate::folder::run_folder::{TOOL_VERSION, keys_of, open_whole};
use crate::forecast::Forecast;
use crate::inputs::plan_file::PlanFile;
use crate::store::{Target, hex};
use contract::CancelToken;
use judge::gonogo::{CornerMetric, Sample, SampleUnit};
use nightbench_core::line::{ShortLook, UnitOutcome};
use nightbench_core::results::{Direction, JobOutcome};
use plan::expand::{Condition, Job};
use plan::limits::Metric;
use plan::matrix::Factor;
use plan::selection::Selection;
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

/// A level this far from room temperature is a corner, °C.
const ROOM_BAND: f64 = 10.0;
/// Gauge study: units, mountings of each, repeats in each mounting.
pub const GAUGE: (usize, u32, u32) = (10, 3, 3);
/// Units measured between two writes, simulated.
const CHUNK: usize = 64;
/// First places looked at: near enough that none lies outside.
const NEAR: u16 = 2;

/// A unit's corners as the run folder has them.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitCorners {
    pub name: String,
    pub fault: Option<String>,
    pub corner: f64,
    pub room: Vec<f64>,
}

/// What a run folder says.
pub struct Characterized {
    pub file: PlanFile,
    pub target: Target,
    pub seed: u64,
    pub head: String,
    pub conditions: Conditions,
    pub units: Vec<UnitCorners>,
    /// Units left out, and why.
    pub left_out: Vec<String>,
    pub limit: f64,
    pub metric: CornerMetric,
}

/// What is wanted of a run folder.
pub struct Wanted<'a> {
    pub only: &'a [String],
    pub room_degc: f64,
    pub metric: CornerMetric,
    /// Limit at the corners, in the metric's unit; `None` takes the plan's.
    pub limit: Option<f64>,
}

fn refuse<T>(words: impl Into<String>) -> Result<T, Failure> {
    Err(Failure::invalid(words))
}

/// Reads a run folder.
///
/// # Errors
/// Exit 2: no such folder, or one that does not hold what a test needs, with the reason; exit 74: the store.
pub fn characterized(dir: &Path, wanted: &Wanted<'_>) -> Result<Characterized, Failure> {
    let reader = open_whole(dir)?;
    let meta = reader.meta()?;
    let origin = format!("plan stored in {}", dir.display());
    let file = PlanFile::from_text(meta.plan_text.clone(), &origin, false)
        .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
    let plan = &file.plan;
    if plan.channels.iter().any(|channel| channel.measured.is_some()) && meta.target == Target::Simulated {
        return refuse(
            "the plan's channel is measured data (Touchstone): a simulated line cannot be made of it; use segments",
        );
    }
    let selection = Selection::read(plan, wanted.only).map_err(Failure::invalid)?;
    let forecast = Forecast::new(plan, &[])?;
    let conditions: Vec<Condition> = forecast
        .expansion
        .conditions
        .iter()
        .filter(|condition| selection.contains(condition))
        .copied()
        .collect();
    let line = line_conditions(plan, &conditions, wanted)?;
    let keys = keys_of(plan, &meta.target)?;
    let jobs: HashMap<[u8; 32], Job> = forecast
        .jobs
        .iter()
        .map(|job| (keys.key(&forecast.expansion.conditions[job.condition as usize], job), *job))
        .collect();
    let folder = SummarisedFolder {
        dir,
        reader: &reader,
        limits: &plan.limits,
        plan,
        expansion: &forecast.expansion,
        cache_use: CacheUse::Look,
    };
    // Worst and mean lane of each job, by condition.
    let mut read: BTreeMap<u32, Vec<(f64, f64)>> = BTreeMap::new();
    let mut faults: BTreeMap<u32, String> = BTreeMap::new();
    each_summary(
        &folder,
        |stored| {
            let job = jobs.get(&stored.row.key).copied()?;
            selection.contains(&forecast.expansion.conditions[job.condition as usize]).then_some(job)
        },
        |stored, job, summary| {
            let eyes: Vec<_> = summary
                .captures
                .iter()
                .flatten()
                .filter(|eye| eye.eye.direction == Direction::Read)
                .collect();
            match &stored.outcome {
                JobOutcome::TrainingFailed => read.entry(job.condition).or_default().push((0.0, 0.0)),
                JobOutcome::NotMeasured(fault) => {
                    faults.insert(job.condition, fault.to_string());
                }
                JobOutcome::Measured if eyes.is_empty() => {
                    faults.insert(job.condition, "it holds no read eye".into());
                }
                JobOutcome::Measured => {
                    let worst =
                        eyes.iter().map(|eye| worst_lane(eye, wanted.metric)).fold(f64::INFINITY, f64::min);
                    let mean =
                        eyes.iter().map(|eye| mean_lane(eye, wanted.metric)).sum::<f64>() / eyes.len() as f64;
                    read.entry(job.condition).or_default().push((worst, mean));
                }
            }
        },
    )?;
    let (mut units, mut left_out) = (Vec::new(), Vec::new());
    let unit_factor = if line.units == UnitFactor::Module { Factor::Module } else { Factor::Chip };
    let levels: BTreeSet<usize> = conditions.iter().map(|condition| condition.level(unit_factor)).collect();
    for level in levels {
        let of_unit = || {
            let all = forecast.expansion.conditions.iter().enumerate();
            all.filter(|(_, condition)| {
                selection.contains(condition) && condition.level(unit_factor) == level
            })
        };
        let name = plan.level_name(unit_factor, level);
        let fault = match line.units {
            UnitFactor::Module => plan.modules[plan.matrix.modules[level]].fault.clone(),
            UnitFactor::Chip => plan.chips[plan.matrix.chips[level]].fault.clone(),
        };
        let mut corner = f64::INFINITY;
        let mut room = Vec::new();
        let mut missing = None;
        for (index, condition) in of_unit() {
            let average = |of: fn(&(f64, f64)) -> f64| {
                let jobs = read.get(&(index as u32))?;
                Some(jobs.iter().map(of).sum::<f64>() / jobs.len() as f64)
            };
            let at_room = (condition.temperature(plan).0 - line.temperature_degc).abs() < 1e-9;
            match (average(|job| job.0), average(|job| job.1)) {
                (Some(worst), Some(mean)) if at_room => room.extend([worst, mean]),
                (Some(worst), _) => corner = corner.min(worst),
                _ if at_room => {}
                _ => missing = Some((condition.describe(plan), faults.get(&(index as u32)))),
            }
        }
        match missing {
            Some((condition, fault)) => {
                let why = fault.map_or("not measured yet", String::as_str);
                left_out.push(format!("{name}: {condition}: {why}"));
            }
            None => units.push(UnitCorners { name, fault, corner, room }),
        }
    }
    let rate = conditions[0].rate(plan);
    let limit = match wanted.limit {
        Some(limit) => limit,
        None => limit_of_plan(plan, wanted.metric, rate)?,
    };
    Ok(Characterized {
        target: meta.target,
        seed: meta.seed,
        head: hex(&reader.results_head("")?),
        conditions: line,
        units,
        left_out,
        limit,
        metric: wanted.metric,
        file,
    })
}

/// The plan's own limit, in the metric's unit.
fn limit_of_plan(
    plan: &plan::Plan,
    metric: CornerMetric,
    rate: nightbench_core::rates::DataRate,
) -> Result<f64, Failure> {
    let of = if metric == CornerMetric::Width { Metric::Width } else { Metric::Height };
    let Some(limit) =
        plan.limits.iter().find(|limit| limit.metric == of && limit.applies(Direction::Read, rate))
    else {
        return refuse(format!(
            "the plan has no limit of the read {}; give one with --limit, in {}",
            metric.name(),
            metric.unit()
        ));
    };
    let grid = simulator::assembly::grid(&plan.interface, rate, &plan.supplies[0], Direction::Read);
    let base = limit.in_base_unit(grid.ui, grid.tap_step, grid.vddq, grid.vref_step);
    Ok(match metric {
        CornerMetric::Width => base / grid.ui.0,
        CornerMetric::Height => 100.0 * base / grid.vddq.0,
    })
}

/// The conditions of a line from those of a plan: what varies is the unit, temperature and supply; the rest has one level.
fn line_conditions(
    plan: &plan::Plan,
    conditions: &[Condition],
    wanted: &Wanted<'_>,
) -> Result<Conditions, Failure> {
    if conditions.is_empty() {
        return Err(Failure::new(Exit::NothingSelected, "no condition is selected"));
    }
    let levels =
        |factor: Factor| -> BTreeSet<usize> { conditions.iter().map(|one| one.level(factor)).collect() };
    for factor in [Factor::Firmware, Factor::Channel, Factor::Rate, Factor::Pattern] {
        let found: Vec<String> =
            levels(factor).into_iter().map(|level| plan.level_name(factor, level)).collect();
        if found.len() > 1 {
            return refuse(format!(
                "a line has one {0}, the run has {1}: choose with --only {0}={2}",
                factor.name(),
                found.join(", "),
                found[0]
            ));
        }
    }
    let (chips, modules) = (levels(Factor::Chip), levels(Factor::Module));
    let units = match (chips.len(), modules.len()) {
        (1, _) => UnitFactor::Module,
        (_, 1) => UnitFactor::Chip,
        (chips, modules) => {
            return refuse(format!(
                "{chips} chips and {modules} modules vary: a line tests one of the two; choose with --only chip=NAME or module=NAME"
            ));
        }
    };
    let temperatures: BTreeSet<usize> = levels(Factor::Temperature);
    let degrees = |level: &usize| plan.matrix.temperatures[*level].0;
    let off = |level: &usize| (degrees(level) - wanted.room_degc).abs();
    let room =
        temperatures.iter().min_by(|a, b| off(a).total_cmp(&off(b))).filter(|level| off(level) <= ROOM_BAND);
    let Some(room) = room.copied() else {
        return refuse(format!(
            "no temperature of the run lies within {ROOM_BAND} °C of room temperature ({} °C); add one to the plan, or say \
             --room",
            wanted.room_degc
        ));
    };
    let mut corners: Vec<Corner> = Vec::new();
    let mut supplies: Vec<String> = Vec::new();
    for condition in conditions {
        let supply = condition.supply(plan).name.clone();
        if condition.level(Factor::Temperature) == room {
            if !supplies.contains(&supply) {
                supplies.push(supply);
            }
        } else {
            let corner = Corner { temperature_degc: condition.temperature(plan).0, supply };
            if !corners.contains(&corner) {
                corners.push(corner);
            }
        }
    }
    if corners.is_empty() {
        return refuse(
            "every condition is at room temperature: without corners there is nothing to predict; characterize hot and cold",
        );
    }
    supplies.sort_by_key(|name| plan.supplies.iter().position(|supply| supply.name == *name));
    let faulty = match units {
        UnitFactor::Module => {
            modules.iter().filter(|level| plan.modules[plan.matrix.modules[**level]].fault.is_some()).count()
        }
        UnitFactor::Chip => {
            chips.iter().filter(|level| plan.chips[plan.matrix.chips[**level]].fault.is_some()).count()
        }
    };
    let all = if units == UnitFactor::Module { modules.len() } else { chips.len() };
    let one = conditions[0];
    Ok(Conditions {
        units,
        stays: if units == UnitFactor::Module {
            one.chip(plan).name.clone()
        } else {
            one.module(plan).name.clone()
        },
        firmware: one.firmware(plan).map(|firmware| firmware.name.clone()),
        channel: one.channel(plan).name.clone(),
        rate: one.rate(plan).nominal(),
        pattern: one.pattern(plan).name(),
        temperature_degc: degrees(&room),
        supplies,
        corners,
        faulty_share: faulty as f64 / all as f64,
    })
}

/// How the line looks at a sample: near the trained point, at every depth, rows and columns.
pub fn sample_look(bits: u64) -> (ShortLook, [f64; 2]) {
    let depths = judge::gonogo::DEPTHS;
    let shallow = depths[0].max(depths[1]);
    (ShortLook { bits, limit: shallow, start_taps: NEAR, start_steps: NEAR, columns: true }, depths)
}

/// What a sample's folder is bound to.
pub fn sample_begin(from: &Characterized, look: &ShortLook, seed: u64) -> Begin {
    let words = format!("{}\n{:?}\n{:?}", from.file.text, from.conditions, look);
    Begin {
        lot: "sample".into(),
        test: hex(&Sha256::digest(words.as_bytes())),
        tool: TOOL_VERSION.into(),
        bench: match &from.target {
            Target::Bench(name) => Some(name.clone()),
            Target::Simulated => None,
        },
        seed,
        draw: 0.0,
    }
}

/// Measurements of a sample in an order that hands can follow: every unit once, mounted anew, those of the gauge study with their
/// repeats while they are there; then these again in further mountings.
pub fn turns(from: &Characterized) -> Vec<(String, Turn)> {
    let (count, mountings, repeats) = GAUGE;
    let sound = from.units.iter().filter(|unit| unit.fault.is_none());
    let studied: BTreeSet<&str> =
        spread(sound.collect(), count).into_iter().map(|unit| unit.name.as_str()).collect();
    let mut turns = Vec::new();
    for mounting in 1..=mountings {
        for unit in &from.units {
            let repeats = match studied.contains(unit.name.as_str()) {
                true => repeats,
                false => u32::from(mounting == 1),
            };
            turns.extend((0..repeats).map(|repeat| (unit.name.clone(), Turn { mounting, repeat })));
        }
    }
    turns
}

/// So many of a list, spread over the whole of it.
fn spread<T>(list: Vec<T>, count: usize) -> Vec<T> {
    let all = list.len();
    if all <= count {
        return list;
    }
    list.into_iter()
        .enumerate()
        .filter(|(at, _)| at * count / all != (at + 1) * count / all)
        .map(|(_, one)| one)
        .collect()
}

/// Measures what the folder does not hold yet, on simulated targets.
///
/// # Errors
/// Exit 74: the folder; 130 and others: a stop.
pub fn measure_simulated(
    line: &Line,
    todo: &[(String, Turn)],
    (look, limits): (&ShortLook, &[f64]),
    folder: &mut LotFolder,
    cancel: &CancelToken,
    mut told: impl FnMut(usize),
) -> Result<(), Failure> {
    let seed = folder.lines.begin.seed;
    let calls = CallLimits { call: crate::run::execute::NO_LIMIT, reach: crate::run::execute::NO_LIMIT };
    for chunk in todo.chunks(CHUNK) {
        let entries: Result<Vec<Entry>, contract::DriverError> = chunk
            .par_iter()
            .map(|(name, turn)| {
                let mut driver = simulated_target(line, seed);
                let unit = line.simulated_unit(name);
                let (outcome, times) =
                    measure(&mut driver, line, (&unit, *turn), (look, limits), calls, cancel)?;
                Ok(sample_entry(name, *turn, outcome, times))
            })
            .collect();
        match entries {
            Ok(entries) => folder.add(entries)?,
            Err(error) => return Err(Failure::new(Exit::Interrupted, error.to_string())),
        }
        told(chunk.len());
    }
    Ok(())
}

/// A measurement of a sample as it is kept.
pub fn sample_entry(
    name: &str,
    turn: Turn,
    outcome: UnitOutcome,
    times: nightbench_core::line::UnitTimes,
) -> Entry {
    Entry::Unit(UnitEntry {
        serial: name.into(),
        purpose: Purpose::Sample,
        mounting: turn.mounting,
        repeat: turn.repeat,
        outcome,
        times,
        decision: None,
        predicted: None,
        drawn: false,
        ended_utc: String::new(),
    })
}

/// What is not measured yet; what could not be measured is tried again.
pub fn left(folder: &LotFolder, turns: Vec<(String, Turn)>) -> Vec<(String, Turn)> {
    let done: BTreeSet<(&str, u32, u32)> = folder
        .lines
        .measurements()
        .filter(|one| !matches!(one.outcome, UnitOutcome::NotMeasured(_)))
        .map(|one| (one.serial.as_str(), one.mounting, one.repeat))
        .collect();
    turns
        .iter()
        .filter(|(name, turn)| !done.contains(&(name.as_str(), turn.mounting, turn.repeat)))
        .cloned()
        .collect()
}

/// The sample as the derivation takes it.
pub fn sample_of(from: &Characterized, folder: &LotFolder, look: ShortLook, visit_s: f64) -> Sample {
    let mut measured: HashMap<(&str, u32, u32), &UnitOutcome> = HashMap::new();
    for one in folder.lines.measurements() {
        measured.insert((&one.serial, one.mounting, one.repeat), &one.outcome);
    }
    let at = |name: &str, mounting: u32, repeat: u32| {
        let known = measured.get(&(name, mounting, repeat)).copied();
        known.cloned().unwrap_or_else(|| UnitOutcome::NotMeasured("not yet".into()))
    };
    let (_, mountings, repeats) = GAUGE;
    let studied: BTreeSet<&str> =
        folder.lines.measurements().filter(|one| one.mounting > 1).map(|one| one.serial.as_str()).collect();
    Sample {
        units: from
            .units
            .iter()
            .map(|unit| SampleUnit {
                name: unit.name.clone(),
                fault: unit.fault.clone(),
                corner: unit.corner,
                room: unit.room.clone(),
                line: at(&unit.name, 1, 0),
            })
            .collect(),
        look,
        gauge: from
            .units
            .iter()
            .filter(|unit| studied.contains(unit.name.as_str()))
            .map(|unit| {
                let mounting =
                    |mounting| (0..repeats).map(|repeat| at(&unit.name, mounting, repeat)).collect();
                (unit.name.clone(), (1..=mountings).map(mounting).collect())
            })
            .collect(),
        visit_s,
    }
}

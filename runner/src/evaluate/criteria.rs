//! The sets of limits a run folder is judged by: the plan's, those recorded in the store, those of `--limits FILE`;
//! and the studies that give budget lines.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::judging::study_of;
use crate::folder::eye_summaries::CacheUse;
use crate::inputs::plain_file::read_text;
use crate::inputs::plan_file::render;
use crate::store::{LimitSet, StoreReader};
use nightbench_core::results::Direction;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use std::path::{Path, PathBuf};

/// A set with where it comes from.
#[derive(Debug, Clone)]
pub struct NamedCriteria {
    /// In words.
    pub name: String,
    /// When it was recorded.
    pub recorded: String,
    /// Agreed before the first measurement.
    pub agreed_before: bool,
    /// The set, its studies replaced by the lines they give.
    pub criteria: AcceptanceCriteria,
}

/// Replaces every study by the budget lines it gives. A study's folder is looked for from here and from `beside`.
///
/// # Errors
/// Exit 2: a study that is not there or gives no line.
pub fn resolve(
    mut criteria: AcceptanceCriteria,
    beside: Option<&Path>,
) -> Result<AcceptanceCriteria, Failure> {
    for study in std::mem::take(&mut criteria.budget.studies) {
        let places = [Some(PathBuf::from(&study)), beside.map(|folder| folder.join(&study))];
        let found = places.into_iter().flatten().find(|folder| folder.is_dir());
        let Some(folder) = found else {
            return Err(Failure::invalid(format!(
                "[[uncertainty]] names the study `{study}`, and there is no such run folder; run the study first, or \
                 give its lines by figure (`nightbench study DIR` prints them)"
            )));
        };
        let (studies, taps) = study_of(&folder, CacheUse::Look)?;
        let source = format!("study of the run folder {study}");
        let mut lines: Vec<_> = studies.iter().flat_map(|metric| metric.lines(&source)).collect();
        lines.extend(taps.lines(&source));
        if lines.is_empty() {
            let mut words: Vec<String> = studies.iter().flat_map(|metric| metric.words.clone()).collect();
            if Direction::ALL.iter().any(|(_, direction)| taps.of(*direction).is_some()) {
                words.push("its sweeps say no more of the size of a tap than the device does".into());
            }
            return Err(Failure::invalid(format!(
                "the study `{study}` gives no budget line: {}",
                words.join("; ")
            )));
        }
        criteria.budget.lines.extend(lines);
    }
    Ok(criteria)
}

/// Reads a file of limits; what it says nothing of stays as the plan has it (`own`).
///
/// # Errors
/// Exit 2: the file cannot be read, or its mistakes.
pub fn read_file(
    path: &Path,
    plan: &Plan,
    own: &AcceptanceCriteria,
    colour: bool,
) -> Result<AcceptanceCriteria, Failure> {
    let name = path.display().to_string();
    let text = read_text(path, "a file of limits (TOML)")?;
    let criteria = AcceptanceCriteria::read_over(&text, plan.interface.generation, Some(own))
        .map_err(|mistakes| Failure::invalid(render(&text, &name, &mistakes, colour)))?;
    resolve(criteria, path.parent())
}

/// The text a set is recorded with: a first line that says where it is from, then the set.
pub fn recorded_text(origin: &str, criteria: &AcceptanceCriteria) -> String {
    format!("# {}\n{}", origin.replace(['\n', '\r'], " "), criteria.to_text())
}

/// Every set recorded in a store that can be judged by again, and words on those that cannot.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn recorded(reader: &StoreReader, plan: &Plan) -> Result<(Vec<NamedCriteria>, Vec<String>), Failure> {
    let sets = reader.limit_sets().map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
    let (mut named, mut words) = (Vec::<NamedCriteria>::new(), Vec::new());
    for (index, LimitSet { limits_text, agreed_before_measuring, recorded_utc }) in
        sets.into_iter().enumerate()
    {
        match AcceptanceCriteria::read_stored(&limits_text, plan.interface.generation) {
            Ok(criteria) => {
                if let Some(known) = named.iter_mut().find(|known| known.criteria == criteria) {
                    known.agreed_before |= agreed_before_measuring;
                    continue;
                }
                let origin = limits_text.lines().next().and_then(|line| line.strip_prefix("# "));
                named.push(NamedCriteria {
                    name: origin.unwrap_or("a recorded set").to_string(),
                    recorded: recorded_utc,
                    agreed_before: agreed_before_measuring,
                    criteria,
                });
            }
            Err(_) => words.push(format!("recorded set {} of limits cannot be judged by again", index + 1)),
        }
    }
    Ok((named, words))
}

/// The plan's own set, with the lines its studies gave when the run began.
///
/// # Errors
/// Exit 2: a study that was never recorded and is not there.
pub fn of_plan(plan: &Plan, recorded: &[NamedCriteria], dir: &Path) -> Result<AcceptanceCriteria, Failure> {
    let criteria = AcceptanceCriteria::of(plan);
    if criteria.budget.studies.is_empty() {
        return Ok(criteria);
    }
    let same = |known: &&NamedCriteria| {
        known.criteria.limits == criteria.limits
            && known.criteria.decision == criteria.decision
            && known.criteria.release == criteria.release
            && known.criteria.budget.lines.starts_with(&criteria.budget.lines)
    };
    match recorded.iter().rev().find(same) {
        Some(known) => Ok(known.criteria.clone()),
        None => resolve(criteria, dir.parent()),
    }
}

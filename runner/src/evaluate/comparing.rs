//! Two run folders judged alike, and compared condition by condition.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::criteria;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::folder::run_folder::{keys_of, open_whole};
use crate::store::{StoreReader, Target};
use judge::agreement::{Agreement, Both, OfLevel, agreements};
use judge::comparison::power::{Foresight, foresee};
use judge::comparison::{Comparison, Demands, Pair, compare};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Condition, Expansion};
use plan::keys::JobKeys;
use plan::limits::Metric;
use plan::matrix::Factor;
use std::collections::{HashMap, HashSet};
use std::path::Path;

/// Most reasons given why conditions have no partner.
const MOST_REASONS: usize = 5;

/// What is to be compared, and how.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// Run folder of the baseline.
    pub baseline: &'a Path,
    /// Run folder compared with it.
    pub dir: &'a Path,
    /// What counts as lost.
    pub demands: Demands,
    /// A simulated run may be compared with a measured one.
    pub simulated_with_measured: bool,
    pub cache: CacheUse,
}

/// Two runs and what came of comparing them.
pub struct Compared {
    /// The baseline.
    pub old: JudgedFolder,
    /// The other one, judged by the baseline's limits.
    pub new: JudgedFolder,
    pub comparison: Comparison,
    /// Where one run is simulated and the other measured: does the model agree? Empty otherwise.
    pub agreement: Vec<Agreement>,
    /// What a reader must know beside it.
    pub words: Vec<String>,
}

/// Compares the folders behind two readers.
///
/// # Errors
/// Exit 2: runs that cannot be compared; exit 4: no condition in common; exit 74: a store cannot be read.
pub fn compared(
    asked: &Asked<'_>,
    old_reader: &StoreReader,
    new_reader: &StoreReader,
) -> Result<Compared, Failure> {
    let old = judged(asked.baseline, old_reader, None, asked.cache)?;
    let own_criteria = AcceptanceCriteria::of(&old.file.plan);
    let new = judged(asked.dir, new_reader, Some(own_criteria.clone()), asked.cache)?;
    let mut words = comparable(asked, &old, &new)?;
    if AcceptanceCriteria::of(&new.file.plan).limits != own_criteria.limits {
        words.push("The runs have different limits: both are judged by the baseline's.".into());
    }
    let pairs = pairs(&old, &new)?;
    let reasons = other_properties(&old, &new, &pairs)?;
    if pairs.is_empty() {
        return Err(Failure::new(
            Exit::NothingSelected,
            format!(
                "{} and {} share no condition: nothing can be compared (modules, channels, rates, temperatures and \
                 supplies are compared with all their properties, firmware aside). {}",
                asked.baseline.display(),
                asked.dir.display(),
                reasons.join(" ")
            )
            .trim_end(),
        ));
    }
    words.extend(reasons);
    let serials = |folder: &JudgedFolder| -> HashSet<String> {
        folder.run.identities.iter().map(|identity| identity.chip_serial.clone()).collect()
    };
    let same_chip = serials(&old) == serials(&new);
    let comparison = compare(&old.run, &new.run, &pairs, Demands { same_chip, ..asked.demands });
    let agreement = if old.facts.simulated == new.facts.simulated {
        Vec::new()
    } else {
        let agreement = agreements(&both(&old, &new, &pairs));
        words.extend(
            agreement.iter().map(|one| format!("Does it agree? Simulated less measured, {}.", one.words())),
        );
        words.extend(agreement.iter().filter_map(by_factor));
        agreement
    };
    Ok(Compared { old, new, comparison, agreement, words })
}

/// Mean width and height of each eye of the pairs, simulated and measured.
fn both(old: &JudgedFolder, new: &JudgedFolder, pairs: &[Pair]) -> Vec<Both> {
    let mut all = Vec::new();
    for pair in pairs {
        let (before, after) = (&old.run.conditions[pair.before], &new.run.conditions[pair.after]);
        let plan = &new.file.plan;
        let levels = |(word, factor): &(&'static str, Factor)| {
            (word.to_string(), plan.level_name(*factor, after.condition.level(*factor)))
        };
        let levels: Vec<(String, String)> = Factor::ALL.iter().map(levels).collect();
        for values in &after.lanes {
            let Some(others) = before.lanes.iter().find(|other| other.eye == values.eye) else { continue };
            let sweep = plan.interface.sweep(values.eye.direction);
            let steps =
                [pair.ui_ps / f64::from(sweep.taps_per_ui), pair.vddq_mv * sweep.vref_step_percent / 100.0];
            for (metric, step) in [Metric::Width, Metric::Height].into_iter().zip(steps) {
                let (Some(was), Some(is)) = (others.of(metric), values.of(metric)) else { continue };
                // Lanes that both have.
                let lane = |at: usize| {
                    values.lanes.get(at).and_then(|lane| others.lanes.iter().position(|known| known == lane))
                };
                let pairs: Vec<(f64, f64)> = (0..is.len())
                    .filter_map(|at| Some((f64::from(*was.get(lane(at)?)?), f64::from(is[at]))))
                    .filter(|(was, is)| was.is_finite() && is.is_finite())
                    .collect();
                if pairs.is_empty() {
                    continue;
                }
                let mean =
                    |of: fn(&(f64, f64)) -> f64| pairs.iter().map(of).sum::<f64>() / pairs.len() as f64;
                let (was, is) = (mean(|pair| pair.0), mean(|pair| pair.1));
                let (predicted, measured) = if old.facts.simulated { (was, is) } else { (is, was) };
                all.push(Both {
                    condition: format!("{}, {}", after.name, values.eye),
                    levels: levels.clone(),
                    direction: values.eye.direction,
                    metric,
                    predicted,
                    measured,
                    u: None,
                    step,
                });
            }
        }
    }
    all
}

/// Where the differences lie, in a sentence; `None` with one level of every factor.
fn by_factor(agreement: &Agreement) -> Option<String> {
    if agreement.by_factor.is_empty() {
        return None;
    }
    let level = |of: &OfLevel| format!("{} {} {:+.2}", of.factor, of.level, of.bias_steps);
    Some(format!(
        "By factor, mean of {} {} in {}: {}.",
        agreement.direction,
        agreement.metric.name(),
        agreement.step_unit(),
        agreement.by_factor.iter().map(level).collect::<Vec<_>>().join(", ")
    ))
}

/// What a run of a plan will be able to see against a baseline.
///
/// # Errors
/// Exit 2: no run folder; exit 4: no condition in common; exit 74: a store cannot be read.
pub fn foreseen(baseline: &Path, plan: &Plan, expansion: &Expansion) -> Result<Foresight, Failure> {
    let old = judged(baseline, &open_whole(baseline)?, None, CacheUse::Look)?;
    let mut known = by_text(&old)?;
    let keys = keys_of(plan, &Target::Simulated)?;
    let pairs: Vec<Pair> = expansion
        .conditions
        .iter()
        .enumerate()
        .filter_map(|(after, condition)| {
            let before = known.remove(&keys.condition_text(condition, &[Factor::Firmware]))?;
            Some(pair(before, after, condition, plan))
        })
        .collect();
    if pairs.is_empty() {
        return Err(Failure::new(
            Exit::NothingSelected,
            format!("{} has no condition of this plan: nothing could be compared", baseline.display()),
        ));
    }
    let jobs = (plan.repeats.jobs() as f64, f64::from(plan.repeats.mountings));
    Ok(foresee(&old.run, &pairs, jobs, &Demands::default()))
}

fn judged(
    dir: &Path,
    reader: &StoreReader,
    limits: Option<AcceptanceCriteria>,
    cache: CacheUse,
) -> Result<JudgedFolder, Failure> {
    let instead = match limits {
        Some(criteria) => Some(("the baseline".to_string(), criteria::resolve(criteria, dir.parent())?)),
        None => None,
    };
    JudgedFolder::read(dir, reader, JudgedBy { instead, all_sets: false, cache })
}

/// Refuses runs that were not measured alike; remarks on what differs otherwise.
fn comparable(asked: &Asked<'_>, old: &JudgedFolder, new: &JudgedFolder) -> Result<Vec<String>, Failure> {
    let mut words = Vec::new();
    if old.facts.simulated != new.facts.simulated {
        if !asked.simulated_with_measured {
            let kind = |folder: &JudgedFolder| if folder.facts.simulated { "simulated" } else { "measured" };
            return Err(Failure::invalid(format!(
                "{} is {}, {} is {}: a model is no baseline for hardware; add --simulated-with-measured if that is \
                 what you want to see",
                asked.baseline.display(),
                kind(old),
                asked.dir.display(),
                kind(new),
            )));
        }
        words.push(
            "A simulated run is compared with a measured one: the difference is that of model and hardware."
                .into(),
        );
    }
    let (old_keys, new_keys) = (simulated_keys(old)?, simulated_keys(new)?);
    for ((name, was), (_, is)) in old_keys.settings().iter().zip(new_keys.settings()) {
        if was == is {
            continue;
        }
        match *name {
            "[interface]" | "[capture]" => {
                let lines = differing_lines(was, is);
                return Err(Failure::invalid(format!(
                    "the runs were measured on different grids or by another capture: {name} differs ({}). Margins \
                     found on different grids, or at another bit error ratio, differ for that reason alone; measure \
                     again with the baseline's {name}",
                    if lines.is_empty() { "it has other keys".into() } else { lines.join("; ") }
                )));
            }
            other => words.push(match differing_lines(was, is) {
                lines if lines.is_empty() => format!("{other} differs between the runs."),
                lines => format!("{other} differs between the runs: {}.", lines.join("; ")),
            }),
        }
    }
    Ok(words)
}

/// The first values in which two texts of keys differ, with both where both have one.
fn differing_lines(was: &str, is: &str) -> Vec<String> {
    fn alone<'t>(text: &'t str, other: &str) -> Vec<&'t str> {
        let is_value = |line: &&str| line.contains(" = ") && other.lines().all(|known| known != *line);
        text.lines().filter(is_value).collect()
    }
    let (was, mut is) = (alone(was, is), alone(is, was));
    let word = |line: &str| line.split(" = ").next().map(str::to_string);
    let mut lines: Vec<String> = Vec::new();
    for line in was {
        match is.iter().position(|other| word(other) == word(line)) {
            Some(at) => lines.push(format!("{line} there, {} here", is.remove(at))),
            None => lines.push(format!("{line} there alone")),
        }
    }
    lines.extend(is.iter().map(|line| format!("{line} here alone")));
    lines.truncate(5);
    lines
}

/// What a folder measured; the target's version is left aside.
fn simulated_keys(folder: &JudgedFolder) -> Result<JobKeys<'_>, Failure> {
    keys_of(&folder.file.plan, &Target::Simulated)
}

/// Conditions joined by what was measured, firmware aside.
fn pairs(old: &JudgedFolder, new: &JudgedFolder) -> Result<Vec<Pair>, Failure> {
    let mut known = by_text(old)?;
    let plan = &new.file.plan;
    let keys = simulated_keys(new)?;
    let pairs = new
        .run
        .conditions
        .iter()
        .enumerate()
        .filter_map(|(after, judged)| {
            // Each condition of the baseline has one partner: the first firmware of each run.
            let before = known.remove(&keys.condition_text(&judged.condition, &[Factor::Firmware]))?;
            Some(pair(before, after, &judged.condition, plan))
        })
        .collect();
    Ok(pairs)
}

/// The conditions of a folder by what was measured, firmware aside: the first of each.
fn by_text(folder: &JudgedFolder) -> Result<HashMap<String, usize>, Failure> {
    let keys = simulated_keys(folder)?;
    let mut known = HashMap::new();
    for (index, judged) in folder.run.conditions.iter().enumerate() {
        known.entry(keys.condition_text(&judged.condition, &[Factor::Firmware])).or_insert(index);
    }
    Ok(known)
}

fn pair(before: usize, after: usize, condition: &Condition, plan: &Plan) -> Pair {
    let (ui_ps, vddq_mv) = (condition.rate(plan).ui().0, condition.supply(plan).vddq().0 * 1000.0);
    Pair { before, after, ui_ps, vddq_mv }
}

/// Why conditions of the same levels have no partner: which properties differ.
fn other_properties(old: &JudgedFolder, new: &JudgedFolder, pairs: &[Pair]) -> Result<Vec<String>, Failure> {
    let (old_keys, new_keys) = (simulated_keys(old)?, simulated_keys(new)?);
    let (before, after): (HashSet<usize>, HashSet<usize>) =
        pairs.iter().map(|pair| (pair.before, pair.after)).unzip();
    let mut known: HashMap<&str, usize> = HashMap::new();
    for (index, judged) in old.run.conditions.iter().enumerate() {
        if !before.contains(&index) {
            known.insert(&judged.name, index);
        }
    }
    let mut reasons: Vec<String> = Vec::new();
    for (index, judged) in new.run.conditions.iter().enumerate() {
        let Some(partner) = known.get(judged.name.as_str()) else { continue };
        if after.contains(&index) {
            continue;
        }
        let was = old_keys.condition_text(&old.run.conditions[*partner].condition, &[Factor::Firmware]);
        let is = new_keys.condition_text(&judged.condition, &[Factor::Firmware]);
        let lines = differing_lines(&was, &is);
        let reason = format!(
            "Conditions of the same levels have no partner because other properties differ: {}.",
            if lines.is_empty() {
                "one has properties that the other lacks".into()
            } else {
                lines.join("; ")
            }
        );
        if !reasons.contains(&reason) {
            reasons.push(reason);
        }
    }
    reasons.truncate(MOST_REASONS);
    Ok(reasons)
}

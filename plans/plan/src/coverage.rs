//! How much of the matrix is run: `[coverage]`.

use super::Plan;
use super::matrix::{FACTORS, Factor, read_one_level_each};
use super::section::Section;
use crate::expand::{Condition, SkipRule};
use nightbench_core::rates::Generation;
use schedule::covering::{self, Combination, Row};

/// How the conditions to run are chosen.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum CoverageKind {
    /// Every condition that is not skipped.
    #[default]
    Full,
    /// A baseline and every condition that differs from it in one factor.
    OneFactorAtATime,
    /// Every combination of the levels of so many factors, in few conditions.
    TWise {
        /// Factors taken together.
        strength: usize,
    },
}

/// The conditions chosen, over the whole matrix.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Coverage {
    /// How.
    pub kind: CoverageKind,
    /// One level of each factor, sorted; `None` = all that are not skipped.
    pub rows: Option<Vec<[u16; FACTORS]>>,
    /// Combinations of (factor, level) that no allowed condition holds: skips or fits forbid them all.
    pub missing: Vec<Vec<(Factor, u16)>>,
}

/// Seed of the covering search: the same plan gives the same conditions.
const SEED: u64 = 1;

impl Coverage {
    /// Reads `[coverage]` and chooses the conditions of a plan whose matrix and skips have been read.
    pub fn read(section: Option<Section<'_>>, generation: Generation, plan: &Plan) -> Coverage {
        let Some(section) = section else { return Coverage::default() };
        let words = [("full", 0), ("one factor at a time", 1), ("t-wise", 2)];
        let kind = section.required_choice("kind", &words);
        let strength = section.whole("strength", 1..=6, "factors");
        let names = plan.level_names();
        let baseline = section.table("baseline").map(|table| {
            let levels = read_one_level_each(&table, generation, &names);
            table.finish();
            levels
        });
        match kind {
            Some(2) if !section.has("strength") => section.mistake(
                "kind",
                "t-wise coverage does not say how many factors are taken together",
                "add `strength = 2` for every pair of levels",
            ),
            Some(0 | 1) if section.has("strength") => {
                section.mistake(
                    "strength",
                    "`strength` belongs to kind = \"t-wise\"",
                    "remove it or change `kind`",
                );
            }
            _ => {}
        }
        if kind != Some(1) && baseline.is_some() {
            section.mistake(
                "baseline",
                "`baseline` belongs to kind = \"one factor at a time\"",
                "remove it or change `kind`",
            );
        }
        section.finish();
        if !section.problems().is_empty() {
            return Coverage::default();
        }
        let kind = match (kind, strength) {
            (Some(1), _) => CoverageKind::OneFactorAtATime,
            (Some(2), Some(strength)) => CoverageKind::TWise { strength: strength as usize },
            _ => return Coverage::default(),
        };
        match choose(plan, kind, baseline.unwrap_or([None; FACTORS])) {
            Ok(coverage) => coverage,
            Err(words) => {
                section.mistake("kind", words, "choose another baseline, fewer levels or a lower strength");
                Coverage::default()
            }
        }
    }

    /// Is the condition run, as far as coverage is concerned?
    pub fn contains(&self, condition: &Condition) -> bool {
        self.rows.as_ref().is_none_or(|rows| rows.binary_search(&condition.levels).is_ok())
    }

    /// Why a condition that is not skipped is left out all the same.
    pub fn reason(&self) -> String {
        match self.kind {
            CoverageKind::Full => "not part of the coverage".into(),
            CoverageKind::OneFactorAtATime => {
                "differs from the baseline in more than one factor ([coverage])".into()
            }
            CoverageKind::TWise { strength } => {
                format!("not needed to cover every combination of {strength} factors ([coverage])")
            }
        }
    }

    /// A missing combination in words, for example `module Cedar, rate 3200`.
    pub fn combination_words(plan: &Plan, combination: &[(Factor, u16)]) -> String {
        let words = combination.iter().map(|(factor, level)| {
            format!("{} {}", factor.name(), plan.level_name(*factor, usize::from(*level)))
        });
        words.collect::<Vec<_>>().join(", ")
    }
}

fn choose(plan: &Plan, kind: CoverageKind, baseline: [Option<u16>; FACTORS]) -> Result<Coverage, String> {
    let counts = plan.matrix.level_counts();
    // Factors of one level take no part: they would only lengthen every combination.
    let varied: Vec<usize> = (0..FACTORS).filter(|factor| counts[*factor] > 1).collect();
    let levels: Vec<u16> = varied.iter().map(|factor| counts[*factor] as u16).collect();
    let whole = |row: &[u16]| {
        let mut all = [0u16; FACTORS];
        varied.iter().zip(row).for_each(|(factor, level)| all[*factor] = *level);
        all
    };
    let rule = SkipRule::new(plan);
    let forbidden = |row: &[u16]| rule.of(&Condition { levels: whole(row) }).is_some();
    let named = |combination: &Combination| -> Vec<(Factor, u16)> {
        combination.iter().map(|(at, level)| (Factor::ALL[varied[*at]].1, *level)).collect()
    };
    let chosen = match kind {
        CoverageKind::Full => return Ok(Coverage::default()),
        CoverageKind::OneFactorAtATime => {
            let row: Row = varied.iter().map(|factor| baseline[*factor].unwrap_or(0)).collect();
            if let Some(reason) = rule.of(&Condition { levels: whole(&row) }) {
                return Err(format!(
                    "the baseline ({}) is itself left out: {}",
                    Condition { levels: whole(&row) }.describe(plan),
                    rule.reasons()[reason as usize]
                ));
            }
            covering::one_at_a_time(&levels, &row, &forbidden)
        }
        CoverageKind::TWise { strength } if levels.is_empty() || strength == 0 => {
            covering::full(&levels, &forbidden).map(|rows| covering::Coverage { rows, missing: Vec::new() })
        }
        CoverageKind::TWise { strength } => {
            covering::t_wise(&levels, strength.min(levels.len()), &forbidden, SEED)
        }
    };
    let chosen = chosen.map_err(|error| error.to_string())?;
    let mut rows: Vec<[u16; FACTORS]> = chosen.rows.iter().map(|row| whole(row)).collect();
    rows.sort_unstable();
    let missing = chosen.missing.iter().map(named).collect();
    Ok(Coverage { kind, rows: Some(rows), missing })
}

#[cfg(test)]
#[path = "coverage_tests.rs"]
mod tests;

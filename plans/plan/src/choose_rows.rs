//! Which conditions a coverage runs: rows of levels chosen over what skips and fits allow.

use crate::coverage::{Coverage, CoverageKind};
use crate::expand::{Condition, SkipRule};
use crate::matrix::{FACTORS, Factor};
use crate::plan::Plan;
use schedule::covering::{self, Combination, Row};

/// Seed of the covering search: the same plan gives the same conditions.
const SEED: u64 = 1;

/// The rows of the plan's coverage. `baseline`: one level of each factor, where one is named.
///
/// # Errors
/// Why no rows can be chosen.
pub(crate) fn choose_rows(plan: &Plan, baseline: [Option<u16>; FACTORS]) -> Result<Coverage, String> {
    let kind = plan.coverage.kind.clone();
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

//! How much of the matrix is run: `[coverage]`.

use crate::matrix::{FACTORS, Factor, read_one_level_each};
use crate::section::Section;
use nightbench_core::rates::Generation;

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
    pub kind: CoverageKind,
    /// One level of each factor, sorted; `None` = all that are not skipped.
    pub rows: Option<Vec<[u16; FACTORS]>>,
    /// Combinations of (factor, level) that no allowed condition holds: skips or fits forbid them all.
    pub missing: Vec<Vec<(Factor, u16)>>,
}

impl Coverage {
    /// Reads `[coverage]` as far as it says how conditions are chosen; gives the baseline, one level of each
    /// factor.
    pub(crate) fn read(
        &mut self,
        section: &Section<'_>,
        generation: Generation,
        names: &[Vec<String>; FACTORS],
    ) -> Option<[Option<u16>; FACTORS]> {
        let words = [("full", 0), ("one factor at a time", 1), ("t-wise", 2)];
        let kind = section.required_choice("kind", &words);
        let strength = section.whole("strength", 1..=6, "factors");
        let baseline = section.table("baseline").map(|table| {
            let levels = read_one_level_each(&table, generation, names);
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
        self.kind = match (kind, strength) {
            (Some(1), _) => CoverageKind::OneFactorAtATime,
            (Some(2), Some(strength)) => CoverageKind::TWise { strength: strength as usize },
            _ => CoverageKind::Full,
        };
        baseline
    }

    /// Is a condition of these levels run, as far as coverage is concerned?
    pub fn contains(&self, levels: &[u16; FACTORS]) -> bool {
        self.rows.as_ref().is_none_or(|rows| rows.binary_search(levels).is_ok())
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
}

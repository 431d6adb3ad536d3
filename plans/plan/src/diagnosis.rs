//! `[diagnosis]`: extra jobs of the worst conditions, which tell why these have so little margin. They are a plan of their own,
//! kept in a folder of their own: unjudged, they reach no verdict, statistic, comparison or release.

use crate::coverage::{Coverage, CoverageKind};
use crate::matrix::{FACTORS, Factor};
use crate::measure::{Repeats, StartWord};
use crate::plan::Plan;
use crate::section::Section;
use nightbench_core::devices::Pattern;
use nightbench_core::rates::DataRate;

/// Most conditions that are looked into.
pub const MOST: i64 = 24;
/// A lower rate takes away interference and leaves jitter: the fastest standard rate of at most this share of the condition's.
const LOWER: f64 = 0.8;
/// Table of a stored text that stands for the extra jobs of its plan.
pub(crate) const STORED: &str = "stored_extra_jobs";

/// What a plan asks to be measured beside its matrix.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Diagnosis {
    /// Conditions looked into, worst first.
    pub worst_conditions: u16,
    /// Also with the neighbours quiet.
    pub victim_only: bool,
}

impl Diagnosis {
    /// Reads `[diagnosis]`; `None` with a mistake.
    pub(crate) fn read(section: &Section<'_>) -> Option<Diagnosis> {
        let worst = section.whole("worst_conditions", 1..=MOST, "conditions");
        if !section.has("worst_conditions") {
            section.mistake(
                "worst_conditions",
                "[diagnosis] does not say how many conditions are looked into",
                "add `worst_conditions = 3`",
            );
        }
        let victim_only = section.flag("victim_only", false);
        section.finish();
        Some(Diagnosis { worst_conditions: worst? as u16, victim_only })
    }

    /// What is sent in the extra jobs at a condition's own rate.
    fn patterns(self) -> Vec<Pattern> {
        let mut patterns: Vec<Pattern> = ["01", "1", "0"].map(|bits| Pattern::Fixed(bits.into())).into();
        if self.victim_only {
            patterns.push(Pattern::VictimOnly);
        }
        patterns
    }

    /// Which of a plan's conditions get extra jobs: of those given, worst first, the first ones with the worst one's pattern,
    /// since a folder of extra jobs is trained with one.
    pub fn chosen(self, worst_first: &[[u16; FACTORS]]) -> Vec<[u16; FACTORS]> {
        let pattern = |levels: &[u16; FACTORS]| levels[Factor::Pattern as usize];
        let Some(first) = worst_first.first().map(pattern) else { return Vec::new() };
        let alike = worst_first.iter().filter(|levels| pattern(levels) == first);
        alike.take(self.worst_conditions.into()).copied().collect()
    }
}

/// The rate that a lower-rate job of a condition is measured at; `None` where the generation has none.
pub fn lower_rate(rate: DataRate) -> Option<DataRate> {
    let most = LOWER * rate.mega_transfers();
    rate.generation().rates().filter(|lower| lower.mega_transfers() <= most).max()
}

/// The text of a plan that stands for the extra jobs of some of its conditions.
pub fn with_extra_jobs(text: &str, conditions: &[[u16; FACTORS]]) -> String {
    let rows: Vec<String> = conditions
        .iter()
        .map(|levels| format!("\"{}\"", levels.map(|level| level.to_string()).join(" ")))
        .collect();
    format!("{text}{}{}]\n", head(), rows.join(", "))
}

/// What stands between the text of a plan and its conditions with extra jobs.
fn head() -> String {
    format!(
        "\n# The extra jobs of these conditions: levels of each factor, as the matrix above lists them from 0.\n[{STORED}]\nof = ["
    )
}

/// One text that stands for the extra jobs of all these texts, each made by [`with_extra_jobs`].
///
/// # Errors
/// In words: they are not of one plan, or not trained with one pattern.
pub fn together(texts: &[&str]) -> Result<String, String> {
    let head = head();
    let mut plan = None;
    let mut all: Vec<[u16; FACTORS]> = Vec::new();
    for text in texts {
        let (own, rows) = text.rsplit_once(&head).ok_or("their plan names no extra jobs")?;
        if *plan.get_or_insert(own) != own {
            return Err("they are of different plans".into());
        }
        all.extend(rows.split('"').skip(1).step_by(2).filter_map(levels_of));
    }
    all.sort_unstable();
    all.dedup();
    if all.iter().any(|levels| levels[Factor::Pattern as usize] != all[0][Factor::Pattern as usize]) {
        return Err("they were trained with different patterns, and a folder holds those of one".into());
    }
    Ok(with_extra_jobs(plan.ok_or("there are none")?, &all))
}

/// Levels as a stored text writes them.
fn levels_of(row: &str) -> Option<[u16; FACTORS]> {
    let levels: Vec<u16> = row.split(' ').map(str::parse).collect::<Result<_, _>>().ok()?;
    levels.try_into().ok()
}

/// The plan of the extra jobs that a text asks for; rows that are none of the plan's conditions are left out.
pub(crate) fn extra_jobs(plan: &Plan, rows: &[String]) -> Plan {
    let counts = plan.matrix.level_counts();
    let read = |row: &String| {
        levels_of(row)
            .filter(|levels| levels.iter().zip(counts).all(|(level, count)| usize::from(*level) < count))
    };
    of_conditions(plan, &rows.iter().filter_map(read).collect::<Vec<_>>())
}

/// The plan of the extra jobs of some conditions: the condition's own pattern at a lower rate, other patterns at its own rate, all
/// trained with the condition's own pattern. Only the levels in use stay in the matrix.
pub fn of_conditions(plan: &Plan, conditions: &[[u16; FACTORS]]) -> Plan {
    let asked = plan.diagnosis.unwrap_or(Diagnosis { worst_conditions: 1, victim_only: false });
    let mut extra = plan.clone();
    let used = |factor: Factor| -> Vec<usize> {
        let mut levels: Vec<usize> =
            conditions.iter().map(|levels| usize::from(levels[factor as usize])).collect();
        levels.sort_unstable();
        levels.dedup();
        levels
    };
    fn kept<T: Clone>(list: &[T], used: &[usize]) -> Vec<T> {
        used.iter().filter_map(|level| list.get(*level)).cloned().collect()
    }
    let matrix = &plan.matrix;
    extra.matrix.chips = kept(&matrix.chips, &used(Factor::Chip));
    extra.matrix.firmwares = kept(&matrix.firmwares, &used(Factor::Firmware));
    extra.matrix.modules = kept(&matrix.modules, &used(Factor::Module));
    extra.matrix.channels = kept(&matrix.channels, &used(Factor::Channel));
    extra.matrix.temperatures = kept(&matrix.temperatures, &used(Factor::Temperature));
    extra.matrix.supplies = kept(&matrix.supplies, &used(Factor::Supply));
    extra.matrix.patterns = kept(&matrix.patterns, &used(Factor::Pattern));
    let own = extra.matrix.patterns.first().cloned();
    extra.matrix.patterns.truncate(1);
    let others = asked.patterns().into_iter().filter(|pattern| Some(pattern) != own.as_ref());
    extra.matrix.patterns.extend(others);
    extra.matrix.rates = kept(&matrix.rates, &used(Factor::Rate));
    for rate in extra.matrix.rates.clone() {
        let lower = lower_rate(rate).filter(|lower| !extra.matrix.rates.contains(lower));
        extra.matrix.rates.extend(lower);
    }
    let place = |factor: Factor, level: u16| {
        used(factor).iter().position(|known| *known == usize::from(level)).unwrap_or(0) as u16
    };
    let mut rows = Vec::new();
    for levels in conditions {
        let mut row: [u16; FACTORS] =
            std::array::from_fn(|at| place(Factor::ALL[at].1, levels[Factor::ALL[at].1 as usize]));
        row[Factor::Pattern as usize] = 0;
        let own = extra.matrix.rates[usize::from(row[Factor::Rate as usize])];
        if let Some(rate) = lower_rate(own)
            && let Some(level) = extra.matrix.rates.iter().position(|known| *known == rate)
        {
            let mut lower = row;
            lower[Factor::Rate as usize] = level as u16;
            rows.push(lower);
        }
        for pattern in 1..extra.matrix.patterns.len() {
            row[Factor::Pattern as usize] = pattern as u16;
            rows.push(row);
        }
    }
    rows.sort_unstable();
    rows.dedup();
    extra.coverage = Coverage { kind: CoverageKind::Full, rows: Some(rows), missing: Vec::new() };
    extra.training.pattern = own;
    // A retraining leaves the strobes where the device has them; a power cycle between training and measuring would undo it.
    extra.repeats = Repeats { repeats: 1, mountings: 1, starts: 1, start: StartWord::Retrain };
    extra.title = format!("{} (extra jobs of a diagnosis)", plan.title);
    extra.skips.clear();
    extra.budget = Default::default();
    extra.release = Default::default();
    (extra.highest_rate, extra.predicted, extra.diagnosis) = (None, None, None);
    (extra.order.baseline, extra.order.reference) = (None, None);
    extra.order.before.clear();
    extra.warnings.clear();
    extra
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::expand::{expand, jobs};
    use crate::keys::JobKeys;
    use crate::selection::Selection;

    const PLAN: &str = include_str!("../../library/quick-look.toml");

    fn plan(more: &str) -> Plan {
        Plan::read(&format!("{PLAN}\n{more}")).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
    }

    #[test]
    fn a_condition_gets_four_jobs_beside_it_and_a_fifth_with_quiet_neighbours() {
        for (more, number) in [("", 4), ("victim_only = true", 5)] {
            let text = format!("[diagnosis]\nworst_conditions = 2\n{more}\n");
            let plan = plan(&text);
            let conditions = expand(&plan, &Selection::default()).conditions;
            let worst: Vec<[u16; FACTORS]> = conditions.iter().rev().map(|one| one.levels).collect();
            let chosen = plan.diagnosis.expect("asked for").chosen(&worst);
            assert_eq!(chosen.len(), 2);
            let stored = with_extra_jobs(&format!("{PLAN}\n{text}"), &chosen);
            let extra = Plan::read_stored(&stored).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
            assert_eq!(extra, of_conditions(&plan, &chosen));
            let expansion = expand(&extra, &Selection::default());
            assert_eq!(jobs(&extra, &expansion).len(), 2 * number);
            assert!(extra.diagnosis.is_none());
            // Every job is one of a chosen condition, at its rate with another pattern or at a lower rate with its own.
            let keys = JobKeys::new(&plan, "v").expect("finite");
            let own = JobKeys::new(&extra, "v").expect("finite");
            let without = [Factor::Rate, Factor::Pattern];
            for condition in &expansion.conditions {
                let text = own.condition_text(condition, &without);
                let base = chosen.iter().map(|levels| crate::expand::Condition { levels: *levels });
                let base: Vec<_> = base.filter(|base| keys.condition_text(base, &without) == text).collect();
                let (rate, pattern) = (condition.rate(&extra), condition.pattern(&extra));
                let explains = base.iter().any(|base| {
                    let (own, sent) = (base.rate(&plan), base.pattern(&plan));
                    if pattern == sent { lower_rate(own) == Some(rate) } else { own == rate }
                });
                assert!(explains, "{}", condition.describe(&extra));
            }
            assert_eq!(extra.training.pattern.as_ref(), Some(&plan.matrix.patterns[0]));
        }
    }

    #[test]
    fn texts_of_one_plan_and_pattern_become_one() {
        let levels = |rate: u16, pattern: u16| {
            let mut levels = [0; FACTORS];
            (levels[Factor::Rate as usize], levels[Factor::Pattern as usize]) = (rate, pattern);
            levels
        };
        let text = |rows: &[[u16; FACTORS]]| with_extra_jobs(PLAN, rows);
        let (one, two) = (text(&[levels(1, 0)]), text(&[levels(0, 0), levels(1, 0)]));
        assert_eq!(together(&[&one, &two]).as_ref(), Ok(&two));
        assert_eq!(together(&[&two]).as_ref(), Ok(&two));
        assert!(together(&[&one, &text(&[levels(0, 1)])]).is_err_and(|words| words.contains("pattern")));
        let other = with_extra_jobs("title = \"Other\"\n", &[levels(0, 0)]);
        assert!(together(&[&one, &other]).is_err_and(|words| words.contains("plans")));
        assert!(together(&[PLAN]).is_err());
    }

    #[test]
    fn a_number_of_conditions_is_needed() {
        let mistakes = Plan::read(&format!("{PLAN}\n[diagnosis]\n")).unwrap_err();
        assert!(mistakes[0].message.contains("how many conditions"), "{mistakes:?}");
    }

    /// Standard rates: 3200 x 0.8 = 2560, so 2400; 1600 is DDR4's slowest.
    #[test]
    fn the_lower_rate_is_a_standard_one() {
        use nightbench_core::rates::Generation;
        let rate = |text| DataRate::parse(Generation::Ddr4, text).expect("a rate");
        assert_eq!(lower_rate(rate("3200")), Some(rate("2400")));
        assert_eq!(lower_rate(rate("2133")), Some(rate("1600")));
        assert_eq!(lower_rate(rate("1600")), None);
    }
}

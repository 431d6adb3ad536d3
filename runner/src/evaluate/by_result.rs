//! Jobs chosen by what is known of their conditions: by verdict, undecided, or undecided against a baseline.

use crate::console::exit::Failure;
use crate::evaluate::comparing::{Asked, compared};
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::folder::run_folder::open_whole;
use crate::run::pending::PendingJob;
use crate::store::{Attempts, JobKey, StoreReader};
use judge::comparison::{Answer, Demands};
use judge::judged::{JudgedCondition, PredictedVerdict, Verdict};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::JobOutcome;
use plan::Plan;
use plan::expand::Condition;
use plan::matrix::Factor;
use std::collections::HashSet;
use std::path::{Path, PathBuf};

/// What a condition or job has come to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Known {
    /// The job has no valid measurement.
    NotMeasured,
    /// Measured, and nothing can be said.
    Undecided,
    Verdict(Verdict),
    /// Not measured, and predicted.
    Predicted(PredictedVerdict),
    /// Neither worse nor shown to be not worse than in this run folder.
    UndecidedAgainst(PathBuf),
}

const AGAINST: &str = "undecided-against:";

/// Words that choose by result, for messages.
pub const WORDS: &str = "not-measured, undecided, fail, conditional-fail, conditional-pass, pass, predicted-fail, predicted-pass, \
     undecided-against:BASELINE";

impl Known {
    fn parse(word: &str) -> Option<Known> {
        let plain = |verdict: Verdict| verdict.words().replace(' ', "-");
        match word {
            "not-measured" => Some(Known::NotMeasured),
            "undecided" => Some(Known::Undecided),
            "predicted-pass" => Some(Known::Predicted(PredictedVerdict::Pass)),
            "predicted-fail" => Some(Known::Predicted(PredictedVerdict::Fail)),
            _ => match word.strip_prefix(AGAINST) {
                Some("") => None,
                Some(baseline) => Some(Known::UndecidedAgainst(baseline.into())),
                None => Verdict::ALL.into_iter().find(|verdict| plain(*verdict) == word).map(Known::Verdict),
            },
        }
    }
}

/// Parts a selection's texts: results that are wanted (any of them), and levels of factors as they are. One text may have both,
/// results first: `fail,rate=3200`.
///
/// # Errors
/// Exit 2: a word that is neither.
pub fn part(texts: &[String]) -> Result<(Vec<Known>, Vec<String>), Failure> {
    let (mut results, mut levels) = (Vec::new(), Vec::new());
    for text in texts {
        let pieces: Vec<&str> = text.split(',').collect();
        let is_level = |piece: &&str| piece.contains('=') && !piece.trim().starts_with(AGAINST);
        let first_level = pieces.iter().position(is_level).unwrap_or(pieces.len());
        for word in pieces[..first_level].iter().map(|word| word.trim()) {
            results.push(Known::parse(word).ok_or_else(|| {
                Failure::invalid(format!(
                    "`{word}` is not a selection; write factor=level,... such as rate=2400,2666, or one or more of {WORDS}"
                ))
            })?);
        }
        if first_level < pieces.len() {
            levels.push(pieces[first_level..].join(","));
        }
    }
    Ok((results, levels))
}

/// A condition by its levels' names: what two versions of a plan have in common.
fn by_name(plan: &Plan, condition: &Condition) -> Vec<String> {
    Factor::ALL.iter().map(|(_, factor)| plan.level_name(*factor, condition.level(*factor))).collect()
}

/// Keys of those jobs that have come to one of these results, by what a folder holds.
///
/// # Errors
/// Exit 2: a baseline that is not there or cannot be compared; exit 74: a store cannot be read.
pub fn jobs(
    dir: &Path,
    reader: &StoreReader,
    plan: &Plan,
    jobs: &[PendingJob],
    wanted: &[Known],
) -> Result<HashSet<JobKey>, Failure> {
    let mut keys = HashSet::new();
    let mut conditions: HashSet<Vec<String>> = HashSet::new();
    if wanted.contains(&Known::NotMeasured) {
        for stored in reader.jobs(Attempts::Counting) {
            let stored = stored?;
            if matches!(stored.outcome, JobOutcome::NotMeasured(_)) {
                keys.insert(stored.row.key);
            }
        }
    }
    let of_conditions =
        |known: &Known| matches!(known, Known::Undecided | Known::Verdict(_) | Known::Predicted(_));
    if wanted.iter().any(of_conditions) {
        let by = JudgedBy { instead: None, all_sets: false, cache: CacheUse::Look };
        let judged = JudgedFolder::read(dir, reader, by)?;
        let is_wanted = |known: &Known, one: &JudgedCondition| match known {
            Known::Verdict(wanted) => one.verdict == Some(*wanted),
            Known::Predicted(wanted) => one.predicted.as_ref().is_some_and(|found| found.verdict == *wanted),
            Known::Undecided => one.state == ConditionState::Undecided,
            Known::NotMeasured | Known::UndecidedAgainst(_) => false,
        };
        for condition in &judged.run.conditions {
            if wanted.iter().any(|known| is_wanted(known, condition)) {
                conditions.insert(by_name(&judged.file.plan, &condition.condition));
            }
        }
    }
    for known in wanted {
        let Known::UndecidedAgainst(baseline) = known else { continue };
        let asked = Asked {
            baseline,
            dir,
            demands: Demands::default(),
            simulated_with_measured: false,
            cache: CacheUse::Look,
        };
        let found = compared(&asked, &open_whole(baseline)?, reader)?;
        for condition in &found.comparison.conditions {
            if condition.answer == Answer::Undecided {
                let judged = &found.new.run.conditions[condition.pair.after];
                conditions.insert(by_name(&found.new.file.plan, &judged.condition));
            }
        }
    }
    if !conditions.is_empty() {
        let chosen = jobs.iter().filter(|pending| conditions.contains(&by_name(plan, &pending.condition)));
        keys.extend(chosen.map(|pending| pending.key));
    }
    Ok(keys)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_text_may_name_results_and_levels() {
        let of = |text: &str| part(&[text.to_string()]);
        let (results, levels) = of("fail, conditional-pass,rate=2400,3200,channel=direct").unwrap();
        assert_eq!(results, [Known::Verdict(Verdict::Fail), Known::Verdict(Verdict::ConditionalPass)]);
        assert_eq!(levels, ["rate=2400,3200,channel=direct"]);
        let (results, levels) = of("undecided-against:runs/a=b").unwrap();
        assert_eq!((results, levels.len()), (vec![Known::UndecidedAgainst("runs/a=b".into())], 0));
        assert_eq!(of("rate=2400").unwrap(), (vec![], vec!["rate=2400".to_string()]));
        assert!(of("foul,rate=2400").unwrap_err().words.contains("`foul` is not a selection"));
    }
}

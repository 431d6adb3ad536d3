//! A run judged by every set of limits on record: what each set says, and which verdicts change.

use crate::evaluate::criteria::NamedCriteria;
use judge::Judge;
use judge::audit::{LimitSetNote, SetChange};
use judge::judged::JudgedRun;
use plan::budget::{BudgetLine, LineUnit};
use plan::criteria::AcceptanceCriteria;
use plan::limits::Limit;

/// Judges by every other set on record and notes what differs.
pub fn compare_sets(
    run: &mut JudgedRun,
    judge: &Judge<'_>,
    shown: &AcceptanceCriteria,
    sets: &[NamedCriteria],
    simulated: bool,
) {
    let before = sets.iter().find(|set| set.agreed_before).or_else(|| sets.first());
    for set in sets {
        let other = (set.criteria != *shown).then(|| judge.judge(&set.criteria));
        let judged = other.as_ref().unwrap_or(run);
        let note = LimitSetNote {
            name: set.name.clone(),
            recorded: if simulated { String::new() } else { set.recorded.clone() },
            agreed_before: set.agreed_before,
            shown: set.criteria == *shown,
            limits: set.criteria.limits.iter().map(limit_words).collect(),
            budget: set.criteria.budget.lines.iter().map(budget_words).collect(),
            rule: format!("{}: w = {}", set.criteria.decision.name, set.criteria.decision.formula()),
            verdicts: judged.verdicts,
            not_measured: judged.not_measured,
            undecided: judged.undecided,
        };
        let changes: Vec<SetChange> = match (&other, before) {
            (Some(other), Some(before)) if before.criteria == set.criteria => other
                .conditions
                .iter()
                .zip(&run.conditions)
                .filter(|(before, shown)| before.verdict != shown.verdict)
                .map(|(before, shown)| SetChange {
                    condition: shown.name.clone(),
                    before: before.verdict,
                    shown: shown.verdict,
                })
                .collect(),
            _ => Vec::new(),
        };
        run.audit.limit_sets.push(note);
        run.audit.set_changes.extend(changes);
    }
    run.audit.set_changes.sort_by(|a, b| b.shown.cmp(&a.shown).then(a.condition.cmp(&b.condition)));
}

fn limit_words(limit: &Limit) -> String {
    let rates: Vec<String> = limit.rates.iter().map(ToString::to_string).collect();
    let rates = if rates.is_empty() { String::new() } else { format!(" at {} MT/s", rates.join(", ")) };
    format!(
        "{} ({}) at least {} {}{rates}",
        limit.metric.name(),
        limit.direction.name(),
        limit.minimum,
        limit.unit.name()
    )
}

fn budget_words(line: &BudgetLine) -> String {
    let axis = match line.unit {
        LineUnit::Picoseconds => "every time",
        LineUnit::Millivolts => "every voltage",
        LineUnit::Percent => "every value",
    };
    let of = line.metric.map_or(axis, |metric| metric.name());
    let direction = line.direction.map_or_else(String::new, |direction| format!(" ({direction})"));
    format!("{} of {of}{direction} {} {}", line.name, line.standard_uncertainty, line.unit.words())
}

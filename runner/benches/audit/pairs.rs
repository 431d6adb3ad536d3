//! Rows on comparisons: unchanged runs of a chip, and runs that lost a share of the loss allowed.

use crate::cases::plan;
use crate::eyes::Case;
use crate::kept::Measured;
use crate::rows::{Claim, Row, uniform};
use crate::truth::Effort;
use crate::worst::{LANE, bad_lane};
use judge::comparison::power::{Foresight, foresee};
use judge::comparison::{Answer, Comparison, Demands, LaneChange, Pair, compare};
use plan::criteria::AcceptanceCriteria;
use std::collections::BTreeMap;

/// Losses of the power curve, in units of the loss allowed.
const LOSSES: [f64; 6] = [0.0, 0.5, 1.0, 1.5, 2.0, 3.0];
/// The case that has the jobs that `preview --against` recommends.
const RECOMMENDED: &str = "as recommended";

/// Runs of many chips, each compared with the next of its chip; no truth is needed.
pub fn cases(short: bool) -> Vec<Case> {
    let effort = Effort { mountings: 0, starts: 0 };
    let (chips, seeds) = if short { (16, 2) } else { (52, 40) };
    vec![
        Case {
            name: "compare, 1 job",
            plan: |chip| plan(chip, "DDR4", 8, "2400, 2666", &["read"], ""),
            chips,
            seeds,
            retrained: 1,
            effort,
        },
        Case {
            name: "compare, as recommended",
            plan: |chip| plan(chip, "DDR4", 8, "2400, 2666", &["read"], "[repeats]\nre_seats = 7\n"),
            chips: if short { 8 } else { 48 },
            seeds: if short { 2 } else { 20 },
            retrained: 1,
            effort,
        },
    ]
}

/// Counts of a case: answers of conditions at every loss.
#[derive(Default)]
pub struct Curves {
    answers: BTreeMap<(String, usize), [u64; 3]>,
    foreseen: BTreeMap<String, Vec<Foresight>>,
}

impl Curves {
    /// The rows of one chip.
    pub fn add(&mut self, name: &str, chip: &Measured, number: u64) -> Vec<Row> {
        let (criteria, demands) = (AcceptanceCriteria::of(&chip.plan), Demands::default());
        let expansion = chip.expansion();
        let pairs: Vec<Pair> = expansion
            .conditions
            .iter()
            .enumerate()
            .map(|(at, levels)| Pair {
                before: at,
                after: at,
                ui_ps: levels.rate(&chip.plan).ui().0,
                vddq_mv: 1000.0 * levels.supply(&chip.plan).vddq().0,
            })
            .collect();
        let recommended = name.contains(RECOMMENDED);
        let at_least = |share| if recommended { Claim::AtLeast(share) } else { Claim::Information };
        let lost = |condition: usize, loss: f64| {
            let pair = &pairs[condition];
            (loss * demands.loss_ui * pair.ui_ps, loss * demands.loss_percent_vddq / 100.0 * pair.vddq_mv)
        };
        let jobs = f64::from(u16::try_from(chip.plan.repeats.jobs()).unwrap_or(1));
        let mountings = f64::from(chip.plan.repeats.mountings);
        let mut rows = Vec::new();
        for bad in [false, true] {
            let words = if bad { ", a bad lane" } else { "" };
            let of = |what: &str, claim| Row::new(format!("{name}{words}: {what}"), claim);
            let mut worse = of("an unchanged run is worse anywhere", Claim::AtMost(0.05));
            let mut shown = of("unchanged conditions are not worse", at_least(0.8));
            let mut seen = of("twice the loss allowed is worse", at_least(0.9));
            // What one lane alone loses is no matter of the others.
            let mut hidden =
                of("no lane is worse, where one lost three times the loss allowed", Claim::AtMost(0.05));
            let mut blamed =
                of("another lane is worse, where one lost three times the loss allowed", Claim::AtMost(0.05));
            let mut named =
                of("the lane that lost three times the loss allowed is worse", Claim::Information);
            for first in (0..chip.runs.len() / 2).map(|pair| 2 * pair) {
                let planted = bad.then(|| bad_lane(uniform(&[number, first as u64, 1001])));
                let before = chip.judge(first, &criteria, planted);
                if first == 0 && !bad {
                    let foreseen = foresee(&before, &pairs, (jobs, mountings), &demands);
                    self.foreseen.entry(name.into()).or_default().push(foreseen);
                }
                let against = |less: &dyn Fn(usize, usize) -> (f64, f64)| -> Comparison {
                    let after = chip.judge_less(first + 1, &criteria, planted, less);
                    compare(&before, &after, &pairs, demands)
                };
                for (at, loss) in
                    LOSSES.iter().enumerate().filter(|(_, loss)| !bad || [0.0, 2.0].contains(*loss))
                {
                    let found = against(&|condition, _| lost(condition, *loss));
                    if !bad {
                        let count = self.answers.entry((name.into(), at)).or_default();
                        for answer in [Answer::Worse, Answer::Undecided, Answer::NotWorse] {
                            count[answer as usize] += found.count(answer) as u64;
                        }
                    }
                    let number = found.conditions.len();
                    if *loss == 0.0 {
                        worse.count(found.count(Answer::Worse) + found.by_lanes.worse > 0);
                        (0..number).for_each(|at| shown.count(at < found.count(Answer::NotWorse)));
                    }
                    if *loss == 2.0 {
                        (0..number).for_each(|at| seen.count(at < found.count(Answer::Worse)));
                    }
                }
                let found = against(&|condition, lane| lost(condition, if lane == LANE { 3.0 } else { 0.0 }));
                let is_worse = |lane: &LaneChange| lane.answer == Answer::Worse;
                let of_lane = |lane: &&LaneChange| usize::from(lane.lane) == LANE;
                hidden.count(found.by_lanes.none_is_worse());
                blamed.count(found.by_lanes.changes.iter().filter(|lane| !of_lane(lane)).any(is_worse));
                named.count(found.by_lanes.changes.iter().filter(of_lane).any(is_worse));
            }
            rows.extend([worse, shown, seen, hidden, blamed, named]);
        }
        rows
    }

    /// Adds another chip's counts.
    pub fn append(&mut self, other: Curves) {
        for (key, counts) in other.answers {
            let sum = self.answers.entry(key).or_default();
            sum.iter_mut().zip(counts).for_each(|(sum, count)| *sum += count);
        }
        for (name, mut all) in other.foreseen {
            self.foreseen.entry(name).or_default().append(&mut all);
        }
    }

    /// The power curve, and what was foreseen of it.
    pub fn print(&self) {
        if self.answers.is_empty() {
            return;
        }
        println!("| comparison | loss / allowed | n | worse | undecided | not worse |");
        println!("|---|---|---|---|---|---|");
        for ((name, at), counts) in &self.answers {
            let n: u64 = counts.iter().sum();
            let [worse, undecided, not_worse] = counts.map(|count| 100.0 * count as f64 / n as f64);
            println!(
                "| {name} | {} | {n} | {worse:.1} % | {undecided:.1} % | {not_worse:.1} % |",
                LOSSES[*at]
            );
        }
        for (name, all) in &self.foreseen {
            let n = all.len() as f64;
            let share = |of: fn(&Foresight) -> usize| {
                100.0 * all.iter().map(of).sum::<usize>() as f64
                    / all.iter().map(|one| one.conditions).sum::<usize>() as f64
            };
            let visible = all.iter().map(|one| one.visible_loss).sum::<f64>() / n;
            let mut needed: Vec<u32> = all.iter().map(|one| one.jobs_needed.unwrap_or(u32::MAX)).collect();
            needed.sort_unstable();
            println!(
                "{name}: foreseen not worse with 80 % at {:.0} % of conditions, loss seen with 90 % at {:.0} %; visible loss {visible:.1} \
                 x allowed; jobs needed {} to {}",
                share(|one| one.shown_not_worse),
                share(|one| one.loss_seen),
                needed[0],
                needed[needed.len() - 1],
            );
        }
    }
}

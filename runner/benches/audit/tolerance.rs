//! Rows on tolerance limits over units: is the margin that a limit says 95 % of units exceed exceeded by 95 % of the population?

use crate::cases::plan;
use crate::eyes::Case;
use crate::kept::{Measured, Planted};
use crate::rows::{Claim, Row};
use crate::truth::{Effort, METRICS};
use judge::unit_limit;
use nightbench_core::results::Direction;
use plan::criteria::AcceptanceCriteria;
use plan::limits::Metric;

/// Content and confidence of a limit.
const CONTENT: f64 = 0.95;
const CONFIDENCE: f64 = 0.95;
/// Units that a limit is made from: too few for an order statistic, and enough.
const UNITS: [usize; 2] = [10, 60];
/// The metrics counted.
const COUNTED: [Metric; 2] = [Metric::Width, Metric::Height];

/// Each chip is a unit, measured once.
pub fn case() -> Case {
    Case {
        name: "tolerance limits",
        plan: |chip| plan(chip, "DDR4", 4, "2400", &["read"], ""),
        chips: 1200,
        seeds: 1,
        retrained: 1,
        effort: Effort { mountings: 3, starts: 6 },
    }
}

/// What a unit's report says of its worst lanes, and what is true of them.
pub struct Unit {
    said: [f64; 2],
    truth: [f64; 2],
}

impl Unit {
    /// A unit as measured, or with a bad lane.
    pub fn of(chip: &Measured, planted: Option<Planted>) -> Option<Unit> {
        let judged = chip.judge(0, &AcceptanceCriteria::of(&chip.plan), planted);
        let steps = chip.steps(Direction::Read, &chip.expansion().conditions[0]);
        let mut unit = Unit { said: [0.0; 2], truth: [f64::INFINITY; 2] };
        for (at, metric) in COUNTED.into_iter().enumerate() {
            let column = METRICS.iter().position(|known| *known == metric)?;
            unit.said[at] = judged.conditions[0].metrics.iter().find(|found| found.metric == metric)?.value;
            let lanes = chip.truths[0].iter().enumerate();
            let values = lanes.map(|(lane, values)| match planted.filter(|planted| planted.lane == lane) {
                Some(planted) => values[column] - [planted.taps * steps.0, planted.steps * steps.1][at],
                None => values[column],
            });
            unit.truth[at] = values.fold(f64::INFINITY, f64::min);
        }
        Some(unit)
    }
}

/// Groups of units that have none in common, against all of them.
pub fn rows(units: &[Unit], words: &str) -> Vec<Row> {
    let mut rows = Vec::new();
    for size in UNITS {
        for (at, metric) in COUNTED.into_iter().enumerate() {
            let name = format!("tolerance limit 95/95 of {size} units, read {}{words}", metric.name());
            let mut row = Row::new(name, Claim::Share(CONFIDENCE, 0.995));
            for group in units.chunks_exact(size) {
                let said: Vec<f64> = group.iter().map(|unit| unit.said[at]).collect();
                let limit = unit_limit(&said, CONTENT, CONFIDENCE).expect("units that differ");
                let above = units.iter().filter(|unit| unit.truth[at] >= limit).count();
                row.count(above as f64 >= CONTENT * units.len() as f64);
            }
            rows.push(row);
        }
    }
    rows
}

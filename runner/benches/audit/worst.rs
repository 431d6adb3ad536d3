//! Rows on single conditions: coverage of U, reliability of P, risks of the verdicts; each once more with a bad lane planted.

use crate::kept::{Measured, Planted};
use crate::rows::{Claim, Row, uniform};
use crate::truth::METRICS;
use judge::judged::Verdict;
use plan::criteria::AcceptanceCriteria;
use plan::limits::{Limit, Metric};

/// Coverage above this is more than reason asks for.
const MOST_COVERAGE: f64 = 0.995;
/// Limits are drawn evenly within so many ps and mV of what is true: wide against every U, so that a limit tells nothing.
const LIMITS_WITHIN: (f64, f64) = (40.0, 70.0);
/// The lane planted, and what it lacks at least and at most: taps of its width, Vref steps of its height, a share of its masks.
pub const LANE: usize = 3;
const TAPS: (f64, f64) = (0.5, 4.0);
const STEPS: (f64, f64) = (2.0, 12.0);
const SHARE: (f64, f64) = (0.02, 0.25);

/// The lane planted, as bad as a draw from 0 to 1 says.
pub fn bad_lane(draw: f64) -> Planted {
    let amount = |(least, most): (f64, f64)| least + (most - least) * draw;
    Planted { lane: LANE, taps: amount(TAPS), steps: amount(STEPS), share: amount(SHARE) }
}

/// Rows of the same names added up.
pub fn add(sums: &mut Vec<Row>, rows: Vec<Row>) {
    for row in rows {
        match sums.iter_mut().find(|known| known.name == row.name) {
            Some(sum) => {
                sum.hits += row.hits;
                sum.trials += row.trials;
                sum.printed += row.printed;
            }
            None => sums.push(row),
        }
    }
}

pub fn rows(name: &str, chip: &Measured, number: u64) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for run in 0..chip.runs.len() {
        let draw = |what: u64| uniform(&[number, run as u64, what]);
        one(name, chip, run, None, &draw, &mut rows);
        one(name, chip, run, Some(bad_lane(draw(1000))), &draw, &mut rows);
    }
    rows
}

fn one(
    name: &str,
    chip: &Measured,
    run: usize,
    planted: Option<Planted>,
    draw: &impl Fn(u64) -> f64,
    rows: &mut Vec<Row>,
) {
    let expansion = chip.expansion();
    let own = AcceptanceCriteria::of(&chip.plan);
    // Truth of the worst lane, and a limit drawn about it, for every condition, eye and metric.
    let mut criteria = AcceptanceCriteria { limits: Vec::new(), ..own.clone() };
    let eyes = |condition: usize| chip.truths[condition].len() / chip.directions();
    let mut worst = Vec::new();
    for (condition, levels) in expansion.conditions.iter().enumerate() {
        let rate = levels.rate(&chip.plan);
        for limit in own.limits.iter().filter(|limit| limit.rates.is_empty() || limit.rates.contains(&rate)) {
            let Some(column) = METRICS.iter().position(|metric| *metric == limit.metric) else { continue };
            let direction = chip
                .plan
                .capture
                .directions
                .iter()
                .position(|one| *one == limit.direction)
                .expect("captured");
            let lanes = eyes(condition);
            let of_eye = &chip.truths[condition][direction * lanes..(direction + 1) * lanes];
            let values = of_eye.iter().enumerate().map(|(lane, values)| {
                let Some(planted) = planted.filter(|planted| planted.lane == lane) else {
                    return values[column];
                };
                let (tap_ps, step_mv) = chip.steps(limit.direction, levels);
                let less = match limit.metric {
                    Metric::Width => planted.taps * tap_ps,
                    Metric::EarlyMargin | Metric::LateMargin => 0.5 * planted.taps * tap_ps,
                    Metric::Height => planted.steps * step_mv,
                    Metric::LowerMargin | Metric::UpperMargin => 0.5 * planted.steps * step_mv,
                    Metric::Mask => planted.share * values[column],
                };
                values[column] - less
            });
            let least = values.fold(f64::INFINITY, f64::min);
            let within = if limit.metric.is_time() { LIMITS_WITHIN.0 } else { LIMITS_WITHIN.1 };
            // One draw for all masks of a condition: they are one limit in many sizes.
            let place = if limit.metric == Metric::Mask { 500 + condition } else { worst.len() };
            let number = (place + 2 * usize::from(planted.is_some())) as u64;
            let minimum = least + within * (2.0 * draw(number) - 1.0);
            // A mask is measured as it is: the one nearest to the limit drawn.
            if limit.metric == Metric::Mask {
                let off = (limit.minimum - minimum).abs();
                let nearer = |other: &&Limit| {
                    other.metric == Metric::Mask
                        && other.direction == limit.direction
                        && (other.minimum - minimum).abs() < off
                };
                if own.limits.iter().any(|other| nearer(&other)) {
                    continue;
                }
            }
            let mut limit = limit.clone();
            if limit.metric != Metric::Mask {
                limit.minimum = minimum.max(1.0);
            }
            limit.rates = vec![rate];
            worst.push((condition, limit.direction, limit.metric, least));
            criteria.limits.push(limit);
        }
    }
    let judged = chip.judge(run, &criteria, planted);
    for (condition, direction, metric, least) in worst {
        if planted.is_some() && !matches!(metric, Metric::Width | Metric::Height | Metric::Mask) {
            continue;
        }
        let of_condition = &judged.conditions[condition];
        let found = |judged: &&judge::judged::JudgedMetric| {
            judged.metric == metric && judged.eye.direction == direction
        };
        let Some(found) = of_condition.metrics.iter().find(found) else { continue };
        let rate = expansion.conditions[condition].rate(&chip.plan).nominal();
        let bad = if planted.is_some() { ", a bad lane" } else { "" };
        let words = format!("{} {}{bad}", direction.name(), metric.name());
        let mut row = |name: String, claim: Claim, printed: f64, hit: bool| {
            let mut row = Row::new(name, claim);
            row.count_printed(printed, hit);
            add(rows, vec![row]);
        };
        let covered = (found.value - least).abs() <= found.expanded_uncertainty;
        row(format!("{name}: U {words} at {rate}"), Claim::Share(0.95, MOST_COVERAGE), 0.0, covered);
        if !matches!(metric, Metric::Width | Metric::Height | Metric::Mask) {
            continue;
        }
        let (conforms, p) = (least >= found.limit, found.conformance_probability);
        let decile = ((p * 10.0) as usize).min(9);
        let range = format!("{}-{} %", 10 * decile, 10 * (decile + 1));
        row(format!("{name}: P {words}, {range}"), Claim::Printed, p, conforms);
        let accepted = found.verdict <= Verdict::ConditionalPass;
        let verdict = found.verdict.words();
        row(
            format!("{name}: risk of \"{verdict}\", {words}"),
            Claim::PrintedRisk,
            found.wrong_decision_risk,
            accepted != conforms,
        );
    }
}

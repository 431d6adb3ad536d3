//! Room above the limits, for the front of the page: how many conditions would pass under another guard band, and up to
//! which rate each module and channel keeps its margin.

use super::plot::{AREA, Path, Plot, Scale, range};
use super::words::*;
use judge::audit::{Crossing, Headroom};
use judge::judged::{JudgedCondition, JudgedRun};
use nightbench_core::condition::ConditionState;
use serde::Serialize;

/// Largest guard band of the plot, in U, where the plan's is not larger.
const WIDEST: f64 = 2.0;
/// Guard bands that rules ask for, in U at k = 2: simple acceptance, 1.65 u, U and 1.5 U (ILAC-G8:09/2019; ISO 14253-1:2017).
const RULES: [(f64, &str); 4] = [(0.0, "0"), (0.825, "1.65 u"), (1.0, "U"), (1.5, "1.5 U")];

/// Width of a letter of a label, SVG units: no narrower than any in it.
const LETTER: f64 = 6.5;

/// A line of the table of rates.
#[derive(Debug, Serialize)]
pub(super) struct RateRow {
    pub module: String,
    pub channel: String,
    pub rated: String,
    pub passing: String,
    pub at_zero: String,
    pub at_guard: String,
}

/// Both.
#[derive(Debug, Serialize)]
pub(super) struct Room {
    pub passes: Option<Plot>,
    pub rates: Vec<RateRow>,
}

/// Builds both.
pub(super) fn room(run: &JudgedRun, simulated: bool) -> Room {
    Room { passes: passes(run, simulated), rates: run.audit.headroom.iter().map(rate_row).collect() }
}

/// The widest guard band, in U, under which a condition passes; `None` where it has no verdict.
fn widest(judged: &JudgedCondition) -> Option<f64> {
    if judged.state == ConditionState::TrainingFailed {
        return Some(f64::NEG_INFINITY);
    }
    judged.verdict?;
    let of = |metric: &judge::judged::JudgedMetric| match metric.closed {
        true => f64::NEG_INFINITY,
        false => metric.margin / metric.expanded_uncertainty,
    };
    judged.metrics.iter().map(of).min_by(f64::total_cmp)
}

/// Number of conditions that count and pass, against the guard band.
fn passes(run: &JudgedRun, simulated: bool) -> Option<Plot> {
    let mut all: Vec<f64> =
        run.conditions.iter().filter(|judged| run.counts(judged)).filter_map(widest).collect();
    all.sort_by(f64::total_cmp);
    let own = run
        .conditions
        .iter()
        .flat_map(|judged| &judged.metrics)
        .find(|metric| metric.expanded_uncertainty > 0.0)
        .map(|metric| metric.guard_band / metric.expanded_uncertainty)?;
    let passing = |factor: f64| all.iter().filter(|widest| **widest >= factor - 1e-9).count();
    let most = WIDEST.max(1.25 * own);
    let least = own.min(0.0);
    let x = Scale::new(least, most, AREA.left, AREA.right);
    let (_, high) = range([all.len() as f64].into_iter(), &[0.0]);
    let y = Scale::new(0.0, high.max(1.0), AREA.bottom, AREA.top);
    let mut plot = Plot::new(
        "Conditions that pass, against the guard band".into(),
        format!(
            "{} with a verdict that count. Without a guard band {} pass, under the rule of this page (full line, w = {} U) \
             {}. Dotted: guard bands that other rules ask for, at k = 2.",
            count(all.len(), "condition", "conditions"),
            passing(0.0),
            significant((own * 1000.0).round() / 1000.0),
            passing(own),
        ),
        simulated,
    );
    let mut rules = Path::default();
    for (place, (factor, name)) in RULES.into_iter().enumerate() {
        rules.line(&[(x.at(factor), AREA.top), (x.at(factor), AREA.bottom)]);
        // On the side where the full line does not cross it.
        let (at, length) = (x.at(factor), LETTER * name.len() as f64 + 2.0);
        let crossed = (at + 1.0..at + length).contains(&x.held(own)) && at - length > AREA.left;
        plot.labels.push(super::plot::Label {
            x: coordinate(if crossed { at - 2.0 } else { at + 2.0 }),
            y: coordinate(AREA.bottom - if place % 2 == 0 { 4.0 } else { 16.0 }),
            text: name.into(),
            anchor: if crossed { "end" } else { "start" },
        });
    }
    plot.draw(rules, "hands");
    let mut rule = Path::default();
    rule.line(&[(x.held(own), AREA.top), (x.held(own), AREA.bottom)]);
    plot.draw(rule, "median");
    let mut steps = vec![(x.at(least), y.at(passing(least) as f64))];
    for widest in all.iter().copied().filter(|widest| *widest >= least && *widest <= most) {
        let before = steps.last().map_or(AREA.bottom, |point| point.1);
        steps.push((x.at(widest), before));
        steps.push((x.at(widest), y.at(all.iter().filter(|other| **other > widest).count() as f64)));
    }
    steps.push((x.at(most), y.at(passing(most) as f64)));
    let mut line = Path::default();
    line.line(&steps);
    plot.draw(line, "line s0");
    plot.x_ticks = x.ticks(5);
    plot.y_ticks = y.ticks(5).into_iter().filter(|tick| !tick.text.contains('.')).collect();
    plot.x_label = "guard band w, in U".into();
    plot.y_label = "conditions that pass".into();
    Some(plot)
}

fn rate_row(line: &Headroom) -> RateRow {
    RateRow {
        module: line.module.clone(),
        channel: line.channel.clone(),
        rated: plain(line.rated_mts, 0),
        passing: match (line.passing_mts, line.at_least) {
            (Some(rate), true) => format!("at least {}", plain(rate, 0)),
            (Some(rate), false) => plain(rate, 0),
            (None, true) => "not known".into(),
            (None, false) => "none".into(),
        },
        at_zero: crossing(&line.crossings[0]),
        at_guard: crossing(&line.crossings[1]),
    }
}

fn crossing(crossing: &Crossing) -> String {
    match crossing {
        Crossing::Above => "above every rate measured".into(),
        Crossing::Below => "below every rate measured".into(),
        Crossing::Unknown => "not known".into(),
        Crossing::At { mts, interval_mts: (low, high) } => {
            let end = |rate: &Option<f64>, outside: &str| {
                rate.map_or_else(|| outside.into(), |rate| plain(rate, 0))
            };
            format!("{} ({} to {})", plain(*mts, 0), end(low, "below"), end(high, "above"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::fixture::{Kind, demo};

    /// The plot's number at the page's own guard band is the number of passes on the page.
    #[test]
    fn passes_under_the_rule_of_the_page_are_the_passes_of_the_page() {
        let demo = demo(60, Kind::Usual);
        let plot = passes(&demo.run, true).expect("something was judged");
        let said = format!("(full line, w = 1 U) {}.", demo.run.verdicts.pass);
        assert!(demo.run.verdicts.pass > 3 && plot.words.contains(&said), "{} lacks {said}", plot.words);
        let zero = demo.run.verdicts.pass + demo.run.verdicts.conditional_pass;
        assert!(plot.words.contains(&format!("Without a guard band {zero} pass")), "{}", plot.words);
    }

    /// No label lies under the full line: "1.65 u" stands on the left of its own line where the rule is 1 U.
    #[test]
    fn no_label_is_crossed_by_the_line_of_the_rule() {
        let demo = demo(60, Kind::Usual);
        let plot = passes(&demo.run, true).expect("something was judged");
        let at = |text: &str| {
            let label = plot.labels.iter().find(|label| label.text == text).expect("a label");
            (label.x.parse::<f64>().unwrap(), label.anchor)
        };
        let own = at("U").0 - 2.0;
        let (left, right) = (at("1.65 u").0, at("1.5 U").0);
        assert_eq!((at("1.65 u").1, at("U").1), ("end", "start"));
        assert!(left < own && right > own);
    }

    #[test]
    fn a_crossing_is_given_with_its_interval() {
        let at = Crossing::At { mts: 2801.4, interval_mts: (Some(2700.0), None) };
        assert_eq!(crossing(&at), "2801 (2700 to above)");
        assert_eq!(crossing(&Crossing::Below), "below every rate measured");
    }
}

//! What the verdicts rest on, said beside the decision: rows and columns in place of full eyes, passes that were read below their limit,
//! and what is assumed.

use super::words::*;
use judge::judged::JudgedRun;
use judge::passes_in_words;
use nightbench_core::results::Evidence;
use serde::Serialize;

/// Empty where there is nothing to say.
#[derive(Debug, Serialize)]
pub(super) struct RestsOn {
    pub rows_and_columns: String,
    pub read_below: String,
    /// Contributions to U that are assumed, a line each.
    pub assumed: Vec<String>,
}

/// Builds the words.
pub(super) fn rests_on(run: &JudgedRun) -> RestsOn {
    RestsOn { rows_and_columns: rows_and_columns(run), read_below: read_below(run), assumed: assumed(run) }
}

/// How many verdicts rest on rows and columns, and what those do not see.
fn rows_and_columns(run: &JudgedRun) -> String {
    let eyes = || run.conditions.iter().filter(|one| one.verdict.is_some() && one.worst().is_some());
    let crossed = eyes().filter(|one| one.evidence() == Evidence::RowAndColumn).count();
    if crossed == 0 {
        return String::new();
    }
    let full = eyes().count() - crossed;
    format!(
        "{crossed} of {} from eyes {} on rows and columns, {full} on full eyes. Seen are the edges of each lane on its operating row and column; \
         a notch or a hole of the eye off them, or between two places of the look along them, is not seen.",
        count(crossed + full, "verdict", "verdicts"),
        if crossed == 1 { "rests" } else { "rest" },
    )
}

/// Passes that were read below their limit, and how that can be.
fn read_below(run: &JudgedRun) -> String {
    let (counted, aside) = (run.passes_read_below(true), run.passes_read_below(false));
    let mut passes = passes_in_words(counted);
    if aside.total() > 0 {
        let beside = format!("{} outside the decision", passes_in_words(aside));
        passes = if passes.is_empty() { beside } else { format!("{passes}, and {beside},") };
    }
    if passes.is_empty() {
        return passes;
    }
    let stand = if counted.total() + aside.total() == 1 { "stands" } else { "stand" };
    format!(
        "{passes} {stand} where a lane read below its limit in the start measured (\u{2021} in sections 2 and 9). A verdict speaks of all the starts a \
         condition may have: judged is what its worst lane has on average, at the mean place of training, and as the lowest of many readings, which \
         is low partly by chance. The start measured did read less, and another may: `repeats` or `starts` in [repeats] show how often."
    )
}

/// Contributions to U that are estimates because neither this run nor a study says them: their sizes, and where they come from.
fn assumed(run: &JudgedRun) -> Vec<String> {
    let mut lines: Vec<(&str, Vec<(String, &str)>)> = Vec::new();
    for budget in &run.budgets {
        let unit = budget.metric.base_unit();
        for row in budget.rows.iter().filter(|row| row.assumed) {
            let mut size = format!("{} {} {unit}", budget.metric.name(), plain(row.standard_uncertainty, 1));
            if let Some((least, most)) = row.range
                && plain(least, 1) != plain(most, 1)
            {
                size.push_str(&format!(", {} to {} by eye", plain(least, 1), plain(most, 1)));
            }
            match lines.iter_mut().find(|(name, _)| *name == row.name) {
                Some((_, sizes)) => sizes.push((size, &row.source)),
                None => lines.push((&row.name, vec![(size, &row.source)])),
            }
        }
    }
    let line = |(name, sizes): (&str, Vec<(String, &str)>)| {
        // A source that all metrics share is said once.
        let shared = sizes.windows(2).all(|pair| pair[0].1 == pair[1].1);
        let source = sizes.first().map_or("", |(_, source)| source);
        let each: Vec<String> = sizes
            .iter()
            .map(|(size, source)| if shared { size.clone() } else { format!("{size} ({source})") })
            .collect();
        let end = if shared { format!(": {source}") } else { String::new() };
        format!("{name} {}{end}", each.join("; "))
    };
    lines.into_iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::fixture::{Kind, demo};

    /// The share of verdicts without a full eye, and what they do not see, stand on the first page.
    #[test]
    fn verdicts_from_rows_and_columns_are_counted() {
        let mut demo = demo(60, Kind::Usual);
        assert_eq!(rests_on(&demo.run).rows_and_columns, "");
        let judged =
            |one: &&mut judge::judged::JudgedCondition| one.verdict.is_some() && !one.metrics.is_empty();
        let eyes = demo.run.conditions.iter_mut().filter(judged).count();
        for one in demo.run.conditions.iter_mut().filter(judged).take(3) {
            one.metrics.iter_mut().for_each(|metric| metric.evidence = Evidence::RowAndColumn);
        }
        let words = rests_on(&demo.run).rows_and_columns;
        let said =
            format!("3 of {eyes} verdicts from eyes rest on rows and columns, {} on full eyes", eyes - 3);
        assert!(words.starts_with(&said) && words.contains("is not seen"), "{words}");
    }

    /// Where an estimate comes from, and how far it differs between eyes, stands beside its size.
    #[test]
    fn an_assumed_size_says_where_it_comes_from() {
        let mut demo = demo(60, Kind::Usual);
        let row = &mut demo.run.budgets[0].rows[3];
        (row.assumed, row.range, row.source) = (true, Some((0.1, 1.7)), "half a tap of scatter".into());
        assert_eq!(
            rests_on(&demo.run).assumed,
            ["repeatability width 1.1 ps, 0.1 to 1.7 by eye: half a tap of scatter"]
        );
        let other = &mut demo.run.budgets[1].rows[3];
        (other.assumed, other.source) = (true, "a quarter of a step".into());
        assert_eq!(
            rests_on(&demo.run).assumed,
            [
                "repeatability width 1.1 ps, 0.1 to 1.7 by eye (half a tap of scatter); height 1.1 mV (a quarter of a step)"
            ]
        );
    }
}

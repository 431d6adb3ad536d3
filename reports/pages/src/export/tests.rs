//! Tests of the exports on an invented run.

use super::{csv, junit};
use judge::judged::{self, PredictedVerdict};
use judge::prediction::Audits;
use nightbench_core::rates::{DataRate, Generation};
use std::collections::BTreeSet;

use crate::report::predicted_tests::foretold;
use crate::report::tests::fixture::{Demo, Kind, demo};

/// The table of an invented run, whose jobs captured nothing.
fn csv(kind: Kind) -> String {
    let demo = demo(60, kind);
    let mut out = String::new();
    csv::header(&demo.run, &mut out).unwrap();
    for judged in &demo.run.conditions {
        for note in &judged.jobs {
            let rows = csv::JobRows {
                judged,
                note,
                utc: ("", ""),
                captures: &[],
                rate: DataRate::parse(Generation::Ddr4, "2400").unwrap(),
            };
            csv::job(&demo.run, &demo.facts, &rows, &mut out).unwrap();
        }
        if judged.jobs.is_empty() {
            csv::not_run(&demo.run, &demo.facts, judged, &mut out).unwrap();
        }
    }
    out
}

/// Cells of a CSV text: a reader of RFC 4180 as small as can be.
fn cells(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut characters = text.chars().peekable();
    while let Some(c) = characters.next() {
        match (c, quoted) {
            ('"', true) if characters.peek() == Some(&'"') => {
                characters.next();
                cell.push('"');
            }
            ('"', _) => quoted = !quoted,
            (',', false) => row.push(std::mem::take(&mut cell)),
            ('\r', false) => {}
            ('\n', false) => {
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            _ => cell.push(c),
        }
    }
    rows
}

#[test]
fn csv_is_tidy_and_carries_the_run_s_numbers() {
    let demo = demo(60, Kind::Usual);
    let rows = cells(&csv(Kind::Usual));
    let header = &rows[0];
    assert!(rows.iter().all(|row| row.len() == header.len()), "every row has every column");
    let column = |name: &str| header.iter().position(|cell| cell == name).unwrap();
    let expected: usize = demo.run.conditions.iter().map(|c| c.jobs.len().max(1)).sum();
    assert_eq!(rows.len() - 1, expected);
    assert!(rows[1..].iter().all(|row| row[column("target")] == "SIMULATED"));
    let judged = demo.run.conditions.iter().find(|c| c.worst().is_some()).unwrap();
    let row = rows.iter().find(|row| row[column("condition_id")] == judged.anchor).unwrap();
    assert_eq!(row[column("outcome")], "measured");
    assert_eq!(
        row[column("condition_conformance_probability")].parse::<f64>().unwrap(),
        judged.worst().unwrap().conformance_probability
    );
    // Not measured is empty, never 0.
    let missing = demo.run.conditions.iter().find(|c| c.verdict.is_none()).unwrap();
    let row = rows.iter().find(|row| row[column("condition_id")] == missing.anchor).unwrap();
    assert_eq!(row[column("condition_verdict")], "none");
    for name in ["lane", "width_ps", "width_to_limit_ps", "height_mv", "condition_conformance_probability"] {
        assert_eq!(row[column(name)], "", "{name}");
    }
    assert!(row[column("condition_reason")].contains("temperature not reached"));
    assert_eq!(row[column("outcome")], "not_measured");
    assert!(csv(Kind::Empty).lines().skip(1).all(|line| line.contains(",not run,")));
}

#[test]
fn csv_cells_are_never_formulas() {
    let text = csv(Kind::Hostile);
    let rows = cells(&text);
    let module = rows[0].iter().position(|cell| cell == "module").unwrap();
    let names: BTreeSet<&str> = rows[1..].iter().map(|row| row[module].as_str()).collect();
    assert!(names.iter().any(|name| name.starts_with("'=HYPERLINK")), "{names:?}");
    for cell in rows.iter().flatten() {
        assert!(!cell.starts_with(['=', '+', '@', '\t']), "{cell}");
        assert!(!cell.starts_with('-') || cell.parse::<f64>().is_ok(), "{cell}");
    }
}

#[test]
fn json_lines_parse_and_keep_null_for_not_measured() {
    let demo = demo(60, Kind::Hostile);
    let mut out = String::new();
    super::jsonl::write(&demo.run, &demo.facts, &mut out).unwrap();
    let lines: Vec<serde_json::Value> = out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(lines.len(), demo.run.conditions.len());
    for (line, judged) in lines.iter().zip(&demo.run.conditions) {
        assert_eq!(line["verdict"].is_null(), judged.verdict.is_none());
        assert_eq!(line["target"], "SIMULATED - not measured");
        assert!(line["condition"]["rate_mtps"].is_number());
        if let Some(worst) = judged.worst() {
            let margins =
                line["metrics"].as_array().unwrap().iter().map(|metric| metric["margin"].as_f64().unwrap());
            let told = |margin: f64| (margin - worst.margin).abs() <= 1e-9 * worst.margin.abs();
            assert!(margins.clone().any(told), "{} in {:?}", worst.margin, margins.collect::<Vec<_>>());
        }
    }
}

#[test]
fn junit_counts_match_the_run_and_names_stay_text() {
    for kind in [Kind::Usual, Kind::Hostile, Kind::Interrupted, Kind::Empty] {
        let demo = demo(60, kind);
        let mut out = String::new();
        junit::write(&demo.run, &demo.facts, &mut out).unwrap();
        let of = |tag: &str| out.matches(tag).count();
        let run = &demo.run;
        let left = |c: &&judged::JudgedCondition| {
            let not_run = c.state.is_left();
            not_run && (!c.beyond_rating || run.beyond_rating_counts)
        };
        let setups = run.conditions.iter().filter(left).map(|c| c.condition.setup());
        // A suite with jobs that were not run and would count is not green.
        let open = setups.collect::<BTreeSet<_>>().len();
        assert_eq!(of("jobs not run"), open);
        assert_eq!(of("<testcase "), run.conditions.len() + run.left_out.len() + open);
        // As the exit code counts: nothing beyond rating, and a conditional pass is no pass.
        let counting = || run.conditions.iter().filter(|c| !c.beyond_rating);
        let fails = counting().filter(|c| c.verdict > Some(judged::Verdict::Pass)).count();
        assert_eq!(of("<failure "), fails);
        let missing = counting().filter(|c| c.verdict.is_none() && !c.jobs.is_empty()).count();
        assert_eq!(of("<error "), missing + open);
        let beyond = run.conditions.iter().filter(|c| c.beyond_rating && !c.jobs.is_empty()).count();
        assert_eq!(of("<system-out>"), beyond);
        let waiting = run.conditions.iter().filter(|c| c.verdict.is_none() && c.jobs.is_empty()).count();
        assert_eq!(of("<skipped "), run.left_out.len() + waiting);
        assert!(!out.contains("<script") && !out.contains("<img"));
        assert_eq!(of("<testsuite "), of("</testsuite>"));
        assert!(out.contains("SIMULATED - not measured"));
    }
}

#[test]
fn what_is_predicted_has_fields_of_its_own_and_only_where_it_is_asked_for() {
    let demo = foretold(Kind::Usual);
    let mut out = String::new();
    csv::header(&demo.run, &mut out).unwrap();
    for judged in demo.run.conditions.iter().filter(|one| one.jobs.is_empty()) {
        csv::not_run(&demo.run, &demo.facts, judged, &mut out).unwrap();
    }
    let rows = cells(&out);
    let column = |name: &str| rows[0].iter().position(|cell| cell == name).unwrap();
    for row in &rows[1..] {
        let pass = row[column("predicted_verdict")] == "predicted pass";
        let margin = if pass { ["31.25", "16.25", "46.25"] } else { ["-12.5", "-80", "2.5"] };
        let of = |names: [&str; 3]| names.map(|name| row[column(name)].clone());
        assert_eq!(of(["predicted_margin_ps", "interval_low_ps", "interval_high_ps"]), margin);
        assert_eq!(of(["predicted_margin_mv", "interval_low_mv", "interval_high_mv"]), ["", "", ""]);
        assert_eq!(row[column("p_wrong")], if pass { "0.02" } else { "0.1" });
        assert_eq!([&row[column("class")], &row[column("condition_verdict")]], ["predicted", "none"]);
    }
    assert!(!csv(Kind::Usual).contains("predicted_verdict"));
    let mut junit = String::new();
    junit::write(&demo.run, &demo.facts, &mut junit).unwrap();
    assert_eq!(junit.matches("<skipped message=\"predicted ").count(), rows.len() - 1);
}

/// A program that reads failures must not see green where a release that counts predictions does not pass.
#[test]
fn predicted_fails_that_count_make_their_suite_fail() {
    let mut demo = foretold(Kind::Usual);
    let written = |demo: &Demo| {
        let mut out = String::new();
        junit::write(&demo.run, &demo.facts, &mut out).unwrap();
        out
    };
    // What does not count is as if it had not been measured.
    let before = written(&demo);
    assert!(
        before.contains("<error type=\"not measured\" message=\"") && before.contains("`counts_for_release`")
    );
    let note = demo.run.audit.predictions.as_mut().unwrap();
    note.counts_for_release = true;
    note.drawn = Audits::default();
    // Not enough was audited: they decide nothing, and the suites that have some are not whole.
    let open = written(&demo);
    assert!(
        open.contains("<error type=\"not measured\" message=\"") && open.contains("raise `audit_blocks`")
    );
    let note = demo.run.audit.predictions.as_mut().unwrap();
    note.drawn = Audits { blocks: 4, conditions: 20, ..Default::default() };
    let after = written(&demo);
    let fails = demo.run.conditions.iter().filter(|one| {
        let fail = |predicted: &judged::Predicted| predicted.verdict == PredictedVerdict::Fail;
        !one.beyond_rating && one.predicted.as_ref().is_some_and(fail)
    });
    let told: usize = after
        .split("<failure type=\"predicted\" message=\"")
        .skip(1)
        .map(|rest| rest.split(' ').next().unwrap().parse::<usize>().unwrap())
        .sum();
    assert!(told > 0);
    assert_eq!(told, fails.count());
    // Every suite that has one counts it, and so does the whole; the predicted jobs stay skipped.
    let failures = |text: &str| -> Vec<usize> {
        let after = text.split(" failures=\"").skip(1);
        after.map(|rest| rest.split('"').next().unwrap().parse().unwrap()).collect()
    };
    let (old, new) = (failures(&before), failures(&after));
    assert_eq!(new[0] - old[0], after.matches("<failure type=\"predicted\"").count());
    assert_eq!(new[0], new[1..].iter().sum::<usize>());
    assert_eq!(
        after.matches("<skipped message=\"predicted ").count(),
        before.matches("<skipped message=\"predicted ").count()
    );
}

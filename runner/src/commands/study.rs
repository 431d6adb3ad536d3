//! `study`: what repeats and re-seats of a run say about the measurement, as an uncertainty budget.

use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, table};
use crate::evaluate::judging::study_of;
use crate::folder::eye_summaries::CacheUse;
use judge::study::MetricStudy;
use judge::tap_size::TapSize;
use nightbench_core::results::Direction;
use nightbench_core::text::counted;
use plan::criteria::budget_line;
use serde_json::json;
use std::path::Path;

/// Studies a run folder.
pub fn study(terminal: &Terminal, dir: &Path, cache: CacheUse, as_json: bool) -> Outcome {
    let (studies, sizes) = study_of(dir, cache)?;
    let taps: Vec<(Direction, TapSize)> = Direction::ALL
        .iter()
        .filter_map(|(_, direction)| Some((*direction, sizes.of(*direction)?)))
        .collect();
    let source = format!("study of the run folder {}", dir.display());
    let carried = sizes.lines(&source);
    if as_json {
        let metrics: Vec<serde_json::Value> = studies.iter().map(|study| machine(study, &source)).collect();
        let taps: Vec<serde_json::Value> = taps.iter().map(|(of, tap)| machine_tap(*of, tap)).collect();
        terminal.out(&json!({ "metrics": metrics, "taps": taps, "tap_lines": carried }).to_string());
    } else {
        terminal.out(&words(&studies, &source));
        taps.iter().for_each(|(of, tap)| terminal.out(&tap_words(*of, tap)));
        if !carried.is_empty() {
            let lines: Vec<String> = carried.iter().map(budget_line).collect();
            terminal.out(&format!("\nFor plans of the same devices:\n\n{}", lines.concat().trim_end()));
        }
        if sizes.unseen > 0 {
            terminal.out(&format!(
                "{} swept for the size of a tap whose crossings were not both seen: sweep more taps, or a slower rate",
                counted(sizes.unseen, "lane")
            ));
        }
    }
    if taps.is_empty() && studies.iter().all(|study| study.lines(&source).is_empty()) {
        let reasons: Vec<String> = studies.iter().flat_map(|study| study.words.clone()).collect();
        return Err(Failure::new(
            Exit::Incomplete,
            format!("{} gives no budget line: {}", dir.display(), reasons.join("; ")),
        ));
    }
    Ok(Exit::Pass)
}

fn machine_tap(direction: Direction, tap: &TapSize) -> serde_json::Value {
    json!({
        "direction": direction.name(), "size_over_stated": tap.scale, "standard_uncertainty": tap.u,
        "degrees_of_freedom": tap.freedom, "strobes": tap.strobes,
    })
}

fn tap_words(direction: Direction, tap: &TapSize) -> String {
    format!(
        "\nA tap ({}): {:.4} of what the device states, standard uncertainty {:.4}, from {}. One strobe's nonlinearity is about 1 %: \
         more strobes make it less. Reports of this run count it as the line \"size of a tap\"; for values that are right by themselves \
         let the device state this much more or less.",
        direction.name(),
        tap.scale,
        tap.u,
        counted(tap.strobes, "strobe")
    )
}

fn machine(study: &MetricStudy, source: &str) -> serde_json::Value {
    let unit = study.metric.base_unit().to_lowercase();
    let mut value = json!({
        "metric": study.metric.name(),
        "parts": study.parts, "mountings": study.mountings, "repeats": study.repeats, "setups": study.setups,
        "repeatability_dof": study.repeatability.map(|(_, dof)| dof),
        "reseating_dof": study.reseating.map(|(_, dof)| dof),
        "interaction_p": study.interaction.map(|(p, _)| p),
        "interaction_pooled": study.interaction.map(|(_, pooled)| pooled),
        "distinct_categories": study.distinct_categories,
        "words": study.words,
        "lines": study.lines(source),
    });
    for (name, number) in [
        ("repeatability", study.repeatability.map(|(deviation, _)| deviation)),
        ("reseating", study.reseating.map(|(deviation, _)| deviation)),
        ("gauge", study.gauge),
        ("part_to_part", study.part_to_part),
    ] {
        value[format!("{name}_{unit}")] = json!(number);
    }
    value
}

fn words(studies: &[MetricStudy], source: &str) -> String {
    let number = |value: Option<f64>| value.map_or("-".to_string(), |value| format!("{value:.3}"));
    let rows: Vec<Vec<String>> = studies
        .iter()
        .map(|study| {
            let dof = |value: Option<(f64, f64)>| value.map_or("-".into(), |(_, dof)| format!("{dof:.0}"));
            vec![
                format!("{}, {}", study.metric.name(), study.metric.base_unit()),
                format!("{} x {} x {}", study.parts, study.mountings, study.repeats),
                number(study.repeatability.map(|(deviation, _)| deviation)),
                dof(study.repeatability),
                number(study.reseating.map(|(deviation, _)| deviation)),
                dof(study.reseating),
                number(study.gauge),
                number(study.part_to_part),
                study.distinct_categories.map_or("-".into(), |count| count.to_string()),
                study.interaction.map_or("-".into(), |(p, pooled)| {
                    format!("p {p:.3}, {}", if pooled { "pooled" } else { "kept" })
                }),
            ]
        })
        .collect();
    let mut text = table(
        &[
            "metric",
            "parts x mountings x repeats",
            "repeatability",
            "dof",
            "re-seating",
            "dof",
            "gauge",
            "part to part",
            "categories",
            "interaction",
        ],
        &rows,
        1,
    );
    text.push_str(
        "\n\nStandard deviations by analysis of variance; parts are lanes at conditions. An interaction with p above \
         0.25 is pooled.\nA job counts once in the degrees of freedom: its lanes share one training.",
    );
    for study in studies {
        for words in &study.words {
            text.push_str(&format!("\n{}: {words}", study.metric.name()));
        }
    }
    let lines: Vec<String> =
        studies.iter().flat_map(|study| study.lines(source)).map(|line| budget_line(&line)).collect();
    if !lines.is_empty() {
        text.push_str("\n\nFor a plan (or name this folder: [[uncertainty]] with `study = \"DIR\"`):\n\n");
        text.push_str(lines.concat().trim_end());
    }
    text
}

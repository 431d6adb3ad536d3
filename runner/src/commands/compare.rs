//! `compare`: has anything got worse since a baseline?

use crate::cli::CompareArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, folded, table};
use crate::evaluate::comparing::{Asked, Compared, compared};
use crate::evaluate::judging::JudgedFolder;
use crate::evaluate::pictures::{self, Depth};
use crate::folder::output::Output;
use crate::folder::run_folder::open_whole;
use crate::store::StoreReader;
use judge::comparison::{Answer, Comparison, Demands};
use nightbench_core::text::counted;
use pages::comparison::{EyePair, RunSide, build};
use pages::report;
use serde_json::json;
use std::path::Path;

/// Eyes drawn over each other.
const MOST_EYES: usize = 4;
/// Conditions listed on the terminal.
const MOST_LISTED: usize = 12;
/// Undecided lanes named on the terminal.
const MOST_UNDECIDED: usize = 3;
/// Conditions without a partner named on the terminal, of each run.
const MOST_ALONE: usize = 5;

/// What to do where chance cannot be told from a loss.
const NO_REPEATS: &str = "Nothing is decided: where a run has a single job of each condition, what it shows may be \
                          chance. Measure both with `repeats = 3` or more in [repeats], and compare again.";

/// Compares DIR with BASELINE.
pub fn compare(terminal: &Terminal, arguments: &CompareArguments) -> Outcome {
    let asked = Asked {
        baseline: &arguments.baseline,
        dir: &arguments.dir,
        demands: demands(arguments)?,
        simulated_with_measured: arguments.simulated_with_measured,
        cache: arguments.afresh.cache(),
    };
    let (old_reader, new_reader) = (open_whole(&arguments.baseline)?, open_whole(&arguments.dir)?);
    let Compared { old, new, comparison, agreement, mut words } = compared(&asked, &old_reader, &new_reader)?;
    if comparison.lacks_repeats(&old.run, &new.run) {
        words.push(NO_REPEATS.into());
    }
    let eyes = eyes(&comparison, (&old, &old_reader), (&new, &new_reader))?;
    let side = |folder: &JudgedFolder| -> Vec<_> { folder.run.identities.clone() };
    let (old_ids, new_ids) = (side(&old), side(&new));
    let html = build(
        &comparison,
        &RunSide { facts: &old.facts, identities: &old_ids },
        &RunSide { facts: &new.facts, identities: &new_ids },
        &eyes,
        &words,
    )
    .map_err(|words| Failure::new(Exit::Store, words))?;
    Output::page(&arguments.dir, "compare.html")?.put(&html)?;
    let page = arguments.dir.join("compare.html");
    if arguments.json.json {
        let mut object = machine(arguments, &comparison, &old, &new, &words, &page);
        object["agreement"] = json!(agreement);
        terminal.out(&object.to_string());
    } else {
        terminal.out(&text(arguments, &comparison, &old, &new, &words, &page));
    }
    let alone = comparison.unmatched.0.len() + comparison.unmatched.1.len();
    Ok(if comparison.count(Answer::Worse) + comparison.by_lanes.worse > 0 {
        Exit::NotAllPass
    } else if comparison.count(Answer::Undecided) > 0 || (alone > 0 && !arguments.allow_unmatched) {
        Exit::Incomplete
    } else {
        Exit::Pass
    })
}

fn demands(arguments: &CompareArguments) -> Result<Demands, Failure> {
    // As many digits as were given: 1 - 0.95 is not 0.05 in binary.
    let level = (1e9 * (1.0 - arguments.confidence)).round() / 1e9;
    for (name, value, low, high, unit) in [
        ("--confidence", arguments.confidence, 0.5001, 0.9999, ""),
        ("--loss-ui", arguments.loss_ui, 0.0, 1.0, " UI (bit times)"),
        ("--loss-percent", arguments.loss_percent, 0.0, 100.0, " % of VDDQ"),
    ] {
        if !(low..=high).contains(&value) {
            return Err(Failure::invalid(format!("{name} is {value}; allowed: {low} to {high}{unit}")));
        }
    }
    Ok(Demands {
        loss_ui: arguments.loss_ui,
        loss_percent_vddq: arguments.loss_percent,
        level,
        same_chip: true,
    })
}

fn eyes(
    comparison: &Comparison,
    old: (&JudgedFolder, &StoreReader),
    new: (&JudgedFolder, &StoreReader),
) -> Result<Vec<EyePair>, Failure> {
    let mut pairs = Vec::new();
    for condition in &comparison.conditions {
        let Some(worst) = &condition.worst else { continue };
        let one = |folder: (&JudgedFolder, &StoreReader), index: usize| {
            let drawn = pictures::draw(folder.0, folder.1, [(index, worst.eye, Depth::Whole)])?;
            Ok::<_, Failure>(drawn.into_iter().next().map(|(_, picture)| picture))
        };
        let before = one(old, condition.pair.before)?;
        let after = one(new, condition.pair.after)?;
        if let (Some(before), Some(after)) = (before, after) {
            let limits = report::limits_of(&old.0.run, &old.0.facts, condition.pair.before, &before);
            pairs.push(EyePair { name: condition.name.clone(), pictures: (before, after), limits });
        }
        if pairs.len() == MOST_EYES {
            break;
        }
    }
    Ok(pairs)
}

fn builds(folder: &JudgedFolder) -> Vec<serde_json::Value> {
    folder
        .run
        .identities
        .iter()
        .map(|identity| {
            json!({
                "chip_serial": identity.chip_serial, "firmware_build": identity.firmware_build,
                "firmware_hash": identity.firmware_hash, "settings_hash": identity.settings_hash,
                "agent_version": identity.agent_version,
            })
        })
        .collect()
}

fn machine(
    arguments: &CompareArguments,
    comparison: &Comparison,
    old: &JudgedFolder,
    new: &JudgedFolder,
    words: &[String],
    page: &Path,
) -> serde_json::Value {
    let side = |folder: &JudgedFolder, dir: &Path| {
        json!({
            "title": folder.facts.title, "folder": dir.display().to_string(), "report_id": folder.facts.report_id,
            "simulated": folder.facts.simulated, "builds": builds(folder),
        })
    };
    json!({
        "baseline": side(old, &arguments.baseline),
        "run": side(new, &arguments.dir),
        "worse": comparison.count(Answer::Worse),
        "not_worse": comparison.count(Answer::NotWorse),
        "undecided": comparison.count(Answer::Undecided),
        "unmatched": { "baseline": comparison.unmatched.0.len(), "run": comparison.unmatched.1.len() },
        "without_partner": { "baseline": comparison.unmatched.0, "run": comparison.unmatched.1 },
        "demands": comparison.demands,
        "conditions": comparison.conditions,
        "training": {
            "changes": comparison.training,
            "baseline": comparison.failure_rates.0,
            "run": comparison.failure_rates.1,
            "rise_p": comparison.failure_rise_p,
        },
        "lanes": {
            "compared": comparison.by_lanes.lanes,
            "worse": comparison.by_lanes.worse,
            "not_worse": comparison.by_lanes.not_worse,
            "none_is_worse": comparison.by_lanes.none_is_worse(),
            "changes": comparison.by_lanes.changes,
        },
        "pooled": comparison.by_lanes.pooled,
        "jobs_to_decide": comparison.jobs_to_decide,
        "remarks": words,
        "report": page.display().to_string(),
    })
}

/// Names conditions without a partner in the other run; empty where there are none.
fn alone(of_run: &str, names: &[String], allowed: bool) -> String {
    if names.is_empty() {
        return String::new();
    }
    let has = if names.len() == 1 { "has" } else { "have" };
    let exit = if allowed { "" } else { " (exit 3 without --allow-unmatched)" };
    let words = format!("{} {of_run} {has} no partner{exit}:", counted(names.len(), "condition"));
    let mut text = folded(&words, "", "  ");
    for name in names.iter().take(MOST_ALONE) {
        text.push_str(&folded(name, "  ", "    "));
    }
    match names.len().saturating_sub(MOST_ALONE) {
        0 => {}
        more => text.push_str(&format!("  and {more} more, named in the report\n")),
    }
    text
}

/// The lanes that moved, the means, and what would decide the rest.
fn lanes(comparison: &Comparison) -> String {
    let by_lanes = &comparison.by_lanes;
    let mut text = String::from("\n");
    for line in by_lanes.pooled.iter().filter(|line| line.of == "everything") {
        let (unit, (low, high)) = (line.metric.base_unit(), line.interval);
        text.push_str(&folded(
            &format!(
                "{} {}, mean over all lanes and conditions: {:+.1} {unit} ({low:+.1} to {high:+.1}; p that nothing was \
                 lost, adjusted over the page's lines (Holm), {:.3})",
                line.direction,
                line.metric.name(),
                line.difference,
                line.p
            ),
            "\n",
            "  ",
        ));
    }
    let undecided = by_lanes.lanes.saturating_sub(by_lanes.worse + by_lanes.not_worse);
    let of = |answer: Answer, most: usize| {
        by_lanes.changes.iter().filter(move |change| change.answer == answer).take(most)
    };
    for change in of(Answer::Worse, MOST_LISTED).chain(of(Answer::Undecided, MOST_UNDECIDED)) {
        let (unit, (low, high)) = (change.metric.base_unit(), change.interval);
        text.push_str(&folded(
            &format!(
                "{}: lane {} of {}, {} of {}: {:+.1} {unit} ({low:+.1} to {high:+.1}) over {}",
                change.answer.words(),
                change.lane,
                change.setup,
                change.metric.name(),
                change.eye,
                change.difference,
                counted(change.conditions, "condition")
            ),
            "\n",
            "  ",
        ));
    }
    if by_lanes.none_is_worse() {
        text.push_str("\nNo lane lost more than allowed: shown of every one.");
    }
    if undecided > 0 {
        let more = undecided.saturating_sub(MOST_UNDECIDED);
        let more = if more > 0 { format!("{more} more single lanes are undecided. ") } else { String::new() };
        let words = format!(
            "{more}Undecided lanes alone leave exit 0: it answers for the mean lane of each condition, and for every lane that is \
             worse. To have each lane shown, measure more jobs."
        );
        text.push_str(&folded(&words, "\n", "  "));
    }
    if let Some(jobs) = comparison.jobs_to_decide {
        let words = format!(
            "About {jobs} jobs of each condition in both runs, each in a mounting of its own (re_seats in [repeats]), \
             would decide half of what is undecided."
        );
        text.push_str(&folded(&words, "\n", "  "));
    }
    text.trim_end().to_string()
}

/// The loss that is allowed and what the answers mean, in words.
fn demanded(comparison: &Comparison) -> String {
    let demands = &comparison.demands;
    let [ps, mv] = comparison.allowed().map(|(least, most)| {
        let (least, most) = (format!("{least:.1}"), format!("{most:.1}"));
        if least == most { least } else { format!("{least} to {most}") }
    });
    let allowed = format!(
        "Loss allowed: {} UI along the delay axis (here {ps} ps), {} % of VDDQ along the voltage axis (here {mv} mV).",
        demands.loss_ui, demands.loss_percent_vddq
    );
    // As many digits as the level has.
    let sure = (1e8 * (1.0 - demands.level)).round() / 1e6;
    let answers = format!(
        "Worse: shown to have lost more. Not worse: shown to have lost less. Undecided: neither is shown. In brackets: \
         the limits that decide, one-sided, the lower at {sure} %, the upper at {sure} % over all conditions together.",
    );
    format!("{}{}", folded(&allowed, "", "  "), folded(&answers, "", "  "))
}

fn text(
    arguments: &CompareArguments,
    comparison: &Comparison,
    old: &JudgedFolder,
    new: &JudgedFolder,
    words: &[String],
    page: &Path,
) -> String {
    let mut text = String::new();
    for (name, folder, dir) in [("baseline", old, &arguments.baseline), ("run", new, &arguments.dir)] {
        text.push_str(&format!("{name}: {}\n", folder.facts.title));
        text.push_str(&format!("  folder {}, report {}\n", dir.display(), folder.facts.report_id));
        for identity in &folder.run.identities {
            text.push_str(&format!(
                "  chip {}, firmware {}, {}\n",
                identity.chip_serial, identity.firmware_build, identity.agent_version
            ));
        }
    }
    if old.facts.simulated || new.facts.simulated {
        text.push_str("SIMULATED - not measured\n");
    }
    let by_lanes = &comparison.by_lanes;
    text.push_str(&format!(
        "\nconditions (mean over lanes): {} worse, {} undecided, {} not worse\nlanes (mean over conditions, each metric of a lane by itself): {} worse, {} undecided, {} not worse\n",
        comparison.count(Answer::Worse),
        comparison.count(Answer::Undecided),
        comparison.count(Answer::NotWorse),
        by_lanes.worse,
        by_lanes.lanes.saturating_sub(by_lanes.worse + by_lanes.not_worse),
        by_lanes.not_worse,
    ));
    for (of_run, names) in
        [("of the baseline", &comparison.unmatched.0), ("of the run", &comparison.unmatched.1)]
    {
        text.push_str(&alone(of_run, names, arguments.allow_unmatched));
    }
    text.push_str(&format!("\n{}\n", demanded(comparison)));
    let rows: Vec<Vec<String>> = comparison
        .conditions
        .iter()
        .take(MOST_LISTED)
        .map(|condition| {
            let (metric, change) = match &condition.worst {
                Some(worst) => {
                    let remark = if condition.reason.is_empty() { "" } else { "; " };
                    (
                        format!("{}, {}", worst.metric.name(), worst.metric.base_unit()),
                        format!(
                            "{:+.1} ({:+.1} to {:+.1}){remark}{}",
                            worst.difference, worst.interval.0, worst.interval.1, condition.reason
                        ),
                    )
                }
                None => (String::new(), condition.reason.clone()),
            };
            vec![condition.answer.words().into(), condition.name.clone(), metric, change]
        })
        .collect();
    text.push_str(&table(&["", "condition", "metric", "difference of margin"], &rows, 4));
    text.push_str(&lanes(comparison));
    let (was, is) = comparison.failure_rates;
    text.push_str(&format!("\n\nfailed starts: before, {}\n               now, {}", was.words(), is.words()));
    text.push_str(&match comparison.failure_rise_p {
        Some(p) => {
            format!("\n               p that the rate did not rise: {p:.3} (whole mountings permuted)")
        }
        None => "\n               too few mountings to tell whether the rate rose: ask for `re_seats`".into(),
    });
    for remark in words {
        text.push_str(folded(remark, "\n", "  ").trim_end());
    }
    text.push_str(&format!("\n\nreport: {}", page.display()));
    text
}

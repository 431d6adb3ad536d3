//! `fit`: the channel model's figures from measured counts, checked on conditions that were held out.

use crate::cli::FitArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::slow_notice::SlowNotice;
use crate::console::terminal::{Terminal, folded, table};
use crate::evaluate::fitting::{Gathered, MeasuredRun, gather};
use crate::folder::output::Output;
use crate::folder::run_folder::TOOL_VERSION;
use crate::inputs::plan_file::PlanFile;
use crate::store::{Target, utc_text};
use judge::agreement::Agreement;
use judge::correlation::{Correlation, FEWEST_HELD_OUT, Finding, Prediction};
use nightbench_core::text::counted;
use pages::fit::{FitFacts, decision, fit_page};
use plan::fitted_model::{Fitted, FittedModel};
use serde_json::json;
use simulator::target::MODEL_VERSION;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Names of what is written.
const MODEL: &str = "fitted.toml";
const PAGE: &str = "fit.html";
/// Figures left out that are listed on the terminal.
const LISTED: usize = 6;

/// Fits a plan's model to the counts of run folders.
pub fn fit(terminal: &Terminal, arguments: &FitArguments) -> Outcome {
    let file = PlanFile::read(&arguments.plan, terminal.colour_err)?;
    let notice = SlowNotice::start(terminal, "fitting the channel model ...");
    let runs =
        arguments.dirs.iter().map(|dir| MeasuredRun::read(dir)).collect::<Result<Vec<_>, Failure>>()?;
    let names: Vec<String> = runs.iter().map(|run| run.name.clone()).collect();
    let simulated = runs.iter().all(|run| run.target == Target::Simulated);
    let gathered = gather(&file, runs, &arguments.hold_out)?;
    let free = if arguments.free.is_empty() { gathered.usual() } else { arguments.free.clone() };
    let found = gathered.fit(&free)?;
    drop(notice);
    let model = model(&file, &gathered, &found, &names, arguments);
    let (model_path, page_path) = paths(arguments);
    write(&model_path, &model_text(&model, &found)?)?;
    let few = found.held_out_agreement.iter().map(|of| of.number).min().unwrap_or(0) < FEWEST_HELD_OUT;
    let hint = if few { could_be_held_out(&gathered) } else { String::new() };
    let facts = FitFacts {
        title: file.plan.title.clone(),
        origin: format!("{}; nightbench {TOOL_VERSION}, {MODEL_VERSION}", names.join("; ")),
        simulated,
        conditions: gathered.conditions().to_vec(),
        left_out: gathered.left_out.iter().map(|words| format!("Left out: {words}")).collect(),
        validity: model.words(),
        file: model_path.display().to_string(),
    };
    let html = fit_page(&facts, &found).map_err(|words| Failure::new(Exit::Store, words))?;
    write(&page_path, &html)?;
    if arguments.json.json {
        terminal.out(&machine(&found, &facts, &model_path, &page_path).to_string());
    } else {
        let named = named_in_plan(&arguments.plan, &model_path);
        terminal.out(
            &(words(&found, &facts, &hint)
                + &format!(
                    "model: {}; in {}: [model] file = \"{named}\"\npage: {}",
                    model_path.display(),
                    arguments.plan.display(),
                    page_path.display()
                )),
        );
    }
    Ok(match found.finding {
        Finding::Correlated => Exit::Pass,
        Finding::Misfit => Exit::NotAllPass,
        Finding::NotShown => Exit::Incomplete,
    })
}

/// The file with the model, and the page beside it.
fn paths(arguments: &FitArguments) -> (PathBuf, PathBuf) {
    let first = arguments.dirs.first().map_or(Path::new("."), PathBuf::as_path);
    match &arguments.out {
        Some(out) => (out.clone(), out.with_extension("html")),
        None => (first.join(MODEL), first.join(PAGE)),
    }
}

/// A file as a plan names it: from the plan's own folder, where it lies below it.
fn named_in_plan(plan: &Path, file: &Path) -> String {
    let own = plan.parent().and_then(|folder| file.strip_prefix(folder).ok());
    own.unwrap_or(file).display().to_string()
}

/// Levels that conditions could be held out by, in a sentence; empty where every factor has one.
fn could_be_held_out(gathered: &Gathered) -> String {
    let several = gathered.levels.iter().filter(|(_, levels)| levels.len() > 1);
    let named: Vec<String> = several
        .map(|(factor, levels)| {
            let options: Vec<String> = levels.iter().map(|level| format!("{factor}={level}")).collect();
            options.join(" or ")
        })
        .collect();
    match named.is_empty() {
        true => {
            "Every factor of the fitted conditions has one level: measure others, and hold them out.".into()
        }
        false => format!("Could be held out as well: {}.", named.join("; ")),
    }
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let name = path.file_name().and_then(|name| name.to_str()).ok_or_else(|| {
        Failure::invalid(format!("{} is no name of a file; give --out one", path.display()))
    })?;
    Output::page(folder, name)?.put(text)
}

fn model(
    file: &PlanFile,
    gathered: &Gathered,
    found: &Correlation,
    names: &[String],
    arguments: &FitArguments,
) -> FittedModel {
    let levels = |factor: &str| gathered.levels.get(factor).cloned().unwrap_or_default();
    let mut values: Vec<(String, f64)> =
        file.plan.model.iter().map(|value| (value.name.clone(), value.value)).collect();
    for fitted in &found.figures {
        values.retain(|(name, _)| *name != fitted.figure.name);
        // Five digits: more than any fit tells.
        let digits = (4.0 - fitted.value.abs().max(1e-300).log10().floor()) as i32;
        let scale = 10f64.powi(digits);
        values.push((fitted.figure.name.clone(), (fitted.value * scale).round() / scale));
    }
    values.sort_by(|a, b| a.0.cmp(&b.0));
    let (path, _) = paths(arguments);
    FittedModel {
        file: path.file_name().map_or_else(|| MODEL.into(), |name| name.to_string_lossy().into_owned()),
        fitted: Fitted {
            to: names.to_vec(),
            date: utc_text(SystemTime::now()).chars().take(10).collect(),
            tool: format!("nightbench {TOOL_VERSION}, {MODEL_VERSION}"),
            figures: found.figures.iter().map(|fitted| fitted.figure.name.clone()).collect(),
            correlated: found.finding == Finding::Correlated,
            rates: gathered.rates.clone(),
            temperatures_degc: gathered.temperatures.clone(),
            channels: levels("channel"),
            modules: levels("module"),
            supplies: levels("supply"),
        },
        values,
    }
}

fn model_text(model: &FittedModel, found: &Correlation) -> Result<String, Failure> {
    let mut comment = vec![model.words(), format!("{}.", decision(found.finding))];
    comment.extend(found.reasons.iter().cloned());
    comment.push(format!("In a plan: [model] file = \"{}\"", model.file));
    model.text(&comment).map_err(|words| Failure::new(Exit::Store, words))
}

fn words(found: &Correlation, facts: &FitFacts, hint: &str) -> String {
    let mut text = String::new();
    if facts.simulated {
        text.push_str("SIMULATED - not measured\n");
    }
    text.push_str(&folded(&format!("{}.", decision(found.finding)), "", "  "));
    for reason in &found.reasons {
        text.push_str(&folded(reason, "  ", "    "));
    }
    if !hint.is_empty() {
        text.push_str(&folded(hint, "  ", "    "));
    }
    text.push_str(&format!(
        "fitted: {} of {}, {}, mean chi-square {:.2}\n",
        counted(found.lanes, "lane"),
        counted(found.eyes, "eye"),
        counted(found.points, "point"),
        found.chi_square
    ));
    let rows: Vec<Vec<String>> = found
        .figures
        .iter()
        .map(|fitted| {
            vec![
                fitted.figure.name.clone(),
                format!("{:.4}", fitted.figure.value),
                format!("{:.4}", fitted.value),
                format!("{:.4} to {:.4}", fitted.interval.0, fitted.interval.1),
                fitted.figure.unit.clone(),
            ]
        })
        .collect();
    text.push_str(&table(&["figure", "plan", "fitted", "95 % interval", "unit"], &rows, 5));
    text.push('\n');
    text.push_str(&folded(&found.identified.weakest.words, "", "  "));
    for fixed in &found.identified.fixed {
        text.push_str(&folded(&fixed.words, "", "  "));
    }
    for agreement in &found.held_out_agreement {
        let (within, of) = agreement.within;
        let words = format!("held out: {}; {within} of {of} within U", agreement.words());
        text.push_str(&folded(&words, "", "  "));
    }
    if !found.left_out.is_empty() {
        let words = format!(
            "left out, and what freeing one more would gain (ln likelihood; chance gives one of them {:.1} in one fit of twenty):",
            found.chance
        );
        text.push_str(&folded(&words, "", "  "));
    }
    for left in found.left_out.iter().take(LISTED) {
        text.push_str(&format!(
            "  {} {:.1}, by {:+.1} %{}\n",
            left.name,
            left.gain,
            100.0 * left.change.exp_m1(),
            if left.told { ": more than chance" } else { "" }
        ));
    }
    for words in &facts.left_out {
        text.push_str(&folded(words, "", "  "));
    }
    text.push_str(&folded(&facts.validity, "", "  "));
    text
}

fn machine(found: &Correlation, facts: &FitFacts, model: &Path, page: &Path) -> serde_json::Value {
    let figures: Vec<_> = found
        .figures
        .iter()
        .map(|fitted| {
            json!({
                "name": fitted.figure.name, "unit": fitted.figure.unit, "plan": fitted.figure.value,
                "fitted": fitted.value, "low": fitted.interval.0, "high": fitted.interval.1,
            })
        })
        .collect();
    let left: Vec<_> = found
        .left_out
        .iter()
        .map(|left| {
            json!({ "name": left.name, "gain": left.gain, "change": left.change.exp_m1(), "more_than_chance": left.told })
        })
        .collect();
    let of = |list: &[Agreement]| json!(list);
    let margin = |one: &Prediction| {
        let values = |values: &Option<judge::correlation::Values>, unit: &str| {
            values.as_ref().map(|values| {
                json!({
                    (format!("predicted_{unit}")): values.predicted, (format!("measured_{unit}")): values.measured,
                    (format!("standard_uncertainty_{unit}")): values.u, "lanes_rms_steps": values.lanes_rms(),
                })
            })
        };
        json!({
            "condition": facts.conditions[one.condition].name, "eye": one.eye.to_string(),
            "width": values(&one.width, "ps"), "height": values(&one.height, "mv"),
        })
    };
    json!({
        "finding": found.finding, "reasons": found.reasons, "simulated": facts.simulated, "figures": figures,
        "weakest": found.identified.weakest.words,
        "only_together": found.identified.fixed.iter().map(|fixed| fixed.words.clone()).collect::<Vec<_>>(),
        "points": found.points, "lanes": found.lanes, "eyes": found.eyes, "chi_square": found.chi_square,
        "left_out": left, "chance_gain": found.chance,
        "agreement": of(&found.agreement), "held_out_agreement": of(&found.held_out_agreement),
        "held_out": found.held_out.iter().map(margin).collect::<Vec<_>>(),
        "not_used": facts.left_out, "validity": facts.validity,
        "model": model.display().to_string(), "page": page.display().to_string(),
    })
}

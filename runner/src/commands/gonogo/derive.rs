//! `gonogo derive`: from characterized units to a frozen test, or to the reasons why there is none.

use super::percent;
use crate::cli::{DeriveArguments, MetricName};
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, folded};
use crate::folder::output::Output;
use crate::folder::run_folder::TOOL_VERSION;
use crate::line::bench::{Station, measure_sample};
use crate::line::lot_folder::LotFolder;
use crate::line::running::Prompt;
use crate::line::sample::{
    Characterized, Wanted, characterized, left, measure_simulated, sample_begin, sample_look, sample_of,
    turns,
};
use crate::line::setup::Line;
use crate::line::test_file::{GoldenFacts, SampleFacts, TestFile};
use crate::run::signals::Watch;
use crate::store::Target;
use contract::CancelToken;
use judge::gonogo::{Asked, CornerMetric, Costs, Derivation, derive as derived};
use nightbench_core::line::{UnitOutcome, UnitTimes};
use nightbench_core::text::counted;
use pages::gonogo::{DerivationFacts, derivation_page};
use serde_json::json;
use std::path::Path;

/// Begin of the name of the sample's folder in the run folder.
const SAMPLE: &str = "line-sample";
/// Name of the frozen test in it.
const FROZEN: &str = "gonogo.toml";

/// Derives a test.
pub fn derive(terminal: &Terminal, arguments: &DeriveArguments) -> Outcome {
    let asked = asked(arguments)?;
    let wanted = Wanted {
        only: &arguments.only.only,
        room_degc: arguments.room,
        metric: asked.metric,
        limit: arguments.limit,
    };
    let mut from = characterized(&arguments.dir, &wanted)?;
    if let Some(share) = asked.faulty_share {
        from.conditions.faulty_share = share;
    }
    let asked = Asked { limit: from.limit, ..asked };
    let line = Line::new(from.file.plan.clone(), from.conditions.clone())?;
    let (look, limits) = sample_look(arguments.bits);
    // Another selection, limit of bits or plan is another sample.
    let begin = sample_begin(&from, &look, from.seed);
    let dir = arguments.dir.join(format!("{SAMPLE}-{}", &begin.test[..8]));
    let mut folder = LotFolder::open(&dir, &begin)?;
    let todo = left(&folder, turns(&from));
    if !todo.is_empty() {
        terminal.note(&format!(
            "measuring {} of the sample as the line will: {} on record already",
            counted(todo.len(), "unit"),
            folder.lines.measurements().count()
        ));
        let watched = |measure: &mut dyn FnMut(&CancelToken) -> Result<(), Failure>| {
            let cancel = CancelToken::new();
            let watch = Watch::start(&cancel, &cancel)
                .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
            let measured = measure(&cancel);
            match watch.exit() {
                Some(exit) => Err(Failure::new(exit, "stopped; what is measured is stored")),
                None => measured,
            }
        };
        match (&from.target, &arguments.bench) {
            (Target::Simulated, None) => watched(&mut |cancel| {
                measure_simulated(&line, &todo, (&look, &limits), &mut folder, cancel, |_| {})
            })?,
            (Target::Bench(_), Some(bench)) => {
                let mut station = Some(Station::prepare(terminal, bench, &from.file, &line, &dir)?);
                watched(&mut |cancel| {
                    let Some(station) = station.take() else { return Ok(()) };
                    let (look, prompt) = ((&look, &limits[..]), &mut Prompt::new(cancel));
                    measure_sample(
                        terminal,
                        station,
                        (&from, &line),
                        &todo,
                        look,
                        &mut folder,
                        (prompt, cancel),
                    )
                })?;
            }
            (Target::Simulated, Some(_)) => {
                return Err(Failure::invalid("the run folder is of the simulated target; leave --bench out"));
            }
            (Target::Bench(name), None) => {
                return Err(Failure::invalid(format!(
                    "the run folder is of the bench {name}, and the line has not seen {} of it: name the bench with --bench",
                    counted(todo.len(), "unit")
                )));
            }
        }
    }
    let open = left(&folder, turns(&from)).len();
    if open > 0 {
        return Err(Failure::new(
            Exit::Incomplete,
            format!("{} of the sample not measured; call again", counted(open, "measurement")),
        ));
    }
    let visit_s = visit_seconds(&line, arguments.bits);
    let sample = sample_of(&from, &folder, look, visit_s);
    let found =
        derived(&sample, &asked).map_err(|refusal| Failure::new(Exit::NotAllPass, refusal.words(&asked)))?;
    let times = mean_times(&folder);
    let simulated = from.target == Target::Simulated;
    let frozen = if found.refusals.is_empty() {
        let file = test_file(arguments, &from, simulated, &found);
        Output::page(&arguments.dir, FROZEN)?.put(&file.to_text()?)?;
        Some(arguments.dir.join(FROZEN))
    } else {
        None
    };
    let facts = DerivationFacts {
        title: from.file.plan.title.clone(),
        origin: format!(
            "{}, results {}, nightbench {TOOL_VERSION}",
            arguments.dir.display(),
            from.head.chars().take(16).collect::<String>()
        ),
        simulated,
        line: line_words(&from),
        boot_s: times.boot_s,
        training_s: times.training_s,
        supplies_s: times.supplies_s,
        bits: arguments.bits,
        visit_s,
        left_out: from.left_out.clone(),
        frozen: frozen.as_ref().map(|path| path.display().to_string()).unwrap_or_default(),
    };
    if frozen.is_none() && arguments.dir.join(FROZEN).exists() {
        terminal.note(&format!(
            "{} is of an earlier derivation: it is not touched, and this one does not confirm it",
            arguments.dir.join(FROZEN).display()
        ));
    }
    let html = derivation_page(&facts, &asked, &found).map_err(|words| Failure::new(Exit::Store, words))?;
    Output::page(&arguments.dir, "gonogo.html")?.put(&html)?;
    let page = arguments.dir.join("gonogo.html");
    if arguments.json.json {
        terminal.out(&machine(&asked, &found, &page, frozen.as_deref()).to_string());
    } else {
        terminal.out(&words(&asked, &found, &facts, &page, frozen.as_deref()));
    }
    Ok(if found.refusals.is_empty() { Exit::Pass } else { Exit::NotAllPass })
}

fn asked(arguments: &DeriveArguments) -> Result<Asked, Failure> {
    for (name, value, most) in [
        ("--escapes", Some(arguments.escapes), 100.0),
        ("--overkill", Some(arguments.overkill), 100.0),
        ("--to-corner", Some(arguments.to_corner), 100.0),
        ("--faulty", arguments.faulty, 100.0),
        ("--cost-escape", arguments.cost_escape, 1e12),
        ("--cost-corner", arguments.cost_corner, 1e12),
        ("--cost-overkill", arguments.cost_overkill, 1e12),
        ("--limit", arguments.limit, 1000.0),
    ] {
        if let Some(value) = value
            && !(0.0..=most).contains(&value)
        {
            return Err(Failure::invalid(format!("{name} is {value}; allowed: 0 to {most}")));
        }
    }
    let costs = match (arguments.cost_escape, arguments.cost_corner, arguments.cost_overkill) {
        (Some(escape), Some(corner), Some(overkill)) => Some(Costs { escape, corner, overkill }),
        _ => None,
    };
    Ok(Asked {
        metric: match arguments.metric {
            MetricName::Width => CornerMetric::Width,
            MetricName::Height => CornerMetric::Height,
        },
        limit: 0.0,
        escapes: arguments.escapes / 100.0,
        overkill: arguments.overkill / 100.0,
        sent_on: arguments.to_corner / 100.0,
        costs,
        faulty_share: arguments.faulty.map(|percent| percent / 100.0),
    })
}

/// Seconds of a visit with so many bits.
fn visit_seconds(line: &Line, bits: u64) -> f64 {
    let plan = &line.plan;
    let eyes = simulator::target::expected_eyes(
        &plan.interface,
        &plan.modules[0],
        line.rate(),
        &plan.supplies[0],
        &plan.capture.directions,
    );
    // Rows are walked whole: the change of Vref counts once a row, and is left out.
    eyes.first().map_or(0.0, |eye| eye.visit_overhead_s + bits as f64 / eye.compared_bits_per_second)
}

fn mean_times(folder: &LotFolder) -> UnitTimes {
    let measured: Vec<UnitTimes> = folder
        .lines
        .measurements()
        .filter(|one| matches!(one.outcome, UnitOutcome::Measured(_)))
        .map(|one| one.times)
        .collect();
    let mean =
        |part: fn(&UnitTimes) -> f64| measured.iter().map(part).sum::<f64>() / measured.len().max(1) as f64;
    UnitTimes {
        boot_s: mean(|times| times.boot_s),
        training_s: mean(|times| times.training_s),
        supplies_s: mean(|times| times.supplies_s),
        test_s: mean(|times| times.test_s),
    }
}

fn test_file(
    arguments: &DeriveArguments,
    from: &Characterized,
    simulated: bool,
    found: &Derivation,
) -> TestFile {
    let point = &found.curve[found.chosen];
    TestFile {
        tool: format!("nightbench {TOOL_VERSION}"),
        title: from.file.plan.title.clone(),
        simulated,
        plan: from.file.text.clone(),
        conditions: from.conditions.clone(),
        sample: SampleFacts {
            folder: arguments.dir.display().to_string(),
            head: from.head.clone(),
            sound_units: found.sound,
            faulty_units: found.faulty.len(),
            correlation: found.r,
            mean: found.mean,
            sd: found.sd,
            escapes: point.risk.escapes,
            escapes_low: point.escapes.lower,
            escapes_high: point.escapes.upper,
            to_corner_test: point.risk.sent_on,
            overkill: point.risk.overkill,
            bad: point.risk.bad,
        },
        golden: GoldenFacts { sd: found.golden_sd, unit: found.golden.clone() },
        test: found.test.clone(),
    }
}

fn line_words(from: &Characterized) -> Vec<String> {
    let conditions = &from.conditions;
    let corners: Vec<String> = conditions
        .corners
        .iter()
        .map(|corner| format!("{} °C at supply {}", corner.temperature_degc, corner.supply))
        .collect();
    vec![
        format!(
            "The line: {} after {} on {}, {} {}, {} MT/s, {}, {} °C, supplies {} (trained at the first).",
            conditions.units.name(),
            conditions.units.name(),
            conditions.channel,
            if conditions.units.name() == "module" { "chip" } else { "module" },
            conditions.stays,
            conditions.rate,
            conditions.pattern,
            conditions.temperature_degc,
            conditions.supplies.join(" and ")
        ),
        format!("The corners: {}.", corners.join("; ")),
    ]
}

fn machine(asked: &Asked, found: &Derivation, page: &Path, frozen: Option<&Path>) -> serde_json::Value {
    let test = &found.test;
    let unit = if test.metric == CornerMetric::Width { "ui" } else { "percent_vddq" };
    let point = &found.curve[found.chosen];
    let mut value = json!({
        "derived": found.refusals.is_empty(),
        "refused": found.refusals.iter().map(|refusal| refusal.words(asked)).collect::<Vec<_>>(),
        "metric": test.metric.name(),
        "sound_units": found.sound,
        "faulty_units": found.faulty.len(),
        "correlation": found.r,
        "distinct_categories": found.categories(),
        "guard_band_residual_sds": point.sds,
        "escapes": {
            "share": point.risk.escapes, "low": point.escapes.lower, "high": point.escapes.upper,
            "below_at_90_percent": point.escapes_below, "sure": found.sure,
        },
        "to_corner_test": { "share": point.risk.sent_on, "low": point.sent_on.lower, "high": point.sent_on.upper },
        "overkill": point.risk.overkill,
        "overkill_without_corner_test": point.risk.overkill_alone,
        "bad": point.risk.bad,
        "test_s": found.test_s,
        "unseen": found.unseen().map(|unit| unit.name.clone()).collect::<Vec<_>>(),
        "golden_units": found.golden.iter().map(|golden| golden.name.clone()).collect::<Vec<_>>(),
        "page": page.display().to_string(),
        "test": frozen.map(|path| path.display().to_string()),
    });
    for (name, number) in [
        ("limit", test.limit),
        ("go_from", test.go_from()),
        ("no_go_below", test.no_go_below),
        ("guard_band", test.guard_band),
        ("residual_sd", test.residual_sd),
        ("mean", found.mean),
        ("sd", found.sd),
    ] {
        value[format!("{name}_{unit}")] = json!(number);
    }
    value
}

fn words(
    asked: &Asked,
    found: &Derivation,
    facts: &DerivationFacts,
    page: &Path,
    frozen: Option<&Path>,
) -> String {
    let test = &found.test;
    let (unit, digits) = (test.metric.unit(), test.metric.digits());
    let point = &found.curve[found.chosen];
    let mut text = String::new();
    if facts.simulated {
        text.push_str("SIMULATED - not measured\n");
    }
    text.push_str(&folded(
        &format!(
            "{} and {} faulty ones; correlation {:.3}; s {:.digits$} {unit}; {:.1} distinct categories",
            counted(found.sound, "sound unit"),
            found.faulty.len(),
            found.r,
            test.residual_sd,
            found.categories()
        ),
        "",
        "  ",
    ));
    if found.refusals.is_empty() {
        text.push_str(&format!(
            "go from {:.digits$} {unit} on, no-go below {:.digits$} {unit}, to corner test between\n",
            test.go_from(),
            test.no_go_below
        ));
    } else {
        text.push_str("no test: room temperature cannot sort these units as asked\n");
        for refusal in &found.refusals {
            text.push_str(&folded(&refusal.words(asked), "  ", "    "));
        }
        text.push_str("the nearest one:\n");
    }
    text.push_str(&format!(
        "escapes {} (95 %: {} to {}), to corner test {}, overkill {}\n",
        percent(point.risk.escapes),
        percent(point.escapes.lower),
        percent(point.escapes.upper),
        percent(point.risk.sent_on),
        percent(point.risk.overkill)
    ));
    text.push_str(&format!(
        "a unit: boot {:.0} s, training {:.1} s, supplies {:.0} s, test {:.0} ms\n",
        facts.boot_s,
        facts.training_s,
        facts.supplies_s,
        1e3 * found.test_s
    ));
    if found.refusals.is_empty() && !found.sure {
        text.push_str(&folded(
            &format!(
                "escapes keep what is asked by estimate only: at 90 % confidence they lie below {}; corner tests leave no room for more",
                percent(point.escapes_below)
            ),
            "",
            "  ",
        ));
    }
    let unseen: Vec<&str> = found.unseen().map(|unit| unit.name.as_str()).collect();
    if !unseen.is_empty() {
        text.push_str(&folded(
            &format!("bad at the corners, and a go at room temperature: {}", unseen.join(", ")),
            "",
            "  ",
        ));
    }
    if found.faulty.is_empty() {
        text.push_str("no faulty unit in the sample: how one would show is not known\n");
    }
    for words in &facts.left_out {
        text.push_str(&folded(&format!("left out: {words}"), "", "  "));
    }
    text.push_str(&format!("\npage: {}", page.display()));
    if let Some(path) = frozen {
        text.push_str(&format!("\ntest: {}", path.display()));
    }
    text
}

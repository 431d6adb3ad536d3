//! `gonogo lot`: how a lot went, and whether the test still holds.

use super::percent;
use crate::cli::{LotArguments, LotFormat};
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, folded};
use crate::folder::output::Output;
use crate::inputs::plain_file::read_text;
use crate::inputs::plan_file::PlanFile;
use crate::line::lot::{Lot, write_page};
use crate::line::lot_folder::{self, Entry, LotFolder, LotLines, TEST};
use crate::line::setup::{Line, Turn};
use crate::line::station::{CallLimits, corner_value, simulated_target};
use crate::line::test_file::TestFile;
use crate::run::execute::NO_LIMIT;
use contract::CancelToken;
use nightbench_core::text::counted;
use pages::gonogo::{csv, jsonl};
use rayon::prelude::*;
use serde_json::json;
use std::path::Path;

/// Mounting of a corner test: one of its own.
const CORNER_MOUNTING: u32 = 1000;

/// Tells of a lot.
pub fn lot(terminal: &Terminal, arguments: &LotArguments) -> Outcome {
    let dir = &arguments.dir;
    let mut lines = lot_folder::read(dir)?;
    let (file, digest) = TestFile::read(&dir.join(TEST))?;
    if digest != lines.begin.test {
        return Err(Failure::new(
            Exit::Store,
            format!("{} is not the test that the lot was measured with", dir.join(TEST).display()),
        ));
    }
    let mut lot = Lot::of(&file, &lines);
    let results = match (&arguments.corners, arguments.simulate_corners) {
        (Some(path), _) => from_file(path, &lot)?,
        (None, true) => simulated(&file, &lines, &lot)?,
        (None, false) => Vec::new(),
    };
    if !results.is_empty() {
        let count = results.len();
        let mut folder = LotFolder::open(dir, &lines.begin)?;
        folder.add(results)?;
        lines = folder.lines.clone();
        lot = Lot::of(&file, &lines);
        terminal.note(&format!("{} taken up", counted(count, "corner result")));
    }
    let page = write_page(dir, &file, &digest, &lines, &lot)?;
    let simulated = lines.begin.bench.is_none();
    match arguments.format {
        Some(format) => {
            let corner = |serial: &str| lot.corner(serial);
            let text = match format {
                LotFormat::Csv => csv(&file.test, &lot.units, &corner, simulated),
                LotFormat::Jsonl => jsonl(&file.test, &lot.units, &corner, simulated),
            };
            match &arguments.out {
                Some(path) => {
                    let inside = [dir.join(lot_folder::LINES), dir.join(TEST)];
                    let read: Vec<&Path> = inside.iter().map(|path| path.as_path()).collect();
                    Output::named(path, &read)?.put(&text)?;
                    terminal.note(&format!("written: {}", path.display()));
                }
                None => terminal.out(text.trim_end()),
            }
        }
        None if arguments.json.json => terminal.out(&machine(&file, &lines, &lot, &page).to_string()),
        None => terminal.out(&words(&file, &lines, &lot, &page)),
    }
    Ok(if lot.alarmed(&lines) { Exit::NotAllPass } else { Exit::Pass })
}

/// Serial number and value a line.
fn from_file(path: &Path, lot: &Lot) -> Result<Vec<Entry>, Failure> {
    let text = read_text(path, "corner results (serial number, value)")?;
    let mut results = Vec::new();
    for (at, line) in text.lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let refused =
            |words: String| Failure::invalid(format!("{}, line {}: {words}", path.display(), at + 1));
        let (serial, value) = line
            .rsplit_once(',')
            .ok_or_else(|| refused(format!("`{line}` is not `serial number, value`")))?;
        let (serial, value) = (serial.trim(), value.trim());
        let value: f64 = value
            .parse()
            .ok()
            .filter(|value: &f64| (0.0..=1000.0).contains(value))
            .ok_or_else(|| refused(format!("`{value}` is no value from 0 to 1000")))?;
        if !lot.units.iter().any(|unit| unit.serial == serial) {
            return Err(refused(format!("`{serial}` is no unit of this lot")));
        }
        if lot.corner(serial) != Some(value) {
            results.push(Entry::Corner { serial: serial.into(), value, source: path.display().to_string() });
        }
    }
    Ok(results)
}

fn simulated(file: &TestFile, lines: &LotLines, lot: &Lot) -> Result<Vec<Entry>, Failure> {
    if lines.begin.bench.is_some() {
        return Err(Failure::invalid(
            "this lot was measured on a bench; its corners come from a chamber (--corners FILE)",
        ));
    }
    let plan = PlanFile::from_text(file.plan.clone(), "plan of the test", false)?;
    let line = Line::new(plan.plan, file.conditions.clone())?;
    let calls = CallLimits { call: NO_LIMIT, reach: NO_LIMIT };
    let turn = Turn { mounting: CORNER_MOUNTING, repeat: 0 };
    lot.due()
        .par_iter()
        .map(|serial| {
            let mut driver = simulated_target(&line, lines.begin.seed);
            let unit = line.simulated_unit(serial);
            let value =
                corner_value(&mut driver, &line, (&unit, turn), file.test.metric, calls, &CancelToken::new())
                    .map_err(|error| Failure::new(Exit::Incomplete, format!("{serial}: {error}")))?;
            Ok(Entry::Corner { serial: (*serial).into(), value, source: "simulated".into() })
        })
        .collect()
}

/// The lot as one JSON object.
pub fn machine(file: &TestFile, lines: &LotLines, lot: &Lot, page: &Path) -> serde_json::Value {
    let summary = &lot.summary;
    let [go, no_go, to_corner, not_measured] = summary.counts;
    let (drawn, tested, bad, bound) = summary.drawn;
    json!({
        "lot": lines.begin.lot,
        "simulated": lines.begin.bench.is_none(),
        "head": lines.head,
        "units": summary.units(),
        "go": go, "no_go": no_go, "to_corner_test": to_corner, "not_measured": not_measured,
        "go_share": summary.go.map(|(share, within)| json!({ "share": share, "low": within.lower, "high": within.upper })),
        "settled": summary.settled.map(|(good, known, within)| {
            json!({ "good": good, "known": known, "low": within.lower, "high": within.upper })
        }),
        "no_go_by_reason": summary.no_go.iter().map(|(reason, count)| json!({ "reason": reason.words(), "units": count }))
            .collect::<Vec<_>>(),
        "far_outside": summary.far_outside,
        "drawn": { "units": drawn, "tested": tested, "bad": bad, "most_bad_share": bound },
        "drift": summary.drift.map(|drift| {
            json!({ "tested": drift.tested, "mean_residual": drift.mean, "allowed": drift.allowed, "seen": drift.seen() })
        }),
        "golden_measurements": summary.chart.values.len(),
        "stopped": lines.stopped(),
        "expected": {
            "escapes": file.sample.escapes, "escapes_low": file.sample.escapes_low, "escapes_high": file.sample.escapes_high,
            "to_corner_test": file.sample.to_corner_test,
        },
        "seconds": {
            "boot": summary.times.boot_s, "training": summary.times.training_s, "supplies": summary.times.supplies_s,
            "test": summary.times.test_s,
        },
        "corner_tests_due": lot.due().len(),
        "page": page.display().to_string(),
    })
}

/// The lot in words.
pub fn words(file: &TestFile, lines: &LotLines, lot: &Lot, page: &Path) -> String {
    let summary = &lot.summary;
    let [go, no_go, to_corner, not_measured] = summary.counts;
    let mut text = String::new();
    if lines.begin.bench.is_none() {
        text.push_str("SIMULATED - not measured\n");
    }
    text.push_str(&format!(
        "lot {}: {}: {go} go, {no_go} no-go, {to_corner} to corner test{}\n",
        lines.begin.lot,
        counted(summary.units(), "unit"),
        if not_measured > 0 { format!(", {not_measured} not measured") } else { String::new() }
    ));
    if let Some((share, within)) = &summary.go {
        text.push_str(&format!(
            "go at once {} (95 %: {} to {}); to corner test expected {}\n",
            percent(*share),
            percent(within.lower),
            percent(within.upper),
            percent(file.sample.to_corner_test)
        ));
    }
    for (reason, count) in &summary.no_go {
        text.push_str(&format!("  no-go, {}: {count}\n", reason.words()));
    }
    text.push_str(&format!(
        "escapes expected {} of all units (95 %: {} to {})\n",
        percent(file.sample.escapes),
        percent(file.sample.escapes_low),
        percent(file.sample.escapes_high)
    ));
    let (drawn, tested, bad, bound) = summary.drawn;
    text.push_str(&match bound {
        Some(bound) if tested > 0 => format!(
            "drawn for the corner: {drawn}, tested {tested}, bad {bad}: at most {} of the go units are bad (95 %)\n",
            percent(bound)
        ),
        _ => format!("drawn for the corner: {drawn}, none tested yet: nothing is proven\n"),
    });
    if let Some(drift) = summary.drift {
        text.push_str(&folded(
            &format!(
                "mean residual of {}: {:+.4} {} (allowed {:.4}){}",
                counted(drift.tested, "corner test"),
                drift.mean,
                file.test.metric.unit(),
                drift.allowed,
                if drift.seen() { ": RENEW THE REGRESSION" } else { "" }
            ),
            "",
            "  ",
        ));
    }
    match lines.stopped() {
        Some(words) => text.push_str(&format!("THE LOT IS STOPPED: {words}\n")),
        None if summary.chart.values.is_empty() => {
            text.push_str(
                "golden units: none measured: nobody knows whether the station still is what it was\n",
            );
        }
        None => text.push_str(&format!(
            "golden units: {}, in control\n",
            counted(summary.chart.values.len(), "measurement")
        )),
    }
    let due = lot.due().len();
    if due > 0 {
        text.push_str(&format!("corner tests due: {due}, listed on the page\n"));
    }
    text.push_str(&format!("head {}\npage: {}", lines.head, page.display()));
    text
}

//! `gonogo run`: unit after unit on the simulated target or a bench.

use crate::cli::LineArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::folder::output::Output;
use crate::folder::run_folder::TOOL_VERSION;
use crate::inputs::plain_file::read_text;
use crate::inputs::plan_file::PlanFile;
use crate::line::bench::{Serials, Station};
use crate::line::lot::{Lot, write_page};
use crate::line::lot_folder::{Begin, Entry, LotFolder, Purpose, TEST};
use crate::line::running::{Prompt, Running, Task, check_name, next_serial};
use crate::line::setup::Line;
use crate::line::station::{CallLimits, measure, simulated_target};
use crate::line::test_file::TestFile;
use crate::run::execute::NO_LIMIT;
use crate::run::signals::Watch;
use contract::{CancelToken, DriverError};
use nightbench_core::line::{UnitOutcome, UnitTimes};
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::path::Path;

/// Units measured side by side before they are stored, simulated.
const CHUNK: usize = 32;

/// Runs a lot.
pub fn run(terminal: &Terminal, arguments: &LineArguments) -> Outcome {
    if !(0.0..=100.0).contains(&arguments.draw) {
        return Err(Failure::invalid(format!("--draw is {}; allowed: 0 to 100 %", arguments.draw)));
    }
    check_name("--lot", &arguments.lot)?;
    let (file, digest) = TestFile::read(&arguments.test)?;
    if file.simulated && arguments.bench.is_some() {
        return Err(Failure::invalid(
            "this test was derived from simulated units: it says nothing about hardware; derive one from a run of the bench",
        ));
    }
    if !file.simulated && arguments.bench.is_none() {
        return Err(Failure::invalid(
            "this test was derived from units of a bench; name the line's bench with --bench",
        ));
    }
    let plan =
        PlanFile::from_text(file.plan.clone(), &format!("plan in {}", arguments.test.display()), false)?;
    let line = Line::new(plan.plan.clone(), file.conditions.clone())?;
    let listed = listed(arguments)?;
    let dir = arguments.into.clone().unwrap_or_else(|| Path::new("lots").join(&arguments.lot));
    let bench = match &arguments.bench {
        Some(path) => Some(Station::prepare(terminal, path, &plan, &line, &dir)?),
        None => None,
    };
    let begin = Begin {
        lot: arguments.lot.clone(),
        test: digest.clone(),
        tool: TOOL_VERSION.into(),
        bench: bench.as_ref().map(|station| station.name()),
        seed: arguments.seed,
        draw: arguments.draw / 100.0,
    };
    let folder = LotFolder::open(&dir, &begin)?;
    if !dir.join(TEST).exists() {
        Output::page(&dir, TEST)?.put(&file.to_text()?)?;
    }
    let mut running = Running {
        terminal,
        file: &file,
        digest: digest.clone(),
        folder,
        golden_every: arguments.golden_every,
        machine: arguments.json.json,
        seen: [0; 4],
    };
    match (running.folder.lines.stopped().map(String::from), &arguments.restart) {
        (Some(words), None) => {
            return Err(Failure::new(
                Exit::BenchRefused,
                format!(
                    "lot {} is stopped: {words}. Find the cause, then continue with --restart REASON; nothing was measured",
                    arguments.lot
                ),
            ));
        }
        (Some(_), Some(reason)) => running.folder.add(vec![Entry::Restarted { reason: reason.clone() }])?,
        (None, Some(_)) => {
            return Err(Failure::invalid(format!(
                "lot {} is not stopped; leave --restart out",
                arguments.lot
            )));
        }
        (None, None) => {}
    }
    running.banner(&dir, file.simulated);
    let cancel = CancelToken::new();
    let watch = Watch::start(&cancel, &cancel)
        .map_err(|error| Failure::new(Exit::Store, format!("cannot watch for signals: {error}")))?;
    let ended = match (bench, listed) {
        (Some(station), listed) => {
            let serials = match listed {
                Some(list) => Serials::Listed(list),
                None if arguments.from_device => Serials::OfDevice,
                None => Serials::Typed,
            };
            let mut prompt = Prompt::new(&cancel);
            station.run(&line, &mut running, (serials, arguments.again, &mut prompt), &cancel)
        }
        (None, Some(serials)) => simulate(&mut running, &line, &serials, arguments, &cancel),
        (None, None) => at_prompt(&mut running, &line, arguments, &cancel),
    };
    let Running { folder, seen, .. } = running;
    let lot = Lot::of(&file, &folder.lines);
    let page = write_page(&dir, &file, &digest, &folder.lines, &lot)?;
    let stopped = folder.lines.stopped().map(String::from);
    if arguments.json.json {
        terminal.out(&super::lot::machine(&file, &folder.lines, &lot, &page).to_string());
    } else {
        terminal.out(&super::lot::words(&file, &folder.lines, &lot, &page));
    }
    ended?;
    if let Some(exit) = watch.exit() {
        return Ok(exit);
    }
    Ok(exit_of(seen, stopped.is_some()))
}

fn exit_of([go, no_go, to_corner, not_measured]: [usize; 4], stopped: bool) -> Exit {
    if stopped {
        Exit::BenchRefused
    } else if no_go > 0 {
        Exit::NotAllPass
    } else if to_corner + not_measured > 0 {
        Exit::Incomplete
    } else if go > 0 {
        Exit::Pass
    } else {
        Exit::NothingSelected
    }
}

/// Serial numbers that are known before the first unit.
fn listed(arguments: &LineArguments) -> Result<Option<Vec<String>>, Failure> {
    if let Some(count) = arguments.count {
        let digits = count.to_string().len().max(4);
        return Ok(Some((1..=count).map(|number| format!("{}-{number:0digits$}", arguments.lot)).collect()));
    }
    let Some(path) = &arguments.units else { return Ok(None) };
    let text = read_text(path, "a list of serial numbers")?;
    let mut serials: Vec<String> = Vec::new();
    let mut known = BTreeSet::new();
    for (at, line) in text.lines().enumerate() {
        let serial = line.trim();
        if serial.is_empty() || serial.starts_with('#') {
            continue;
        }
        check_name(&format!("{}, line {}:", path.display(), at + 1), serial)?;
        if !known.insert(serial.to_string()) {
            return Err(Failure::invalid(format!(
                "{}, line {}: `{serial}` stands there twice",
                path.display(),
                at + 1
            )));
        }
        serials.push(serial.into());
    }
    Ok(Some(serials))
}

/// Everything that a list asks for and the lot does not hold yet, side by side.
fn simulate(
    running: &mut Running<'_>,
    line: &Line,
    serials: &[String],
    arguments: &LineArguments,
    cancel: &CancelToken,
) -> Result<(), Failure> {
    let measured: BTreeSet<String> = match arguments.again {
        true => BTreeSet::new(),
        false => running
            .folder
            .lines
            .measurements()
            .filter(|one| one.purpose == Purpose::Unit && !matches!(one.outcome, UnitOutcome::NotMeasured(_)))
            .map(|one| one.serial.clone())
            .collect(),
    };
    let mut open = serials.iter().filter(|serial| !measured.contains(*serial)).peekable();
    let seed = running.folder.lines.begin.seed;
    while open.peek().is_some() && !cancel.is_cancelled() {
        let golden = running.golden_due();
        let tasks: Vec<Task> = if golden.is_empty() {
            // No further than to the next golden units.
            let most = CHUNK
                .min(running.golden_every.max(1) as usize)
                .max(usize::from(running.golden_every == 0) * CHUNK);
            open.by_ref().take(most).map(|serial| running.task(serial)).collect()
        } else {
            golden.iter().map(|name| running.task(name)).collect()
        };
        let calls = CallLimits { call: NO_LIMIT, reach: NO_LIMIT };
        let results: Vec<Result<(UnitOutcome, UnitTimes), DriverError>> = tasks
            .par_iter()
            .map(|task| {
                let mut driver = simulated_target(line, seed);
                let unit = line.simulated_unit(&task.serial);
                let look = &running.file.test.look;
                measure(&mut driver, line, (&unit, task.turn), (look, &[look.limit]), calls, cancel)
            })
            .collect();
        for (task, result) in tasks.iter().zip(results) {
            // A stop: what is finished is stored.
            let Ok(result) = result else { return Ok(()) };
            if !running.take(task, result, String::new())? {
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Serial numbers as they are typed or scanned.
fn at_prompt(
    running: &mut Running<'_>,
    line: &Line,
    arguments: &LineArguments,
    cancel: &CancelToken,
) -> Result<(), Failure> {
    let seed = running.folder.lines.begin.seed;
    let mut prompt = Prompt::new(cancel);
    while let Some(serial) = next_serial(running, &mut prompt, arguments.again) {
        let task = running.task(&serial);
        let mut driver = simulated_target(line, seed);
        let unit = line.simulated_unit(&serial);
        let look = running.file.test.look;
        let calls = CallLimits { call: NO_LIMIT, reach: NO_LIMIT };
        let result = measure(&mut driver, line, (&unit, task.turn), (&look, &[look.limit]), calls, cancel);
        let Ok(result) = result else { return Ok(()) };
        if !running.take(&task, result, String::new())? {
            return Ok(());
        }
    }
    Ok(())
}

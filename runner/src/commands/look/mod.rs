//! `look`: eyes of a few conditions in the terminal, measured now where they are not on record.

mod keys;
mod meanwhile;
mod seen;

use super::measure::{Extent, Measured, measure, run_folder_of};
use super::run::tell_alarms;
use crate::cli::{Json, LookArguments, Only, RunArguments};
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::eye_drawing::{Palette, Scale, beside, legend};
use crate::console::terminal::{Terminal, folded};
use crate::inputs::plan_file::PlanFile;
use keys::{levels_of, next};
use meanwhile::{Meanwhile, Title};
use nightbench_core::text::counted;
use plan::Plan;
use plan::expand::expand;
use plan::matrix::Factor;
use plan::selection::{Selection, one_factor_a_text};
use seen::{Seen, difference, read};
use std::collections::HashSet;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Most conditions looked at at once: more are a run and a report.
const MOST: usize = 8;

/// What is drawn on one side.
#[derive(Debug, Clone, PartialEq)]
struct Side {
    /// Plan to measure, or a run folder.
    what: PathBuf,
    only: Vec<String>,
}

/// Draws what is asked for, then follows keys where somebody sits at a terminal.
pub fn look(terminal: &Terminal, arguments: &LookArguments) -> Outcome {
    let only = one_factor_a_text(&arguments.only.only).map_err(Failure::invalid)?;
    let mut left = Side { what: arguments.what.clone(), only };
    let mut right = other_side(&left, &arguments.beside)?;
    let mut lane = arguments.lane;
    let keys = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
    loop {
        let outcome = show(terminal, arguments, &left, right.as_ref(), lane);
        if !keys {
            return outcome;
        }
        match outcome {
            Ok(exit @ (Exit::Pass | Exit::Incomplete)) => {
                let Some(names) = levels_of(arguments, &left) else { return Ok(exit) };
                match next(terminal, &names, &mut left, &mut right, &mut lane) {
                    true => {}
                    false => return Ok(exit),
                }
            }
            // What a plan leaves out can be stepped over; anything else ends.
            Err(failure) if failure.exit == Exit::NothingSelected => {
                terminal.note_coloured(&failure.words);
                let Some(names) = levels_of(arguments, &left) else { return Err(failure) };
                if !next(terminal, &names, &mut left, &mut right, &mut lane) {
                    return Err(failure);
                }
            }
            // A lane that an eye does not have, found by stepping through lanes.
            Err(failure) if failure.exit == Exit::Invalid && lane.is_some() && arguments.lane != lane => {
                terminal.note_coloured(&failure.words);
                lane = arguments.lane;
            }
            other => return other,
        }
    }
}

/// What `--beside` means: a folder, or other levels of the same conditions.
fn other_side(left: &Side, texts: &[String]) -> Result<Option<Side>, Failure> {
    let folders: Vec<&String> = texts.iter().filter(|text| !text.contains('=')).collect();
    match (folders.as_slice(), texts.len()) {
        ([], 0) => Ok(None),
        ([folder], 1) => Ok(Some(Side { what: PathBuf::from(folder), only: left.only.clone() })),
        ([], _) => {
            let texts = one_factor_a_text(texts).map_err(Failure::invalid)?;
            let factor = |text: &str| text.split('=').next().unwrap_or_default().trim().to_string();
            let replaced: Vec<String> = texts.iter().map(|text| factor(text)).collect();
            let kept = left.only.iter().filter(|text| !replaced.contains(&factor(text)));
            Ok(Some(Side { what: left.what.clone(), only: kept.chain(&texts).cloned().collect() }))
        }
        _ => Err(Failure::invalid(
            "--beside takes either one run folder or levels such as rate=2400; narrow both sides with --only",
        )),
    }
}

fn show(
    terminal: &Terminal,
    arguments: &LookArguments,
    left: &Side,
    right: Option<&Side>,
    lane: Option<u16>,
) -> Outcome {
    let mut exit = Exit::Pass;
    let mut sides = Vec::new();
    let palette = Palette { colour: terminal.colour_out, unicode: unicode() };
    let columns = terminal.columns();
    let mut drawn = HashSet::new();
    for side in [Some(left), right].into_iter().flatten() {
        // What is to stand side by side waits for both, and a file for everything.
        let watched = right.is_none() && (arguments.bench.is_some() || std::io::stdout().is_terminal());
        let watch = |dir: &Path| {
            let terminal = *terminal;
            let draw = move |seen: &Seen| draw(&terminal, seen, palette, columns);
            watched.then(|| Meanwhile::start(dir.to_path_buf(), side.only.clone(), lane, draw))
        };
        let dir = match measured(terminal, arguments, side, watch)? {
            Ready::Drawable(dir, early) => {
                drawn.extend(early);
                dir
            }
            Ready::Ended(exit) => return Ok(exit),
        };
        let (seen, without) = read(&dir, &side.only, lane)?;
        for (words, known) in without {
            terminal.note(&words);
            if !known {
                exit = Exit::Incomplete;
            }
        }
        sides.push(seen);
    }
    let mut sides = sides.into_iter();
    let (first, second) = (sides.next().unwrap_or_default(), sides.next());
    match second {
        None => first.iter().for_each(|seen| match drawn.contains(&seen.title) {
            // What further jobs of the condition made of it.
            true => terminal.out(&([seen.title.as_slice(), &seen.notes].concat().join("\n") + "\n")),
            false => draw(terminal, seen, palette, columns),
        }),
        Some(ref second) => side_by_side(terminal, &first, second, palette, columns),
    }
    if !first.is_empty() {
        terminal.out_coloured(&legend(palette));
    }
    Ok(exit)
}

/// One eye on the whole width.
fn draw(terminal: &Terminal, seen: &Seen, palette: Palette, columns: usize) {
    let scale = Scale::of(&[&seen.capture.grid], columns);
    terminal.out_coloured(&(seen.drawn().lines(scale, palette).join("\n") + "\n"));
}

/// Pairs eyes of the same name in their order; what has no partner is drawn alone.
fn side_by_side(terminal: &Terminal, first: &[Seen], second: &[Seen], palette: Palette, columns: usize) {
    let mut left_over: Vec<&Seen> = second.iter().collect();
    for seen in first {
        let partner = left_over.iter().position(|other| other.capture.eye == seen.capture.eye);
        let Some(other) = partner.map(|at| left_over.remove(at)) else {
            draw(terminal, seen, palette, columns);
            continue;
        };
        let grids = [&seen.capture.grid, &other.capture.grid];
        // Half a screen each; where that is too little, one stands below the other on the whole width.
        let half = columns.saturating_sub(3) / 2;
        let scale = Scale::of(&grids, if half >= 64 { half } else { columns });
        let (left, right) = (seen.drawn().lines(scale, palette), other.drawn().lines(scale, palette));
        terminal.out_coloured(&beside(&left, &right, columns).join("\n"));
        let words = format!("second against first: {}", difference(seen, other));
        terminal.out(&folded(&words, "", "  "));
    }
    for seen in left_over {
        draw(terminal, seen, palette, columns);
    }
}

/// Where the eyes of a side are.
enum Ready {
    /// In this run folder; the titles are drawn already.
    Drawable(PathBuf, HashSet<Title>),
    Ended(Exit),
}

/// The run folder of a side, after what was missing of its plan has been measured.
fn measured(
    terminal: &Terminal,
    arguments: &LookArguments,
    side: &Side,
    watch: impl Fn(&Path) -> Option<Meanwhile>,
) -> Result<Ready, Failure> {
    if side.what.is_dir() {
        return Ok(Ready::Drawable(side.what.clone(), HashSet::new()));
    }
    let file = PlanFile::read(&side.what, terminal.colour_err)?;
    let selection = Selection::read(&file.plan, &side.only).map_err(Failure::invalid)?;
    let conditions = expand(&file.plan, &selection).conditions.len();
    if conditions > MOST {
        return Err(too_many(conditions, &file.plan));
    }
    let run = RunArguments {
        plan: side.what.clone(),
        bench: arguments.bench.clone(),
        into: arguments.into.clone(),
        seed: arguments.seed,
        threads: None,
        shard: None,
        hours: None,
        nights: Vec::new(),
        again: Vec::new(),
        reason: None,
        only: Only { only: side.only.clone() },
        json: Json { json: false },
    };
    let meanwhile = watch(&run_folder_of(&run.plan, run.into.as_deref()));
    // Drawings and a bar that redraws itself do not share a screen.
    let plain = Terminal { animated: terminal.animated && meanwhile.is_none(), ..*terminal };
    let ran = measure(&plain, &run, Extent::Everything);
    let drawn = meanwhile.map_or_else(HashSet::new, Meanwhile::drawn);
    let Measured { dir, store, stopped, on_bench, .. } = ran?;
    store.close()?;
    if let Some(exit) = on_bench.as_ref().and_then(|ended| tell_alarms(terminal, ended)) {
        return Ok(Ready::Ended(exit));
    }
    Ok(stopped.map_or(Ready::Drawable(dir, drawn), Ready::Ended))
}

fn too_many(conditions: usize, plan: &Plan) -> Failure {
    let levels: Vec<String> = Factor::ALL
        .iter()
        .zip(plan.level_names())
        .filter(|(_, names)| names.len() > 1)
        .map(|((word, _), names)| format!("  {word}={}", names.join(",")))
        .collect();
    Failure::invalid(format!(
        "{} are selected, and {MOST} at most are drawn at once: narrow them with --only, or use `run`. Levels:\n{}",
        counted(conditions, "condition"),
        levels.join("\n")
    ))
}

/// Does the locale say UTF-8? (POSIX: LC_ALL before LC_CTYPE before LANG.)
fn unicode() -> bool {
    let set = ["LC_ALL", "LC_CTYPE", "LANG"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|value| !value.is_empty()));
    cfg!(windows)
        || set.is_some_and(|value| {
            let value = value.to_ascii_uppercase();
            value.contains("UTF-8") || value.contains("UTF8")
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(only: &[&str]) -> Side {
        Side { what: "plan.toml".into(), only: only.iter().map(ToString::to_string).collect() }
    }

    #[test]
    fn beside_takes_levels_or_one_folder() {
        let left = side(&["rate=2400", "channel=direct"]);
        let texts = |texts: &[&str]| texts.iter().map(ToString::to_string).collect::<Vec<_>>();
        let other = other_side(&left, &texts(&["rate=3200"])).unwrap().unwrap();
        assert_eq!(other, side(&["channel=direct", "rate=3200"]));
        let folder = other_side(&left, &texts(&["runs/earlier"])).unwrap().unwrap();
        assert_eq!((folder.what, folder.only), (PathBuf::from("runs/earlier"), left.only.clone()));
        assert!(other_side(&left, &texts(&["runs/earlier", "rate=3200"])).is_err());
        assert!(other_side(&left, &[]).unwrap().is_none());
    }
}

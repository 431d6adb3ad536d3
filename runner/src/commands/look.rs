//! `look`: eyes of a few conditions in the terminal, measured now where they are not on record.

use super::run::{Extent, Measured, measure, tell_alarms};
use crate::cli::{Json, LookArguments, Only, RunArguments};
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::eye_drawing::{DrawnEye, Palette, Scale, beside};
use crate::console::terminal::Terminal;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::inputs::plan_file::PlanFile;
use crate::store::Store;
use eye::counts::CaptureView;
use eye::map::PassMap;
use eye::metrics::{LaneMetrics, Wanted, lane_metrics};
use eye::together::common_map;
use eye::value::{EyeMetric, EyeState, MetricValue, Reading};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::{Capture, Grid};
use nightbench_core::text::{counted, lane_list};
use plan::expand::expand;
use plan::limits::Metric;
use plan::matrix::{FACTORS, Factor};
use plan::selection::Selection;
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

/// An eye of the store with what is said about it.
struct Seen {
    capture: Capture,
    lane: u16,
    map: PassMap,
    all: Option<PassMap>,
    metrics: LaneMetrics,
    half_limit: Option<(f64, f64)>,
    title: Vec<String>,
    notes: Vec<String>,
}

/// Draws what is asked for, then follows keys where somebody sits at a terminal.
pub fn look(terminal: &Terminal, arguments: &LookArguments) -> Outcome {
    let mut left = Side { what: arguments.what.clone(), only: arguments.only.only.clone() };
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
            let factor = |text: &str| text.split('=').next().unwrap_or_default().trim().to_string();
            let replaced: Vec<String> = texts.iter().map(|text| factor(text)).collect();
            let kept = left.only.iter().filter(|text| !replaced.contains(&factor(text)));
            Ok(Some(Side { what: left.what.clone(), only: kept.chain(texts).cloned().collect() }))
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
    for side in [Some(left), right].into_iter().flatten() {
        let dir = match measured(terminal, arguments, side)? {
            Ready::Drawable(dir) => dir,
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
    let palette = Palette { colour: terminal.colour_out, unicode: unicode() };
    let columns = terminal.columns();
    let mut sides = sides.into_iter();
    let (first, second) = (sides.next().unwrap_or_default(), sides.next());
    match second {
        None => first.iter().for_each(|seen| {
            let scale = Scale::of(&[&seen.capture.grid], columns);
            terminal.out_coloured(&seen.drawn().lines(scale, palette).join("\n"));
        }),
        Some(second) => side_by_side(terminal, &first, &second, palette, columns),
    }
    Ok(exit)
}

/// Pairs eyes of the same name in their order; what has no partner is drawn alone.
fn side_by_side(terminal: &Terminal, first: &[Seen], second: &[Seen], palette: Palette, columns: usize) {
    let mut left_over: Vec<&Seen> = second.iter().collect();
    for seen in first {
        let partner = left_over.iter().position(|other| other.capture.eye == seen.capture.eye);
        let Some(other) = partner.map(|at| left_over.remove(at)) else {
            let scale = Scale::of(&[&seen.capture.grid], columns);
            terminal.out_coloured(&seen.drawn().lines(scale, palette).join("\n"));
            continue;
        };
        let grids = [&seen.capture.grid, &other.capture.grid];
        // Half a screen each; where that is too little, one stands below the other on the whole width.
        let half = columns.saturating_sub(3) / 2;
        let scale = Scale::of(&grids, if half >= 64 { half } else { columns });
        let (left, right) = (seen.drawn().lines(scale, palette), other.drawn().lines(scale, palette));
        terminal.out_coloured(&beside(&left, &right, columns).join("\n"));
        terminal.out(&format!("second against first: {}\n", difference(seen, other)));
    }
    for seen in left_over {
        let scale = Scale::of(&[&seen.capture.grid], columns);
        terminal.out_coloured(&seen.drawn().lines(scale, palette).join("\n"));
    }
}

/// What the second eye has more or less of. Two looks are no comparison: `compare` judges with uncertainty.
fn difference(first: &Seen, second: &Seen) -> String {
    let of = |metric: EyeMetric, less: &str, more: &str, unit: &str| {
        let (a, b) = (first.value(metric)?, second.value(metric)?);
        let by = b.base_value(&second.capture.grid) - a.base_value(&first.capture.grid);
        let open = if a.at_least || b.at_least { " at least, as far as swept" } else { "" };
        let word = if by < 0.0 { less } else { more };
        Some(format!("{word} by {:.1} {unit}{open}", by.abs()))
    };
    let words: Vec<String> =
        [of(EyeMetric::Width, "narrower", "wider", "ps"), of(EyeMetric::Height, "lower", "higher", "mV")]
            .into_iter()
            .flatten()
            .collect();
    format!("{} (lane {} against lane {})", words.join(", "), second.lane, first.lane)
}

/// Where the eyes of a side are.
enum Ready {
    Drawable(PathBuf),
    Ended(Exit),
}

/// The run folder of a side, after what was missing of its plan has been measured.
fn measured(terminal: &Terminal, arguments: &LookArguments, side: &Side) -> Result<Ready, Failure> {
    if side.what.is_dir() {
        return Ok(Ready::Drawable(side.what.clone()));
    }
    let file = PlanFile::read(&side.what, terminal.colour_err)?;
    let selection = Selection::read(&file.plan, &side.only).map_err(Failure::invalid)?;
    let conditions = expand(&file.plan, &selection).conditions.len();
    if conditions > MOST {
        return Err(too_many(conditions));
    }
    let run = RunArguments {
        plan: side.what.clone(),
        bench: arguments.bench.clone(),
        into: arguments.into.clone(),
        seed: arguments.seed,
        threads: None,
        shard: None,
        again: Vec::new(),
        reason: None,
        only: Only { only: side.only.clone() },
        json: Json { json: false },
    };
    let Measured { dir, store, stopped, on_bench, .. } = measure(terminal, &run, Extent::Everything)?;
    store.close()?;
    if let Some(exit) = on_bench.as_ref().and_then(|ended| tell_alarms(terminal, ended)) {
        return Ok(Ready::Ended(exit));
    }
    Ok(stopped.map_or(Ready::Drawable(dir), Ready::Ended))
}

fn too_many(conditions: usize) -> Failure {
    Failure::invalid(format!(
        "{} are selected, more than the {MOST} that can be looked at at once; narrow them with --only factor=level, or use `run`",
        counted(conditions, "condition")
    ))
}

/// A sentence about a condition without an eye, and whether that is a result: a failed training is.
type Without = (String, bool);

/// The eyes of a folder's selection, and what is said of conditions without any.
fn read(dir: &Path, only: &[String], lane: Option<u16>) -> Result<(Vec<Seen>, Vec<Without>), Failure> {
    let reader = Store::open_read_only(dir)?;
    let folder = JudgedFolder::read(dir, &reader, JudgedBy::plan(CacheUse::Look))?;
    let selection = Selection::read(&folder.file.plan, only).map_err(Failure::invalid)?;
    let selected: Vec<usize> = (0..folder.run.conditions.len())
        .filter(|index| selection.contains(&folder.run.conditions[*index].condition))
        .collect();
    match selected.len() {
        0 => {
            return Err(Failure::new(Exit::NothingSelected, "nothing to look at: the selection is empty"));
        }
        n if n > MOST => return Err(too_many(n)),
        _ => {}
    }
    let (mut seen, mut without) = (Vec::new(), Vec::new());
    for index in selected {
        let judged = &folder.run.conditions[index];
        let stored = folder.first_key(index).map(|key| reader.job(&key)).transpose()?.flatten();
        let captures = stored.map(|stored| reader.result(&stored)).transpose()?.map(|result| result.captures);
        let captures = captures.unwrap_or_default();
        if captures.is_empty() {
            let failed = judged.state == ConditionState::TrainingFailed;
            let why = if failed { "training failed".into() } else { judged.reason() };
            let why = if why.is_empty() { "not measured".into() } else { why };
            without.push((format!("{}: no eye: {why}", judged.name), failed));
        }
        for capture in captures {
            seen.push(Seen::new(&folder, index, capture, lane)?);
        }
    }
    Ok((seen, without))
}

impl Seen {
    fn new(
        folder: &JudgedFolder,
        index: usize,
        capture: Capture,
        lane: Option<u16>,
    ) -> Result<Seen, Failure> {
        let judged = &folder.run.conditions[index];
        let of_eye: Vec<_> = judged.metrics.iter().filter(|metric| metric.eye == capture.eye).collect();
        let worst = of_eye.first().map(|metric| metric.lane);
        let lane = lane.or(worst).or_else(|| capture.lanes.first().copied()).unwrap_or(0);
        let Some(place) = capture.lanes.iter().position(|one| *one == lane) else {
            return Err(Failure::invalid(format!(
                "lane {lane} was not captured in {}; captured: {}",
                capture.eye,
                lane_list(capture.lanes.iter().copied())
            )));
        };
        let view = CaptureView::new(&capture)
            .map_err(|error| Failure::new(Exit::Store, format!("{}: {error}", judged.name)))?;
        let metrics = lane_metrics(&view, &Wanted::margins()).swap_remove(place);
        let map = view.maps()[place].clone();
        let all = common_map(&view).filter(|_| capture.lanes.len() > 1);
        let which = if worst == Some(lane) && capture.lanes.len() > 1 { ", the worst" } else { "" };
        let mut title = vec![judged.name.clone()];
        if folder.facts.simulated {
            title.insert(0, "SIMULATED - not measured".to_string());
        }
        title.push(format!("{}, lane {lane}{which} of {}", capture.eye, capture.lanes.len()));
        let half = |metric: Metric| {
            of_eye.iter().find(|known| known.metric == metric).map(|known| known.limit / 2.0)
        };
        let half_limit = half(Metric::Width).zip(half(Metric::Height));
        let mut notes = vec![lane_words(&metrics, &capture.grid)];
        notes.extend(of_eye.iter().map(|metric| {
            let unit = metric.metric.base_unit();
            format!(
                "judged by lane {}: {} {}{:.1} {unit} (U {:.1}), limit {:.1}: {}{}",
                metric.lane,
                metric.metric.name(),
                if metric.at_least { "at least " } else { "" },
                metric.value,
                metric.expanded_uncertainty,
                metric.limit,
                metric.verdict.words(),
                metric.evidence.beside()
            )
        }));
        drop(view);
        Ok(Seen { map, all, metrics, half_limit, title, notes, lane, capture })
    }

    fn value(&self, metric: EyeMetric) -> Option<MetricValue> {
        self.metrics.value(metric, Reading::SubTap)
    }

    fn drawn(&self) -> DrawnEye<'_> {
        DrawnEye {
            grid: &self.capture.grid,
            lane: &self.map,
            all: self.all.as_ref(),
            operating: self.metrics.operating,
            half_limit: self.half_limit,
            title: self.title.clone(),
            notes: self.notes.clone(),
        }
    }
}

/// Width and height of the lane that is drawn.
fn lane_words(metrics: &LaneMetrics, grid: &Grid) -> String {
    match metrics.state {
        EyeState::Closed => return "closed: no point passes".into(),
        EyeState::OffCentre => return "off centre: an eye exists, the operating point fails".into(),
        EyeState::Open => {}
    }
    let words = |metric: EyeMetric, unit: &str, share: &str| {
        let value = metrics.value(metric, Reading::SubTap)?;
        let at_least = if value.at_least { ">= " } else { "" };
        Some(format!("{at_least}{:.1} {unit} ({:.3} {share})", value.base_value(grid), value.share(grid)))
    };
    format!(
        "width {}, height {}",
        words(EyeMetric::Width, "ps", "UI").unwrap_or_default(),
        words(EyeMetric::Height, "mV", "% VDDQ").unwrap_or_default()
    )
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

/// Level names of a side's plan; `None` where it cannot be read any more.
fn levels_of(arguments: &LookArguments, side: &Side) -> Option<[Vec<String>; FACTORS]> {
    if side.what.is_dir() {
        let reader = Store::open_read_only(&side.what).ok()?;
        let text = reader.meta().ok()?.plan_text;
        return plan::Plan::read_stored(&text).ok().map(|plan| plan.level_names());
    }
    PlanFile::read(&arguments.what, false).ok().map(|file| file.plan.level_names())
}

/// Keys and the factors they step through; the shifted key steps back.
const KEYS: [(char, &str); 7] = [
    ('m', "module"),
    ('c', "channel"),
    ('r', "rate"),
    ('t', "temperature"),
    ('s', "supply"),
    ('f', "firmware"),
    ('p', "pattern"),
];

/// Waits for a key and changes the sides by it; false ends.
fn next(
    terminal: &Terminal,
    names: &[Vec<String>; FACTORS],
    left: &mut Side,
    right: &mut Option<Side>,
    lane: &mut Option<u16>,
) -> bool {
    let several = |word: &str| {
        Factor::ALL.iter().zip(names).any(|((name, _), levels)| *name == word && levels.len() > 1)
    };
    let offered: Vec<String> =
        KEYS.iter().filter(|(_, word)| several(word)).map(|(key, word)| format!("{key} {word}")).collect();
    terminal.note(&format!(
        "\nnext level: {} (capital letter: the one before); l worst lane or next; b keep this one beside; other keys end",
        offered.join(", ")
    ));
    loop {
        let key = match console::Term::stderr().read_key() {
            Ok(console::Key::Char(key)) => key,
            _ => return false,
        };
        match key {
            'l' => *lane = lane.map_or(Some(0), |lane| lane.checked_add(1)),
            'L' => *lane = None,
            'b' => *right = if right.is_some() { None } else { Some(left.clone()) },
            _ => {
                let lower = key.to_ascii_lowercase();
                let Some((_, word)) = KEYS.iter().find(|(known, _)| *known == lower) else { return false };
                if !several(word) {
                    continue;
                }
                step(names, left, word, key.is_ascii_uppercase());
            }
        }
        return true;
    }
}

/// Narrows a side to the level after (or before) the one it has of a factor; the first if it has several.
fn step(names: &[Vec<String>; FACTORS], side: &mut Side, word: &str, back: bool) {
    let Some(levels) =
        Factor::ALL.iter().zip(names).find_map(|((name, _), levels)| (*name == word).then_some(levels))
    else {
        return;
    };
    let prefix = |text: &str| text.split('=').next().unwrap_or_default().trim() == word;
    let now = side.only.iter().find(|text| prefix(text)).and_then(|text| {
        let level = text.split_once('=')?.1.trim();
        levels.iter().position(|known| known == level)
    });
    let count = levels.len();
    let level = match (now, back) {
        (None, _) => 0,
        (Some(at), false) => (at + 1) % count,
        (Some(at), true) => (at + count - 1) % count,
    };
    side.only.retain(|text| !prefix(text));
    side.only.push(format!("{word}={}", levels[level]));
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

    #[test]
    fn a_key_steps_through_the_levels_of_its_factor_and_round() {
        let plan = plan::Plan::read(include_str!("../../../plans/library/quick-look.toml")).unwrap();
        let names = plan.level_names();
        let mut one = side(&["channel=direct"]);
        for (back, wanted) in
            [(false, "2400"), (false, "2666"), (false, "3200"), (false, "2400"), (true, "3200")]
        {
            step(&names, &mut one, "rate", back);
            assert_eq!(one.only, ["channel=direct".to_string(), format!("rate={wanted}")]);
        }
    }
}

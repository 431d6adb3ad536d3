//! Eye cards: picture, outlines, limits and operating point of one captured eye, with its numbers and lanes.

use super::details::{DetailsView, details};
use super::lanes::{Strips, strips};
use super::legend::{LegendEntry, floor, legend};
use super::own_budget::{OwnBudget, own_budgets};
use super::picture::{Scale as Colours, Window};
use super::plot::{Scale, Tick, corners};
use super::wanted::deciding_eyes;
use super::words::*;
use super::{PageError, rank};
use judge::judged::{EyePicture, JudgedCondition, JudgedMetric, JudgedRun, RunFacts};
use nightbench_core::results::{EyeName, Grid};
use plan::limits::{MaskSize, Metric};
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::BTreeSet;

/// Plot area of an eye, SVG user units: left, top, right, bottom.
const LEFT: f64 = 46.0;
const TOP: f64 = 34.0;
const RIGHT: f64 = 314.0;
const BOTTOM: f64 = 230.0;

/// Eyes drawn on paper: the worst of the list up to the first number, and with those that must be there up to the second.
const PRINTED_EYES: usize = 4;
const MOST_PRINTED: usize = 12;

/// A line of the numbers beside a picture.
#[derive(Debug, Serialize)]
pub(super) struct MetricRow {
    pub metric: &'static str,
    pub unit: &'static str,
    pub lane: u16,
    pub value: String,
    pub limit: String,
    pub margin: String,
    pub uncertainty: String,
    pub probability: String,
    pub class: &'static str,
    pub verdict: String,
    /// How the eye is known, where it is no full eye.
    pub evidence: &'static str,
    /// The lane as it was read, where that is not what was judged.
    pub read: Option<ReadRow>,
    pub note: String,
}

/// The worst lane as it was read.
#[derive(Debug, Serialize)]
pub(super) struct ReadRow {
    pub value: String,
    pub margin: String,
    /// On which side of the limit, where it matters.
    pub side: &'static str,
    /// Why another value was judged.
    pub why: String,
}

#[derive(Debug, Serialize)]
pub(super) struct EyeCard {
    pub id: String,
    pub name: String,
    pub eye: String,
    pub class: &'static str,
    pub glyph: &'static str,
    pub verdict: String,
    pub beyond: bool,
    pub levels: String,
    /// Place in the worst-first order, for the script.
    pub rank: usize,
    /// Place in the plan's order, for the script.
    pub order: usize,
    /// Data URI; empty for an eye drawn as outlines only.
    pub uri: String,
    pub words: String,
    pub transform: String,
    pub worst_path: String,
    pub all_path: String,
    /// Dots where a rim point was inferred.
    pub inferred_path: String,
    /// Outlines of every lane in one path; empty where they were not asked for.
    pub lanes_path: String,
    /// What that picture shows.
    pub lanes_words: String,
    pub worst_lane: u16,
    /// It decides its direction and rank: `read rank 0`; empty for others.
    pub decides: String,
    /// Drawn on paper, too.
    pub printed: bool,
    /// The whole frame, small, where the picture shows a part of it.
    pub frame: Option<FrameView>,
    /// What U is made of, a line a judged metric.
    pub budgets: Vec<OwnBudget>,
    /// Path of the limits about the operating point, SVG user units; empty where none can be drawn.
    pub limit_path: String,
    pub point: (String, String),
    pub ps: Vec<Tick>,
    pub taps: Vec<Tick>,
    pub mv: Vec<Tick>,
    pub percent: Vec<Tick>,
    pub left: String,
    pub right: String,
    pub top: String,
    pub bottom: String,
    pub width: String,
    pub height: String,
    /// Numbers for overlays: ps a tap, mV a step, operating tap and step, UI in ps.
    pub tap_ps: f64,
    pub step_mv: f64,
    pub tap: u16,
    pub step: u16,
    pub grid: String,
    pub metrics: Vec<MetricRow>,
    pub strips: Option<Strips>,
    /// Key of the job drawn.
    pub job: String,
    /// Notes on its condition.
    pub notes: Vec<String>,
    pub details: Option<DetailsView>,
}

/// The whole frame of an eye that is drawn enlarged, in units of 100 by 70.
#[derive(Debug, Serialize)]
pub(super) struct FrameView {
    pub uri: String,
    /// The part that the picture shows.
    pub x: String,
    pub y: String,
    pub w: String,
    pub h: String,
    pub words: String,
}

/// Every eye on the page.
#[derive(Debug, Serialize)]
pub(super) struct EyesView {
    pub pictured: Vec<EyeCard>,
    pub outlined: Vec<EyeCard>,
    pub legend: Vec<LegendEntry>,
    pub floor: String,
    /// Some drawn outline rests on inferred points.
    pub inferred: bool,
    /// What the dotted outlines are; empty where none is drawn.
    pub limits: &'static str,
    pub note: String,
}

/// Builds the cards, worst first.
pub(super) fn eyes(
    run: &JudgedRun,
    facts: &RunFacts,
    pictures: &[(usize, EyePicture)],
    anchors: &[String],
) -> Result<EyesView, PageError> {
    let colours = Colours::over(pictures.iter().map(|(_, picture)| picture));
    let order = rank::worst_first(run);
    let mut place = vec![usize::MAX; run.conditions.len()];
    for (position, index) in order.iter().enumerate() {
        if let Some(slot) = place.get_mut(*index) {
            *slot = position;
        }
    }
    let mut sorted: Vec<&(usize, EyePicture)> = pictures.iter().collect();
    sorted.sort_by_key(|(index, picture)| (place.get(*index).copied().unwrap_or(usize::MAX), picture.eye));
    let deciding: BTreeSet<(usize, EyeName)> = deciding_eyes(run).into_iter().collect();
    let ends: BTreeSet<usize> = run.worst().into_iter().chain(rank::best(run)).collect();
    let mut printed = 0;
    let mut named = BTreeSet::new();
    let (mut pictured, mut outlined) = (Vec::new(), Vec::new());
    for (index, picture) in sorted {
        let judged = run
            .conditions
            .get(*index)
            .ok_or(PageError::Condition { index: *index, conditions: run.conditions.len() })?;
        let base = anchors.get(*index).cloned().unwrap_or_default();
        let id = match named.insert(*index) {
            true => base,
            false => format!("{base}-{}", picture.eye.to_string().replace(' ', "-")),
        };
        let masks = masks(run, facts, judged, picture);
        let mut card = card(judged, picture, (colours, &masks), id, facts.simulated)?;
        card.rank = place.get(*index).copied().unwrap_or(usize::MAX);
        card.order = *index;
        if deciding.contains(&(*index, picture.eye)) {
            card.decides = picture.eye.to_string();
        }
        card.budgets = own_budgets(run, *index, picture.eye);
        if !card.uri.is_empty() {
            let wanted = !card.decides.is_empty() || ends.contains(index) || printed < PRINTED_EYES;
            card.printed = wanted && printed < MOST_PRINTED;
            printed += usize::from(card.printed);
        }
        if card.uri.is_empty() { outlined.push(card) } else { pictured.push(card) }
    }
    let drawn: BTreeSet<usize> = pictures.iter().map(|(index, _)| *index).collect();
    let measured = run.conditions.iter().filter(|condition| condition.worst().is_some()).count();
    let note = if measured > drawn.len() {
        format!(
            "{} of {} measured conditions are drawn. The page keeps pictures of the worst and the best condition, \
             of the eye that decides each direction and rank, of pairs for comparison, of fails and conditional \
             verdicts, and of the passes nearest to a limit; the other eyes are left out here and can be drawn from \
             the run folder.",
            drawn.len(),
            measured
        )
    } else {
        String::new()
    };
    let inferred = pictures.iter().any(|(_, picture)| !picture.inferred_path.is_empty());
    let judged_by = |mask: bool| {
        let drawn = pictured.iter().filter(|card| !card.limit_path.is_empty());
        drawn.flat_map(|card| &card.metrics).any(|row| (row.metric == Metric::Mask.name()) == mask)
    };
    let limits = match (judged_by(true), judged_by(false)) {
        (true, true) => "limits (a mask as its outline), drawn about the operating point",
        (true, false) => "mask of the limit, drawn about the operating point",
        (false, true) => "limits, drawn about the operating point",
        (false, false) => "",
    };
    Ok(EyesView {
        inferred,
        limits,
        legend: legend(colours, pictures),
        floor: floor(pictures),
        pictured,
        outlined,
        note,
    })
}

/// A card for each lane of a job's eye, drawn with the colours of the eyes on the page.
pub(super) fn lane_cards(
    run: &JudgedRun,
    facts: &RunFacts,
    eyes: &[(usize, EyePicture)],
    lanes: &[EyePicture],
) -> Result<Vec<EyeCard>, PageError> {
    let colours = Colours::over(eyes.iter().map(|(_, picture)| picture));
    let Some(judged) = run.conditions.first() else { return Ok(Vec::new()) };
    let draw = |picture: &EyePicture| {
        let masks = masks(run, facts, judged, picture);
        card(judged, picture, (colours, &masks), String::new(), facts.simulated)
    };
    lanes.iter().map(draw).collect()
}

fn card(
    judged: &JudgedCondition,
    picture: &EyePicture,
    (colours, masks): (Colours, &[(f64, MaskSize)]),
    id: String,
    simulated: bool,
) -> Result<EyeCard, PageError> {
    let grid = &picture.grid;
    let path = |text: &str| check_path(text, picture);
    let (tap_ps, step_mv, start_mv) = (grid.tap_step.0, grid.vref_step.0, grid.vref_start.0);
    let (tap, step) = (picture.operating.tap, picture.operating.vref);
    let metrics: Vec<&JudgedMetric> =
        judged.metrics.iter().filter(|metric| metric.eye == picture.eye).collect();
    let at = (f64::from(tap), f64::from(step));
    let limits = limit_outlines(&metrics, masks, at, (tap_ps, step_mv));
    let window = if picture.classes.is_empty() {
        Window::whole(grid)
    } else {
        let outlines = corners(&picture.worst_lane_path).into_iter().chain(corners(&picture.all_lanes_path));
        let places: Vec<(f64, f64)> = outlines.chain(limits.iter().flatten().copied()).chain([at]).collect();
        Window::about(grid, &places)
    };
    let uri = if picture.classes.is_empty() { String::new() } else { colours.data_uri(picture, window)? };
    let (first, last) = (f64::from(window.taps.0) - 0.5, f64::from(window.taps.1) + 0.5);
    let (low, high) = (f64::from(window.steps.0) - 0.5, f64::from(window.steps.1) + 0.5);
    let x = Scale::new(first, last, LEFT, RIGHT);
    let y = Scale::new(low, high, BOTTOM, TOP);
    let ps = Scale::new(first * tap_ps, last * tap_ps, LEFT, RIGHT);
    let mv = Scale::new(start_mv + low * step_mv, start_mv + high * step_mv, BOTTOM, TOP);
    let percent = Scale::new(grid.vref_percent(low), grid.vref_percent(high), BOTTOM, TOP);
    let name = format!("{}, {}", judged.name, picture.eye);
    let mark = if simulated { format!("{SIMULATED}. ") } else { String::new() };
    Ok(EyeCard {
        words: format!(
            "{mark}Eye of {name}: {} {}; operating point at tap {tap}, Vref step {step}.",
            glyph(judged.verdict),
            verdict_words(judged)
        ),
        id,
        name: judged.name.clone(),
        eye: picture.eye.to_string(),
        class: class(judged.verdict),
        glyph: glyph(judged.verdict),
        verdict: verdict_words(judged),
        beyond: judged.beyond_rating,
        levels: level_code(&judged.condition),
        rank: 0,
        order: 0,
        uri,
        transform: format!(
            "translate({:.2} {:.2}) scale({:.4} {:.4})",
            x.at(0.0),
            y.at(0.0),
            x.unit(),
            y.unit()
        ),
        worst_path: path(&picture.worst_lane_path)?,
        all_path: path(&picture.all_lanes_path)?,
        inferred_path: path(&picture.inferred_path)?,
        lanes_path: picture.lane_paths.iter().map(|(_, text)| path(text)).collect::<Result<_, _>>()?,
        lanes_words: format!(
            "{mark}Outline of every lane of {name}: {}, each where its own taps and steps lie; the worst one, lane {}, \
             stands out.",
            count(picture.lane_paths.len(), "lane", "lanes"),
            picture.worst_lane
        ),
        worst_lane: picture.worst_lane,
        decides: String::new(),
        printed: false,
        frame: frame(picture, colours, window)?,
        budgets: Vec::new(),
        limit_path: path_of(&limits, (x, y)),
        point: (coordinate(x.held(f64::from(tap))), coordinate(y.held(f64::from(step)))),
        ps: ps.ticks(5),
        taps: x.ticks(5),
        mv: mv.ticks(5),
        percent: percent.ticks(5),
        left: coordinate(LEFT),
        right: coordinate(RIGHT),
        top: coordinate(TOP),
        bottom: coordinate(BOTTOM),
        width: coordinate(RIGHT - LEFT),
        height: coordinate(BOTTOM - TOP),
        tap_ps,
        step_mv,
        tap,
        step,
        grid: format!(
            "{} taps of {} ps, {} Vref steps of {} mV; UI {} ps; VDDQ {} mV; {} bits at a clean point",
            grid.taps,
            significant(tap_ps),
            grid.vref_steps,
            significant(step_mv),
            significant(grid.ui.0),
            significant(grid.vddq.0),
            ratio(picture.clean_bits as f64)
        ),
        strips: strips(judged, picture.eye),
        job: picture.job.clone(),
        notes: Vec::new(),
        details: picture.details.as_ref().map(details),
        metrics: metrics.into_iter().map(metric_row).collect(),
    })
}

/// A metric as a table line.
pub(super) fn metric_row(metric: &JudgedMetric) -> MetricRow {
    let mut notes = Vec::new();
    if metric.off_centre {
        notes.push("off centre");
    } else if metric.closed {
        notes.push("closed");
    }
    if metric.closed && metric.margin.abs() < metric.expanded_uncertainty {
        notes.push("another start may be open");
    }
    if metric.at_least {
        notes.push("lower bound");
    }
    let bound = if metric.at_least { "\u{2265} " } else { "" };
    MetricRow {
        metric: metric.metric.name(),
        lane: metric.lane,
        unit: metric.metric.base_unit(),
        value: format!("{bound}{}", plain(metric.value, 1)),
        limit: plain(metric.limit, 1),
        margin: signed(metric.margin, 1),
        uncertainty: format!("\u{b1}{}", plain(metric.expanded_uncertainty, 1)),
        probability: format!(
            "P {}\nrisk {}",
            percent(metric.conformance_probability),
            percent(metric.wrong_decision_risk)
        ),
        class: class(Some(metric.verdict)),
        verdict: format!("{} {}", glyph(Some(metric.verdict)), short_words(metric.verdict)),
        evidence: metric.evidence.beside().trim(),
        read: as_read(metric),
        note: notes.join("; "),
    }
}

/// The reading beside what was judged, where they differ as printed.
fn as_read(metric: &JudgedMetric) -> Option<ReadRow> {
    let read = metric.worst_lane.as_read;
    if plain(read, 1) == plain(metric.value, 1) {
        return None;
    }
    let unit = metric.metric.base_unit();
    let centred = metric.worst_lane.centred;
    let rest = metric.value - read - centred;
    let by_chance = match rest > 0.0 {
        true => format!("the lowest of {} readings is low partly by chance", metric.lanes),
        false => format!("another of the {} lanes may lie lower", metric.lanes),
    };
    let parts = [
        (centred, "training puts it beside the mean place of its strobe's lanes".to_string()),
        (rest, by_chance),
    ];
    let parts: Vec<String> = parts
        .into_iter()
        .filter(|(by, _)| by.abs() >= 0.05)
        .map(|(by, why)| format!("{} {unit}: {why}", signed(by, 1)))
        .collect();
    Some(ReadRow {
        value: plain(read, 1),
        margin: signed(read - metric.limit, 1),
        side: match (read < metric.limit, metric.passes_read_below()) {
            (true, true) => "\u{2021} below the limit",
            (true, false) => "below the limit",
            (false, _) => "",
        },
        why: format!("Judged less read: {}.", parts.join("; ")),
    })
}

/// Outlines come as SVG path data; anything else would be drawn as nothing, so it is refused with words.
pub(super) fn check_path(text: &str, picture: &EyePicture) -> Result<String, PageError> {
    let fine = |c: char| c.is_ascii_digit() || " ,.-+eE".contains(c) || "MmLlHhVvZz".contains(c);
    match text.chars().find(|c| !fine(*c)) {
        Some(found) => Err(PageError::Outline { eye: picture.eye.to_string(), found }),
        None => Ok(text.to_string()),
    }
}

/// Width, ps, and shape of the masks that the eye is judged by: of the plan's masks for its direction and rate,
/// those as wide as a judged limit.
fn masks(
    run: &JudgedRun,
    facts: &RunFacts,
    judged: &JudgedCondition,
    picture: &EyePicture,
) -> Vec<(f64, MaskSize)> {
    let Grid { ui, tap_step, vddq, vref_step, .. } = picture.grid;
    let names = run.level_names.get(Factor::Rate as usize);
    let rate = names.and_then(|names| names.get(judged.condition.level(Factor::Rate)));
    let mut masks = Vec::new();
    for limit in &facts.limits {
        let Some(size) = limit.mask.filter(|_| limit.direction == picture.eye.direction) else { continue };
        let width = limit.in_base_unit(ui, tap_step, vddq, vref_step);
        let at_rate =
            limit.rates.is_empty() || limit.rates.iter().any(|name| Some(&name.to_string()) == rate);
        let is_judged = judged.metrics.iter().any(|metric| {
            metric.eye == picture.eye
                && metric.metric == Metric::Mask
                && (metric.limit - width).abs() <= 1e-6 * width.abs()
        });
        if at_rate && is_judged && !masks.contains(&(width, size)) {
            masks.push((width, size));
        }
    }
    masks
}

/// The whole frame, small, where only a window of it is drawn.
fn frame(picture: &EyePicture, colours: Colours, window: Window) -> Result<Option<FrameView>, PageError> {
    let whole = Window::whole(&picture.grid);
    if window == whole {
        return Ok(None);
    }
    let x = Scale::new(-0.5, f64::from(whole.taps.1) + 0.5, 0.0, 100.0);
    let y = Scale::new(-0.5, f64::from(whole.steps.1) + 0.5, 70.0, 0.0);
    let (left, right) = (x.at(f64::from(window.taps.0) - 0.5), x.at(f64::from(window.taps.1) + 0.5));
    let (bottom, top) = (y.at(f64::from(window.steps.0) - 0.5), y.at(f64::from(window.steps.1) + 0.5));
    Ok(Some(FrameView {
        uri: colours.data_uri(picture, whole)?,
        x: coordinate(left),
        y: coordinate(top),
        w: coordinate(right - left),
        h: coordinate(bottom - top),
        words: format!(
            "Enlarged: taps {} to {} of {}, Vref steps {} to {} of {}.",
            window.taps.0,
            window.taps.1,
            picture.grid.taps,
            window.steps.0,
            window.steps.1,
            picture.grid.vref_steps
        ),
    }))
}

/// The limits that an eye of a condition (index) is judged by, as closed outlines about its operating point, ps and mV.
pub fn limits_of(
    run: &JudgedRun,
    facts: &RunFacts,
    index: usize,
    picture: &EyePicture,
) -> Vec<Vec<(f64, f64)>> {
    let Some(judged) = run.conditions.get(index) else { return Vec::new() };
    let metrics: Vec<&JudgedMetric> =
        judged.metrics.iter().filter(|metric| metric.eye == picture.eye).collect();
    limit_outlines(&metrics, &masks(run, facts, judged, picture), (0.0, 0.0), (1.0, 1.0))
}

/// Closed outlines in taps and Vref steps.
type Outlines = Vec<Vec<(f64, f64)>>;

/// Outlines as a path, held inside the picture.
fn path_of(outlines: &Outlines, (x, y): (Scale, Scale)) -> String {
    let mut path = String::new();
    for corners in outlines {
        for (index, (tap, step)) in corners.iter().enumerate() {
            let command = if index == 0 { 'M' } else { 'L' };
            path.push_str(&format!("{command}{} {}", coordinate(x.held(*tap)), coordinate(y.held(*step))));
        }
        path.push('z');
    }
    path
}

/// Early/late and lower/upper limits where they are judged, else half the width and height limit on each side, as a box;
/// and every mask as its outline. All about the operating point.
fn limit_outlines(
    metrics: &[&JudgedMetric],
    masks: &[(f64, MaskSize)],
    point: (f64, f64),
    steps: (f64, f64),
) -> Outlines {
    let mut outlines = Vec::new();
    if steps.0 <= 0.0 || steps.1 <= 0.0 {
        return outlines;
    }
    let limit = |wanted: Metric| metrics.iter().find(|m| m.metric == wanted).map(|m| m.limit);
    let side = |one: Metric, both: Metric| limit(one).or_else(|| limit(both).map(|whole| whole / 2.0));
    let (early, late) = (side(Metric::EarlyMargin, Metric::Width), side(Metric::LateMargin, Metric::Width));
    let (upper, lower) =
        (side(Metric::UpperMargin, Metric::Height), side(Metric::LowerMargin, Metric::Height));
    let mut outline = |corners: &[(f64, f64)]| {
        outlines
            .push(corners.iter().map(|(ps, mv)| (point.0 + ps / steps.0, point.1 + mv / steps.1)).collect());
    };
    if [early, late, upper, lower].iter().any(Option::is_some) {
        let [early, late, upper, lower] = [early, late, upper, lower].map(|limit| limit.unwrap_or(0.0));
        outline(&[(-early, upper), (late, upper), (late, -lower), (-early, -lower)]);
    }
    for (width, size) in masks {
        let (end, flat, high) = (width / 2.0, width / 2.0 * size.flat.clamp(0.0, 1.0), size.height_mv / 2.0);
        if size.flat >= 1.0 {
            outline(&[(-end, high), (end, high), (end, -high), (-end, -high)]);
        } else {
            // Corners at the ends, flat top and bottom.
            outline(&[(-end, 0.0), (-flat, high), (flat, high), (end, 0.0), (flat, -high), (-flat, -high)]);
        }
    }
    outlines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mask_is_drawn_as_its_outline_about_the_operating_point() {
        let scales = (Scale::new(0.0, 100.0, 0.0, 100.0), Scale::new(0.0, 100.0, 100.0, 0.0));
        let path = |flat: f64| {
            let masks = [(20.0, MaskSize { height_mv: 40.0, flat })];
            path_of(&limit_outlines(&[], &masks, (50.0, 50.0), (1.0, 2.0)), scales)
        };
        // 20 ps at 1 ps a tap, 40 mV at 2 mV a step: 10 to either side.
        assert_eq!(path(1.0), "M40 40L60 40L60 60L40 60z");
        assert_eq!(path(0.5), "M40 50L45 40L55 40L60 50L55 60L45 60z");
        assert_eq!(path_of(&limit_outlines(&[], &[], (50.0, 50.0), (1.0, 2.0)), scales), "");
    }
}

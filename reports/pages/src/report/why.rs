//! Where the margin of the worst lanes went: best points, causes, and which factor moves which edge.

use super::words::*;
use judge::causes::{Finding, LaneCauses, rests_on};
use judge::judged::{FoundCauses, JudgedRun, RunFacts};
use judge::why::{EdgeShift, LaneGain};
use serde::Serialize;

/// Lanes listed of an eye: those looked into, then those that a better point helps most.
const MOST_LANES: usize = 6;
const EXTRA_JOBS: &str = " Extra jobs have not been shown to name causes better than the eye alone.";
/// Lines of the table of factors.
const MOST_SHIFTS: usize = 60;
/// Boxes that a bar shows at least.
const LEAST_SCALE: f64 = 1.5;

#[derive(Debug, Serialize)]
pub(super) struct WhyView {
    pub eyes: Vec<WhyEye>,
    pub shifts: Vec<Vec<String>>,
    pub shifts_left_out: usize,
    /// What was asked, and how.
    pub words: String,
}

#[derive(Debug, Serialize)]
pub(super) struct WhyEye {
    pub name: String,
    pub anchor: String,
    pub eye: String,
    /// What the causes rest on beside the eye.
    pub rests_on: String,
    pub nothing: String,
    pub lanes: Vec<WhyLane>,
}

#[derive(Debug, Serialize)]
pub(super) struct WhyLane {
    pub lane: u16,
    /// Limit boxes about the trained point and about the best one, each with its U.
    pub trained: String,
    pub best: String,
    /// With its U.
    pub recoverable: String,
    /// More than chance?
    pub certain: bool,
    /// Where the best point lies, and which edge is in the way.
    pub point: String,
    /// A line each; empty where the lane was not looked into.
    pub causes: Vec<String>,
    pub truth: String,
    /// Bars of a drawing 100 wide: trained, best, the limit's tick.
    pub bar: [f64; 3],
}

/// Builds the section.
pub(super) fn why(run: &JudgedRun, facts: &RunFacts, anchors: &[String]) -> WhyView {
    let eyes: Vec<WhyEye> = facts.causes.iter().map(|found| eye(run, found, anchors)).collect();
    let model = facts.causes.first().map_or("", |found| found.model.as_str());
    let words = match eyes.is_empty() {
        true => "Nobody has asked yet: `nightbench why DIR` looks into the worst conditions, and the next report shows what it found."
            .into(),
        false => format!(
            "The limit box is as wide and high as the limits ask; at 1.00 it just fits. Recoverable: about the best point less about the \
             trained one, which firmware can set. Causes: what the lane would have more without it, trained alike, told against \
             the healthy lanes of the same eye by signatures of the {model}; what all lanes share is no cause here. None of it \
             changes a verdict.{}",
            if facts.causes.iter().any(|found| found.extra_jobs > 0) { EXTRA_JOBS } else { "" }
        ),
    };
    let shifts = facts.edge_shifts.iter().take(MOST_SHIFTS).map(|shift| line(run, shift)).collect();
    WhyView { eyes, shifts, shifts_left_out: facts.edge_shifts.len().saturating_sub(MOST_SHIFTS), words }
}

fn eye(run: &JudgedRun, found: &FoundCauses, anchors: &[String]) -> WhyEye {
    let name = run.conditions.get(found.condition).map_or(String::new(), |judged| judged.name.clone());
    let looked = |lane: u16| found.lanes.iter().any(|one| one.lane == lane);
    let mut gains: Vec<&LaneGain> = found.gains.iter().collect();
    gains.sort_by(|a, b| {
        looked(b.lane).cmp(&looked(a.lane)).then(b.gain().total_cmp(&a.gain())).then(a.lane.cmp(&b.lane))
    });
    gains.truncate(MOST_LANES);
    let scale = gains.iter().map(|gain| gain.best.max(gain.trained)).fold(LEAST_SCALE, f64::max);
    let lanes = gains.into_iter().map(|gain| lane(gain, found, scale)).collect();
    WhyEye {
        name,
        anchor: anchors.get(found.condition).cloned().unwrap_or_default(),
        eye: found.eye.to_string(),
        rests_on: rests_on(found.extra_jobs, found.extra_jobs + found.unused_jobs),
        nothing: found.nothing.clone(),
        lanes,
    }
}

fn with_u(boxes: f64, u: f64) -> String {
    format!("{} \u{b1} {}", plain(boxes, 2), plain(u, 2))
}

fn lane(gain: &LaneGain, found: &FoundCauses, scale: f64) -> WhyLane {
    let looked = found.lanes.iter().find(|one| one.lane == gain.lane);
    let causes = looked.map_or(Vec::new(), |lane| match lane.finding {
        Finding::Named if lane.accepted => {
            let alone = lane.eye_alone.then(|| LaneCauses::EYE_ALONE.to_string());
            lane.causes.iter().map(|blamed| blamed.words()).chain(alone).collect()
        }
        _ => vec![lane.words()],
    });
    let truth = looked.and_then(|lane| lane.truth.as_ref()).map_or(String::new(), |truth| truth.words());
    let at = |boxes: f64| (1000.0 * (boxes / scale).clamp(0.0, 1.0)).round() / 10.0;
    WhyLane {
        lane: gain.lane,
        trained: with_u(gain.trained, gain.box_expanded_uncertainty[0]),
        best: with_u(gain.best, gain.box_expanded_uncertainty[1]),
        recoverable: format!("{} \u{b1} {}", signed(gain.gain(), 2), plain(gain.expanded_uncertainty, 2)),
        certain: gain.is_certain(),
        point: format!("{}; bound by the {}", gain.best_point_words(), gain.bound_words()),
        causes,
        truth,
        bar: [at(gain.trained), at(gain.best), at(1.0)],
    }
}

fn line(run: &JudgedRun, shift: &EdgeShift) -> Vec<String> {
    let level = |at: usize| level_name(run, shift.factor, at);
    let mut cells = vec![
        format!("{}: {} to {}", shift.factor.name(), level(shift.from), level(shift.to)),
        shift.eye.to_string(),
    ];
    cells.extend((0..4).map(|side| match &shift.expanded_uncertainty {
        Some(u) => format!("{} \u{b1} {}", signed(shift.change[side], 1), plain(u[side], 1)),
        None => signed(shift.change[side], 1),
    }));
    cells.push(shift.pairs.to_string());
    cells
}

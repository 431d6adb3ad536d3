//! An eye of the store with what is said about it.

use super::{MOST, too_many};
use crate::console::exit::{Exit, Failure};
use crate::console::eye_drawing::DrawnEye;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::store::Store;
use eye::counts::CaptureView;
use eye::map::PassMap;
use eye::metrics::{LaneMetrics, Wanted, lane_metrics};
use eye::together::common_map;
use eye::value::{EyeMetric, EyeState, MetricValue, Reading};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::{Capture, Grid};
use nightbench_core::text::{counted, lane_list};
use plan::limits::Metric;
use plan::selection::Selection;
use std::path::Path;

/// An eye of the store with what is said about it.
pub struct Seen {
    pub capture: Capture,
    pub lane: u16,
    map: PassMap,
    all: Option<PassMap>,
    metrics: LaneMetrics,
    half_limit: Option<(f64, f64)>,
    pub title: Vec<String>,
    pub notes: Vec<String>,
}

/// A sentence about a condition without an eye, and whether that is a result: a failed training is.
pub type Without = (String, bool);

/// The eyes of a folder's selection, and what is said of conditions without any.
pub fn read(dir: &Path, only: &[String], lane: Option<u16>) -> Result<(Vec<Seen>, Vec<Without>), Failure> {
    let reader = Store::open_read_only(dir)?;
    reader.verify()?;
    let folder = JudgedFolder::read(dir, &reader, JudgedBy::plan(CacheUse::Look))?;
    let selection = Selection::read(&folder.file.plan, only).map_err(Failure::invalid)?;
    let selected: Vec<usize> = (0..folder.run.conditions.len())
        .filter(|index| selection.contains(&folder.run.conditions[*index].condition))
        .collect();
    match selected.len() {
        0 => {
            return Err(Failure::new(Exit::NothingSelected, "nothing to look at: the selection is empty"));
        }
        n if n > MOST => return Err(too_many(n, &folder.file.plan)),
        _ => {}
    }
    let (mut seen, mut without, mut lacking) = (Vec::new(), Vec::new(), None);
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
            // A lane belongs to one sub-channel: the eyes of the others do not have it.
            match lane.filter(|lane| !capture.lanes.contains(lane)) {
                None => seen.push(Seen::new(&folder, index, capture, lane)?),
                Some(lane) => {
                    let captured = lane_list(capture.lanes.iter().copied());
                    lacking = Some(format!(
                        "lane {lane} was not captured in {}; captured: {captured}",
                        capture.eye
                    ));
                }
            }
        }
    }
    match lacking.filter(|_| seen.is_empty()) {
        Some(words) => Err(Failure::invalid(words)),
        None => Ok((seen, without)),
    }
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
        let place_of = |lane: u16| capture.lanes.iter().position(|one| *one == lane);
        let place = lane.or(worst).and_then(place_of).unwrap_or(0);
        let lane = capture.lanes.get(place).copied().unwrap_or(0);
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
        let mut notes = vec![format!("lane {lane} here: {}", lane_words(&metrics, &capture.grid))];
        notes.extend(of_eye.iter().map(|metric| {
            let unit = metric.metric.base_unit();
            format!(
                "{}, lane {}: {} {}{:.1} {unit} (U {:.1}), limit {:.1}: {}{}",
                match metric.jobs {
                    // None has a value that could be averaged.
                    0 => "judged".into(),
                    jobs => format!("judged over {}", counted(usize::from(jobs), "job")),
                },
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

    pub fn drawn(&self) -> DrawnEye<'_> {
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
        let places = if metric == EyeMetric::Width { 3 } else { 1 };
        Some(format!(
            "{at_least}{:.1} {unit} ({:.places$} {share})",
            value.base_value(grid),
            value.share(grid)
        ))
    };
    format!(
        "width {}, height {}",
        words(EyeMetric::Width, "ps", "UI").unwrap_or_default(),
        words(EyeMetric::Height, "mV", "% VDDQ").unwrap_or_default()
    )
}

/// What the second eye has more or less of. Two looks are no comparison: `compare` judges with uncertainty.
pub fn difference(first: &Seen, second: &Seen) -> String {
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

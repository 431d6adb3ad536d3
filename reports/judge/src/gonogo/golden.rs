//! The gauge study of a sample, and the units of it that watch the station afterwards.

use super::test::LineTest;
use nightbench_core::line::UnitOutcome;
use serde::{Deserialize, Serialize};
use statistics::gauge::{GaugeStudy, Pooling, gauge_study};
use statistics::summary::mean;

/// Golden units chosen from the gauge study.
const GOLDEN: usize = 3;

/// A unit of the sample to be measured again and again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Golden {
    pub name: String,
    /// Mean of its predictions in the gauge study.
    pub predicted: f64,
}

/// The study.
pub(super) struct Gauge {
    pub study: Option<GaugeStudy>,
    /// Units, mountings, repeats.
    pub shape: (usize, usize, usize),
    pub golden: Vec<Golden>,
    /// Standard deviation of a golden unit's prediction about its mean of the study.
    pub golden_sd: Option<f64>,
}

/// The study of predictions by mounting and repeat, as far as units are whole.
pub(super) fn gauge(measured: &[(String, Vec<Vec<UnitOutcome>>)], test: &LineTest) -> Gauge {
    let predicted = |outcome: &UnitOutcome| test.judge(outcome).predicted;
    let whole: Vec<(&String, Vec<Vec<f64>>)> = measured
        .iter()
        .filter_map(|(name, mountings)| {
            let cell: Option<Vec<Vec<f64>>> =
                mountings.iter().map(|repeats| repeats.iter().map(predicted).collect()).collect();
            Some((name, cell?))
        })
        .collect();
    let cells: Vec<Vec<Vec<f64>>> = whole.iter().map(|(_, cell)| cell.clone()).collect();
    let mountings = cells.first().map_or(0, Vec::len);
    let repeats = cells.first().and_then(|one| one.first()).map_or(0, Vec::len);
    let study = gauge_study(&cells, Pooling::Never).ok();
    Gauge {
        // A mean over mountings and repeats has an error of its own.
        golden_sd: study.map(|study| study.variation.gauge * (1.0 + 1.0 / mountings.max(1) as f64).sqrt()),
        study,
        shape: (cells.len(), mountings, repeats),
        golden: golden(&whole),
    }
}

/// A low, a middling and a high unit of the study.
fn golden(whole: &[(&String, Vec<Vec<f64>>)]) -> Vec<Golden> {
    let mut means: Vec<Golden> = whole
        .iter()
        .filter_map(|(name, cell)| {
            let values: Vec<f64> = cell.iter().flatten().copied().collect();
            Some(Golden { name: (*name).clone(), predicted: mean(&values).ok()? })
        })
        .collect();
    means.sort_by(|a, b| a.predicted.total_cmp(&b.predicted));
    if means.len() <= GOLDEN {
        return means;
    }
    let last = means.len() - 1;
    [0, last / 2, last].map(|at| means[at].clone()).to_vec()
}

//! A study of the measurement itself: repeatability and re-seating from repeated jobs, by analysis of variance.

use super::Judge;
use super::aggregate::Part;
use super::eye_summary::{EyeSummary, mask_of};
use nightbench_core::results::EyeName;
use plan::budget::{BudgetLine, LineUnit};
use plan::criteria::AcceptanceCriteria;
use plan::limits::Metric;
use serde::Serialize;
use statistics::gauge::{GaugeStudy, Pooling, gauge_study};
use std::collections::BTreeMap;

/// What the study says about one metric.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MetricStudy {
    pub metric: Metric,
    /// Lanes and conditions that served as parts, mountings and repeats of each.
    pub parts: usize,
    /// See `parts`.
    pub mountings: usize,
    /// See `parts`.
    pub repeats: usize,
    /// Setups pooled.
    pub setups: usize,
    /// Standard deviation of one measurement in one mounting (EV), ps or mV, and its degrees of freedom.
    pub repeatability: Option<(f64, f64)>,
    /// Standard deviation between mountings, interaction included (AV), and its degrees of freedom.
    pub reseating: Option<(f64, f64)>,
    /// Both together, and what the lanes differ by.
    pub gauge: Option<f64>,
    /// See `gauge`.
    pub part_to_part: Option<f64>,
    /// Number of distinct categories, 1.41 part to part / gauge.
    pub distinct_categories: Option<u32>,
    /// p of the interaction and whether it was pooled (by rule, p above 0.25): of the first setup.
    pub interaction: Option<(f64, bool)>,
    /// What cannot be said and why.
    pub words: Vec<String>,
}

impl MetricStudy {
    /// The budget lines it gives.
    pub fn lines(&self, source: &str) -> Vec<BudgetLine> {
        [("repeatability", self.repeatability), ("re-seating", self.reseating)]
            .into_iter()
            .filter_map(|(name, value)| {
                let (deviation, freedom) = value.filter(|(_, freedom)| *freedom >= 1.0)?;
                Some(BudgetLine {
                    name: name.into(),
                    unit: if self.metric.is_time() { LineUnit::Picoseconds } else { LineUnit::Millivolts },
                    metric: Some(self.metric),
                    direction: None,
                    standard_uncertainty: deviation,
                    degrees_of_freedom: Some(freedom),
                    source: source.into(),
                })
            })
            .collect()
    }
}

/// One part: a lane at a condition, with its values by mounting and repeat.
type PartCells = Vec<Vec<f64>>;

/// The balanced cells of one setup, and the number of conditions and eyes among the parts.
#[derive(Default)]
struct SetupCells {
    parts: Vec<PartCells>,
    groups: usize,
}

impl Judge<'_> {
    /// Studies every metric that these limits judge.
    pub fn study(&self, criteria: &AcceptanceCriteria) -> Vec<MetricStudy> {
        let mut metrics: Vec<Metric> = criteria.limits.iter().map(|limit| limit.metric).collect();
        metrics.sort();
        metrics.dedup();
        metrics.into_iter().map(|metric| self.study_metric(metric, criteria)).collect()
    }

    fn study_metric(&self, metric: Metric, criteria: &AcceptanceCriteria) -> MetricStudy {
        let mut setups: BTreeMap<(u16, u16, u16), SetupCells> = BTreeMap::new();
        let (mut unbalanced, mut bounds) = (0usize, 0usize);
        for (index, tally) in &self.tallies {
            let condition = self.expansion.conditions[*index as usize];
            let rate = condition.rate(self.plan);
            for eye in tally.eyes() {
                let limit = criteria
                    .limits
                    .iter()
                    .find(|limit| limit.metric == metric && limit.applies(eye.direction, rate));
                let Some(limit) = limit else { continue };
                let rows = by_mounting(&tally.parts, eye);
                let Some(first) = rows.first().and_then(|row| row.first()) else { continue };
                if rows.iter().any(|row| row.len() != rows[0].len()) {
                    unbalanced += 1;
                    continue;
                }
                let mask = mask_of(limit, &first.grid);
                let cells = setups.entry(condition.setup()).or_default();
                cells.groups += 1;
                for lane in 0..first.lanes.len() {
                    let part: Option<PartCells> = rows
                        .iter()
                        .map(|row| {
                            row.iter()
                                .map(|capture| {
                                    let reading = capture.reading(lane, metric, mask.as_ref())?;
                                    (!reading.at_least && !reading.closed).then_some(reading.value)
                                })
                                .collect()
                        })
                        .collect();
                    match part {
                        Some(part) => cells.parts.push(part),
                        None => bounds += 1,
                    }
                }
            }
        }
        let mut study = MetricStudy {
            metric,
            parts: setups.values().map(|cells| cells.parts.len()).sum(),
            mountings: 0,
            repeats: 0,
            setups: setups.len(),
            repeatability: None,
            reseating: None,
            gauge: None,
            part_to_part: None,
            distinct_categories: None,
            interaction: None,
            words: Vec::new(),
        };
        if unbalanced > 0 {
            study.words.push(format!(
                "conditions left out because not every mounting has every repeat: {unbalanced}"
            ));
        }
        if bounds > 0 {
            study.words.push(format!("lanes left out, closed or off the grid: {bounds}"));
        }
        study.pool(setups.into_values().filter(|cells| !cells.parts.is_empty()).collect());
        study
    }
}

/// The captures of an eye, one row a mounting, repeats in order.
fn by_mounting(parts: &[Part], eye: EyeName) -> Vec<Vec<&EyeSummary>> {
    let mut rows: BTreeMap<u16, Vec<&EyeSummary>> = BTreeMap::new();
    for part in parts {
        for capture in part.captures.iter().filter(|capture| capture.eye == eye) {
            rows.entry(part.place.0).or_default().push(capture);
        }
    }
    rows.into_values().collect()
}

impl MetricStudy {
    /// Pools the setups: a mounting of one setup is no mounting of another, so each is analysed by itself.
    fn pool(&mut self, setups: Vec<SetupCells>) {
        let Some(first) = setups.first().and_then(|cells| cells.parts.first()) else {
            self.words.push("no lane has a value in every job".into());
            return;
        };
        (self.mountings, self.repeats) = (first.len(), first.first().map_or(0, Vec::len));
        let (mut ev, mut av, mut pv) = ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0));
        for cells in &setups {
            let shape =
                cells.parts.first().map_or((0, 0), |part| (part.len(), part.first().map_or(0, Vec::len)));
            let even: Vec<PartCells> = cells
                .parts
                .iter()
                .filter(|part| part.len() == shape.0 && part[0].len() == shape.1)
                .cloned()
                .collect();
            // Lanes of one job share its training: a job counts once in the degrees of freedom.
            let groups = cells.groups as f64;
            let (m, r) = (shape.0 as f64, shape.1 as f64);
            match shape {
                (2.., 2..) if even.len() >= 2 => match gauge_study(&even, Pooling::ByRule) {
                    Ok(found) => {
                        let dof = groups * m * (r - 1.0);
                        add(&mut ev, found.variation.repeatability.powi(2), dof);
                        add(&mut av, reseating_variance(&found), m - 1.0);
                        add(&mut pv, found.variation.parts.powi(2), even.len() as f64 - 1.0);
                        self.interaction.get_or_insert((found.interaction_p, found.pooled));
                    }
                    Err(error) => self.words.push(format!("{error}")),
                },
                (1, 2..) => {
                    let squares: f64 = even.iter().map(|part| within(&part[0])).sum();
                    add(&mut ev, squares / (even.len() as f64 * (r - 1.0)), groups * (r - 1.0));
                }
                (2.., 1) => {
                    let squares: f64 = even
                        .iter()
                        .map(|part| within(&part.iter().map(|mounting| mounting[0]).collect::<Vec<f64>>()))
                        .sum();
                    add(&mut av, squares / (even.len() as f64 * (m - 1.0)), m - 1.0);
                }
                _ => {}
            }
        }
        let deviation = |(sum, dof): (f64, f64)| (dof > 0.0).then(|| ((sum / dof).sqrt(), dof));
        self.repeatability = deviation(ev).filter(|(deviation, _)| *deviation > 0.0);
        self.reseating = deviation(av);
        if deviation(ev).is_some() && self.repeatability.is_none() {
            self.words
                .push("every repeat gave the same value (zero variance): the grid is too coarse".into());
        }
        if self.repeats < 2 {
            self.words.push("too few repeats: repeatability needs at least 2 in a mounting".into());
            if self.reseating.is_some() {
                self.words.push("re-seating here holds the repeatability as well".into());
            }
        }
        if self.mountings < 2 {
            self.words.push("too few mountings: re-seating needs at least one re-seat".into());
        }
        if let (Some((ev, _)), Some((av, _)), Some((pv, _))) =
            (self.repeatability, self.reseating, deviation(pv))
        {
            let gauge = ev.hypot(av);
            self.gauge = Some(gauge);
            self.part_to_part = Some(pv);
            self.distinct_categories = Some(((1.41 * pv / gauge).floor() as u32).max(1));
        }
    }
}

fn add(sum: &mut (f64, f64), variance: f64, dof: f64) {
    sum.0 += variance * dof;
    sum.1 += dof;
}

fn within(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter().map(|value| (value - mean).powi(2)).sum()
}

fn reseating_variance(found: &GaugeStudy) -> f64 {
    found.variation.reproducibility.powi(2) + found.variation.interaction.powi(2)
}

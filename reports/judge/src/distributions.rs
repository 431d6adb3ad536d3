//! Distributions: the lanes of the worst condition of each metric, and the worst lanes of all conditions.

use crate::audit::{DistributionNote, FitNote};
use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun};
use nightbench_core::text::counted;
use plan::limits::Metric;
use statistics::capability::{capability_of, cpk_interval};
use statistics::conformity::Tolerance;
use statistics::distributions::{Fit, fit_gumbel_minima, fit_normal, fit_weibull};
use statistics::normality::{anderson_darling, shapiro_wilk};
use statistics::outliers::{Side, generalised_esd, grubbs};
use statistics::summary::{mean, standard_deviation};
use statistics::tolerance::{lower_limit, two_sided_interval, wilks_order};

/// Content and confidence of tolerance limits.
const TOLERANCE: (f64, f64) = (0.95, 0.95);
/// Most values given to a fit: more add nothing but time.
const MOST: usize = 5000;

/// Every distribution the page shows.
pub fn distributions(run: &JudgedRun, words: &mut Vec<String>) -> Vec<DistributionNote> {
    let mut notes = Vec::new();
    for (name, metric) in Metric::ALL {
        let mut of: Vec<(&JudgedCondition, &JudgedMetric)> = run
            .conditions
            .iter()
            .filter(|condition| condition.verdict.is_some())
            .flat_map(|condition| condition.metrics.iter().map(move |judged| (condition, judged)))
            .filter(|(_, judged)| judged.metric == metric && !judged.at_least)
            .collect();
        of.sort_by(|a, b| a.1.margin.total_cmp(&b.1.margin));
        let Some((condition, worst)) = of.first() else { continue };
        if let Some(values) = lanes(condition, worst) {
            let labels: Vec<String> = values.iter().map(|(lane, _)| format!("lane {lane}")).collect();
            let values: Vec<f64> = values.into_iter().map(|(_, value)| value).collect();
            let sample = format!("{name} of every lane at the worst condition ({})", condition.name);
            notes.extend(describe(sample, &values, &labels, worst, words));
        }
        // Worst lanes: as margins, since the limit may change with the rate.
        let step = of.len().div_ceil(MOST).max(1);
        let some: Vec<_> = of.iter().step_by(step).collect();
        let labels: Vec<String> = some.iter().map(|(condition, _)| condition.name.clone()).collect();
        let values: Vec<f64> = some.iter().map(|(_, judged)| judged.margin).collect();
        let zero = JudgedMetric { limit: 0.0, ..(*worst).clone() };
        let sample = format!("margin of the worst lane in {name}, over conditions");
        notes.extend(describe(sample, &values, &labels, &zero, words));
    }
    notes
}

/// The lanes' values of the metric, where the page keeps them.
fn lanes(condition: &JudgedCondition, judged: &JudgedMetric) -> Option<Vec<(u16, f64)>> {
    let values = condition.lanes.iter().find(|values| values.eye == judged.eye)?;
    let series = match judged.metric {
        Metric::Width => &values.width_ps,
        Metric::Height => &values.height_mv,
        _ => return None,
    };
    Some(values.lanes.iter().copied().zip(series.iter().map(|value| f64::from(*value))).collect())
}

fn describe(
    sample: String,
    values: &[f64],
    labels: &[String],
    judged: &JudgedMetric,
    words: &mut Vec<String>,
) -> Option<DistributionNote> {
    if values.len() < 3 {
        words.push(format!("{sample}: values: {}; a distribution needs 3", values.len()));
        return None;
    }
    let (mean, sd) = match (mean(values), standard_deviation(values)) {
        (Ok(mean), Ok(sd)) if sd > 0.0 => (mean, sd),
        (Err(error), _) | (_, Err(error)) => {
            words.push(format!("{sample}: {error}"));
            return None;
        }
        _ => {
            words.push(format!("{sample}: all {} values are equal (zero variance)", values.len()));
            return None;
        }
    };
    let mut note = DistributionNote {
        unit: judged.metric.base_unit(),
        n: values.len(),
        mean,
        standard_deviation: sd,
        limit: judged.limit,
        fits: Vec::new(),
        normality_p: [
            anderson_darling(values).ok().map(|test| test.p),
            shapiro_wilk(values).ok().map(|test| test.p),
        ],
        tolerance_lower: lower_limit(values, TOLERANCE.0, TOLERANCE.1).ok(),
        tolerance_interval: two_sided_interval(values, TOLERANCE.0, TOLERANCE.1)
            .ok()
            .map(|interval| (interval.lower, interval.upper)),
        tolerance_lower_any: None,
        cpk: None,
        outliers: Vec::new(),
        words: Vec::new(),
        sample,
    };
    fits(values, &mut note);
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match wilks_order(values.len() as u64, TOLERANCE.0, TOLERANCE.1) {
        Ok(Some(order)) => note.tolerance_lower_any = sorted.get(order as usize - 1).copied(),
        _ => {
            let verb = if note.n == 1 { "is" } else { "are" };
            note.words.push(format!(
                "{} {verb} too few for a distribution-free limit (59 needed)",
                counted(note.n, "value")
            ));
        }
    }
    if let Ok(index) = capability_of(values, &Tolerance::Lower(judged.limit)) {
        note.cpk = cpk_interval(index.cpk, values.len(), 0.95)
            .ok()
            .map(|interval| (index.cpk, interval.lower, interval.upper));
    }
    let label = |index: usize| labels.get(index).cloned().unwrap_or_default();
    if let Ok(test) = grubbs(values, 0.05, Side::Lowest)
        && test.outlier
    {
        note.outliers.push(format!("{} (Grubbs, low)", label(test.index)));
    }
    if let Ok(test) = generalised_esd(values, (values.len() / 5).clamp(1, 10), 0.05) {
        for index in test.outlier_indices() {
            note.outliers.push(format!("{} (generalised ESD)", label(index)));
        }
    }
    if note.normality_p.iter().flatten().any(|p| *p < 0.05) {
        note.words.push("not normal at 5 %: use the distribution-free limit; Cpk presumes a normal".into());
    }
    Some(note)
}

fn fits(values: &[f64], note: &mut DistributionNote) {
    let mut add = |name: &str, fit: Fit| {
        if let Ok(low) = fit.model.quantile(1e-3) {
            note.fits.push(FitNote { model: name.into(), aic: fit.aic(), one_in_a_thousand: low });
        }
    };
    if let Ok(fit) = fit_normal(values) {
        add("normal", fit);
    }
    if values.iter().all(|value| *value > 0.0)
        && let Ok(fit) = fit_weibull(values, &[])
    {
        add("Weibull", fit);
    }
    if let Ok(fit) = fit_gumbel_minima(values) {
        add("Gumbel of minima", fit);
    }
    note.fits.sort_by(|a, b| a.aic.total_cmp(&b.aic));
    if values.iter().any(|value| *value <= 0.0) {
        note.words.push("no Weibull fit: values at or below zero".into());
    }
}

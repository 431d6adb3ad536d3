//! Gauge study: how much of the observed spread is the measurement itself (AIAG MSA 4th ed.): analysis of variance
//! and average-and-range method.

use super::anova::two_way_sums;
use super::error::{Result, StatisticsError, check_range, check_values};
use super::special::f_sf;
use super::special::normal_range_cdf;
use super::special::quadrature::integrate;
use super::summary::mean_unchecked;

/// Interaction is pooled into the error when its p is above this (common practice in gauge studies).
pub const POOLING_P: f64 = 0.25;

/// Variation of the parts of a gauge study, as standard deviations in the unit of the data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GaugeVariation {
    /// EV: repeatability (equipment).
    pub repeatability: f64,
    /// AV: reproducibility (appraisers; here operators, benches or re-seatings).
    pub reproducibility: f64,
    /// INT: interaction of part and appraiser, 0 when pooled or not separated.
    pub interaction: f64,
    /// GRR: all of the measurement system.
    pub gauge: f64,
    /// PV: part to part.
    pub parts: f64,
    /// TV: total.
    pub total: f64,
    /// Number of distinct categories, 1.41 PV/GRR truncated, at least 1.
    pub distinct_categories: u32,
}

impl GaugeVariation {
    fn new(ev2: f64, av2: f64, interaction2: f64, pv2: f64) -> Result<Self> {
        let gauge2 = ev2 + av2 + interaction2;
        if gauge2 <= 0.0 {
            return Err(StatisticsError::ZeroVariance { what: "gauge study" });
        }
        let ratio = 1.41 * (pv2 / gauge2).sqrt();
        Ok(Self {
            repeatability: ev2.sqrt(),
            reproducibility: av2.sqrt(),
            interaction: interaction2.sqrt(),
            gauge: gauge2.sqrt(),
            parts: pv2.sqrt(),
            total: (gauge2 + pv2).sqrt(),
            distinct_categories: (ratio.floor() as u32).max(1),
        })
    }

    /// Share of the total variance of a part's standard deviation (the "% contribution"), 0..1.
    pub fn contribution(&self, standard_deviation: f64) -> f64 {
        (standard_deviation / self.total).powi(2)
    }

    /// Share of the total standard deviation (the "% of total variation"), 0..1; such shares do not add up to 1.
    pub fn of_total(&self, standard_deviation: f64) -> f64 {
        standard_deviation / self.total
    }
}

/// Result of a gauge study by analysis of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GaugeStudy {
    /// Variation of each part.
    pub variation: GaugeVariation,
    /// Whether the interaction was pooled into the error.
    pub pooled: bool,
    /// p of the interaction against the error within cells.
    pub interaction_p: f64,
    /// F of the interaction.
    pub interaction_f: f64,
    /// F of the appraisers against the error (pooled) or the interaction (not pooled).
    pub appraiser_f: f64,
    /// F of the parts, same error term.
    pub part_f: f64,
    /// Sums of squares: parts, appraisers, interaction, error within cells.
    pub sums_of_squares: [f64; 4],
    /// Their degrees of freedom.
    pub dof: [f64; 4],
}

/// Whether a gauge study pools the interaction into the error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pooling {
    /// When p of the interaction is above [`POOLING_P`].
    ByRule,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// Gauge study of `cells[part][appraiser][trial]`, balanced, at least 2 of each. Negative variance components are
/// set to 0, as is usual.
pub fn gauge_study(cells: &[Vec<Vec<f64>>], pooling: Pooling) -> Result<GaugeStudy> {
    const WHAT: &str = "gauge study";
    let s = two_way_sums(WHAT, cells)?;
    let (parts, appraisers, trials) = (s.rows as f64, s.columns as f64, s.repeats as f64);
    let dof = [
        parts - 1.0,
        appraisers - 1.0,
        (parts - 1.0) * (appraisers - 1.0),
        parts * appraisers * (trials - 1.0),
    ];
    let [dof_part, dof_appraiser, dof_interaction, dof_error] = dof;
    if s.error <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: WHAT });
    }
    let ms_error = s.error / dof_error;
    let ms_interaction = s.interaction / dof_interaction;
    let interaction_f = ms_interaction / ms_error;
    let interaction_p = f_sf(interaction_f, dof_interaction, dof_error)?;
    let pooled = match pooling {
        Pooling::ByRule => interaction_p > POOLING_P,
        Pooling::Always => true,
        Pooling::Never => false,
    };
    let (ev2, reference, interaction2) = if pooled {
        let ms = (s.error + s.interaction) / (dof_error + dof_interaction);
        (ms, ms, 0.0)
    } else {
        (ms_error, ms_interaction, ((ms_interaction - ms_error) / trials).max(0.0))
    };
    if reference <= 0.0 {
        return Err(StatisticsError::ZeroVariance { what: "interaction of a gauge study" });
    }
    let ms_part = s.first / dof_part;
    let ms_appraiser = s.second / dof_appraiser;
    let av2 = ((ms_appraiser - reference) / (parts * trials)).max(0.0);
    let pv2 = ((ms_part - reference) / (appraisers * trials)).max(0.0);
    Ok(GaugeStudy {
        variation: GaugeVariation::new(ev2, av2, interaction2, pv2)?,
        pooled,
        interaction_p,
        interaction_f,
        appraiser_f: ms_appraiser / reference,
        part_f: ms_part / reference,
        sums_of_squares: [s.first, s.second, s.interaction, s.error],
        dof,
    })
}

/// Expected range d2 of `n` standard normal values.
pub fn expected_range(n: usize) -> Result<f64> {
    check_range("number of values in a range", n as f64, (2..=200).contains(&n), "2 to 200")?;
    Ok(integrate(0.0, 14.0, 14, |w| 1.0 - normal_range_cdf(w, n).unwrap_or(1.0)))
}

/// d2*: root mean square of the range of `n` standard normal values (one subgroup).
pub fn rms_range(n: usize) -> Result<f64> {
    check_range("number of values in a range", n as f64, (2..=200).contains(&n), "2 to 200")?;
    Ok(integrate(0.0, 14.0, 14, |w| 2.0 * w * (1.0 - normal_range_cdf(w, n).unwrap_or(1.0))).sqrt())
}

/// Factors K1 = 1/d2(trials), K2 = 1/d2*(appraisers), K3 = 1/d2*(parts), to the four digits of the printed tables.
fn factors(trials: usize, appraisers: usize, parts: usize) -> Result<[f64; 3]> {
    let four_digits = |v: f64| (v * 1e4).round() / 1e4;
    Ok([
        four_digits(1.0 / expected_range(trials)?),
        four_digits(1.0 / rms_range(appraisers)?),
        four_digits(1.0 / rms_range(parts)?),
    ])
}

/// Result of the average-and-range method.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AverageAndRange {
    /// Mean range of the trials.
    pub mean_range: f64,
    /// Range of the appraisers' means.
    pub range_of_appraisers: f64,
    /// Range of the parts' means.
    pub range_of_parts: f64,
    /// Variation of each part.
    pub variation: GaugeVariation,
}

/// Average-and-range gauge study of `cells[part][appraiser][trial]`, balanced, at least 2 of each.
pub fn average_and_range(cells: &[Vec<Vec<f64>>]) -> Result<AverageAndRange> {
    let s = two_way_sums("gauge study", cells)?;
    let [k1, k2, k3] = factors(s.repeats, s.columns, s.rows)?;
    let ranges: Vec<f64> = cells.iter().flatten().map(|cell| range(cell)).collect();
    let part_means: Vec<f64> =
        cells.iter().map(|row| mean_unchecked(&row.iter().flatten().copied().collect::<Vec<_>>())).collect();
    let appraiser_means: Vec<f64> = (0..s.columns)
        .map(|j| {
            let values: Vec<f64> = cells.iter().filter_map(|row| row.get(j)).flatten().copied().collect();
            mean_unchecked(&values)
        })
        .collect();
    check_values("gauge study", &ranges, 1)?;
    let mean_range = mean_unchecked(&ranges);
    let range_of_appraisers = range(&appraiser_means);
    let range_of_parts = range(&part_means);
    let ev = mean_range * k1;
    let av2 = ((range_of_appraisers * k2).powi(2) - ev * ev / (s.rows * s.repeats) as f64).max(0.0);
    let variation = GaugeVariation::new(ev * ev, av2, 0.0, (range_of_parts * k3).powi(2))?;
    Ok(AverageAndRange { mean_range, range_of_appraisers, range_of_parts, variation })
}

fn range(values: &[f64]) -> f64 {
    let lo = values.iter().copied().fold(f64::INFINITY, f64::min);
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - lo
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn range_factors_equal_the_printed_tables() {
        // d2 of 2, 3, 5, 10: common control-chart tables (from memory); d2* of 2, 3, 10 (from
        // memory; the last printed digit is off by one for 3).
        for (n, d2) in [(2, 1.128), (3, 1.693), (5, 2.326), (10, 3.078)] {
            assert!((expected_range(n).unwrap() - d2).abs() < 5.1e-4, "{n}");
        }
        for (n, d2) in [(2, std::f64::consts::SQRT_2), (3, 1.91155), (10, 3.17905)] {
            assert!((rms_range(n).unwrap() - d2).abs() < 1.1e-5, "{n}: {}", rms_range(n).unwrap());
        }
        assert!(expected_range(1).is_err());
    }

    #[test]
    fn a_perfect_gauge_is_refused_rather_than_divided_by() {
        let cells = vec![vec![vec![1.0, 1.0], vec![1.0, 1.0]], vec![vec![2.0, 2.0], vec![2.0, 2.0]]];
        assert!(matches!(gauge_study(&cells, Pooling::ByRule), Err(StatisticsError::ZeroVariance { .. })));
        assert!(average_and_range(&cells).is_err());
    }
}

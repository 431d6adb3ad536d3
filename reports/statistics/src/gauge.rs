//! Gauge study: how much of the observed spread is the measurement itself (AIAG MSA 4th ed.), by
//! analysis of variance.

use super::anova::two_way_sums;
use super::error::{Result, StatisticsError};
use super::special::f_sf;

/// Interaction is pooled into the error when its p is above this (common practice in gauge studies).
pub(crate) const POOLING_P: f64 = 0.25;

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
    Always,
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_perfect_gauge_is_refused_rather_than_divided_by() {
        let cells = vec![vec![vec![1.0, 1.0], vec![1.0, 1.0]], vec![vec![2.0, 2.0], vec![2.0, 2.0]]];
        assert!(matches!(gauge_study(&cells, Pooling::ByRule), Err(StatisticsError::ZeroVariance { .. })));
    }
}

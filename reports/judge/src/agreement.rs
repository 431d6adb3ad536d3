//! Do two sides agree, margin by margin: predicted and measured, or simulated and measured? Bias, scatter, order, and by which factor.

use nightbench_core::results::Direction;
use plan::limits::Metric;
use serde::Serialize;
use statistics::rank::spearman;

/// One margin known from both sides, ps or mV.
#[derive(Debug, Clone, PartialEq)]
pub struct Both {
    /// Which condition, as a page prints it.
    pub condition: String,
    /// Its levels: factor and level.
    pub levels: Vec<(String, String)>,
    pub direction: Direction,
    pub metric: Metric,
    pub predicted: f64,
    pub measured: f64,
    /// Standard uncertainty of their difference; `None` where nobody knows.
    pub u: Option<f64>,
    /// A tap or a Vref step.
    pub step: f64,
}

impl Both {
    /// Predicted less measured.
    pub fn difference(&self) -> f64 {
        self.predicted - self.measured
    }

    fn steps(&self) -> f64 {
        self.difference() / self.step
    }
}

/// Mean and size of the differences of one level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OfLevel {
    pub factor: String,
    pub level: String,
    pub number: usize,
    /// Mean difference, taps or Vref steps.
    pub bias_steps: f64,
    /// Root of the mean square, taps or Vref steps.
    pub rms_steps: f64,
}

/// How well one metric of one direction agrees.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Agreement {
    #[serde(serialize_with = "direction_word")]
    pub direction: Direction,
    pub metric: Metric,
    pub number: usize,
    /// Mean of predicted less measured, ps or mV.
    pub bias: f64,
    /// Standard deviation of the differences about their mean; 0 for a single one.
    pub scatter: f64,
    pub bias_steps: f64,
    pub scatter_steps: f64,
    /// Root of the mean square, taps or Vref steps.
    pub rms_steps: f64,
    /// Rank correlation; `None` where three different values are not at hand.
    pub spearman: Option<f64>,
    /// Largest difference, taps or Vref steps, and its condition.
    pub worst_steps: f64,
    pub worst: String,
    /// Differences within twice their standard uncertainty, of those that have one.
    pub within: (usize, usize),
    pub by_factor: Vec<OfLevel>,
}

fn direction_word<S: serde::Serializer>(direction: &Direction, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(direction.name())
}

fn mean_and_rms(differences: &[f64]) -> (f64, f64) {
    let n = differences.len().max(1) as f64;
    let mean = differences.iter().sum::<f64>() / n;
    (mean, (differences.iter().map(|d| d * d).sum::<f64>() / n).sqrt())
}

fn scatter(differences: &[f64], mean: f64) -> f64 {
    let freedom = differences.len().saturating_sub(1).max(1) as f64;
    (differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / freedom).sqrt()
}

/// Agreement of each metric of each direction that is among `all`.
pub fn agreements(all: &[Both]) -> Vec<Agreement> {
    let mut found = Vec::new();
    for direction in [Direction::Read, Direction::Write, Direction::Command] {
        for metric in [Metric::Width, Metric::Height] {
            let of: Vec<&Both> =
                all.iter().filter(|both| both.direction == direction && both.metric == metric).collect();
            if let Some(agreement) = agreement(direction, metric, &of) {
                found.push(agreement);
            }
        }
    }
    found
}

fn agreement(direction: Direction, metric: Metric, of: &[&Both]) -> Option<Agreement> {
    let worst = of.iter().max_by(|a, b| a.steps().abs().total_cmp(&b.steps().abs()))?;
    let steps: Vec<f64> = of.iter().map(|both| both.steps()).collect();
    let base: Vec<f64> = of.iter().map(|both| both.difference()).collect();
    let ((bias_steps, rms_steps), (bias, _)) = (mean_and_rms(&steps), mean_and_rms(&base));
    let pairs: Vec<(f64, f64)> = of.iter().map(|both| (both.predicted, both.measured)).collect();
    let known: Vec<(f64, f64)> = of.iter().filter_map(|both| Some((both.difference(), both.u?))).collect();
    let within = known.iter().filter(|(difference, u)| difference.abs() <= 2.0 * u).count();
    let mut levels: Vec<&(String, String)> = of.iter().flat_map(|both| &both.levels).collect();
    levels.sort();
    levels.dedup();
    // A factor with one level says nothing by itself.
    let several = |factor: &str| levels.iter().filter(|(known, _)| known == factor).count() > 1;
    let by_factor = levels
        .iter()
        .filter(|(factor, _)| several(factor))
        .map(|level| {
            let steps: Vec<f64> =
                of.iter().filter(|both| both.levels.contains(level)).map(|both| both.steps()).collect();
            let (bias_steps, rms_steps) = mean_and_rms(&steps);
            OfLevel {
                factor: level.0.clone(),
                level: level.1.clone(),
                number: steps.len(),
                bias_steps,
                rms_steps,
            }
        })
        .collect();
    Some(Agreement {
        direction,
        metric,
        number: of.len(),
        bias,
        scatter: scatter(&base, bias),
        bias_steps,
        scatter_steps: scatter(&steps, bias_steps),
        rms_steps,
        spearman: spearman(&pairs),
        worst_steps: worst.steps(),
        worst: worst.condition.clone(),
        within: (within, known.len()),
        by_factor,
    })
}

impl Agreement {
    /// Unit of the steps: taps or Vref steps.
    pub fn step_unit(&self) -> &'static str {
        if self.metric.is_time() { "taps" } else { "Vref steps" }
    }

    /// In a sentence.
    pub fn words(&self) -> String {
        let rank = self.spearman.map_or(String::new(), |rho| format!(", rank correlation {rho:.2}"));
        format!(
            "{} {}, {}: bias {:+.1} {} ({:+.2} {}), scatter {:.1} {} ({:.2}){rank}; worst {:+.2} at {}",
            self.direction,
            self.metric.name(),
            nightbench_core::text::counted(self.number, "condition"),
            self.bias,
            self.metric.base_unit(),
            self.bias_steps,
            self.step_unit(),
            self.scatter,
            self.metric.base_unit(),
            self.scatter_steps,
            self.worst_steps,
            self.worst
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn both(level: &str, predicted: f64, measured: f64) -> Both {
        Both {
            condition: format!("rate {level}"),
            levels: vec![("rate".into(), level.into()), ("module".into(), "one".into())],
            direction: Direction::Read,
            metric: Metric::Width,
            predicted,
            measured,
            u: Some(5.0),
            step: 10.0,
        }
    }

    #[test]
    fn bias_scatter_order_and_factor_are_told() {
        let all = [both("2400", 110.0, 100.0), both("2400", 95.0, 90.0), both("3200", 70.0, 85.0)];
        let found = agreements(&all);
        assert_eq!(found.len(), 1);
        let width = &found[0];
        assert_eq!((width.bias, width.number, width.within), (0.0, 3, (2, 3)));
        assert!((width.scatter - 175f64.sqrt()).abs() < 1e-12, "{}", width.scatter);
        assert!((width.rms_steps - (350f64 / 3.0).sqrt() / 10.0).abs() < 1e-12);
        assert_eq!((width.spearman, width.worst_steps, width.worst.as_str()), (Some(1.0), -1.5, "rate 3200"));
        let levels: Vec<_> =
            width.by_factor.iter().map(|of| (of.level.as_str(), of.number, of.bias_steps)).collect();
        assert_eq!(levels, [("2400", 2, 0.75), ("3200", 1, -1.5)], "a factor with one level is left out");
        assert!(width.words().contains("rank correlation 1.00"));
        assert!(agreements(&[]).is_empty());
    }
}

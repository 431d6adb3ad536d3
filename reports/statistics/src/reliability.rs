//! How far printed probabilities come true: Brier's score (Mon. Weather Rev. 78 (1950) 1; half of its two-class form, as is usual today) and
//! its parts (Murphy, J. Appl. Meteorol. 12 (1973) 595).

use super::error::{Result, StatisticsError, check_range};

/// Forecasts of one probability, and what became of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecasts {
    pub probability: f64,
    pub number: u64,
    /// Of these the event came true so many times.
    pub events: u64,
}

/// Mean square of forecast less event (1 or 0), and what it is made of: score = reliability - resolution + uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Brier {
    pub score: f64,
    /// Mean square of forecast less the share that came true at it: 0 is perfectly calibrated.
    pub reliability: f64,
    /// Mean square of that share less the share over everything: what the forecasts tell apart.
    pub resolution: f64,
    /// Score of forecasting the share over everything each time.
    pub uncertainty: f64,
}

impl Brier {
    /// Of forecasts by their probability.
    ///
    /// # Errors
    /// No forecast, more events than forecasts, or a probability outside 0 to 1.
    pub fn of(forecasts: &[Forecasts]) -> Result<Brier> {
        let number: u64 = forecasts.iter().map(|one| one.number).sum();
        if number == 0 {
            return Err(StatisticsError::TooFewValues { what: "forecasts", have: 0, need: 1 });
        }
        for one in forecasts {
            let known = (0.0..=1.0).contains(&one.probability);
            check_range("forecast", one.probability, known, "0 to 1")?;
            check_range("events", one.events as f64, one.events <= one.number, "no more than the forecasts")?;
        }
        let all = number as f64;
        let share = forecasts.iter().map(|one| one.events).sum::<u64>() as f64 / all;
        let (mut score, mut reliability, mut resolution) = (0.0, 0.0, 0.0);
        for one in forecasts.iter().filter(|one| one.number > 0) {
            let (p, weight) = (one.probability, one.number as f64 / all);
            let came_true = one.events as f64 / one.number as f64;
            score += weight * (came_true * (1.0 - p) * (1.0 - p) + (1.0 - came_true) * p * p);
            reliability += weight * (p - came_true) * (p - came_true);
            resolution += weight * (came_true - share) * (came_true - share);
        }
        Ok(Brier { score, reliability, resolution, uncertainty: share * (1.0 - share) })
    }

    /// Share of the uncertainty that the forecasts take away; below 0 they tell less than the share over everything.
    pub fn skill(&self) -> f64 {
        if self.uncertainty > 0.0 { 1.0 - self.score / self.uncertainty } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_add_up_and_bad_counts_are_refused() {
        let of = |list: &[(f64, u64, u64)]| {
            let all: Vec<Forecasts> = list
                .iter()
                .map(|&(probability, number, events)| Forecasts { probability, number, events })
                .collect();
            Brier::of(&all)
        };
        let one = of(&[(0.1, 40, 3), (0.1, 10, 4), (0.8, 25, 13), (1.0, 5, 5), (0.4, 0, 0)]).unwrap();
        assert!((one.score - (one.reliability - one.resolution + one.uncertainty)).abs() < 1e-15);
        assert!(one.skill() > 0.0);
        let perfect = of(&[(0.0, 7, 0), (1.0, 3, 3)]).unwrap();
        assert!(perfect.score == 0.0 && perfect.skill() == 1.0);
        assert!(of(&[]).is_err() && of(&[(0.5, 0, 0)]).is_err());
        assert!(of(&[(1.5, 3, 1)]).is_err() && of(&[(0.5, 3, 4)]).is_err());
    }
}

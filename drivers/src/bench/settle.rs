//! When a temperature counts as reached: band, dwell, slope.

use plans::bench_file::Settle;
use plans::units::{Celsius, Seconds};
use std::collections::VecDeque;

/// What the readings so far say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum State {
    /// Not yet.
    Waiting,
    /// Steady, but this far (reading - level, K) outside the band.
    SteadyOutside(f64),
    /// Reached.
    Settled,
}

/// Readings of one settling.
#[derive(Debug, Clone)]
pub struct Settling {
    rule: Settle,
    level: Celsius,
    readings: VecDeque<(f64, f64)>,
}

impl Settling {
    /// Settling to a level.
    pub fn new(rule: Settle, level: Celsius) -> Settling {
        Settling { rule, level, readings: VecDeque::new() }
    }

    /// Forgets the readings, for a set point that was moved.
    pub fn again(&mut self) {
        self.readings.clear();
    }

    /// Adds a reading at a bench time.
    pub fn add(&mut self, at: Seconds, reading: Celsius) -> State {
        self.readings.push_back((at.0, reading.0));
        // One reading older than the dwell is kept, so that the window spans it whole.
        while self.readings.len() > 2 && self.readings[1].0 <= at.0 - self.rule.dwell_s {
            self.readings.pop_front();
        }
        let Some((first, _)) = self.readings.front() else { return State::Waiting };
        if at.0 - first < self.rule.dwell_s || self.readings.len() < 3 {
            return State::Waiting;
        }
        let steady = self.slope_k_per_min().abs() <= self.rule.slope_k_per_min;
        let inside =
            self.readings.iter().all(|(_, reading)| (reading - self.level.0).abs() <= self.rule.band.0);
        let mean = self.readings.iter().map(|(_, reading)| reading).sum::<f64>() / self.readings.len() as f64;
        match (steady, inside) {
            (true, true) => State::Settled,
            (true, false) if (mean - self.level.0).abs() > 0.5 * self.rule.band.0 => {
                State::SteadyOutside(mean - self.level.0)
            }
            _ => State::Waiting,
        }
    }

    /// Least-squares slope over the window: noise of single readings does not decide.
    fn slope_k_per_min(&self) -> f64 {
        let n = self.readings.len() as f64;
        let (mean_t, mean_x) =
            self.readings.iter().fold((0.0, 0.0), |(t, x), (at, reading)| (t + at / n, x + reading / n));
        let (mut up, mut down) = (0.0, 0.0);
        for (at, reading) in &self.readings {
            up += (at - mean_t) * (reading - mean_x);
            down += (at - mean_t) * (at - mean_t);
        }
        if down > 0.0 { 60.0 * up / down } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plans::units::Kelvin;

    fn rule() -> Settle {
        Settle { band: Kelvin(1.0), dwell_s: 60.0, slope_k_per_min: 0.5, time_out_s: 3600.0, poll_s: 5.0 }
    }

    /// A first-order approach with time constant 60 s and 1 K left at t = 245 s (60 ln 60): settled only a dwell later.
    #[test]
    fn a_slow_approach_settles_a_dwell_after_it_entered_the_band() {
        let mut settling = Settling::new(rule(), Celsius(85.0));
        for step in 0..200 {
            let t = f64::from(step) * 5.0;
            let reading = 85.0 - 60.0 * (-t / 60.0).exp();
            if settling.add(Seconds(t), Celsius(reading)) == State::Settled {
                assert!((305.0..=330.0).contains(&t), "{t}");
                return;
            }
        }
        panic!("never settled");
    }

    #[test]
    fn an_overshoot_through_the_band_is_not_settled() {
        let mut settling = Settling::new(rule(), Celsius(85.0));
        for step in 0..60 {
            let t = f64::from(step) * 5.0;
            // Crosses the band at 1.2 K/min, never staying.
            let state = settling.add(Seconds(t), Celsius(82.0 + 0.02 * t));
            assert_ne!(state, State::Settled, "{t}");
        }
    }

    #[test]
    fn a_steady_offset_is_told_apart() {
        let mut settling = Settling::new(rule(), Celsius(85.0));
        let mut last = State::Waiting;
        for step in 0..20 {
            last = settling.add(Seconds(f64::from(step) * 5.0), Celsius(88.0));
        }
        assert_eq!(last, State::SteadyOutside(3.0));
    }
}

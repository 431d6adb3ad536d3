//! When a temperature counts as reached: band, dwell, slope.

use nightbench_core::units::{Celsius, Seconds};
use plan::bench_file::Settle;
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

/// Time over which the change of a temperature is looked at, s.
const RAMP_WINDOW_S: f64 = 120.0;
/// What a powered device adds by its own warmth, and a reading by its noise, K. Common practice, no source.
const RAMP_ALLOWANCE_K: f64 = 5.0;
/// Share above the ramp limit that is still the controller's. Common practice, no source.
const RAMP_MARGIN: f64 = 0.2;

/// A change of temperature that was too fast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TooFast {
    /// By how much it changed, K.
    pub kelvin: f64,
    /// Within which time, s.
    pub seconds: f64,
}

/// Watches how fast a temperature changes on the way to a level.
#[derive(Debug, Clone)]
pub struct RampWatch {
    limit_k_per_min: f64,
    readings: VecDeque<(f64, f64)>,
}

impl RampWatch {
    /// With the fastest change allowed, K/min.
    pub fn new(limit_k_per_min: f64) -> RampWatch {
        RampWatch { limit_k_per_min, readings: VecDeque::new() }
    }

    /// Adds a reading at a bench time; tells a change beyond the limit since any reading of the last two minutes.
    pub fn add(&mut self, at: Seconds, reading: Celsius) -> Option<TooFast> {
        while self.readings.front().is_some_and(|(first, _)| at.0 - first > RAMP_WINDOW_S) {
            self.readings.pop_front();
        }
        let per_s = (1.0 + RAMP_MARGIN) * self.limit_k_per_min / 60.0;
        let found = self
            .readings
            .iter()
            .map(|(since, before)| TooFast { kelvin: reading.0 - before, seconds: at.0 - since })
            .find(|change| change.kelvin.abs() > per_s * change.seconds + RAMP_ALLOWANCE_K);
        self.readings.push_back((at.0, reading.0));
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::units::Kelvin;

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
    fn a_ramp_within_its_limit_is_quiet_and_a_fast_one_is_told_soon() {
        // 10 K/min allowed: 12 K/min with 0.1 K of noise and 3 K of the device's own warmth stays quiet.
        let mut ramp = RampWatch::new(10.0);
        for step in 0..300u32 {
            let t = f64::from(step) * 2.0;
            let own = 3.0 * (1.0 - (-t / 25.0).exp());
            let noise = if step % 2 == 0 { 0.1 } else { -0.1 };
            assert_eq!(ramp.add(Seconds(t), Celsius(23.0 + 0.2 * t + own + noise)), None, "{t}");
        }
        // 60 K/min: told when 60 t > 12 t + 5 K, t = 6.3 s.
        let mut ramp = RampWatch::new(10.0);
        let told = (0..30).find(|step| {
            let t = f64::from(*step) * 2.0;
            ramp.add(Seconds(t), Celsius(23.0 - t)).is_some()
        });
        assert_eq!(told, Some(4));
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

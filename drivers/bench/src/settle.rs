//! When a temperature counts as reached: band, dwell, slope.

use nightbench_core::units::{Celsius, Seconds};
use plan::bench_file::Settle;
use std::collections::VecDeque;

/// What the readings so far say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum State {
    /// Not yet.
    Waiting,
    /// Reached.
    Settled,
}

/// Largest mean deviation of a settled level, as a share of the band. Common practice, no source.
const CENTRED_SHARE: f64 = 0.7;

/// Readings of one settling.
#[derive(Debug, Clone)]
pub struct Settling {
    rule: Settle,
    level: Celsius,
    readings: VecDeque<(f64, f64)>,
}

impl Settling {
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
        // One reading older than the dwell is kept, so that the window spans it whole; three at least.
        while self.readings.len() > 3 && self.readings[1].0 <= at.0 - self.rule.dwell_s {
            self.readings.pop_front();
        }
        let Some((first, _)) = self.readings.front() else { return State::Waiting };
        if at.0 - first < self.rule.dwell_s || self.readings.len() < 3 {
            return State::Waiting;
        }
        let steady = self.slope_k_per_min().abs() <= self.rule.slope_k_per_min;
        let inside =
            self.readings.iter().all(|(_, reading)| (reading - self.level.0).abs() <= self.rule.band.0);
        // What is steady at the border of the band leaves it by its noise alone: a trim comes first.
        let off = self.readings.iter().map(|(_, reading)| reading - self.level.0);
        let centred =
            (off.sum::<f64>() / self.readings.len() as f64).abs() <= CENTRED_SHARE * self.rule.band.0;
        if steady && inside && centred { State::Settled } else { State::Waiting }
    }

    fn slope_k_per_min(&self) -> f64 {
        60.0 * line(self.readings.iter().copied()).1
    }
}

/// Least squares over (time, value): the value at the last time, and the slope a second. Noise of single readings does not
/// decide.
fn line(readings: impl ExactSizeIterator<Item = (f64, f64)> + Clone) -> (f64, f64) {
    let n = readings.len() as f64;
    let (mean_t, mean_x) =
        readings.clone().fold((0.0, 0.0), |(t, x), (at, reading)| (t + at / n, x + reading / n));
    let (mut up, mut down, mut last) = (0.0, 0.0, mean_t);
    for (at, reading) in readings {
        up += (at - mean_t) * (reading - mean_x);
        down += (at - mean_t) * (at - mean_t);
        last = at;
    }
    let slope = if down > 0.0 { up / down } else { 0.0 };
    (mean_x + slope * (last - mean_t), slope)
}

/// Air that is this near to its set point has arrived, K. Common practice, no source.
const AIR_ARRIVED_K: f64 = 3.0;
/// Time constant of a device that did not move enough to tell, s. Common practice, no source.
const UNKNOWN_S: f64 = 300.0;
/// Longest stretch that is looked at before a trim, s.
const LONGEST_S: f64 = 1800.0;
/// Dwells that are looked at before a trim.
const WINDOW_DWELLS: f64 = 3.0;
/// Largest step of a trim, K.
pub const TRIM_STEP_K: f64 = 3.0;

/// Decides when the chamber's set point is trimmed: only when the air is at its set point and still, and by where the device
/// will arrive, never by where it has not yet arrived.
#[derive(Debug, Clone)]
pub struct Trimming {
    rule: Settle,
    level: Celsius,
    /// Time, device, air.
    readings: VecDeque<(f64, f64, f64)>,
    not_before_s: f64,
}

impl Trimming {
    pub fn new(rule: Settle, level: Celsius) -> Trimming {
        Trimming { rule, level, readings: VecDeque::new(), not_before_s: f64::NEG_INFINITY }
    }

    /// Adds the readings of a poll with the set point that holds and the device's time constant, where it is known; a step of
    /// the set point, K, where one is due.
    pub fn add(
        &mut self,
        at: Seconds,
        (device, air): (Celsius, Celsius),
        set_point: Celsius,
        time_constant_s: Option<f64>,
    ) -> Option<f64> {
        // The device needs its time to answer a step, and what it shows meanwhile is no line; looking sooner would add up steps.
        if (air - set_point).0.abs() > AIR_ARRIVED_K || at.0 < self.not_before_s {
            self.readings.clear();
            return None;
        }
        let tau = time_constant_s.unwrap_or(UNKNOWN_S);
        // Long enough that a swing of the chamber averages out.
        let shortest = WINDOW_DWELLS * self.rule.dwell_s;
        let window = (0.25 * tau).max(shortest).min(LONGEST_S.max(shortest));
        self.readings.push_back((at.0, device.0, air.0));
        while self.readings.len() > 3 && self.readings[1].0 <= at.0 - window {
            self.readings.pop_front();
        }
        let first = self.readings.front().map_or(at.0, |(first, ..)| *first);
        if at.0 - first < window || self.readings.len() < 3 {
            return None;
        }
        // At its turning point a chamber that swings stands still for a while.
        let airs = self.readings.iter().map(|(.., air)| *air);
        let spread = airs.clone().fold(f64::MIN, f64::max) - airs.fold(f64::MAX, f64::min);
        let (_, air_slope) = line(self.readings.iter().map(|(t, _, air)| (*t, *air)));
        if (60.0 * air_slope).abs() > self.rule.slope_k_per_min || spread > 2.0 * self.rule.band.0 {
            return None;
        }
        let (end, slope) = line(self.readings.iter().map(|(t, device, _)| (*t, *device)));
        // A device much faster than that has arrived, and its slope is the chamber's swing.
        let fast = tau < self.rule.dwell_s;
        let mean =
            self.readings.iter().map(|(_, device, _)| device).sum::<f64>() / self.readings.len() as f64;
        let (now, slope) = if fast { (mean, 0.0) } else { (end, slope) };
        let (still_to_go, half_band) = (slope * tau, 0.5 * self.rule.band.0);
        let off = now + still_to_go - self.level.0;
        // Where it will arrive is only known once most of the way is behind it.
        let known = still_to_go.abs() <= off.abs().max(half_band);
        if !known || off.abs() <= half_band || (now - self.level.0).abs() <= half_band {
            return None;
        }
        self.not_before_s = at.0 + tau.max(self.rule.dwell_s);
        self.readings.clear();
        Some((-off).clamp(-TRIM_STEP_K, TRIM_STEP_K))
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

    /// A device that follows its chamber with time constant `tau` and ends `offset` K beside the air.
    fn trimmed(tau: f64, offset: f64, known: Option<f64>) -> (f64, f64, u32) {
        let level = Celsius(85.0);
        let mut trimming = Trimming::new(rule(), level);
        let (mut set, mut device, mut highest, mut trims) = (85.0, 23.0f64, 85.0f64, 0);
        for step in 0..4000 {
            let t = f64::from(step) * 5.0;
            let air = (23.0 + 0.05 * t).min(set);
            device += (air + offset - device) * (1.0 - (-5.0 / tau).exp());
            let noise = if step % 2 == 0 { 0.05 } else { -0.05 };
            let readings = (Celsius(device + noise), Celsius(air));
            if let Some(step) = trimming.add(Seconds(t), readings, Celsius(set), known) {
                assert!(step.abs() <= TRIM_STEP_K);
                set += step;
                trims += 1;
            }
            highest = highest.max(set);
        }
        (device, highest, trims)
    }

    #[test]
    fn a_steady_offset_is_trimmed_and_a_slow_device_is_waited_for() {
        for tau in [25.0, 300.0, 900.0] {
            // Nothing to trim: the set point never leaves the level by more than noise makes of it.
            let (device, highest, _) = trimmed(tau, 0.0, Some(tau));
            assert!((device - 85.0).abs() < 1.0 && highest < 86.5, "{tau}: {device}, {highest}");
            for offset in [-4.0, 3.0] {
                let (device, highest, trims) = trimmed(tau, offset, Some(tau));
                assert!((device - 85.0).abs() < 1.0, "{tau}, {offset}: {device}");
                assert!(
                    highest < 85.0 + (-offset).max(0.0) + 1.5 && trims < 8,
                    "{tau}, {offset}: {highest}, {trims}"
                );
            }
        }
        // A time constant that is told a third too short or too long still ends there.
        for told in [600.0, 1200.0] {
            let (device, highest, _) = trimmed(900.0, -4.0, Some(told));
            assert!((device - 85.0).abs() < 1.5 && highest < 95.0, "{told}: {device}, {highest}");
        }
    }

    /// A chamber of second order, damping 0.25, that swings anew at every step of its set point.
    #[test]
    fn a_chamber_that_swings_is_trimmed_once_it_is_calm() {
        let mut trimming = Trimming::new(rule(), Celsius(85.0));
        let (mut set, mut air, mut speed, mut device, mut trims) = (85.0, 23.0, 0.0f64, 23.0f64, 0);
        let w = std::f64::consts::TAU / 200.0;
        for step in 0..4000 {
            speed = (speed + (w * w * (set - air) - 0.5 * w * speed) * 1.0).clamp(-0.33, 0.33);
            air += speed;
            device += (air + 3.0 - device) * (1.0 - (-1.0f64 / 25.0).exp());
            if step % 5 == 0 {
                let readings = (Celsius(device), Celsius(air));
                if let Some(by) = trimming.add(Seconds(f64::from(step)), readings, Celsius(set), Some(25.0)) {
                    set += by;
                    trims += 1;
                }
            }
        }
        assert!((device - 85.0).abs() < 1.0 && trims <= 6, "{device}, {trims}");
    }

    #[test]
    fn air_that_swings_or_is_elsewhere_is_not_trimmed() {
        let mut trimming = Trimming::new(rule(), Celsius(85.0));
        for step in 0..2000 {
            let t = f64::from(step) * 5.0;
            let air = 85.0 + 6.0 * (t / 40.0).sin();
            let moved = trimming.add(Seconds(t), (Celsius(80.0), Celsius(air)), Celsius(85.0), Some(25.0));
            assert_eq!(moved, None, "{t}");
        }
    }
}

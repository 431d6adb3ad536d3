//! Temperatures held against each other: a sensor that contradicts another, how slowly the device follows the air, and when
//! hands may believe what the sensors say.
//!
//! A body in the air follows dT/dt = (air - T) / tau. So over any stretch of time the device must have moved by the integral
//! of (air - device) divided by its time constant, and nothing on a bench is slower than [`SLOWEST_S`].

use nightbench_core::devices::ControlPoint;

/// Slowest device in the air of a chamber, s. Common practice, no source.
pub const SLOWEST_S: f64 = 3600.0;
/// Differences up to this are no flow of heat to count on: own warmth, gradients, calibration. Common practice, no source.
const DEAD_BAND_K: f64 = 10.0;
/// A device counts as not moving while it moved less than expected by more than this, K.
const ALLOWANCE_K: f64 = 3.0;
/// What a device differs from the air by its own warmth and losses, K. Common practice, no source.
const OWN_WARMTH_K: f64 = 4.0;
/// Two sensors of the same body may differ by this, K. Common practice, no source.
const SAME_BODY_K: f64 = 30.0;
/// Air may be this far beyond a set point, K, on the side away from ambient. Common practice, no source.
const BEYOND_SET_POINT_K: f64 = 15.0;
/// Time constant of a body whose own is not known, s. Common practice, no source.
const UNKNOWN_S: f64 = 300.0;
/// A sensor does not pass the air by more than this between two polls, K: the heat of a chip's own work comes and goes at once.
/// Common practice, no source.
const JUMP_K: f64 = 40.0;
/// Longest time between two polls over which a movement is followed, s.
const LONGEST_GAP_S: f64 = 300.0;
/// Middle of what hands touch without harm, degC.
const HAND_WARM_C: f64 = 29.0;
/// Hands wait for a body slower than the device by this factor: its time constant is an estimate, other parts are heavier. Common
/// practice, no source.
const CAREFUL: f64 = 1.5;
/// A device whose time constant is to be known must have moved by this, K.
const ENOUGH_K: f64 = 5.0;

#[derive(Debug, Clone, PartialEq)]
pub struct SensorReading {
    /// What it measures.
    pub point: ControlPoint,
    /// Its name for a person.
    pub name: String,
    /// Value, degC.
    pub degc: f64,
}

/// How one device sensor moved against the air.
#[derive(Debug, Clone, Copy, Default)]
struct Follow {
    last: f64,
    /// Integral of what the air should have moved it by, K s, and by how much it did move, K.
    owed_k_s: f64,
    moved_k: f64,
    /// The same with a narrower dead band, for the time constant.
    driven_k_s: f64,
    driven_k: f64,
}

/// Everything known about the temperatures so far.
#[derive(Debug, Clone, Default)]
pub struct CrossCheck {
    last_s: Option<f64>,
    follows: Vec<(String, Follow)>,
    /// Lowest and highest air on the way to the set point.
    way: Option<(f64, f64)>,
    last_air: Option<f64>,
    /// A body that took the air's temperature at once and gives it back with the device's time constant.
    body: Option<f64>,
    time_constant_s: Option<f64>,
    /// Time constant of the slowest part in reach, where somebody said so, s.
    slowest_s: Option<f64>,
}

impl CrossCheck {
    /// With the time constant of the slowest part in reach, where it is known, s.
    pub fn with_slowest(slowest_s: Option<f64>) -> CrossCheck {
        CrossCheck { slowest_s, ..CrossCheck::default() }
    }

    /// Adds the readings of one poll, taken at a bench time. `set_point`: where the chamber drives the air, and the room,
    /// degC. Tells the first contradiction.
    pub fn add(
        &mut self,
        now_s: f64,
        readings: &[SensorReading],
        set_point: Option<(f64, f64)>,
    ) -> Result<(), String> {
        let of = |device: bool| readings.iter().filter(move |one| (one.point != ControlPoint::Air) == device);
        for device in [true, false] {
            let low = of(device).min_by(|a, b| a.degc.total_cmp(&b.degc));
            let high = of(device).max_by(|a, b| a.degc.total_cmp(&b.degc));
            if let (Some(low), Some(high)) = (low, high)
                && high.degc - low.degc > SAME_BODY_K
            {
                return Err(format!(
                    "sensors contradict each other: {} reads {:.1} degC, {} reads {:.1} degC, {SAME_BODY_K} K apart at \
                     most",
                    low.name, low.degc, high.name, high.degc
                ));
            }
        }
        let count = of(false).count() as f64;
        if count == 0.0 {
            return Ok(());
        }
        let air = of(false).map(|one| one.degc).sum::<f64>() / count;
        if let Some((set, room)) = set_point {
            // What was left hot or cold may come back; what goes further away was not asked to.
            let (low, high) = self.way.unwrap_or((air, air));
            let way = (set.min(room).min(low.max(air)), set.max(room).max(high.min(air)));
            self.way = Some(way);
            if air > way.1 + BEYOND_SET_POINT_K || air < way.0 - BEYOND_SET_POINT_K {
                return Err(format!(
                    "the chamber does not follow its set point: the air is at {air:.1} degC, {set:.1} degC was set"
                ));
            }
        }
        let dt = self.last_s.map_or(0.0, |last| (now_s - last).max(0.0));
        self.last_s = Some(now_s);
        self.follow_body(air, dt);
        for one in of(true) {
            self.follow(one, air, dt)?;
        }
        Ok(())
    }

    fn follow(&mut self, one: &SensorReading, air: f64, dt: f64) -> Result<(), String> {
        let Some(at) = self.follows.iter().position(|(name, _)| *name == one.name) else {
            self.follows.push((one.name.clone(), Follow { last: one.degc, ..Follow::default() }));
            return Ok(());
        };
        let follow = &mut self.follows[at].1;
        let away = air - follow.last;
        let sign = away.signum();
        if dt > LONGEST_GAP_S {
            // What the air did meanwhile is not known.
            *follow = Follow { last: one.degc, ..Follow::default() };
            return Ok(());
        }
        let jump = one.degc - follow.last;
        if jump.abs() > away.abs() + JUMP_K {
            return Err(format!(
                "sensors contradict each other: {} jumps from {:.1} to {:.1} degC with the air at {air:.1} degC",
                one.name, follow.last, one.degc
            ));
        }
        let owed = (away.abs() - DEAD_BAND_K).max(0.0) * sign * dt;
        if owed == 0.0 || owed * follow.owed_k_s < 0.0 {
            // Near the air, or the air turned round: what was owed before is settled.
            (follow.owed_k_s, follow.moved_k) = (0.0, 0.0);
        } else {
            follow.moved_k += jump;
        }
        follow.owed_k_s += owed;
        let driven =
            if away.abs() > OWN_WARMTH_K { (away.abs() - 0.5 * OWN_WARMTH_K) * sign * dt } else { 0.0 };
        if driven * follow.driven_k_s < 0.0 {
            (follow.driven_k_s, follow.driven_k) = (0.0, 0.0);
        }
        // A body does not pass the air: such a step teaches nothing.
        if driven != 0.0 && jump.abs() <= away.abs() + OWN_WARMTH_K {
            follow.driven_k_s += driven;
            follow.driven_k += jump;
        }
        let (driven_k_s, driven_k) = (follow.driven_k_s.abs(), follow.driven_k * follow.driven_k_s.signum());
        follow.last = one.degc;
        let expected = follow.owed_k_s.abs() / SLOWEST_S;
        let moved = follow.moved_k * follow.owed_k_s.signum();
        let contradicts = expected - moved > ALLOWANCE_K;
        if driven_k > ENOUGH_K {
            self.time_constant_s = Some((driven_k_s / driven_k).clamp(1.0, SLOWEST_S));
        }
        if contradicts {
            return Err(format!(
                "sensors contradict each other: the air is at {air:.1} degC, but {} stays at {:.1} degC: dead, stuck or \
                 not attached",
                one.name, one.degc
            ));
        }
        Ok(())
    }

    fn follow_body(&mut self, air: f64, dt: f64) {
        let before = self.body.unwrap_or(air);
        // Between two polls the air may have stayed where it was.
        let since = self.last_air.replace(air).unwrap_or(air);
        let estimated = CAREFUL * self.time_constant_s.unwrap_or(UNKNOWN_S);
        let tau = self.slowest_s.map_or(estimated, |slowest| slowest.max(estimated));
        let away = |degc: f64| (degc - HAND_WARM_C).abs();
        let felt = if away(since) > away(air) { since } else { air };
        let after = before + (felt - before) * (1.0 - (-dt / tau).exp());
        // Heat and cold go in as fast as the air brings them, and come out slowly.
        self.body = Some(if away(air) > away(before) { air } else { after });
    }

    /// The device's time constant, where it moved enough to be known, s.
    pub fn time_constant_s(&self) -> Option<f64> {
        self.time_constant_s
    }

    /// Where a body that saw this air may still be, degC; `None` where no air is measured.
    pub fn body(&self) -> Option<f64> {
        self.body
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(chip: f64, air: f64) -> [SensorReading; 2] {
        [
            SensorReading { point: ControlPoint::Chip, name: "chip".into(), degc: chip },
            SensorReading { point: ControlPoint::Air, name: "chamber".into(), degc: air },
        ]
    }

    /// The air ramps by 3 K/min from 23 to 85 degC; what the chip's sensor tells is given by the true device.
    fn ramp(tau: f64, tells: impl Fn(f64) -> f64) -> (Option<f64>, CrossCheck) {
        let mut check = CrossCheck::default();
        let mut device: f64 = 23.0;
        for step in 0..2000 {
            let now = f64::from(step) * 4.0;
            let air = (23.0 + now * 0.05).min(85.0);
            device += (air + 3.0 - device) * (1.0 - (-4.0 / tau).exp());
            if check.add(now, &readings(tells(device), air), Some((85.0, 23.0))).is_err() {
                return (Some(now), check);
            }
        }
        (None, check)
    }

    #[test]
    fn a_true_sensor_is_quiet_however_slow_the_device() {
        for tau in [5.0, 25.0, 300.0, 900.0, 2500.0] {
            let (alarm, check) = ramp(tau, |device| device);
            assert_eq!(alarm, None, "{tau}");
            if tau >= 300.0 {
                // The way began at 23 degC with the device's own warmth against it.
                let known = check.time_constant_s().expect("it moved enough");
                assert!((0.4 * tau..1.2 * tau).contains(&known), "{tau}: {known}");
            }
        }
    }

    #[test]
    fn a_sensor_that_does_not_move_is_told_before_the_air_is_far() {
        for still in [25.0, 23.0, -5.0] {
            let (alarm, _) = ramp(25.0, |_| still);
            let at = alarm.unwrap_or_else(|| panic!("{still}: no alarm"));
            // 3 K/min: the air is 85 degC after 1240 s.
            assert!(at < 1000.0, "{still}: {at}");
        }
        // One that is stuck hot is told while the device stays cool.
        let mut check = CrossCheck::default();
        let told = (0..1000).find(|step| {
            check.add(f64::from(*step) * 4.0, &readings(85.0, 23.0), Some((25.0, 23.0))).is_err()
        });
        assert!(told.is_some_and(|step| step < 100), "{told:?}");
    }

    #[test]
    fn a_sensor_that_jumps_is_told_and_teaches_nothing() {
        let mut check = CrossCheck::default();
        for step in 0..20 {
            check.add(f64::from(step) * 4.0, &readings(85.0, 85.0), None).unwrap();
        }
        assert!(check.clone().add(84.0, &readings(25.0, 80.0), None).is_err());
        // The chip's own work ends: 30 K at once are no alarm, and no time constant either.
        check.add(84.0, &readings(55.0, 80.0), None).unwrap();
        assert_eq!(check.time_constant_s(), None);
    }

    #[test]
    fn an_offset_that_stays_is_no_contradiction() {
        let mut check = CrossCheck::default();
        for step in 0..20_000 {
            check.add(f64::from(step) * 4.0, &readings(94.0, 85.0), Some((85.0, 23.0))).unwrap();
        }
    }

    #[test]
    fn a_chamber_that_runs_away_is_told_by_its_own_sensor() {
        let mut check = CrossCheck::default();
        let told = (0..200).find(|step| {
            let air = 23.0 + f64::from(*step);
            check.add(f64::from(*step), &readings(air - 5.0, air), Some((60.0, 23.0))).is_err()
        });
        assert_eq!(told, Some(53), "15 K beyond 60 degC");
        // On the way back to ambient from a hot level nothing runs away.
        let mut check = CrossCheck::default();
        for step in 0..100 {
            let air = 99.0 - f64::from(step) * 0.5;
            check.add(f64::from(step) * 2.0, &readings(air, air), Some((23.0, 23.0))).unwrap();
        }
    }

    /// A heat sink of 900 s beside a chip of 25 s: its own time constant, where it is declared, keeps hands away.
    #[test]
    fn a_slow_part_that_was_declared_is_waited_for() {
        for (declared, enough) in [(None, false), (Some(900.0), true)] {
            let mut check = CrossCheck::with_slowest(declared);
            let (mut chip, mut sink) = (23.0f64, 23.0f64);
            let mut poll = |now: f64, air: f64, check: &mut CrossCheck| {
                chip += (air - chip) * (1.0 - (-10.0f64 / 25.0).exp());
                sink += (air - sink) * (1.0 - (-10.0f64 / 900.0).exp());
                check.add(now, &readings(chip, air), None).unwrap();
                sink
            };
            let mut now = 0.0;
            for step in 0..500 {
                now += 10.0;
                poll(now, (23.0 + f64::from(step)).min(85.0), &mut check);
            }
            let mut hot = 85.0;
            while check.body().unwrap() > 43.0 {
                now += 10.0;
                hot = poll(now, 25.0, &mut check);
            }
            assert_eq!(hot <= 43.0, enough, "{declared:?}: the sink is at {hot:.1} degC");
        }
    }

    #[test]
    fn a_body_stays_hot_after_the_air_has_cooled() {
        let mut check = CrossCheck::default();
        let (tau, mut device, mut now): (f64, f64, f64) = (300.0, 85.0, 0.0);
        let mut poll = |air: f64, check: &mut CrossCheck| {
            now += 10.0;
            device += (air - device) * (1.0 - (-10.0 / tau).exp());
            check.add(now, &readings(device, air), None).unwrap();
            (now, device)
        };
        for _ in 0..50 {
            poll(85.0, &mut check);
        }
        let (begin, _) = poll(25.0, &mut check);
        assert!(check.body().unwrap() > 80.0);
        // 85 to 40 degC in air of 25 degC is ln 4 = 1.4 time constants.
        let mut last = (begin, 85.0);
        while check.body().unwrap() > 40.0 {
            last = poll(25.0, &mut check);
        }
        assert!((400.0..900.0).contains(&(last.0 - begin)), "{last:?}");
        assert!(last.1 < 43.0, "{last:?}");
    }
}

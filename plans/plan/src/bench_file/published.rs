//! A bench's own limits held against what is published of the parts on it: figures that protect nothing are refused, doubtful ones told.

use super::{Action, BenchFile};
use nightbench_core::rates::Generation;
use nightbench_core::units::{Celsius, Volts};

/// No packaged memory or test chip is meant for more, degC: the highest ambient of any automotive grade. Source: AEC-Q100 grade 0, from
/// memory.
pub(super) const HOTTEST_DEVICE_C: f64 = 150.0;
/// Highest operating temperature of graded memory, degC. Source: AEC-Q100 grade 1, from memory.
const HOTTEST_GRADED_C: f64 = 125.0;
/// Coldest storage temperature, degC. Source: absolute maximum ratings of DDR4 datasheets (JESD79-4).
const COLDEST_STORED_C: f64 = -55.0;
/// What a device may go beyond its level on the way there, K: its own warmth, and a controller that overshoots. Common practice, no
/// source.
const OVERSHOOT_K: f64 = 4.0;

/// Absolute maximum of a rail that a plan sets, of one generation or of any; `None` for other rails.
pub(super) fn absolute_maximum(rail: &str, generation: Option<Generation>) -> Option<Volts> {
    let known = Generation::ALL.into_iter().filter(|(_, one)| generation.is_none_or(|wanted| wanted == *one));
    let rails = known.flat_map(|(_, generation)| generation.facts().rails);
    let of_rail =
        rails.filter(|facts| facts.rail.name() == rail).map(|facts| Volts(facts.absolute_maximum_v));
    of_rail.max_by(|a, b| a.0.total_cmp(&b.0))
}

impl BenchFile {
    /// Limits beyond the absolute maximum ratings of a generation, in words.
    pub fn beyond_ratings(&self, generation: Generation) -> Vec<String> {
        self.rail_limits()
            .filter_map(|(name, high, _)| {
                let most = absolute_maximum(name, Some(generation)).filter(|most| high.0 > most.0)?;
                Some(format!(
                    "the bench allows {name} up to {high}, the absolute maximum rating of {generation} is {most}: beyond it parts are \
                     damaged. Lower `high_v` of the rail, or narrow it in the plan's [bench_limits]"
                ))
            })
            .collect()
    }

    /// What is allowed and hardly meant, in words, for a generation where it is known and the temperatures that a plan asks for.
    pub fn doubts(&self, generation: Option<Generation>, levels: &[Celsius]) -> Vec<String> {
        let mut doubts = Vec::new();
        for (name, _, over) in self.rail_limits() {
            let Some(most) = absolute_maximum(name, generation).filter(|most| over.0 > most.0) else {
                continue;
            };
            doubts.push(format!(
                "the over-voltage protection of {name} at {over} acts only beyond the absolute maximum rating, {most}: lower \
                 `over_voltage_v` (and `high_v` with it)"
            ));
        }
        for one in &self.instruments {
            let profile = &one.profile;
            let chosen = self.rails.iter().any(|rail| rail.supply == one.name && rail.channel.is_some());
            if chosen
                && profile.needs_select(Action::SetVoltage)
                && !profile.templates.contains_key(&Action::Selected)
            {
                doubts.push(format!(
                    "nothing tells which channel of `{}` is chosen: a choice that is not heard sends what is meant for one rail to \
                     another. Add `selected`, or `{{channel}}` to every template of the profile `{}`",
                    one.name, profile.name
                ));
            }
        }
        let (low, high) = (self.limits.device_low, self.limits.device_high);
        if high.0 > HOTTEST_GRADED_C {
            doubts.push(format!(
                "`device_high_degc` {high} is beyond {}, the highest operating temperature that memory is graded for (AEC-Q100 grade \
                 1); is every part on the board meant for it?",
                Celsius(HOTTEST_GRADED_C)
            ));
        }
        if low.0 < COLDEST_STORED_C {
            doubts.push(format!(
                "`device_low_degc` {low} is below {}, the coldest storage temperature of DDR4 datasheets",
                Celsius(COLDEST_STORED_C)
            ));
        }
        let mut levels = levels.to_vec();
        levels.sort_by(|a, b| a.0.total_cmp(&b.0));
        levels.dedup();
        doubts.extend(levels.into_iter().filter_map(|level| self.too_near(level)));
        doubts
    }

    /// A level from which an overshoot ends in an alarm.
    fn too_near(&self, level: Celsius) -> Option<String> {
        let limits = &self.limits;
        let ambient = self.room.temperature.0;
        let (what, limit, key, other) = if level.0 > ambient {
            ("highest", limits.device_high, "device_high_degc", -1.0)
        } else {
            ("lowest", limits.device_low, "device_low_degc", 1.0)
        };
        let (room, band) = ((limit.0 - level.0) * -other, self.settle.band.0);
        let needed = band + OVERSHOOT_K;
        (0.0..needed).contains(&room).then(|| {
            format!(
                "the level {level} lies {room:.1} K from the device's {what} temperature, {limit}: a device goes beyond its level on the \
                 way (own warmth and overshoot, about {OVERSHOOT_K} K), which ends in an alarm that latches. Keep {needed} K of room \
                 (band {band} K + overshoot): ask for {}, or set `{key}` to {} where the device may have it",
                Celsius(limit.0 + other * needed),
                Celsius(level.0 - other * needed)
            )
        })
    }

    /// Every rail with its highest voltage and its protection.
    fn rail_limits(&self) -> impl Iterator<Item = (&str, Volts, Volts)> {
        let own = self.rails.iter().map(|rail| (rail.name.as_str(), rail.high, rail.over_voltage));
        own.chain(self.device_rails.iter().map(|rail| (rail.name.as_str(), rail.high, rail.over_voltage)))
    }
}

//! What a plan narrows of a bench's limits: `[bench_limits]`. It may stay within what the bench file allows, never go beyond.

use super::BenchFile;
use crate::expand::Condition;
use crate::plan::Plan;
use crate::section::{Mistake, Section};
use nightbench_core::generations::Rail;
use nightbench_core::units::{Celsius, Volts};
use std::ops::Range;

/// How a module is known to be the one that the plan names, from the loosest to the closest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum KnownBy {
    /// By the word of whoever mounted it.
    #[default]
    Nothing,
    /// By the serial number that the agent reads.
    Serial,
    /// By its SPD content: kind, ranks, width, dies, rate and serial number.
    Spd,
}

impl KnownBy {
    /// Every way with its word.
    pub const ALL: [(&'static str, KnownBy); 3] =
        [("nothing", KnownBy::Nothing), ("serial", KnownBy::Serial), ("SPD", KnownBy::Spd)];

    /// The word of a plan or bench file.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// `[bench_limits]` of a plan; what is left out stays as the bench file has it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BenchLimits {
    /// Lowest device temperature.
    pub device_low: Option<Celsius>,
    /// Highest device temperature.
    pub device_high: Option<Celsius>,
    /// Rails by name with their lowest and highest voltage.
    pub rails: Vec<(&'static str, Volts, Volts)>,
    /// Longest unattended run, hours of bench time.
    pub most_hours: Option<f64>,
    /// Faulted jobs in a row after which the run ends.
    pub most_consecutive_faults: Option<u32>,
    /// How closely a module must be identified to be measured.
    pub modules_known_by: Option<KnownBy>,
    /// Where each key of a temperature or rail stands in the plan's text.
    pub places: Vec<(&'static str, Range<usize>)>,
}

impl BenchLimits {
    /// Reads `[bench_limits]`; mistakes go to the section.
    pub fn read(section: Option<Section<'_>>) -> BenchLimits {
        let mut limits = BenchLimits::default();
        let Some(section) = section else { return limits };
        limits.device_low = section.number("device_low_degc", -100.0..=200.0, "degC").map(Celsius);
        limits.device_high = section.number("device_high_degc", -100.0..=200.0, "degC").map(Celsius);
        if let (Some(low), Some(high)) = (limits.device_low, limits.device_high)
            && low.0 >= high.0
        {
            section.mistake(
                "device_low_degc",
                format!("`device_low_degc` {low} in [bench_limits] is not below `device_high_degc` {high}"),
                "exchange them",
            );
        }
        let keys =
            ["device_low_degc", "device_high_degc"].into_iter().chain(Rail::ALL.map(|(_, key, _)| key));
        limits.places = keys.map(|key| (key, section.place(key))).collect();
        for (rail, key, _) in Rail::ALL {
            let Some(values) = section.numbers(key, 0.0..=10.0, "V") else { continue };
            match values.as_slice() {
                [low, high] if low.value <= high.value => {
                    limits.rails.push((rail, Volts(low.value), Volts(high.value)))
                }
                _ => section.mistake(
                    key,
                    format!("`{key}` in [bench_limits] is no lowest and highest voltage"),
                    format!("write for example {key} = [1.14, 1.26]"),
                ),
            }
        }
        limits.most_hours = section.number("most_hours", 0.01..=2000.0, "h");
        limits.most_consecutive_faults = section
            .whole("most_consecutive_faults", 1..=1000, "faults")
            .and_then(|faults| u32::try_from(faults).ok());
        limits.modules_known_by = section.choice("modules_known_by", &KnownBy::ALL);
        section.finish();
        limits
    }

    /// Levels of a plan's own conditions that its limits forbid, each once: on no bench could they be measured.
    pub fn forbidden(&self, plan: &Plan, conditions: &[Condition]) -> Vec<Mistake> {
        let mut mistakes: Vec<Mistake> = Vec::new();
        let mut forbid = |key: &str, message: String, remedy: String| {
            let span =
                self.places.iter().find(|(known, _)| *known == key).map_or(0..0, |(_, span)| span.clone());
            if !mistakes.iter().any(|known| known.message == message) {
                mistakes.push(Mistake { span, message, remedy: Some(remedy) });
            }
        };
        for condition in conditions {
            let level = condition.temperature(plan);
            let low =
                self.device_low.filter(|low| level.0 < low.0).map(|low| ("device_low_degc", low, "below"));
            let high = self
                .device_high
                .filter(|high| level.0 > high.0)
                .map(|high| ("device_high_degc", high, "above"));
            for (key, limit, side) in low.into_iter().chain(high) {
                forbid(
                    key,
                    format!(
                        "{level} of `temperature_degc` in [matrix] is {side} the plan's own limit, `{key}` {limit} in [bench_limits]"
                    ),
                    format!(
                        "take {level} out of [matrix], or write `{key} = {}` if the device may have it",
                        level.0
                    ),
                );
            }
            let supply = condition.supply(plan);
            for (rail, low, high) in &self.rails {
                let Some((_, volts)) = supply.named().find(|(name, _)| name == rail) else { continue };
                if (low.0..=high.0).contains(&volts.0) {
                    continue;
                }
                let key = Rail::ALL.into_iter().find(|(name, ..)| name == rail).map_or("", |(_, key, _)| key);
                forbid(
                    key,
                    format!(
                        "supply `{}` sets {rail} to {volts}, beyond the plan's own limits, `{key}` {low} to {high} in [bench_limits]",
                        supply.name
                    ),
                    format!(
                        "take the supply out of [matrix], or write `{key} = [{}, {}]` if the device may have it",
                        low.0.min(volts.0),
                        high.0.max(volts.0)
                    ),
                );
            }
        }
        mistakes
    }
}

impl BenchFile {
    /// The bench with a plan's narrower limits, which then hold wherever the bench's own would.
    ///
    /// # Errors
    /// Every value that would widen a limit of the bench, in words.
    pub fn narrowed(mut self, limits: &BenchLimits) -> Result<BenchFile, Vec<String>> {
        let mut wider = Vec::new();
        let mut within = |what: &str, wanted: String, beyond: bool, own: String| {
            if beyond {
                wider.push(format!(
                    "[bench_limits] {what} {wanted} is beyond the bench's own limit {own}: a plan may narrow the \
                     bench's limits, never widen them"
                ));
            }
            !beyond
        };
        let own = self.limits;
        let outside = |value: Celsius| value.0 < own.device_low.0 || value.0 > own.device_high.0;
        let range = format!("{} to {}", own.device_low, own.device_high);
        if let Some(low) = limits.device_low
            && within("device_low_degc", low.to_string(), outside(low), range.clone())
        {
            self.limits.device_low = low;
        }
        if let Some(high) = limits.device_high
            && within("device_high_degc", high.to_string(), outside(high), range)
        {
            self.limits.device_high = high;
        }
        for (name, low, high) in &limits.rails {
            let own = self.rails.iter_mut().map(|rail| (&rail.name, &mut rail.low, &mut rail.high));
            let device = self.device_rails.iter_mut().map(|rail| (&rail.name, &mut rail.low, &mut rail.high));
            let Some((_, own_low, own_high)) = own.chain(device).find(|(known, ..)| *known == name) else {
                continue;
            };
            let beyond = low.0 < own_low.0 || high.0 > own_high.0;
            let range = format!("{own_low} to {own_high}");
            if within(name, format!("{low} to {high}"), beyond, range) {
                (*own_low, *own_high) = (*low, *high);
            }
        }
        let unattended = &mut self.unattended;
        if let Some(hours) = limits.most_hours {
            let own = unattended.most_hours;
            if within("most_hours", format!("{hours} h"), hours > own, format!("{own} h")) {
                unattended.most_hours = hours;
            }
        }
        if let Some(faults) = limits.most_consecutive_faults {
            let own = unattended.most_consecutive_faults;
            if within("most_consecutive_faults", faults.to_string(), faults > own, own.to_string()) {
                unattended.most_consecutive_faults = faults;
            }
        }
        if let Some(known_by) = limits.modules_known_by {
            let own = self.modules_known_by;
            if within("modules_known_by", known_by.name().into(), known_by < own, own.name().into()) {
                self.modules_known_by = known_by;
            }
        }
        if wider.is_empty() { Ok(self) } else { Err(wider) }
    }
}

//! What a plan narrows of a bench's limits: `[bench_limits]`. It may stay within what the bench file allows, never go beyond.

use super::BenchFile;
use crate::section::Section;
use nightbench_core::units::{Celsius, Volts};

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
}

/// Rails that a plan sets, with the key of their range.
const RAILS: [(&str, &str); 3] = [("VDD", "vdd_v"), ("VDDQ", "vddq_v"), ("VPP", "vpp_v")];

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
        for (rail, key) in RAILS {
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
        section.finish();
        limits
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
            let Some(rail) = self.rails.iter_mut().find(|rail| rail.name == *name) else { continue };
            let beyond = low.0 < rail.low.0 || high.0 > rail.high.0;
            let own = format!("{} to {}", rail.low, rail.high);
            if within(name, format!("{low} to {high}"), beyond, own) {
                (rail.low, rail.high) = (*low, *high);
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
        if wider.is_empty() { Ok(self) } else { Err(wider) }
    }
}

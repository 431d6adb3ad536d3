//! The order's wishes and the bench's times as a plan states them: `[order]`, `[bench_times]`.

use super::section::Section;
use super::text::Named;
use crate::order::BenchTimes;

/// `[order]`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OrderWishes {
    /// Within each mounting, colder temperatures come first.
    pub cold_first: bool,
    /// Module and channel (indices into the declared lists) that come first and whose first job is measured again last.
    pub baseline: Option<(usize, usize)>,
}

impl OrderWishes {
    /// Reads `[order]`; the price of a hands-on change goes into `times`.
    pub fn read<M: Named, C: Named>(
        section: Option<Section<'_>>,
        times: &mut BenchTimes,
        modules: &[M],
        channels: &[C],
    ) -> OrderWishes {
        let mut wishes = OrderWishes::default();
        let Some(section) = section else { return wishes };
        wishes.cold_first = section.flag("cold_first", false);
        if let Some(price) = section.number("hands_on_price_min", 0.0..=1440.0, "min") {
            times.price_min = price;
        }
        let module = section.text("baseline_module");
        let channel = section.text("baseline_channel");
        match (module, channel) {
            (Some(module), Some(channel)) => {
                let m = modules.iter().position(|known| known.name() == module.value);
                let c = channels.iter().position(|known| known.name() == channel.value);
                if m.is_none() {
                    let words = format!("[order] names the module `{}`, which is not declared", module.value);
                    section.mistake("baseline_module", words, "use the name of a [[module]]");
                }
                if c.is_none() {
                    let words =
                        format!("[order] names the channel `{}`, which is not declared", channel.value);
                    section.mistake("baseline_channel", words, "use the name of a [[channel]]");
                }
                wishes.baseline = m.zip(c);
            }
            (None, None) => {}
            _ => section.mistake(
                if section.has("baseline_module") { "baseline_module" } else { "baseline_channel" },
                "a baseline needs a module and a channel",
                "give both `baseline_module` and `baseline_channel`, or neither",
            ),
        }
        section.finish();
        wishes
    }
}

/// Reads `[bench_times]`; what is left out keeps its default, an estimate.
pub fn read_times(section: Option<Section<'_>>) -> BenchTimes {
    let mut times = BenchTimes::default();
    let Some(section) = section else { return times };
    {
        let read = |key: &'static str, range: std::ops::RangeInclusive<f64>, unit: &str, slot: &mut f64| {
            if let Some(value) = section.number(key, range, unit) {
                *slot = value;
            }
        };
        let rate = 1e-3..=1e3;
        read("ramp_up_degc_per_min", rate.clone(), "degC/min", &mut times.ramp_up_c_per_min);
        read("ramp_down_degc_per_min", rate, "degC/min", &mut times.ramp_down_c_per_min);
        read("soak_s", 0.0..=86_400.0, "s", &mut times.soak_s);
        read("settle_s", 0.0..=86_400.0, "s", &mut times.settle_s);
        read("hands_module_min", 0.0..=480.0, "min", &mut times.hands_module_min);
        read("hands_channel_min", 0.0..=480.0, "min", &mut times.hands_channel_min);
        read("boot_s", 0.0..=3600.0, "s", &mut times.boot_s);
        read("supply_change_s", 0.0..=3600.0, "s", &mut times.supply_change_s);
        read("rate_change_s", 0.0..=3600.0, "s", &mut times.rate_change_s);
        read("fit_check_s", 0.0..=3600.0, "s", &mut times.fit_check_s);
        read("touch_safe_low_degc", 0.0..=60.0, "degC", &mut times.touch_safe_lo_c);
        read("touch_safe_high_degc", 0.0..=60.0, "degC", &mut times.touch_safe_hi_c);
        read("start_degc", -60.0..=150.0, "degC", &mut times.start_c);
        read("range_low_degc", -80.0..=150.0, "degC", &mut times.range_lo_c);
        read("range_high_degc", -80.0..=200.0, "degC", &mut times.range_hi_c);
    }
    if let Err(error) = times.check() {
        section.mistake("ramp_up_degc_per_min", error.to_string(), "correct the values of [bench_times]");
    }
    section.finish();
    times
}

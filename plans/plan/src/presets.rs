//! Limits that a standard gives: the DDR4 write mask by data rate.

use crate::limits::{Limit, LimitUnit, MaskSize, Metric};
use crate::read_rates::read_rates;
use crate::section::Section;
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::Direction;

/// Name of the preset in a plan.
pub const DDR4_WRITE_MASK: &str = "DDR4 write mask";

/// Bit error ratio for which the DDR4 write mask is defined; it is judged at the counted ratio.
pub const DDR4_MASK_BER: f64 = 1e-16;

/// Rate (MT/s), TdIVW (UI), VdIVW (mV peak to peak), and the source of both figures.
const MASK: [(&str, f64, f64, &str); 7] = [
    ("1600", 0.20, 136.0, "TdIVW as a published DDR4 data sheet derives it; VdIVW from memory"),
    ("1866", 0.20, 136.0, "TdIVW as a published DDR4 data sheet derives it; VdIVW from memory"),
    ("2133", 0.20, 136.0, "TdIVW as a published DDR4 data sheet derives it; VdIVW from memory"),
    ("2400", 0.20, 130.0, "TdIVW as a published DDR4 data sheet derives it; VdIVW from memory"),
    ("2666", 0.22, 120.0, "from memory"),
    ("2933", 0.23, 115.0, "from memory"),
    ("3200", 0.23, 110.0, "from memory"),
];

/// Reads a `[[limit]]` with `preset`: one limit per rate.
pub(super) fn read_preset(section: &Section<'_>, generation: Generation) -> Vec<Limit> {
    let preset = section.choice("preset", &[(DDR4_WRITE_MASK, ())]);
    for key in ["metric", "minimum", "unit", "direction", "source", "mask_height_mv", "mask_flat"] {
        if section.has(key) {
            section.mistake(
                key,
                format!("the preset sets `{key}`"),
                "remove it, or remove `preset` and write the limit out",
            );
        }
    }
    let wanted = read_rates(section, "rate", generation);
    section.finish();
    if preset.is_none() {
        return Vec::new();
    }
    if generation != Generation::Ddr4 {
        section.mistake(
            "preset",
            format!("the {DDR4_WRITE_MASK} holds for DDR4, the interface is {generation}"),
            "write limits of your own, with their source",
        );
        return Vec::new();
    }
    let mut limits = Vec::new();
    for (name, width_ui, height_mv, mark) in MASK {
        let Some(rate) = DataRate::parse(generation, name) else { continue };
        if !wanted.is_empty() && !wanted.iter().any(|known| known.value == rate) {
            continue;
        }
        limits.push(Limit {
            metric: Metric::Mask,
            direction: Direction::Write,
            minimum: width_ui,
            unit: LimitUnit::UnitIntervals,
            rates: vec![rate],
            source: format!(
                "DDR4 DQ input mask (JESD79-4) at {rate} MT/s: {width_ui:.2} UI x {height_mv} mV for a BER of 1e-16; {mark}"
            ),
            mask: Some(MaskSize { height_mv, flat: 1.0 }),
        });
    }
    for rate in wanted {
        if !limits.iter().any(|limit| limit.rates.contains(&rate.value)) {
            section.mistakes().add(
                rate.span,
                format!("the {DDR4_WRITE_MASK} has no figure for {} MT/s", rate.value),
                Some("write a limit of your own for it".into()),
            );
        }
    }
    limits
}

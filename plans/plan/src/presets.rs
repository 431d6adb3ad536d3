//! Limits that a standard gives: the write masks of the generations by data rate.

use crate::limits::{Limit, LimitUnit, MaskSize, Metric};
use crate::read_rates::read_rates;
use crate::section::Section;
use nightbench_core::generations::WriteMask;
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::Direction;

/// Bit error ratio for which write masks are defined (every one of the generations' tables); a mask is judged at the
/// counted ratio.
pub const MASK_BER: f64 = 1e-16;

/// The masks of all generations with their presets' names.
fn masks() -> Vec<(&'static str, (Generation, &'static WriteMask))> {
    let of = |(_, generation): (&str, Generation)| {
        generation.facts().mask.map(|mask| (mask.preset, (generation, mask)))
    };
    Generation::ALL.into_iter().filter_map(of).collect()
}

/// Reads a `[[limit]]` with `preset`: one limit per rate.
pub(super) fn read_preset(section: &Section<'_>, generation: Generation) -> Vec<Limit> {
    let preset = section.choice("preset", &masks());
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
    let Some((of, mask)) = preset else { return Vec::new() };
    if generation != of {
        section.mistake(
            "preset",
            format!("the {} holds for {of}, the interface is {generation}", mask.preset),
            "write limits of your own, with their source",
        );
        return Vec::new();
    }
    let mut limits = Vec::new();
    for (name, width_ui, height_mv, mark) in mask.rows.iter().copied() {
        let Some(rate) = DataRate::parse(generation, &name.to_string()) else { continue };
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
                "{of} DQ input mask ({}) at {rate} MT/s: {width_ui:.2} UI x {height_mv} mV for a BER of 1e-16; {mark}",
                of.facts().standard
            ),
            mask: Some(MaskSize { height_mv, flat: 1.0 }),
        });
    }
    for rate in wanted {
        if !limits.iter().any(|limit| limit.rates.contains(&rate.value)) {
            section.mistakes().add(
                rate.span,
                format!("the {} has no figure for {} MT/s", mask.preset, rate.value),
                Some("write a limit of your own for it".into()),
            );
        }
    }
    limits
}

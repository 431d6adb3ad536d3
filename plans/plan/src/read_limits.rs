//! Reads `[[limit]]`: written out, or a preset.

use crate::limits::{Limit, LimitUnit, MaskSize, Metric};
use crate::presets::read_preset;
use crate::read_rates::read_rates;
use crate::section::{Placed, Section};
use nightbench_core::rates::Generation;
use nightbench_core::results::Direction;

fn read_limit(section: Section<'_>, generation: Generation) -> Vec<Limit> {
    if section.has("preset") {
        return read_preset(&section, generation);
    }
    read_own(section, generation).into_iter().collect()
}

fn read_own(section: Section<'_>, generation: Generation) -> Option<Limit> {
    let metric = section.required_choice("metric", &Metric::ALL);
    let direction = section.choice("direction", &Direction::ALL);
    let minimum = section.number("minimum", 0.0..=1e6, "");
    if minimum.is_none() && !section.has("minimum") {
        section.mistake("minimum", format!("{} has no `minimum`", section.title), "add `minimum = 0.25`");
    }
    let units: &[(&str, LimitUnit)] = match metric {
        Some(metric) if metric.is_time() => &LimitUnit::TIME,
        Some(_) => &LimitUnit::VOLTAGE,
        None => &[],
    };
    let unit = if units.is_empty() {
        section.text("unit").and(None)
    } else {
        section.required_choice("unit", units)
    };
    let rates = read_rates(&section, "rate", generation);
    let source = section.required_text("source", "where the figure comes from");
    let mask = read_mask(&section, metric, direction, minimum);
    let direction =
        direction.unwrap_or(if metric == Some(Metric::Mask) { Direction::Write } else { Direction::Read });
    section.finish();
    Some(Limit {
        metric: metric?,
        direction,
        minimum: minimum?,
        unit: unit?,
        rates: rates.into_iter().map(|rate| rate.value).collect(),
        source: source?.value,
        mask,
    })
}

fn read_mask(
    section: &Section<'_>,
    metric: Option<Metric>,
    direction: Option<Direction>,
    minimum: Option<f64>,
) -> Option<MaskSize> {
    let height_mv = section.number("mask_height_mv", 1e-3..=1e4, "mV");
    let flat = section.number("mask_flat", 0.0..=1.0, "of the width");
    if metric? != Metric::Mask {
        if height_mv.is_some() || flat.is_some() {
            let key = if height_mv.is_some() { "mask_height_mv" } else { "mask_flat" };
            section.mistake(key, "only a mask has a height and a flat top", "remove it, or judge `mask`");
        }
        return None;
    }
    if direction == Some(Direction::Read) {
        section.mistake(
            "direction",
            "a write mask holds at the memory's receiver, never for the read eye at the flops",
            "remove `direction`, or limit `width` and `height` of the read eye",
        );
    }
    if minimum.is_some_and(|width| width <= 0.0) {
        section.mistake("minimum", "a mask without width cannot be scaled", "give the mask's width");
    }
    if height_mv.is_none() && !section.has("mask_height_mv") {
        section.mistake("metric", "a mask needs its height", "add `mask_height_mv = 130`");
    }
    Some(MaskSize { height_mv: height_mv?, flat: flat.unwrap_or(1.0) })
}

pub fn read_limits(sections: Vec<Section<'_>>, generation: Generation) -> Vec<Limit> {
    read_placed_limits(sections, generation).into_iter().map(|limit| limit.value).collect()
}

/// As [`read_limits`], with the place of the table each stands in; a preset gives several limits of one
/// place.
pub(super) fn read_placed_limits(sections: Vec<Section<'_>>, generation: Generation) -> Vec<Placed<Limit>> {
    let placed = |section: Section<'_>| {
        let span = section.span.clone();
        let limits = read_limit(section, generation).into_iter();
        limits.map(move |value| Placed { value, span: span.clone() })
    };
    sections.into_iter().flat_map(placed).collect()
}

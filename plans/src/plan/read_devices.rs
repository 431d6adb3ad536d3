//! Reads the devices of a plan: `[interface]`, `[[chip]]`, `[[firmware]]`, `[[module]]`, `[[channel]]`, `[[supply]]`.

use super::devices::*;
use super::section::{Placed, Section};
use super::text::{lane_list, lane_ranges};
use crate::rates::{DataRate, Generation};
use crate::results::{LaneSet, MOST_LANES};
use crate::units::Volts;

fn read_range(section: Option<Section<'_>>, default: SweepRange) -> SweepRange {
    let Some(section) = section else { return default };
    let mut range = default;
    if let Some(taps) = section.whole("taps", 8..=1024, "taps") {
        range.taps = taps as u16;
    }
    if let Some(taps) = section.whole("taps_per_ui", 4..=1024, "taps") {
        range.taps_per_ui = taps as u16;
    }
    if let Some(steps) = section.whole("vref_steps", 4..=1024, "steps") {
        range.vref_steps = steps as u16;
    }
    if let Some(percent) = section.number("vref_start_percent", 0.0..=100.0, "% VDDQ") {
        range.vref_start_percent = percent;
    }
    if let Some(percent) = section.number("vref_step_percent", 0.05..=5.0, "% VDDQ") {
        range.vref_step_percent = percent;
    }
    let top = range.vref_start_percent + range.vref_step_percent * f64::from(range.vref_steps - 1);
    if top > 110.0 {
        section.mistake(
            "vref_steps",
            format!("{} reaches {top:.1} % of VDDQ, above the limit of 110 % VDDQ", section.title),
            "use fewer steps, a lower start or a smaller step",
        );
    }
    section.finish();
    range
}

/// Reads `[interface]`. Defaults: 64 taps of UI/32; Vref from 50 % (DDR4) or 55 % (DDR5) in steps of 0.65 % or
/// 0.5 % of VDDQ. Sources: DDR4 datasheets (step); the ranges are estimates, write ranges from memory.
pub fn read_interface(section: Option<Section<'_>>, plan: &Section<'_>) -> Option<Interface> {
    let Some(section) = section else {
        plan.mistake(
            "interface",
            "the plan has no [interface]",
            "add `[interface]` with `generation = \"DDR4\"`",
        );
        return None;
    };
    let words = [("DDR4", Generation::Ddr4), ("DDR5", Generation::Ddr5)];
    let generation = section.required_choice("generation", &words);
    let lanes = section.whole("lanes", 1..=i64::from(MOST_LANES), "lanes");
    if lanes.is_none() && !section.has("lanes") {
        section.mistake(
            "lanes",
            "[interface] has no `lanes`",
            "add `lanes = 64`, the number of data lanes (DQ)",
        );
    }
    let ddr5 = generation == Some(Generation::Ddr5);
    let (start, step) = if ddr5 { (55.0, 0.5) } else { (50.0, 0.65) };
    let read = SweepRange {
        taps: 64,
        taps_per_ui: 32,
        vref_steps: 64,
        vref_start_percent: start,
        vref_step_percent: step,
    };
    let write = if ddr5 {
        SweepRange { vref_steps: 126, vref_start_percent: 35.0, ..read.clone() }
    } else {
        SweepRange { vref_steps: 51, vref_start_percent: 60.0, ..read.clone() }
    };
    let read = read_range(section.table("read"), read);
    let write = read_range(section.table("write"), write);
    let equaliser = section.flag("equaliser", false);
    if equaliser && generation == Some(Generation::Ddr4) {
        section.mistake(
            "equaliser",
            "a DDR4 interface has no decision-feedback equaliser",
            "remove `equaliser` or set `generation = \"DDR5\"`",
        );
    }
    section.finish();
    Some(Interface { generation: generation?, lanes: lanes? as u16, read, write, equaliser })
}

/// Declared things by unique name.
fn unique<T>(sections: Vec<Section<'_>>, read: impl Fn(&Section<'_>, Placed<String>) -> Option<T>) -> Vec<T> {
    let mut list: Vec<T> = Vec::new();
    let mut names: Vec<String> = Vec::new();
    for section in sections {
        let name = section.required_text("name", "a name of its own");
        let thing = name.and_then(|name| {
            if names.contains(&name.value) {
                section.mistake(
                    "name",
                    format!("{} has the name of an earlier one", section.title),
                    "give each its own name: results are kept under it",
                );
            }
            names.push(name.value.clone());
            read(&section, name)
        });
        section.finish();
        list.extend(thing);
    }
    list
}

/// Reads every `[[chip]]`; one unnamed chip where none is declared.
pub fn read_chips(sections: Vec<Section<'_>>) -> Vec<Chip> {
    if sections.is_empty() {
        return vec![Chip { name: "chip".into(), corner: None }];
    }
    unique(sections, |section, name| {
        Some(Chip { name: name.value, corner: section.text("corner").map(|text| text.value) })
    })
}

/// Reads every `[[firmware]]`.
pub fn read_firmwares(sections: Vec<Section<'_>>) -> Vec<Firmware> {
    unique(sections, |section, name| {
        Some(Firmware { name: name.value, image: section.text("image").map(|text| text.value) })
    })
}

fn read_overrides(section: &Section<'_>) -> Vec<ModelValue> {
    section.table("model").map(read_model).unwrap_or_default()
}

/// Reads a table of model values: names are checked against the model later, by whoever knows it.
pub fn read_model(section: Section<'_>) -> Vec<ModelValue> {
    section
        .named_numbers()
        .into_iter()
        .map(|(name, value)| ModelValue { name: name.value, value, span: name.span })
        .collect()
}

fn read_rating(section: &Section<'_>, generation: Generation) -> Option<DataRate> {
    let rates = super::judge::read_rates(section, "rated", generation);
    if !section.has("rated") {
        section.mistake(
            "rated",
            format!("{} has no rated data rate", section.title),
            "add `rated = 2400`, the fastest rate the module is sold for",
        );
    }
    rates.first().map(|rate| rate.value)
}

fn read_populated(section: &Section<'_>, kind: Option<ModuleKind>, lanes: u16) -> Option<Vec<LaneSet>> {
    let pair = kind == Some(ModuleKind::HalfPopulatedPair);
    let Some(texts) = section.texts("populated_lanes") else {
        if pair {
            section.mistake(
                "populated_lanes",
                format!("{} is a half-populated pair without stated lanes", section.title),
                "add `populated_lanes = [\"0-31\", \"32-63\"]`: the lanes of each of the two modules",
            );
            return None;
        }
        return Some(vec![LaneSet::first(lanes)]);
    };
    if texts.len() != if pair { 2 } else { 1 } {
        let wanted = if pair { "two, one for each module of the pair" } else { "one" };
        section.mistake(
            "populated_lanes",
            format!("{} states {} lists of populated lanes", section.title, texts.len()),
            format!("state {wanted}, such as \"0-31\""),
        );
        return None;
    }
    let mut sets: Vec<LaneSet> = Vec::new();
    for text in texts {
        match lane_ranges(&text.value, lanes) {
            Ok(set) => {
                let both = LaneSet(sets.iter().fold(0, |all, known| all | known.0) & set.0);
                if !both.is_empty() {
                    section.problems().add(
                        text.span,
                        format!("lanes {} of {} are in both modules", lane_list(both.iter()), section.title),
                        Some("a lane belongs to one module of the pair".into()),
                    );
                }
                sets.push(set);
            }
            Err(words) => section.problems().add(
                text.span,
                format!("`populated_lanes` in {}: {words}", section.title),
                Some("write ranges such as \"0-31, 40-47\"".into()),
            ),
        }
    }
    Some(sets)
}

/// Reads every `[[module]]`.
pub fn read_modules(sections: Vec<Section<'_>>, generation: Generation, lanes: u16) -> Vec<Module> {
    unique(sections, |section, name| {
        let kind = section.required_choice("kind", &ModuleKind::ALL);
        let ranks = section.choices_number("ranks", &[1, 2, 4]).unwrap_or(1) as u8;
        let width = section.choices_number("device_width", &[4, 8, 16]).unwrap_or(8) as u8;
        let stacked = kind == Some(ModuleKind::DieStacked);
        let dies = section.whole("dies", 1..=16, "dies").unwrap_or(if stacked { 2 } else { 1 }) as u8;
        if stacked && dies < 2 {
            section.mistake(
                "dies",
                format!("{} is die-stacked with {dies} die a package", section.title),
                "state at least 2 dies, or another kind",
            );
        }
        let rated = read_rating(section, generation);
        let populated = read_populated(section, kind, lanes);
        let serial = section.text("serial").map(|text| text.value);
        let overrides = read_overrides(section);
        Some(Module {
            name: name.value,
            kind: kind?,
            ranks,
            device_width: width,
            dies,
            rated: DataRateName(rated?),
            populated: populated?,
            serial,
            overrides,
        })
    })
}

/// Reads every `[[channel]]`.
pub fn read_channels(sections: Vec<Section<'_>>) -> Vec<Channel> {
    unique(sections, |section, name| {
        let risers = section.whole("risers", 0..=3, "risers").unwrap_or(0) as u8;
        let adapter = section.flag("adapter", false);
        let slots =
            [("none", SecondSlot::None), ("empty", SecondSlot::Empty), ("populated", SecondSlot::Populated)];
        let second_slot = section.choice("second_slot", &slots).unwrap_or(SecondSlot::None);
        let fits = section.choices("fits", &ModuleKind::ALL);
        if fits.is_none() {
            section.mistake(
                "fits",
                format!("{} does not say which module kinds fit", section.title),
                "add `fits = [\"unbuffered\", \"registered\"]`",
            );
        }
        let fits = fits.unwrap_or_default();
        if adapter && fits.iter().any(|kind| *kind != ModuleKind::SmallOutline) {
            section.mistake(
                "fits",
                format!("{} has an adapter card, which takes small-outline modules only", section.title),
                "write `fits = [\"small-outline\"]` or `adapter = false`",
            );
        }
        let touchstone = section.text("touchstone").map(|text| text.value);
        let overrides = read_overrides(section);
        Some(Channel { name: name.value, risers, adapter, second_slot, fits, touchstone, overrides })
    })
}

/// Reads every `[[supply]]`; the generation's nominal rails where none is declared.
pub fn read_supplies(sections: Vec<Section<'_>>, generation: Generation) -> Vec<Supply> {
    let nominal = generation.nominal_vddq();
    if sections.is_empty() {
        let vpp = generation.nominal_vpp();
        return vec![Supply { name: "nominal".into(), vdd: nominal, vddq: nominal, vpp }];
    }
    unique(sections, |section, name| {
        let rail = |key: &'static str, default: Option<Volts>, (low, high): (Volts, Volts)| {
            let Some(volts) = section.number(key, 0.0..=5.0, "V").map(Volts) else { return default };
            if volts.0 < low.0 - 1e-9 || volts.0 > high.0 + 1e-9 {
                section.mistake(
                    key,
                    format!(
                        "`{key}` in {} is {volts}, outside {generation}'s {low} to {high}",
                        section.title
                    ),
                    "stay inside the generation's DC limits: beyond them parts can be damaged",
                );
            }
            Some(volts)
        };
        let vddq = rail("vddq_v", Some(nominal), generation.vddq_limits());
        let vdd = rail("vdd_v", vddq, generation.vddq_limits());
        let vpp = rail("vpp_v", Some(generation.nominal_vpp()), generation.vpp_limits());
        if let (Some(vdd), Some(vddq)) = (vdd, vddq)
            && vddq.0 > vdd.0 + 1e-9
        {
            section.mistake(
                "vddq_v",
                format!("VDDQ {vddq} is above VDD {vdd} in {}", section.title),
                "VDDQ must not exceed VDD",
            );
        }
        Some(Supply { name: name.value, vdd: vdd?, vddq: vddq?, vpp: vpp? })
    })
}

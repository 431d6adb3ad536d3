//! Reads the devices of a plan: `[interface]`, `[[chip]]`, `[[firmware]]`, `[[supply]]`, and model values.

use super::section::{Placed, Section};
use nightbench_core::devices::*;
use nightbench_core::jedec::{DDR4_VREF_DQ, DDR5_VREF};
use nightbench_core::rates::Generation;
use nightbench_core::results::MOST_LANES;
use nightbench_core::units::Volts;
use std::collections::HashSet;

fn read_range(section: Option<Section<'_>>, default: SweepRange) -> SweepRange {
    let Some(section) = section else { return default };
    let mut range = default;
    if let Some(taps) = section.whole("taps", 8..=1024, "taps") {
        range.taps = taps as u16;
    }
    if let Some(taps) = section.whole("taps_per_ui", 4..=256, "taps") {
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

/// The interface of a generation where nothing else is stated; see [`read_interface`] for the figures.
pub(super) fn default_interface(generation: Generation, lanes: u16) -> Interface {
    let ddr5 = generation == Generation::Ddr5;
    let (start, step) = if ddr5 { (55.0, 0.5) } else { (50.0, 0.65) };
    let read = SweepRange {
        taps: 64,
        taps_per_ui: 32,
        vref_steps: 64,
        vref_start_percent: start,
        vref_step_percent: step,
    };
    // Writes are swept over the DRAM's own codes: DDR4 range 1 upwards, DDR5 from its last code (the lowest
    // voltage).
    let codes = if ddr5 { DDR5_VREF } else { DDR4_VREF_DQ };
    let lowest = codes.percent(0).into_iter().chain(codes.percent(codes.last_code)).fold(f64::MAX, f64::min);
    let write = SweepRange {
        vref_steps: u16::from(codes.last_code) + 1,
        vref_start_percent: lowest,
        vref_step_percent: codes.step_percent.abs(),
        ..read.clone()
    };
    Interface { generation, lanes, read, write, dfe: false }
}

/// Reads `[interface]`. Defaults: 64 taps of UI/32; Vref from 50 % (DDR4) or 55 % (DDR5) in steps of 0.65 %
/// or 0.5 % of VDDQ. Step (source: DDR4 datasheets); ranges are estimates, write ranges (from memory).
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
    let Interface { read, write, .. } = default_interface(generation.unwrap_or(Generation::Ddr4), 1);
    let read = read_range(section.table("read"), read);
    let write = read_range(section.table("write"), write);
    let dfe = section.flag("dfe", false);
    if dfe && generation == Some(Generation::Ddr4) {
        section.mistake(
            "dfe",
            "a DDR4 interface has no DFE (decision-feedback equalizer)",
            "remove `dfe` or set `generation = \"DDR5\"`",
        );
    }
    section.finish();
    Some(Interface { generation: generation?, lanes: lanes? as u16, read, write, dfe })
}

/// Declared things by unique name, each in a table of its own. One that is declared with a mistake is left
/// out and remembered, so that naming it elsewhere is not a further mistake.
pub(super) fn unique<T>(
    table: &'static str,
    sections: Vec<Section<'_>>,
    read: impl Fn(&Section<'_>, Placed<String>) -> Option<T>,
) -> Vec<T> {
    let mut list: Vec<T> = Vec::new();
    let mut names: HashSet<String> = HashSet::new();
    for section in sections {
        let name = section.required_text("name", "a name of its own");
        let thing = name.and_then(|name| {
            if !names.insert(name.value.clone()) {
                section.mistake(
                    "name",
                    format!("{} has the name of an earlier one", section.title),
                    "give each its own name: results are kept under it",
                );
            }
            let word = name.value.clone();
            let thing = read(&section, name);
            if thing.is_none() {
                section.mistakes().set_broken(table, &word);
            }
            thing
        });
        section.finish();
        list.extend(thing);
    }
    list
}

/// Reads every `[[chip]]`; one unnamed chip where none is declared.
pub fn read_chips(sections: Vec<Section<'_>>) -> Vec<Chip> {
    if sections.is_empty() {
        return vec![Chip { name: "chip".into(), corner: None, fault: None }];
    }
    unique("chip", sections, |section, name| {
        let (corner, fault) = (read_text(section, "corner"), read_text(section, "fault"));
        Some(Chip { name: name.value, corner, fault })
    })
}

pub fn read_firmwares(sections: Vec<Section<'_>>) -> Vec<Firmware> {
    unique("firmware", sections, |section, name| {
        let landings = section.tables("lane").into_iter().filter_map(|lane| {
            let number = lane.whole("lane", 0..=i64::from(MOST_LANES) - 1, "");
            if number.is_none() && !lane.has("lane") {
                lane.mistake(
                    "lane",
                    "[[firmware.lane]] has no `lane`",
                    "add `lane = 12`, the number of a data lane (DQ)",
                );
            }
            let by = |key| lane.whole(key, -64..=64, "").unwrap_or(0) as i16;
            let landing = (by("taps"), by("vref_steps"));
            lane.finish();
            number.map(|number| Landing { lane: number as u16, taps: landing.0, vref_steps: landing.1 })
        });
        Some(Firmware {
            name: name.value,
            image: read_text(section, "image"),
            landings: landings.collect(),
            overrides: read_overrides(section),
        })
    })
}

/// A text of a section, where it has one.
pub(super) fn read_text(section: &Section<'_>, key: &'static str) -> Option<String> {
    section.text(key).map(|text| text.value)
}

pub(super) fn read_overrides(section: &Section<'_>) -> Vec<ModelValue> {
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

/// Reads every `[[supply]]`; the generation's nominal rails where none is declared.
pub fn read_supplies(sections: Vec<Section<'_>>, generation: Generation) -> Vec<Supply> {
    let nominal = generation.nominal_vddq();
    if sections.is_empty() {
        let vpp = generation.nominal_vpp();
        return vec![Supply { name: "nominal".into(), vdd: nominal, vddq: nominal, vpp }];
    }
    unique("supply", sections, |section, name| {
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

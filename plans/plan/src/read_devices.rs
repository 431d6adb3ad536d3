//! Reads the devices of a plan: `[interface]`, `[[chip]]`, `[[firmware]]`, `[[supply]]`, and model values.

use super::files::Files;
use super::fitted_model::FittedModel;
use super::section::{Placed, Section};
use nightbench_core::devices::*;
use nightbench_core::generations::{Rail, RailFacts, TerminationRule, VrefRange};
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
    let facts = generation.facts();
    let read = SweepRange {
        taps: 64,
        taps_per_ui: 32,
        vref_steps: 64,
        vref_start_percent: facts.read_sweep.start_percent,
        vref_step_percent: facts.read_sweep.step_percent,
    };
    let write = facts.write_vref.map_or_else(|| read.clone(), |codes| over_codes(&read, codes));
    let wck_ratio = facts.strobe.ratios().first().map(|(ratio, _)| *ratio);
    let termination = facts.usual_termination;
    Interface {
        generation,
        lanes,
        read,
        write,
        command: None,
        dfe: false,
        dram_dfe: false,
        termination,
        wck_ratio,
    }
}

/// A sweep over the DRAM's own codes, from the lowest voltage up.
fn over_codes(taps: &SweepRange, codes: VrefRange) -> SweepRange {
    SweepRange {
        vref_steps: u16::from(codes.last_code) + 1,
        vref_start_percent: codes.lowest_percent(),
        vref_step_percent: codes.step_percent.abs(),
        ..taps.clone()
    }
}

/// Reads `[interface]`. Defaults: 64 taps of UI/32 (an estimate); Vref as the generation's table has it.
pub fn read_interface(section: Option<Section<'_>>, plan: &Section<'_>) -> Option<Interface> {
    let Some(section) = section else {
        plan.mistake(
            "interface",
            "the plan has no [interface]",
            "add `[interface]` with `generation = \"DDR4\"`",
        );
        return None;
    };
    let generation = section.required_choice("generation", &Generation::ALL);
    let lanes = section.whole("lanes", 1..=i64::from(MOST_LANES), "lanes");
    if lanes.is_none() && !section.has("lanes") {
        section.mistake(
            "lanes",
            "[interface] has no `lanes`",
            "add `lanes = 64`, the number of data lanes (DQ)",
        );
    }
    let usual = default_interface(generation.unwrap_or(Generation::Ddr4), 1);
    let Interface { read, write, .. } = usual.clone();
    let read = read_range(section.table("read"), read);
    let write = read_range(section.table("write"), write);
    let bus = generation.and_then(|generation| generation.facts().command);
    let command = section.table("command").map(|table| {
        let usual = bus.map_or_else(|| usual.write.clone(), |bus| over_codes(&usual.read, bus.vref));
        read_range(Some(table), usual)
    });
    if let Some(generation) = generation.filter(|_| command.is_some() && bus.is_none()) {
        section.mistake(
            "command",
            format!("the command bus of {generation} is not trained, so that its eyes cannot be swept"),
            format!(
                "remove [interface.command]; it is for {}",
                Generation::names(|facts| facts.command.is_some())
            ),
        );
    }
    let dfe = section.flag("dfe", false);
    let dram_dfe = section.flag("dram_dfe", false);
    for (key, on) in [("dfe", dfe), ("dram_dfe", dram_dfe)] {
        let Some(generation) = generation.filter(|known| on && !known.facts().dfe) else { continue };
        section.mistake(
            key,
            format!("a {generation} interface has no DFE (decision-feedback equalizer)"),
            format!(
                "remove `{key}`, or set `generation` to one that has: {}",
                Generation::names(|facts| facts.dfe)
            ),
        );
    }
    let termination = section.choice("termination", &TerminationRule::ALL).unwrap_or(usual.termination);
    let wck_ratio = section.choices_number("wck_ratio", &[2, 4]).map(|ratio| ratio as u8);
    if let Some(generation) =
        generation.filter(|known| wck_ratio.is_some() && known.facts().strobe.ratios().is_empty())
    {
        section.mistake(
            "wck_ratio",
            format!("a {generation} interface has no WCK (data clock) beside its command clock"),
            "remove `wck_ratio`",
        );
    }
    section.finish();
    let wck_ratio = wck_ratio.or(usual.wck_ratio);
    Some(Interface {
        generation: generation?,
        lanes: lanes? as u16,
        read,
        write,
        command,
        dfe,
        dram_dfe,
        termination,
        wck_ratio,
    })
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

/// Reads the plan's own `[model]`: figures, and a fitted model whose figures stand behind them. `effects` has words; the model's
/// figure of that name is 1, or not set.
pub fn read_plan_model(section: Section<'_>, files: &Files) -> (Vec<ModelValue>, Option<FittedModel>) {
    let file = section.text("file");
    let span = section.place("effects");
    let on = section.choice("effects", &[("none", false), ("estimated", true)]).unwrap_or(false);
    let mistakes = section.mistakes();
    let mut values: Vec<ModelValue> = on
        .then(|| ModelValue { name: "effects".into(), value: 1.0, span })
        .into_iter()
        .chain(read_model(section))
        .collect();
    let Some(file) = file else { return (values, None) };
    match files.model(&file.value) {
        Ok(fitted) => {
            let own = std::mem::replace(&mut values, fitted.model_values(&file.span));
            values.retain(|value| own.iter().all(|known| known.name != value.name));
            values.extend(own);
            (values, Some(fitted))
        }
        Err(words) => {
            mistakes.add(file.span, format!("`file` in [model]: {words}"), None);
            (values, None)
        }
    }
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
    let facts = generation.facts();
    if sections.is_empty() {
        let rails = facts.rails.iter().map(|rail| (rail.rail, Volts(rail.nominal_v))).collect();
        return vec![Supply { name: "nominal".into(), rails }];
    }
    unique("supply", sections, |section, name| {
        let mut stated: Vec<(Rail, Volts)> = Vec::new();
        for (rail_name, key, rail) in Rail::ALL {
            let Some(volts) = section.number(key, 0.0..=5.0, "V").map(Volts) else { continue };
            match facts.rail(rail) {
                Some(known) => {
                    check_rail(section, key, known, volts, generation);
                    stated.push((rail, volts));
                }
                None => section.mistake(
                    key,
                    format!("`{key}` in {}: {generation} has no rail {rail_name}", section.title),
                    format!(
                        "its rails: {}",
                        facts.rails.iter().map(|rail| rail.rail.key()).collect::<Vec<_>>().join(", ")
                    ),
                ),
            }
        }
        let of = |rail: Rail| stated.iter().find(|(known, _)| *known == rail).map(|(_, volts)| *volts);
        let vddq = of(Rail::Vddq);
        let rails: Vec<(Rail, Volts)> = facts
            .rails
            .iter()
            .map(|rail| {
                let usual = vddq.filter(|_| rail.follows_vddq).unwrap_or(Volts(rail.nominal_v));
                (rail.rail, of(rail.rail).unwrap_or(usual))
            })
            .collect();
        let supply = Supply { name: name.value, rails };
        if let (Some(vdd), Some(vddq)) = (supply.rail(Rail::Vdd), supply.rail(Rail::Vddq))
            && vddq.0 > vdd.0 + 1e-9
        {
            section.mistake(
                "vddq_v",
                format!("VDDQ {vddq} is above VDD {vdd} in {}", section.title),
                "VDDQ must not exceed VDD",
            );
        }
        Some(supply)
    })
}

fn check_rail(
    section: &Section<'_>,
    key: &'static str,
    rail: &RailFacts,
    volts: Volts,
    generation: Generation,
) {
    let within = |(low, high): &(f64, f64)| volts.0 >= low - 1e-9 && volts.0 <= high + 1e-9;
    if rail.ranges_v.iter().any(within) {
        return;
    }
    let ranges: Vec<String> =
        rail.ranges_v.iter().map(|(low, high)| format!("{} to {}", Volts(*low), Volts(*high))).collect();
    section.mistake(
        key,
        format!("`{key}` in {} is {volts}, outside {generation}'s {}", section.title, ranges.join(" or ")),
        "stay inside the generation's DC limits: beyond them parts can be damaged",
    );
}

//! Reads `[[module]]`: by hand, or from an SPD image that every stated key has to agree with.

use super::files::Files;
use super::read_devices::{read_overrides, read_text, unique};
use super::read_rates::read_rates;
use super::section::{Mistakes, Placed, Section};
use nightbench_core::devices::*;
use nightbench_core::generations::Channels;
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::{LaneSet, MOST_LANES};
use nightbench_core::text::{lane_list, lane_ranges};
use std::collections::HashSet;

fn read_rating(section: &Section<'_>, generation: Generation) -> Option<DataRate> {
    let rates = read_rates(section, "rated", generation);
    if !section.has("rated") {
        section.mistake(
            "rated",
            format!("{} has no rated data rate", section.title),
            "add `rated = 2400`, the fastest rate the module is sold for",
        );
    }
    rates.first().map(|rate| rate.value)
}

fn read_populated(section: &Section<'_>, pair: bool, lanes: u16) -> Option<Vec<LaneSet>> {
    let Some(texts) = section.texts("populated_lanes") else {
        if pair {
            section.mistake(
                "populated_lanes",
                format!("{} is a half-populated pair, but does not state its lanes", section.title),
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
                    section.mistakes().add(
                        text.span,
                        format!("lanes {} of {} are in both modules", lane_list(both.iter()), section.title),
                        Some("a lane belongs to one module of the pair".into()),
                    );
                }
                sets.push(set);
            }
            Err(words) => section.mistakes().add(
                text.span,
                format!("`populated_lanes` in {}: {words}", section.title),
                Some("write ranges such as \"0-31, 40-47\"".into()),
            ),
        }
    }
    Some(sets)
}

pub fn read_modules(
    sections: Vec<Section<'_>>,
    interface: Option<&Interface>,
    lanes: u16,
    files: &Files,
    mistakes: &Mistakes,
) -> Vec<Module> {
    let generation = interface.map_or(Generation::Ddr4, |interface| interface.generation);
    let declared = unique("module", sections, |section, name| {
        let place = name.span.clone();
        let units = section.whole("units", 1..=MOST_UNITS, "units").map(|units| units as usize);
        let module = match section.text("spd") {
            Some(file) => read_from_image(section, name, &file, interface, files),
            None => read_by_hand(section, name, generation, lanes),
        };
        Some((place, units, module?))
    });
    let mut modules: Vec<Module> = Vec::new();
    let mut names: HashSet<String> = HashSet::new();
    for (place, units, module) in declared {
        let many = units.map(|units| numbered(&module.name, units));
        for name in many.unwrap_or_else(|| vec![module.name.clone()]) {
            if !names.insert(name.clone()) {
                mistakes.add(
                    place.clone(),
                    format!("`units` makes a second module of the name `{name}`"),
                    Some("give each its own name: results are kept under it".into()),
                );
            }
            modules.push(Module { name, ..module.clone() });
        }
    }
    modules
}

/// Most modules of one description.
const MOST_UNITS: i64 = 10_000;

/// Names of so many modules of one description: numbered from 1, all of one length.
fn numbered(name: &str, units: usize) -> Vec<String> {
    let digits = units.to_string().len();
    (1..=units).map(|number| format!("{name} {number:0digits$}")).collect()
}

/// Lanes of a module with model values of their own.
fn read_lane_models(section: &Section<'_>, lanes: u16) -> Vec<LaneModel> {
    let read = |lane: Section<'_>| {
        let number = lane.whole("lane", 0..=i64::from(lanes.max(1)) - 1, "");
        if number.is_none() && !lane.has("lane") {
            lane.mistake(
                "lane",
                "[[module.lane]] has no `lane`",
                "add `lane = 5`, the number of a data lane (DQ)",
            );
        }
        let overrides = read_overrides(&lane);
        lane.finish();
        number.map(|number| LaneModel { lane: number as u16, overrides })
    };
    section.tables("lane").into_iter().filter_map(read).collect()
}

fn read_by_hand(
    section: &Section<'_>,
    name: Placed<String>,
    generation: Generation,
    lanes: u16,
) -> Option<Module> {
    let facts = generation.facts();
    let kind = section.required_choice("kind", &ModuleKind::ALL);
    if let Some(kind) = kind.filter(|kind| !facts.kinds.contains(kind)) {
        let names: Vec<&str> = facts.kinds.iter().map(|kind| kind.name()).collect();
        section.mistake(
            "kind",
            format!("{} is `{}`, which is no kind of {generation}", section.title, kind.name()),
            format!("kinds of {generation}: {}", names.join(", ")),
        );
    }
    let stacked = section.choice("stack", &STACKS).is_some();
    let half_populated = section.flag("half_populated", false);
    let ranks = section.choices_number("ranks", &RANKS).unwrap_or(1) as u8;
    // Devices whose channel is as wide as they are have no other common width.
    let usual_width = if let Channels::Of(lanes) = facts.channels { i64::from(lanes) } else { 8 };
    let width = section.choices_number("device_width", &WIDTHS).unwrap_or(usual_width) as u8;
    let dies = section.whole("dies", 1..=16, "dies").unwrap_or(if stacked { 2 } else { 1 }) as u8;
    if stacked && dies < 2 {
        section.mistake(
            "dies",
            format!("{} is a 3DS module with {dies} die a package", section.title),
            "state at least 2 dies, or remove `stack`",
        );
    }
    if let Some(kind @ (ModuleKind::Sodimm | ModuleKind::Soldered | ModuleKind::Camm2)) =
        kind.filter(|_| stacked)
    {
        section.mistake(
            "stack",
            format!("{} is a {} of 3DS packages", section.title, kind.name()),
            "3DS packages stand on an RDIMM or LRDIMM (or a UDIMM): correct `kind`, or remove `stack`",
        );
    }
    if half_populated && (stacked || kind.is_some_and(|kind| kind != ModuleKind::Udimm)) {
        section.mistake(
            "half_populated",
            format!("{} is a half-populated pair, but not of plain UDIMMs", section.title),
            "write `kind = \"UDIMM\"` without `stack`, or remove `half_populated`",
        );
    }
    let rated = read_rating(section, generation);
    let populated = read_populated(section, half_populated, lanes);
    let serial = section.text("serial").map(|text| text.value);
    let overrides = read_overrides(section);
    let lane_models = read_lane_models(section, lanes);
    Some(Module {
        name: name.value,
        kind: kind?,
        stacked,
        half_populated,
        ranks,
        device_width: width,
        dies,
        rated: rated?,
        populated: populated?,
        serial,
        overrides,
        lane_models,
        fault: read_text(section, "fault"),
    })
}

const STACKS: [(&str, ()); 1] = [("3DS", ())];
const RANKS: [i64; 3] = [1, 2, 4];
const WIDTHS: [i64; 3] = [4, 8, 16];

/// The module that an SPD image describes. Keys beside `spd` may repeat what it says or narrow the lanes;
/// anything else is a mistake at the key.
fn read_from_image(
    section: &Section<'_>,
    name: Placed<String>,
    file: &Placed<String>,
    interface: Option<&Interface>,
    files: &Files,
) -> Option<Module> {
    let generation = interface.map_or(Generation::Ddr4, |interface| interface.generation);
    let lanes = interface.map_or(MOST_LANES, |interface| interface.lanes);
    let kind = section.choice("kind", &ModuleKind::ALL);
    let stacked = section.choice("stack", &STACKS).is_some();
    let half_populated = section.flag("half_populated", false);
    let ranks = section.choices_number("ranks", &RANKS);
    let width = section.choices_number("device_width", &WIDTHS);
    let dies = section.whole("dies", 1..=16, "dies");
    let rated = read_rates(section, "rated", generation);
    let populated = if section.has("populated_lanes") { read_populated(section, false, lanes) } else { None };
    let serial = section.text("serial");
    let overrides = read_overrides(section);
    let lane_models = read_lane_models(section, lanes);
    let fault = read_text(section, "fault");
    let image = match files.spd(&file.value) {
        Ok(image) => image,
        Err(words) => {
            section.mistakes().add(
                file.span.clone(),
                format!("`spd` in {}: {words}", section.title),
                Some(
                    "name an SPD image, relative to the plan; `nightbench module FILE` shows what it holds"
                        .into(),
                ),
            );
            return None;
        }
    };
    let mut module = match image.to_module(&name.value, interface?) {
        Ok(module) => module,
        Err(words) => {
            section.mistakes().add(file.span.clone(), format!("`spd` in {}: {words}", section.title), None);
            return None;
        }
    };
    if !RANKS.contains(&i64::from(module.ranks)) {
        section.mistakes().add(
            file.span.clone(),
            format!(
                "`spd` in {}: the module has {} package ranks; allowed: 1, 2, 4",
                section.title, module.ranks
            ),
            None,
        );
    }
    let differs = |key: &str, stated: String, says: String| {
        if stated != says {
            section.mistake(
                key,
                format!(
                    "`{key}` in {} is {stated}, but its SPD image `{}` says {says}",
                    section.title, file.value
                ),
                "remove the key, or name the image of this module",
            );
        }
    };
    if let Some(kind) = kind {
        differs("kind", kind.name().into(), module.kind.name().into());
    }
    if stacked {
        differs("stack", "3DS".into(), if module.stacked { "3DS" } else { "nothing of a stack" }.into());
    }
    if half_populated {
        differs("half_populated", "true".into(), "one module".into());
    }
    if let Some(ranks) = ranks {
        differs("ranks", ranks.to_string(), module.ranks.to_string());
    }
    if let Some(width) = width {
        differs("device_width", width.to_string(), module.device_width.to_string());
    }
    if let Some(dies) = dies {
        differs("dies", dies.to_string(), module.dies.to_string());
    }
    if let Some(rate) = rated.first() {
        differs("rated", rate.value.to_string(), module.rated.to_string());
    }
    if let Some(serial) = &serial {
        differs("serial", serial.value.clone(), module.serial.clone().unwrap_or_else(|| "nothing".into()));
    }
    if let Some(sets) = populated {
        let stated = LaneSet(sets.iter().fold(0, |all, set| all | set.0));
        let missing = LaneSet(stated.0 & !module.lanes().0);
        if missing.is_empty() {
            module.populated = sets;
        } else {
            section.mistake(
                "populated_lanes",
                format!(
                    "lanes {} of {} have no DRAM: its SPD image `{}` says {}",
                    lane_list(missing.iter()),
                    section.title,
                    file.value,
                    lane_list(module.lanes().iter())
                ),
                "name lanes that the module has, or remove the key",
            );
        }
    }
    module.overrides = overrides;
    module.lane_models = lane_models;
    module.fault = fault;
    Some(module)
}

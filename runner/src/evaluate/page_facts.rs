//! What a page prints beside the judged results, from plan and store: items, equipment, model values, log.

use crate::console::exit::Failure;
use crate::inputs::plan_file::PlanFile;
use crate::store::{Attempts, StoreReader, StoredEvent};
use judge::judged::{Equipment, ModelEntry, Superseded, TestedItem};
use nightbench_core::devices::{ChannelSegment, ModelValue, Module};
use nightbench_core::events::Event;
use nightbench_core::results::Identity;
use nightbench_core::text::lane_list;
use plan::Plan;
use plan::expand::Job;
use plan::keys::short_key;
use simulator::assembly;
use simulator::physics::Mark;
use std::collections::HashMap;

/// Lanes that share a strobe on each module: as many as a device has, eight at most.
pub fn strobe_lanes(plan: &Plan) -> Vec<u16> {
    let modules = plan.matrix.modules.iter().map(|index| &plan.modules[*index]);
    modules.map(|module| u16::from(module.device_width).min(8)).collect()
}

/// Values of the simulated target's model, the plan's own among them.
pub fn model_entries(file: &PlanFile) -> Vec<ModelEntry> {
    let plan = &file.plan;
    let Ok(parameters) = assembly::parameters(plan.interface.generation, &plan.model) else {
        return Vec::new();
    };
    // What the plan says itself stands before what its file says.
    let fitted = |name: &str| {
        let file = plan.fitted.as_ref()?;
        let value = plan.model.iter().find(|value| value.name == name)?;
        let same = file.values.iter().any(|(known, of_file)| known == name && *of_file == value.value);
        (same && file.fitted.figures.iter().any(|known| known == name)).then_some(&file.file)
    };
    let mut entries: Vec<ModelEntry> = parameters
        .entries()
        .map(|entry| ModelEntry {
            name: entry.name.into(),
            value: entry.value,
            unit: entry.unit.into(),
            mark: match fitted(entry.name) {
                Some(file) => format!("fitted: {file}"),
                None => entry.mark.text().into(),
            },
            set_by_plan: fitted(entry.name).is_none()
                && plan.model.iter().any(|value| value.name == entry.name),
        })
        .collect();
    // A firmware's, module's or channel's own values stand behind the plan's.
    let firmwares = plan.matrix.firmwares.iter().map(|index| &plan.firmwares[*index]);
    let modules = plan.matrix.modules.iter().map(|index| &plan.modules[*index]);
    let channels = plan.matrix.channels.iter().map(|index| &plan.channels[*index]);
    let of_module = |module: &'_ Module| {
        let lanes = module.lane_models.iter();
        let lanes =
            lanes.map(|lane| (format!("lane {} of {}", lane.lane, module.name), lane.overrides.clone()));
        std::iter::once((module.name.clone(), module.overrides.clone())).chain(lanes).collect::<Vec<_>>()
    };
    let own = modules
        .flat_map(of_module)
        .chain(channels.map(|channel| (channel.name.clone(), channel.overrides.clone())))
        .chain(firmwares.map(|firmware| (firmware.name.clone(), firmware.overrides.clone())));
    // Of modules that differ in their number alone the first speaks for all.
    let mut told: Vec<(String, Vec<ModelValue>)> = Vec::new();
    for (owner, values) in own {
        let kind = owner.trim_end_matches(|c: char| c.is_ascii_digit()).to_string();
        if told.contains(&(kind.clone(), values.clone())) {
            continue;
        }
        told.push((kind, values.clone()));
        for value in values {
            let unit = entries.iter().find(|entry| entry.name == value.name).map(|entry| entry.unit.clone());
            entries.push(ModelEntry {
                name: format!("{} of {owner}", value.name),
                value: value.value,
                unit: unit.unwrap_or_default(),
                mark: Mark::Given.text().into(),
                set_by_plan: true,
            });
        }
    }
    entries
}

/// What the simulated target leaves out of what a plan asks for, and what stands in for what was not measured.
pub fn model_limits(plan: &Plan) -> Vec<String> {
    let mut words = Vec::new();
    if plan.interface.dfe || plan.interface.dram_dfe {
        words.push(
            "Simulated DFE: earlier decisions are taken as right. With wrong ones fed back there are at most 1.2 times as many errors at an error \
             ratio of 1e-3 and 1.1 times at 1e-4 (counted bit by bit, drivers/simulator/MODEL.md): early and late edges would lie less than \
             0.1 taps further in (32 taps a UI), lower and upper ones where they are."
                .into(),
        );
    }
    for index in &plan.matrix.channels {
        let channel = &plan.channels[*index];
        let Some(data) = &channel.measured else { continue };
        let named = ChannelSegment::ALL.iter().filter(|(_, segment)| data.replaces.contains(segment));
        let replaced: Vec<&str> = named.map(|(word, _)| *word).collect();
        let replaced = replaced.join(", ");
        words.push(if data.coupling {
            format!(
                "Channel {}: crosstalk of what was measured ({replaced}) is that of the four-port's other line; the model's is left out there.",
                channel.name
            )
        } else {
            format!(
                "Channel {}: one line was measured, without its neighbours. Crosstalk of what it stands in for ({replaced}) stays the model's \
                 estimate (xt_line_ps, xt_conn_ps).",
                channel.name
            )
        });
    }
    words
}

/// The chips, modules and channels that the matrix names.
pub fn tested_items(file: &PlanFile, answered: &[Identity]) -> Vec<TestedItem> {
    let plan = &file.plan;
    let item = |name: &str, description: String, serial: Option<String>| TestedItem {
        name: name.into(),
        description,
        serial,
    };
    let chips = plan.matrix.chips.iter().map(|index| {
        let chip = &plan.chips[*index];
        let corner = chip.corner.as_ref().map(|corner| format!(", corner {corner}")).unwrap_or_default();
        // With one chip there is no doubt whose serial number was read.
        let serial = match (answered, plan.matrix.chips.len()) {
            ([first, rest @ ..], 1) if rest.iter().all(|one| one.chip_serial == first.chip_serial) => {
                Some(first.chip_serial.clone())
            }
            _ => None,
        };
        item(&chip.name, format!("test chip{corner}"), serial)
    });
    let modules = plan.matrix.modules.iter().map(|index| {
        let module = &plan.modules[*index];
        let words = format!(
            "{}, {} rank(s), x{}, rated {} MT/s, lanes {}",
            module.kind_words(),
            module.ranks,
            module.device_width,
            module.rated,
            lane_list(module.lanes().iter()),
        );
        item(&module.name, words, module.serial.clone())
    });
    let channels = plan.matrix.channels.iter().map(|index| {
        let channel = &plan.channels[*index];
        let adapter = if channel.adapter { ", adapter card" } else { "" };
        let measured = channel
            .measured
            .as_ref()
            .map_or(String::new(), |data| format!(", measured data {} (SHA-256 {})", data.file, data.sha256));
        item(&channel.name, format!("channel, {} riser(s){adapter}{measured}", channel.risers), None)
    });
    chips.chain(modules).chain(channels).collect()
}

/// Attempts that do not count any more; none are looked for where the counts show none.
pub fn superseded(reader: &StoreReader, jobs: &HashMap<[u8; 32], Job>) -> Result<Vec<Superseded>, Failure> {
    if reader.progress()?.superseded == 0 {
        return Ok(Vec::new());
    }
    let mut list = Vec::new();
    for stored in reader.jobs(Attempts::All) {
        let stored = stored?;
        if let (Some(reason), Some(job)) = (stored.superseded, jobs.get(&stored.row.key)) {
            list.push(Superseded {
                condition: job.condition as usize,
                key: short_key(&stored.row.key),
                attempt: stored.attempt,
                reason,
            });
        }
    }
    Ok(list)
}

/// Instruments as they answered, from the events of the latest run on a bench.
pub fn equipment(reader: &StoreReader) -> Result<Vec<Equipment>, Failure> {
    let mut list: Vec<Equipment> = Vec::new();
    for stored in reader.events()? {
        if let Some(Event::PartsNoted { mounting, codes }) = stored.event() {
            for (part, code) in codes {
                let role = format!("{part} of {mounting}");
                list.retain(|known| known.role != role);
                list.push(Equipment { role, identification: code, calibration_due: None });
            }
            continue;
        }
        let Some(Event::Instrument { name, identification, calibration_due }) = stored.event() else {
            continue;
        };
        let role = match stored.bench() {
            Some(bench) => format!("{bench}: {name}"),
            None => name,
        };
        list.retain(|known| known.role != role);
        list.push(Equipment { role, identification, calibration_due });
    }
    Ok(list)
}

/// Events worth a reader's attention; simulated runs carry no clock, so theirs have no time.
pub fn log_lines(reader: &StoreReader, simulated: bool) -> Result<Vec<(String, String)>, Failure> {
    if simulated {
        return Ok(Vec::new());
    }
    let events = reader.events()?;
    // What only seals the store is no news.
    let events = events.into_iter().filter(|event| !event.is_seal());
    let line = |event: &StoredEvent| format!("{}: {}", event.kind.replace('_', " "), event.text);
    Ok(events.map(|event| (event.utc.clone(), line(&event))).collect())
}

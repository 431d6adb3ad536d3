//! Reads `[[channel]]`: what stands between chip and module, modelled or measured.

use super::files::Files;
use super::read_devices::{read_overrides, unique};
use super::section::Section;
use nightbench_core::devices::*;

/// Keys that say how a measured channel is used: meaningless without `touchstone`.
const MEASURED_KEYS: [&str; 5] = [
    "touchstone_pairing",
    "touchstone_line",
    "touchstone_reversed",
    "touchstone_replaces",
    "touchstone_coupling",
];

pub fn read_channels(sections: Vec<Section<'_>>, files: &Files) -> Vec<Channel> {
    unique("channel", sections, |section, name| {
        let risers = section.whole("risers", 0..=3, "risers").unwrap_or(0) as u8;
        let adapter = section.flag("adapter", false);
        let slots =
            [("none", SecondSlot::None), ("empty", SecondSlot::Empty), ("populated", SecondSlot::Populated)];
        let second_slot = section.choice("second_slot", &slots).unwrap_or(SecondSlot::None);
        let fits = section.choices("fits", &BusKind::ALL);
        if fits.is_none() {
            section.mistake(
                "fits",
                format!("{} does not say which module kinds fit", section.title),
                "add `fits = [\"UDIMM\", \"RDIMM\"]`",
            );
        }
        let fits = fits.unwrap_or_default();
        if adapter && fits.iter().any(|kind| *kind != BusKind::SmallOutline) {
            section.mistake(
                "fits",
                format!("{} has an adapter card, which takes SODIMMs only", section.title),
                "write `fits = [\"SODIMM\"]` or `adapter = false`",
            );
        }
        if let Some(kind) = fits.iter().find(|kind| kind.is_point_to_point()) {
            let beside = risers > 0 || adapter || second_slot != SecondSlot::None;
            if beside || fits.iter().any(|other| other != kind) {
                section.mistake(
                    "fits",
                    format!(
                        "{} leads to a {} device, which stands alone at the end of its lines: no riser, adapter card, second \
                         slot or other kind beside it",
                        section.title,
                        kind.name()
                    ),
                    format!("write `fits = [\"{}\"]` alone, and another [[channel]] for other kinds", kind.name()),
                );
            }
        }
        let measured = read_measured(section, files);
        let overrides = read_overrides(section);
        Some(Channel { name: name.value, risers, adapter, second_slot, fits, measured, overrides })
    })
}

fn read_measured(section: &Section<'_>, files: &Files) -> Option<MeasuredChannel> {
    let pairing = section.choice("touchstone_pairing", &PortPairing::ALL).unwrap_or(PortPairing::OneTwo);
    let line = section.whole("touchstone_line", 1..=2, "").unwrap_or(1) as u8;
    let reversed = section.flag("touchstone_reversed", false);
    let replaces = section.choices("touchstone_replaces", &ChannelSegment::ALL);
    let coupling = section.flag("touchstone_coupling", false);
    let Some(file) = section.text("touchstone") else {
        for key in MEASURED_KEYS.into_iter().filter(|key| section.has(key)) {
            section.mistake(
                key,
                format!(
                    "`{key}` in {} belongs to measured data, but no `touchstone` file is named",
                    section.title
                ),
                "add `touchstone = \"riser.s2p\"` or remove the key",
            );
        }
        return None;
    };
    let mut replaces = match replaces {
        Some(list) => list,
        None => {
            if !section.has("touchstone_replaces") {
                section.mistake(
                    "touchstone",
                    format!("{} does not say which segments the measured data replaces", section.title),
                    "add `touchstone_replaces = [\"risers\", \"connector\"]`; known, module first: adapter, risers, \
                     connector, second slot, board, socket",
                );
            }
            return None;
        }
    };
    replaces.sort();
    replaces.dedup();
    let apart = replaces.windows(2).any(|pair| match pair {
        [a, b] => *b as u8 != *a as u8 + 1,
        _ => false,
    });
    if replaces.is_empty() || apart {
        section.mistake(
            "touchstone_replaces",
            format!("`touchstone_replaces` in {} names no neighbouring segments", section.title),
            "name at least one, and none left out between them; order: adapter, risers, connector, second slot, board, \
             socket",
        );
    }
    match files.sha256(&file.value) {
        Ok(sha256) => Some(MeasuredChannel {
            file: file.value,
            span: file.span,
            sha256,
            pairing,
            line,
            reversed,
            replaces,
            coupling,
        }),
        Err(words) => {
            section.mistakes().add(
                file.span,
                format!("`touchstone` in {}: {words}", section.title),
                Some("name a Touchstone file (.s2p, .s4p), relative to the plan".into()),
            );
            None
        }
    }
}

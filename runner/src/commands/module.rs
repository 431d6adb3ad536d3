//! `module`: what a module's SPD image says, and its entry for a plan.

use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, table};
use crate::inputs::named_files::read_spd;
use plan::spd::SpdImage;
use serde_json::json;
use std::path::Path;

/// Shows an SPD image.
pub fn module(terminal: &Terminal, path: &Path, as_json: bool) -> Outcome {
    let bytes = read_spd(path).map_err(Failure::invalid)?;
    let image =
        SpdImage::read(&bytes).map_err(|error| Failure::invalid(format!("{}: {error}", path.display())))?;
    let entry = image.plan_entry(&image.plan_name(), None);
    if as_json {
        terminal.out(&machine(&image, &entry).to_string());
        return Ok(Exit::Pass);
    }
    let rows: Vec<Vec<String>> =
        image.facts().into_iter().map(|(name, value)| vec![name.to_string(), value]).collect();
    let mut text = table(&["fact", "value"], &rows, 2);
    for remark in &image.remarks {
        text.push_str(&format!("\n\nremark: {remark}"));
    }
    text.push_str("\n\nFor a plan (or name the file there: `spd = \"FILE\"`):\n\n");
    text.push_str(entry.trim_end());
    terminal.out(&text);
    Ok(Exit::Pass)
}

fn machine(image: &SpdImage, entry: &str) -> serde_json::Value {
    json!({
        "generation": image.generation.to_string(),
        "module_type": image.module_type,
        "kind": image.kind.name(),
        "stack": image.package.is_stack().then_some("3DS"),
        "package_ranks": image.package_ranks,
        "logical_ranks": image.logical_ranks(),
        "loads_per_lane": image.loads_per_lane(),
        "device_width": image.device_width,
        "dies": image.package.dies(),
        "die_gbit": image.die_gigabits,
        "row_bits": image.addressing.row_bits,
        "column_bits": image.addressing.column_bits,
        "bank_groups": image.addressing.bank_groups,
        "banks_a_group": image.addressing.banks,
        "capacity_bytes": image.capacity_bytes,
        "channels": image.channels,
        "data_lanes": image.data_lanes,
        "ecc_lanes": image.ecc_lanes,
        "clock_period_ps": image.clock_period_ps,
        "rated_mts": image.rated.nominal(),
        "temperature_sensor": image.temperature_sensor,
        "temperature_range": image.temperature_range,
        "layout_revision": format!("{}.{}", image.revision.0, image.revision.1),
        "maker_jep106": image.maker.map(|(continuation, code)| format!("{continuation:02X}{code:02X}")),
        "made": image.made.map(|(year, week)| json!({ "year": 2000 + u32::from(year), "week": week })),
        "serial": image.serial,
        "part_number": image.part_number,
        "remarks": image.remarks,
        "plan_entry": entry,
    })
}

//! The model's figures as a table for people: every key that a plan's model tables take. `drivers/simulator/MODEL.md` is this text.

use super::assembly::SET_BY_INTERFACE;
use super::physics::{Entry, Parameters};
use nightbench_core::rates::Generation;
use std::fmt::Write;

const HEAD: &str = "\
# Figures of the simulated channel

A plan sets them, in the unit the key ends in, for everything in `[model]`, for one module in a `[module.model]` table
behind its `[[module]]`, for one lane of it in `model` of a `[[module.lane]]`, for one channel in `[channel.model]`; the narrower one's
own value wins:

    [model]
    rx_noise_mv = 5.0

    [[channel]]
    name = \"long risers\"
    risers = 3
    fits = [\"UDIMM\"]
    [channel.model]
    riser_len_mm = 40.0

A value outside its range, or a key that does not exist, is a mistake of the plan with its place. The report lists every
figure used and where it comes from.

**Most figures are fitted estimates.** They were chosen so that a few channels behave as commonly observed; agreement
with those observations is by construction and no evidence about hardware. Marks: J datasheet figure, G design guide,
H handbook, E estimate (fitted: took part in the fit), M from memory. The figures of other generations are given where they
differ from DDR4; what those rest on stands in `plans/core/GENERATIONS.md`. Figures marked `[interface]` follow from that section
of the plan.

";

/// The text of `drivers/simulator/MODEL.md`.
pub fn model_table() -> String {
    let mut text = String::from(HEAD);
    let base = Parameters::ddr4();
    let others = Generation::ALL.map(|(name, generation)| (name, generation, Parameters::of(generation)));
    let others: Vec<_> = others.iter().filter(|(_, generation, _)| *generation != Generation::Ddr4).collect();
    let mut head = vec!["key", "DDR4"];
    head.extend(others.iter().map(|(name, ..)| *name));
    head.extend(["unit", "from", "to", "source", "meaning"]);
    // Writing to a string cannot fail.
    let _ = writeln!(text, "| {} |\n|{}", head.join(" | "), "---|".repeat(head.len()));
    let columns: Vec<Vec<Entry>> = others.iter().map(|(.., other)| other.entries().collect()).collect();
    for (row, entry) in base.entries().enumerate() {
        let mut cells = vec![format!("`{}`", entry.name), number(entry.value)];
        cells.extend(columns.iter().map(|column| {
            let other = column[row].value;
            if other == entry.value { String::new() } else { number(other) }
        }));
        cells.extend([entry.unit.into(), number(entry.range.0), number(entry.range.1)]);
        cells.extend([source(&entry).into(), entry.description.into()]);
        let _ = writeln!(text, "| {} |", cells.join(" | "));
    }
    text
}

fn source(entry: &Entry) -> &'static str {
    if SET_BY_INTERFACE.contains(&entry.name) { "`[interface]`" } else { entry.mark.text() }
}

/// Plain where that is short, else with an exponent.
fn number(value: f64) -> String {
    if value != 0.0 && !(1e-3..1e5).contains(&value.abs()) {
        format!("{value:e}")
    } else {
        format!("{value}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_printed_table_is_the_models_table() {
        let stored = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/MODEL.md")).unwrap();
        assert!(
            stored == model_table(),
            "drivers/simulator/MODEL.md is out of date: cargo run -p simulator --example model_table > drivers/simulator/MODEL.md"
        );
        for entry in Parameters::ddr4().entries() {
            assert!(stored.contains(&format!("| `{}` |", entry.name)), "{}", entry.name);
            assert!(entry.range.0 <= entry.value && entry.value <= entry.range.1, "{}", entry.name);
        }
    }
}

//! The model's figures as a table for people: every key that a plan's model tables take. `drivers/simulator/MODEL.md` is this text.

use super::assembly::SET_BY_INTERFACE;
use super::effects_table::effects_table;
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

const EFFECTS: &str = "
# Effects of a bench

Off where a plan says nothing. Each is a figure of the table above; `effects = \"estimated\"` in `[model]` turns the set on, with
estimates of this program for its generation (`plans/core/src/generations`), and takes the terminations of the generation's table.
Figures that a plan gives by name win.

What each does by itself to a nominal lane, at a bit error ratio of 1e-6, 25 °C, random data, with the estimates of the set (DDR4, DDR5):

";

const BEHIND: &str = "
Sizes are of width and height at the eye's own middle. What training makes of it (where it lands, which lane limits) comes on top.

- **Supply noise**: a zero draws VDDQ/(Ron + Rtt) through `pdn_z_ohm` (LVSTL: a one; half of it at VDDQ/2), so that the other seven
  lines of the byte move this one's source; the droop goes through the channel like a bit, and delays the driver's edges by
  `pdn_ps_per_mv`. Data-bus inversion never sends more than four zeros of eight. Other bytes and the inversion bit are left out.
- **Strobe**: jitter that data and strobe have in common (`clk_jitter_ps`, one pole at `clk_jitter_mhz`) is tracked but for the
  delay between them: J^2 = integral of S(f) 4 sin^2(pi f tau) df, tau = `strobe_delay_ps`, added to `rj_ps`. `dqs2dq_tc_ps_per_k` and
  `dqs2dq_vc_ps_per_v` move write taps, and tau by as much: they show where training is held (LPDDR4X: 0.6 ps/K and 33 ps by 50 mV,
  from memory). The table's line holds a training while the strobe path alone warms by 60 K, and takes twice the smaller side.
- **Rising unlike falling edges**: `edge_skew` of the edge times, `ron_skew` of the resistances. The pull-up drives the rising edge;
  a line that ends at VDDQ has its level from the pull-down alone.
- **Jitter through the channel**: each edge moves by itself (`tx_rj_ps`), and what arrives is its slope times that, spread over the
  edges nearby. The set takes half of the variance of `rj_ps` for it: on the channels above it costs no more than jitter of the
  sampling instant of the same size (direct and through risers, bit by bit); where a channel spreads edges over several bits it costs more.
- **Even and odd bits**: duty-cycle distortion moves them apart; counted together they are the two-point mix. `compared_bits` counts
  one kind alone: in the models of two `[[firmware]]` both eyes are levels of one plan.
- **Terminations**: `termination = \"table\"` in `[interface]`, or the set, takes them from the generation's table by direction, modules fitted and ranks
  (`plans/core/src/generations`): the addressed end, the module's other ranks, the other module. Else each end has one value, and whatever is not
  addressed is parked at `odt_park_ohm`. The table's lines have a second rank on the module, or a second module in the board's other slot;
  with one rank of one module the table changes the addressed end at most. Parked at one value stand the lines above them.
- **DFE**: `dfe` in `[interface]` is the controller's, in reads (`ctl_dfe*` where its taps differ), `dram_dfe` the DRAM's own, in writes;
  taps are adapted in training, lane by lane. Earlier decisions are taken as right. Fed with what was decided instead, bit-by-bit
  Monte Carlo counts up to 1.17 times as many errors at an error ratio of 1e-3 (DDR5: 4800 through two risers, write, the largest of
  four channels with taps of 25 to 50 mV; 95 %: 1.11 to 1.25) and up to 1.07 times at 1e-4, at the early and late edges, where an error
  says that the bit beside is another one; none more at the lower and upper ones. An edge would move by less than 0.08 taps of 32 a unit
  interval at 1e-3, 0.02 at 1e-4. Reports and `preview` of a simulated target with a DFE say so.
- **One reference for a device**: `vref_shared` trains write lanes that share a reference (DDR4 and LPDDR4X: a device; LPDDR5: a byte;
  DDR3: a module) to the middle of what all of them pass, and centres each at it. The table's line is the lane furthest off of eight.
- **Read back**: `read_back` adds the error ratio of the read eye at its trained point to every point of a write eye (less twice
  their product: one error undoes the other); where reads are not captured, they are trained all the same.

Each is checked against bit-by-bit Monte Carlo that holds the same effect (`physics/tests/effects.rs`). Shifts of edges count to first order:
at the sizes of the set, error ratios near 1e-3 are within a tenth.
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
    text.push_str(EFFECTS);
    text.push_str(&effects_table());
    text.push_str(BEHIND);
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

//! What the tables of a plan make together: conditions chosen, and every check that needs more than one
//! table.

use crate::choose_rows::choose_rows;
use crate::expand;
use crate::limits::Limit;
use crate::matrix::{FACTORS, Matrix};
use crate::measure::{Training, TrainingPolicy};
use crate::plan::{Plan, temperature_name};
use crate::section::{Placed, Section};
use crate::selection::Selection;
use crate::warnings;
use nightbench_core::devices::{ModuleKind, Supply};
use nightbench_core::results::{Direction, MOST_COUNTS};
use nightbench_core::text::{Named, hides};
use nightbench_core::units::Celsius;
use std::collections::HashMap;

/// The tables of a plan as they were read.
pub(crate) struct Read {
    /// Without the rows of its coverage.
    pub(crate) plan: Plan,
    /// Conditions whose extra jobs the text stands for, as [`with_extra_jobs`](crate::diagnosis::with_extra_jobs) wrote them.
    pub(crate) extra: Vec<String>,
    /// Its limits with their places.
    pub(crate) limits: Vec<Placed<Limit>>,
    /// Baseline of the coverage: one level of each factor, where one is named.
    pub(crate) baseline: [Option<u16>; FACTORS],
    /// Was there a matrix?
    pub(crate) matrix_read: bool,
    /// Are interface and every factor's levels there?
    pub(crate) whole: bool,
}

/// Chooses the conditions and checks what the tables make together; `section` is the whole file.
pub(crate) fn validate(read: Read, section: &Section<'_>) -> Plan {
    let Read { mut plan, limits, baseline, matrix_read, whole, extra: _ } = read;
    if matrix_read {
        check_held(&plan.training, &plan.matrix, &plan.supplies, section);
    }
    if whole {
        warnings::limits(&limits, &plan.interface, &plan.matrix, &plan.capture, &plan.supplies, section);
    }
    if section.mistakes().is_empty() {
        match choose_rows(&plan, baseline) {
            Ok(coverage) => plan.coverage = coverage,
            Err(words) => {
                let place = section.table("coverage").map_or(0..0, |table| table.place("kind"));
                let remedy = "choose another baseline, fewer levels or a lower strength";
                section.mistakes().add(place, words, Some(remedy.into()));
            }
        }
    }
    if whole {
        check_circle(&plan, section);
        check_reference(&plan, section);
        check_sizes(&plan, section);
        if let Some(asked) = plan.highest_rate {
            asked.check(&plan, section);
        }
        if let Some(asked) = plan.predicted {
            asked.check(&plan, section);
        }
        check_landings(&plan, section);
        check_wck(&plan, section);
        check_command(&plan, section);
        check_re_seats(&plan, section);
        check_tap_sweep(&plan, section);
        warn_of_names_alike(&plan, section);
    }
    plan
}

/// Names that people take for one another: they differ in blanks at an end, in what is not seen, or in letters of another
/// alphabet that look the same.
fn warn_of_names_alike(plan: &Plan, section: &Section<'_>) {
    fn names<T: Named>(things: &[T]) -> Vec<&str> {
        things.iter().map(Named::name).collect()
    }
    for (table, names) in [
        ("chip", names(&plan.chips)),
        ("module", names(&plan.modules)),
        ("channel", names(&plan.channels)),
        ("supply", names(&plan.supplies)),
    ] {
        let mut seen: HashMap<String, &str> = HashMap::new();
        for name in names {
            let known = *seen.entry(looks(name)).or_insert(name);
            if known != name {
                let message = format!("{known:?} and {name:?} in [[{table}]] are two names that look alike");
                section.mistakes().warn(section.place(table), message, "give one of them another name");
            }
        }
    }
}

/// A name as it looks: without blanks at its ends and what has no width, letters that look like Latin ones as those.
fn looks(name: &str) -> String {
    // Pairs of the Unicode list of confusables (UTS 39) that keyboards have.
    const ALIKE: (&str, &str) = (
        "\u{410}\u{412}\u{415}\u{41a}\u{41c}\u{41d}\u{41e}\u{420}\u{421}\u{422}\u{425}\u{430}\u{435}\u{43e}\u{440}\u{441}\u{443}\u{445}\u{456}\u{391}\u{392}\u{395}\u{396}\u{397}\u{399}\u{39a}\u{39c}\u{39d}\u{39f}\u{3a1}\u{3a4}\u{3a5}\u{3a7}\u{3bf}\u{2010}\u{2011}\u{2212}\u{a0}",
        "ABEKMHOPCTXaeopcyxiABEZHIKMNOPTYXo--- ",
    );
    let unseen = |c: &char| hides(*c) || matches!(c, '\u{ad}' | '\u{200c}' | '\u{200d}' | '\u{2060}');
    let same = |c: char| {
        ALIKE.0.chars().zip(ALIKE.1.chars()).find(|(other, _)| *other == c).map_or(c, |(_, latin)| latin)
    };
    let seen: String = name.chars().filter(|c| !unseen(c)).map(same).collect();
    seen.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The slower data clock does not reach every rate.
fn check_wck(plan: &Plan, section: &Section<'_>) {
    let Some(ratio) = plan.interface.wck_ratio else { return };
    let ratios = plan.interface.generation.facts().strobe.ratios();
    let Some((_, fastest)) = ratios.iter().find(|(known, _)| *known == ratio) else { return };
    for rate in plan.matrix.rates.iter().filter(|rate| rate.nominal() > *fastest) {
        section.mistake(
            "matrix",
            format!("{rate} MT/s with a WCK of {ratio}:1, which reaches {fastest} MT/s"),
            "leave `wck_ratio` in [interface] out, or plan the faster rates by themselves",
        );
    }
}

/// Command lines are captured over a sweep of their own.
fn check_command(plan: &Plan, section: &Section<'_>) {
    let captured = plan.capture.directions.contains(&Direction::Command);
    if captured && plan.interface.command.is_none() {
        section.mistake(
            "capture",
            "`directions` in [capture] names the command lines, but [interface] does not say how they are swept",
            "add `[interface.command]` (empty for the generation's own codes), or remove \"command\"",
        );
    }
}

/// Bit times that a sweep must cover, so that both crossings of every lane's eye lie in it.
const SWEPT_UI: f64 = 1.25;

/// The size of a tap is seen where eyes cross on both sides, and where nothing but the line's own edges moves the crossings.
fn check_tap_sweep(plan: &Plan, section: &Section<'_>) {
    if !plan.capture.tap_sweep {
        return;
    }
    if plan.interface.dfe {
        section.mistake(
            "capture",
            "`tap_sweep` with a DFE: its feedback belongs to one bit and moves the two crossings of an eye differently",
            "write `dfe = false` in [interface] for this run, or remove `tap_sweep`",
        );
    }
    for direction in plan.capture.directions.iter().filter(|one| **one != Direction::Command) {
        let sweep = plan.interface.sweep(*direction);
        let covered = f64::from(sweep.taps) / f64::from(sweep.taps_per_ui);
        if covered < SWEPT_UI {
            section.mistake(
                "capture",
                format!(
                    "`tap_sweep`, but the {} sweep of {} taps, {} a UI, covers {covered:.2} UI: both crossings of an eye take \
                     {SWEPT_UI} UI",
                    direction.name(),
                    sweep.taps,
                    sweep.taps_per_ui
                ),
                format!(
                    "sweep {} taps in [interface.{}] if the delay line has them; else remove `tap_sweep` and give the tap's \
                     uncertainty as [[uncertainty]] with `name = \"size of a tap\"`",
                    (SWEPT_UI * f64::from(sweep.taps_per_ui)).ceil(),
                    direction.name()
                ),
            );
        }
    }
}

/// What is soldered cannot be taken out and put in again.
fn check_re_seats(plan: &Plan, section: &Section<'_>) {
    let soldered = |index: &&usize| plan.modules[**index].kind == ModuleKind::Soldered;
    if plan.repeats.mountings > 1
        && let Some(index) = plan.matrix.modules.iter().find(soldered)
    {
        section.mistake(
            "repeats",
            format!("`re_seats` in [repeats], but {} is soldered", plan.modules[*index].name),
            "leave `re_seats` out: what differs from board to board shows with several boards, each a [[module]] of its own",
        );
    }
}

/// A firmware's lanes are lanes of the interface.
fn check_landings(plan: &Plan, section: &Section<'_>) {
    for firmware in &plan.firmwares {
        for landing in firmware.landings.iter().filter(|landing| landing.lane >= plan.interface.lanes) {
            section.mistake(
                "firmware",
                format!(
                    "firmware `{}` sets lane {}, and the interface has lanes 0 to {}",
                    firmware.name,
                    landing.lane,
                    plan.interface.lanes - 1
                ),
                "name a lane of the interface",
            );
        }
    }
}

/// Most jobs of a plan: a hundred thousand take a simulated run minutes and a bench months.
pub const MOST_JOBS: u64 = 1_000_000;

/// Refuses what no computer of a bench could hold.
fn check_sizes(plan: &Plan, section: &Section<'_>) {
    for (_, direction) in Direction::ALL {
        let sweep = plan.interface.sweep(direction);
        let counts =
            usize::from(plan.interface.lanes) * usize::from(sweep.taps) * usize::from(sweep.vref_steps);
        if counts > MOST_COUNTS {
            section.mistake(
                "interface",
                format!(
                    "a capture of {} lanes, {} taps and {} Vref steps has {counts} counts, more than the limit of {MOST_COUNTS}",
                    plan.interface.lanes, sweep.taps, sweep.vref_steps
                ),
                "sweep fewer taps or steps in [interface]",
            );
            return;
        }
    }
    if !section.mistakes().is_empty() {
        return;
    }
    let conditions = expand::expand(plan, &Selection::default()).conditions.len() as u64;
    let jobs = conditions.saturating_mul(plan.repeats.jobs());
    if jobs > MOST_JOBS {
        section.mistake(
            if section.has("repeats") { "repeats" } else { "matrix" },
            format!("the plan has {jobs} jobs ({conditions} conditions), more than the limit of {MOST_JOBS}"),
            "ask for fewer repeats, starts or levels, or split the plan",
        );
    }
}

fn check_reference(plan: &Plan, section: &Section<'_>) {
    let Some(reference) = &plan.order.reference else { return };
    if section.mistakes().is_empty() && expand::first_condition(plan, &reference.levels).is_none() {
        section.mistake(
            "order",
            "the reference job of [order] is not a condition that is run: it is skipped or does not fit",
            "choose other levels in [order.reference]",
        );
    }
}

fn check_circle(plan: &Plan, section: &Section<'_>) {
    if plan.order.before.is_empty() {
        return;
    }
    let Some(circle) = plan.order.circle(&expand::setups(plan)) else { return };
    let names: Vec<String> = circle
        .iter()
        .chain(circle.first())
        .map(|(module, channel)| {
            format!("{} on {}", plan.modules[*module].name, plan.channels[*channel].name)
        })
        .collect();
    let span = plan.order.before.last().map_or(0..0, |last| last.span.clone());
    section.mistakes().add(
        span,
        format!("the precedences form a circle: {}", names.join(" before ")),
        Some("remove one of the [[order.precedence]] on it (the baseline comes before everything)".into()),
    );
}

fn check_held(training: &Training, matrix: &Matrix, supplies: &[Supply], section: &Section<'_>) {
    let TrainingPolicy::Held { temperature, supply } = &training.policy else { return };
    if !matrix.temperatures.contains(&Celsius(*temperature)) {
        let levels: Vec<String> = matrix.temperatures.iter().map(|level| temperature_name(*level)).collect();
        section.mistake(
            "training",
            format!("training is held from {temperature} °C, which is not a temperature of the matrix"),
            format!("choose one of {} °C, or add it to `temperature_degc`", levels.join(", ")),
        );
    }
    if let Some(name) = supply
        && !supplies.iter().any(|supply| supply.name == *name)
        && !section.mistakes().is_broken("supply", name)
    {
        section.mistake(
            "training",
            format!("training is held from the supply `{name}`, which is not declared"),
            "declare it with [[supply]]",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the plan says of a library plan with one line replaced.
    fn said(text: &str, from: &str, to: &str) -> String {
        assert!(text.contains(from), "{from}");
        match Plan::read(&text.replacen(from, to, 1)) {
            Ok(_) => String::new(),
            Err(mistakes) => mistakes
                .iter()
                .map(|mistake| {
                    format!("{}; {}\n", mistake.message, mistake.remedy.clone().unwrap_or_default())
                })
                .collect(),
        }
    }

    #[test]
    fn what_a_generation_has_not_is_a_mistake() {
        let ddr3 = include_str!("../../library/ddr3-look.toml");
        let lpddr5 = include_str!("../../library/lpddr5-look.toml");
        for (text, from, to, words) in [
            (ddr3, "lanes = 32", "lanes = 32\ndfe = true", "a DDR3 interface has no DFE"),
            (ddr3, "lanes = 32", "lanes = 32\nwck_ratio = 4", "a DDR3 interface has no WCK"),
            (
                ddr3,
                "kind = \"UDIMM\"",
                "kind = \"soldered\"",
                "no kind of DDR3; kinds of DDR3: UDIMM, SODIMM",
            ),
            (
                ddr3,
                "vdd_v = 1.5\n",
                "vdd_v = 1.5\nvpp_v = 2.5\n",
                "DDR3 has no rail VPP; its rails: vdd_v, vddq_v",
            ),
            (
                ddr3,
                "vdd_v = 1.35\n",
                "vdd_v = 1.2\n",
                "outside DDR3's 1.425 V to 1.575 V or 1.283 V to 1.450 V",
            ),
            (ddr3, "[1066, 1333, 1600]", "[1066, 1333, 2400]", "2400 MT/s is no DDR3 data rate"),
            (
                lpddr5,
                "wck_ratio = 4",
                "wck_ratio = 2",
                "6400 MT/s with a WCK of 2:1, which reaches 3200 MT/s",
            ),
            (lpddr5, "kind = \"soldered\"", "kind = \"UDIMM\"", "which is no kind of LPDDR5"),
            (lpddr5, "fits = [\"soldered\"]", "risers = 1\nfits = [\"soldered\"]", "no riser, adapter card"),
            (
                lpddr5,
                "fits = [\"soldered\"]",
                "fits = [\"soldered\", \"UDIMM\"]",
                "another [[channel]] for other kinds",
            ),
            (lpddr5, "[capture]", "[repeats]\nre_seats = 1\n[capture]", "Fennel 1Rx16 6400 is soldered"),
            (lpddr5, "vddq_v = 0.47", "vddq_v = 0.4", "0.470 V to 0.570 V or 0.270 V to 0.330 V"),
            (lpddr5, "[\"read\", \"write\"]", "[\"read\", \"command\"]", "does not say how they are swept"),
            (ddr3, "[[chip]]", "[interface.command]\n[[chip]]", "it is for DDR5, LPDDR4X or LPDDR5"),
            (lpddr5, "vddq_v = 0.47", "vdd_v = 1.1", "LPDDR5 has no rail VDD; its rails: vdd1_v, vdd2h_v"),
        ] {
            let found = said(text, from, to);
            assert!(found.contains(words), "{to}: {found}");
        }
        assert_eq!(said(lpddr5, "vddq_v = 0.47", "vddq_v = 0.3"), "", "DVFSQ");
        assert_eq!(said(ddr3, "lanes = 32", "lanes = 32\ntermination = \"fixed\""), "");
    }

    #[test]
    fn a_tap_sweep_needs_both_crossings_and_no_feedback() {
        let plan = include_str!("../../library/quick-look.toml");
        assert_eq!(said(plan, "[capture]", "[capture]\ntap_sweep = true"), "");
        let short = "[interface.read]\ntaps = 36\ntaps_per_ui = 32\n[capture]\ntap_sweep = true";
        let found = said(plan, "[capture]", short);
        assert!(found.contains("covers 1.12 UI") && found.contains("sweep 40 taps"), "{found}");
        let found = said(plan, "[capture]", "[capture]\ntap_sweep = true")
            + &said(
                &plan.replace("[capture]", "[capture]\ntap_sweep = true"),
                "lanes = ",
                "dfe = true\nlanes = ",
            );
        assert!(found.contains("with a DFE"), "{found}");
    }

    #[test]
    fn names_that_look_alike_look_alike() {
        for other in ["Amber ", " Amber", "Am\u{200b}ber", "\u{410}mber", "Amb\u{435}r", "Amber\u{a0}"] {
            assert_eq!(looks(other), "Amber", "{other:?}");
        }
        for other in ["amber", "Amber 2", "Ambar"] {
            assert_ne!(looks(other), "Amber");
        }
        assert_eq!(looks("a  b"), looks("a b"));
    }
}

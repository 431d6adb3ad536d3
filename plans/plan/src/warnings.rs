//! What a plan may ask for but hardly means: limits that judge nothing, that no eye can meet, or that say a thing twice.

use super::limits::{Limit, LimitUnit, Metric};
use super::matrix::Matrix;
use super::measure::CapturePlan;
use super::section::{Placed, Section};
use nightbench_core::devices::{Interface, Supply};
use nightbench_core::rates::DataRate;
use nightbench_core::results::Direction;
use nightbench_core::units::Millivolts;
use std::collections::HashMap;

/// Looks at the limits against the matrix, the grid and each other.
pub(super) fn limits(
    limits: &[Placed<Limit>],
    interface: &Interface,
    matrix: &Matrix,
    capture: &CapturePlan,
    supplies: &[Supply],
    plan: &Section<'_>,
) {
    let mistakes = plan.mistakes();
    let warn = |limit: &Placed<Limit>, message: String, remedy: &str| {
        mistakes.warn(limit.span.clone(), message, remedy);
    };
    // A preset gives several limits of one place.
    let mut of_one_place: HashMap<usize, usize> = HashMap::new();
    for limit in limits {
        *of_one_place.entry(limit.span.start).or_default() += 1;
    }
    // Rates that an earlier limit on the same metric judges, with its place.
    let mut judged: HashMap<(Metric, Direction, DataRate), usize> = HashMap::new();
    for limit in limits {
        let Limit { metric, direction, minimum, ref rates, .. } = limit.value;
        let named = format!("the limit on {} ({})", metric.name(), direction.name());
        let preset = of_one_place.get(&limit.span.start).is_some_and(|count| *count > 1);
        if !capture.directions.contains(&direction) {
            let message =
                format!("{named} judges nothing: `directions` in [capture] has no {}", direction.name());
            warn(limit, message, "capture that direction too, or remove the limit");
            continue;
        }
        let applies = |rate: &&DataRate| limit.value.applies(direction, **rate);
        if !preset && !matrix.rates.iter().any(|rate| applies(&rate)) {
            let names: Vec<String> = rates.iter().map(ToString::to_string).collect();
            let message =
                format!("{named} judges nothing: its rates ({}) are not in the matrix", names.join(", "));
            warn(limit, message, "correct `rate`, or remove the limit");
        }
        if minimum == 0.0 {
            let message =
                format!("{named} asks for at least 0 {}: every eye has that", limit.value.unit.name());
            warn(limit, message, "state the smallest acceptable value");
        }
        if let Some(message) = below_the_grid(&limit.value, interface, matrix, supplies) {
            warn(limit, format!("{named} {message}"), "correct `minimum` or `unit`");
        }
        let beyond = matrix.rates.iter().filter(applies).find_map(|rate| {
            too_large(&limit.value, interface, *rate, supplies)
                .map(|words| format!("{named} at {rate} MT/s is {words}"))
        });
        if let Some(message) = beyond {
            warn(limit, message, "correct `minimum` or `unit`, or sweep more in [interface]");
        }
        let mut twice = None;
        for rate in matrix.rates.iter().filter(applies) {
            let earlier = *judged.entry((metric, direction, *rate)).or_insert(limit.span.start);
            if earlier != limit.span.start {
                twice.get_or_insert(rate);
            }
        }
        if let Some(rate) = twice {
            let message =
                format!("{named} is the second one at {rate} MT/s: both are judged, the worse one counts");
            warn(limit, message, "keep one, or give them different `rate` lists");
        }
    }
    for (name, direction) in Direction::ALL {
        let sweep = interface.sweep(direction);
        if capture.directions.contains(&direction) && sweep.taps < sweep.taps_per_ui {
            let span = plan
                .table("interface")
                .map_or(0..0, |table| if table.has(name) { table.place(name) } else { table.span.clone() });
            mistakes.warn(
                span,
                format!(
                    "the {name} sweep shows {:.2} UI ({} taps of 1/{} UI): edges beyond it are never seen",
                    f64::from(sweep.taps) / f64::from(sweep.taps_per_ui),
                    sweep.taps,
                    sweep.taps_per_ui
                ),
                "sweep at least one UI: raise `taps`, or correct `taps_per_ui`",
            );
        }
    }
    for direction in &capture.directions {
        let bare: Vec<String> = matrix
            .rates
            .iter()
            .filter(|rate| !limits.iter().any(|limit| limit.value.applies(*direction, **rate)))
            .map(ToString::to_string)
            .collect();
        if bare.is_empty() {
            continue;
        }
        let span = plan.table("matrix").map_or(0..0, |section| section.place("rate"));
        mistakes.warn(
            span,
            format!(
                "no limit applies to {} eyes at {} MT/s: they are captured, but not judged",
                direction.name(),
                bare.join(", ")
            ),
            format!(
                "add a [[limit]] with `direction = \"{}\"` for these rates, or leave them out",
                direction.name()
            ),
        );
    }
}

/// In words, why the grid cannot tell a limit from nothing; `None` where it can. A quarter of a step is less than any value that the
/// grid resolves.
fn below_the_grid(
    limit: &Limit,
    interface: &Interface,
    matrix: &Matrix,
    supplies: &[Supply],
) -> Option<String> {
    let sweep = interface.sweep(limit.direction);
    let (minimum, unit) = (limit.minimum, limit.unit.name());
    if minimum <= 0.0 {
        return None;
    }
    if limit.metric.is_time() {
        let slowest =
            matrix.rates.iter().map(|rate| interface.bit_time(*rate, limit.direction).0).fold(0.0, f64::max);
        let tap = slowest / f64::from(sweep.taps_per_ui);
        let ps = match limit.unit {
            LimitUnit::Picoseconds => minimum,
            LimitUnit::Taps => minimum * tap,
            _ => minimum * slowest,
        };
        return (ps < tap / 4.0)
            .then(|| format!("asks for {minimum} {unit}, far less than one tap ({tap:.1} ps)"));
    }
    let vddq = supplies.iter().map(|supply| supply.vddq().0).fold(0.0, f64::max) * 1000.0;
    let step = vddq * sweep.vref_step_percent / 100.0;
    let mv = match limit.unit {
        LimitUnit::Millivolts => minimum,
        LimitUnit::Steps => minimum * step,
        _ => minimum * vddq / 100.0,
    };
    (mv < step / 4.0)
        .then(|| format!("asks for {minimum} {unit}, far less than one Vref step ({step:.1} mV)"))
}

/// In words, why no eye can meet a limit at a rate; `None` where one can. What the grid shows is reckoned as the judge does
/// (taps x tap size, steps x step size): the same limits are refused there, with the same number.
fn too_large(limit: &Limit, interface: &Interface, rate: DataRate, supplies: &[Supply]) -> Option<String> {
    let sweep = interface.sweep(limit.direction);
    let (minimum, unit) = (limit.minimum, limit.unit.name());
    if limit.metric.is_time() {
        let ui = interface.bit_time(rate, limit.direction);
        let tap_ui = 1.0 / f64::from(sweep.taps_per_ui);
        let wanted = match limit.unit {
            LimitUnit::Picoseconds => minimum / ui.0,
            LimitUnit::Taps => minimum * tap_ui,
            _ => minimum,
        };
        let shown = f64::from(sweep.taps) * tap_ui;
        return if wanted > 1.0 + 1e-9 {
            Some(format!(
                "{minimum} {unit}, more than the whole bit time (1 UI, {ui:.1}): no eye is that wide"
            ))
        } else if wanted > shown + 1e-9 {
            Some(format!("{minimum} {unit}, more than the grid shows ({} taps, {shown:.2} UI)", sweep.taps))
        } else {
            None
        };
    }
    let shown = f64::from(sweep.vref_steps) * sweep.vref_step_percent;
    let vddq = supplies.iter().map(|supply| supply.vddq().0).fold(0.0, f64::max) * 1000.0;
    let wanted = match limit.unit {
        LimitUnit::Millivolts => 100.0 * minimum / vddq.max(1e-9),
        LimitUnit::Steps => minimum * sweep.vref_step_percent,
        _ => minimum,
    };
    (wanted > shown + 1e-9).then(|| {
        let mv = Millivolts(vddq * shown / 100.0);
        format!(
            "{minimum} {unit}, more than the grid shows ({} steps, {shown:.1} % VDDQ, {mv:.1})",
            sweep.vref_steps
        )
    })
}

#[cfg(test)]
mod tests {
    use crate::Plan;

    const PLAN: &str = include_str!("../../library/quick-look.toml");

    fn warnings(replace: &[(&str, &str)]) -> Vec<String> {
        let text = replace.iter().fold(PLAN.to_string(), |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replacen(from, to, 1)
        });
        let plan = Plan::read(&text).expect("sound");
        plan.warnings
            .iter()
            .map(|warning| {
                let line = 1 + text[..warning.span.start].matches('\n').count();
                let at = text.lines().nth(line - 1).unwrap_or_default();
                let places = ["[[limit]]", "rate = ", "[interface.read]", "name = ", "units = "];
                assert!(places.iter().any(|place| at.starts_with(place)), "{at}");
                warning.message.clone()
            })
            .collect()
    }

    #[test]
    fn a_sound_plan_raises_none() {
        assert_eq!(warnings(&[]), Vec::<String>::new());
    }

    #[test]
    fn limits_that_judge_nothing_or_that_no_eye_meets_are_named() {
        for (replace, words) in [
            (("minimum = 0.22", "minimum = 1.22"), "1.22 UI, more than the whole bit time"),
            (("minimum = 0.22", "minimum = 0"), "at least 0 UI: every eye has that"),
            (
                ("minimum = 10.0\nunit = \"% VDDQ\"", "minimum = 600\nunit = \"mV\""),
                "more than the grid shows (64 steps, 41.6 % VDDQ, 499.2 mV)",
            ),
            (("minimum = 0.22", "rate = 1600\nminimum = 0.22"), "its rates (1600) are not in the matrix"),
            (("direction = \"read\"", "direction = \"write\""), "`directions` in [capture] has no write"),
            (
                (
                    "[decision]",
                    "[[limit]]\nmetric = \"width\"\nminimum = 30\nunit = \"ps\"\nrate = [3200]\nsource = \"x\"\n[decision]",
                ),
                "the limit on width (read) is the second one at 3200 MT/s",
            ),
        ] {
            let found = warnings(&[replace]);
            assert_eq!(found.len(), 1, "{words}: {found:?}");
            assert!(found[0].contains(words), "{words}: {found:?}");
        }
        // A grid of less than a bit time shows less than one.
        let small = warnings(&[
            ("lanes = 72", "lanes = 72\n[interface.read]\ntaps = 16"),
            ("minimum = 0.22", "minimum = 0.6"),
        ]);
        assert!(small[0].contains("the read sweep shows 0.50 UI (16 taps of 1/32 UI)"), "{small:?}");
        assert!(small[1].contains("more than the grid shows (16 taps, 0.50 UI)"), "{small:?}");
    }

    #[test]
    fn a_release_by_more_units_than_there_are_is_named() {
        let release = "[release]\nunits = 3\n\n[decision]";
        assert_eq!(
            warnings(&[("[decision]", release)]),
            ["[release] asks for 3 units, the matrix has 0 chips without a process-corner label"]
        );
    }

    #[test]
    fn what_the_grid_cannot_tell_from_nothing_is_named() {
        let found = warnings(&[("minimum = 10.0\nunit = \"% VDDQ\"", "minimum = 0.08\nunit = \"mV\"")]);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].contains("asks for 0.08 mV, far less than one Vref step (7.8 mV)"), "{found:?}");
        let found = warnings(&[("minimum = 0.22\nunit = \"UI\"", "minimum = 1\nunit = \"ps\"")]);
        assert!(found[0].contains("asks for 1 ps, far less than one tap (13.0 ps)"), "{found:?}");
    }

    #[test]
    fn a_line_that_is_nearly_one_of_the_tools_is_named() {
        let line = |name: &str| {
            let uncertainty = format!(
                "[[uncertainty]]\nname = \"{name}\"\nstandard_uncertainty_ps = 1\nsource = \"x\"\n[decision]"
            );
            warnings(&[("[decision]", &uncertainty)])
        };
        assert!(line("re-seating").is_empty() && line("probe loading").is_empty());
        for near in ["reseating", "Re-Seating", "repeatabilty"] {
            let found = line(near);
            assert_eq!(found.len(), 1, "{near}: {found:?}");
            assert!(found[0].contains("counted beside the tool's own line `re"), "{found:?}");
        }
    }

    #[test]
    fn rates_and_directions_without_a_limit_are_named() {
        let found = warnings(&[("directions = [\"read\"]", "directions = [\"read\", \"write\"]")]);
        assert_eq!(
            found,
            ["no limit applies to write eyes at 2400, 2666, 3200 MT/s: they are captured, but not judged"]
        );
        let found = warnings(&[
            ("minimum = 0.22", "rate = [2400, 2666]\nminimum = 0.22"),
            ("minimum = 10.0", "rate = 2400\nminimum = 10.0"),
        ]);
        assert_eq!(found, ["no limit applies to read eyes at 3200 MT/s: they are captured, but not judged"]);
    }
}

//! Other interfaces and ways of measuring: writes, DDR5, few and many lanes, coarse delay lines, masks, held training. No part of
//! the short table.

use crate::cases::plan;
use crate::eyes::Case;
use crate::rows::uniform;
use crate::truth::Effort;

fn case(name: &'static str, (chips, seeds): (u64, u64), plan: fn(&str) -> String) -> Case {
    Case { name, plan, chips, seeds, retrained: 1, effort: Effort { mountings: 8, starts: 24 } }
}

/// Masks of one shape in many sizes, so that one of them is near what is true.
fn masks() -> String {
    (0..MASKS)
        .map(|size| {
            let width = 96.0 + 12.0 * size as f64;
            format!(
                "[[limit]]\nmetric = \"mask\"\ndirection = \"write\"\nminimum = {width}\nunit = \"ps\"\nmask_height_mv = {}\n\
                 source = \"invented\"\n",
                width * 1.2
            )
        })
        .collect()
}

/// Sizes of masks.
const MASKS: usize = 10;

pub fn cases() -> Vec<Case> {
    const RATES: &str = "2400, 2666";
    const COARSE: &str = "[interface.read]\ntaps = 32\ntaps_per_ui = 16\n";
    vec![
        // What is the same in every run of a chip, a delay line's nonlinearity or a device's Vref: more chips, fewer runs of each.
        case("DDR4 write, 8 lanes", (96, 10), |chip| plan(chip, "DDR4", 8, RATES, &["write"], "")),
        case("DDR4 read, 4 lanes", (24, 40), |chip| plan(chip, "DDR4", 4, RATES, &["read"], "")),
        case("DDR4 read, 16 taps a UI", (96, 10), |chip| plan(chip, "DDR4", 8, RATES, &["read"], COARSE)),
        case("DDR5 write, 8 lanes", (96, 10), |chip| plan(chip, "DDR5", 8, "4400, 4800", &["write"], "")),
        Case {
            effort: Effort { mountings: 8, starts: 12 },
            ..case("DDR4 write mask", (240, 4), |chip| {
                let all = plan(chip, "DDR4", 8, RATES, &["write"], "");
                let (rest, _) = all.split_once("[[limit]]").expect("limits");
                format!("{rest}{}", masks())
            })
        },
        // A tap off what the device says, by its chip, and measured.
        Case {
            effort: Effort { mountings: 6, starts: 12 },
            retrained: 5,
            ..case("DDR4 read, 72 lanes, taps off and swept", (24, 8), |chip| {
                let off =
                    0.04 * (uniform(&[chip.bytes().map(u64::from).sum::<u64>(), chip.len() as u64]) - 0.5);
                let all = plan(
                    chip,
                    "DDR4",
                    72,
                    "2400",
                    &["read"],
                    "tap_sweep = true\nmode = \"row_and_column\"\n",
                );
                format!("{all}[model]\ntap_off = {off:.4}\n")
            })
        },
        case("DDR4 read, training held", (24, 40), |chip| {
            let held = "[training]\npolicy = \"held\"\nheld_temperature_degc = 25.0\n";
            let all = plan(chip, "DDR4", 8, "2666", &["read"], held);
            all.replace("[capture]", "temperature_degc = [25.0, 85.0]\n[capture]")
        }),
        Case {
            retrained: 5,
            ..case("DDR5 read, 40 lanes", (24, 8), |chip| plan(chip, "DDR5", 40, "4000", &["read"], ""))
        },
        Case {
            effort: Effort { mountings: 6, starts: 12 },
            retrained: 5,
            ..case("DDR4 read, 72 lanes", (24, 8), |chip| plan(chip, "DDR4", 72, "2400", &["read"], ""))
        },
    ]
}

//! Other interfaces: writes, DDR5, few and many lanes, coarse delay lines. No part of the short table.

use crate::cases::plan;
use crate::eyes::Case;
use crate::truth::Effort;

fn case(name: &'static str, (chips, seeds): (u64, u64), plan: fn(&str) -> String) -> Case {
    Case { name, plan, chips, seeds, effort: Effort { mountings: 8, starts: 24 } }
}

pub fn cases() -> Vec<Case> {
    const RATES: &str = "2400, 2666";
    const COARSE: &str = "[interface.read]\ntaps = 32\ntaps_per_ui = 16\n";
    vec![
        case("DDR4 write, 8 lanes", (24, 40), |chip| plan(chip, "DDR4", 8, RATES, &["write"], "")),
        case("DDR4 read, 4 lanes", (24, 40), |chip| plan(chip, "DDR4", 4, RATES, &["read"], "")),
        case("DDR4 read, 16 taps a UI", (24, 40), |chip| plan(chip, "DDR4", 8, RATES, &["read"], COARSE)),
        case("DDR5 read, 40 lanes", (12, 10), |chip| plan(chip, "DDR5", 40, "4000", &["read"], "")),
        Case {
            effort: Effort { mountings: 6, starts: 12 },
            ..case("DDR4 read, 72 lanes", (12, 8), |chip| plan(chip, "DDR4", 72, "2400", &["read"], ""))
        },
    ]
}

//! Fast captures: width, height and margins rest on rims that are bracketed tap by tap, so that nothing systematic is left
//! when jobs are averaged.

use crate::cases::plan;
use crate::eyes::Case;
use crate::truth::Effort;

pub fn cases(short: bool) -> Vec<Case> {
    let effort = Effort { mountings: 8, starts: if short { 12 } else { 24 } };
    let (chips, seeds) = if short { (24, 2) } else { (24, 40) };
    vec![
        Case {
            name: "DDR4 read, fast, 1 job",
            plan: |chip| plan(chip, "DDR4", 8, "2400, 2666", &["read"], "mode = \"fast\"\n"),
            chips,
            seeds,
            retrained: 1,
            effort,
        },
        Case {
            name: "DDR4 read, fast, 8 jobs",
            plan: |chip| {
                let rest = "mode = \"fast\"\n[repeats]\nrepeats = 4\nre_seats = 1\n";
                plan(chip, "DDR4", 8, "2400, 2666", &["read"], rest)
            },
            chips: if short { chips / 2 } else { chips },
            seeds: if short { 1 } else { seeds },
            retrained: 1,
            effort,
        },
    ]
}

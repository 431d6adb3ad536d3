//! The kinds of run that are audited.

use crate::eyes::Case;
use crate::truth::Effort;

/// The metrics with a limit of each, so far off that every one is judged.
pub fn limits(directions: &[&str]) -> String {
    let mut text = String::new();
    for direction in directions {
        for (metric, minimum, unit) in [
            ("width", 100.0, "ps"),
            ("height", 150.0, "mV"),
            ("early margin", 50.0, "ps"),
            ("late margin", 50.0, "ps"),
            ("upper margin", 70.0, "mV"),
            ("lower margin", 70.0, "mV"),
        ] {
            text += &format!(
                "[[limit]]\nmetric = \"{metric}\"\ndirection = \"{direction}\"\nminimum = {minimum}\nunit = \"{unit}\"\n\
                 source = \"invented\"\n"
            );
        }
    }
    text
}

pub fn plan(
    chip: &str,
    generation: &str,
    lanes: u16,
    rates: &str,
    directions: &[&str],
    rest: &str,
) -> String {
    let words: Vec<String> = directions.iter().map(|direction| format!("\"{direction}\"")).collect();
    let rated = if generation == "DDR5" { 5600 } else { 3200 };
    format!(
        "title = \"Audit\"\n[interface]\ngeneration = \"{generation}\"\nlanes = {lanes}\n[[chip]]\nname = \"{chip}\"\n\
         [[module]]\nname = \"module of {chip}\"\nkind = \"UDIMM\"\nrated = {rated}\n[[channel]]\nname = \"risers\"\n\
         risers = 2\nfits = [\"UDIMM\"]\n[matrix]\nrate = [{rates}]\n[capture]\ndirections = [{}]\nber_limit = 1e-6\n{rest}{}",
        words.join(", "),
        limits(directions)
    )
}

/// A plan whose only module has a lane behind a bad joint.
pub fn bad_joint(plan: &str) -> String {
    plan.replacen("[[channel]]", "[[module.lane]]\nlane = 3\nmodel = { r_stub_ohm = 60.0 }\n[[channel]]", 1)
}

pub fn cases(short: bool) -> Vec<Case> {
    let effort = Effort { mountings: 8, starts: if short { 12 } else { 24 } };
    let (chips, seeds) = if short { (24, 4) } else { (24, 40) };
    vec![
        Case {
            name: "DDR4 read, 8 lanes, 1 job",
            plan: |chip| plan(chip, "DDR4", 8, "2400, 2666", &["read"], ""),
            chips,
            seeds,
            retrained: 1,
            effort,
        },
        Case {
            name: "DDR4 read, 8 lanes, 4 jobs",
            plan: |chip| {
                plan(chip, "DDR4", 8, "2400, 2666", &["read"], "[repeats]\nrepeats = 2\nre_seats = 1\n")
            },
            chips: if short { chips / 2 } else { chips },
            seeds: if short { 1 } else { seeds },
            retrained: 1,
            effort,
        },
    ]
}

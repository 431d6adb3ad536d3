//! Keys never move: golden keys of the library's plans and of every shape a key's text can have.

use super::*;
use crate::expand::{expand, jobs};
use crate::files::{FileKind, Files, NamedFile};
use crate::selection::Selection;
use crate::{Plan, in_todays_words};
use std::fmt::Write;

const GOLDEN: &str = include_str!("golden/keys.txt");

const GOLDEN_TEXTS: &str = include_str!("golden/texts.txt");

const PLANS: [(&str, &str); 9] = [
    ("quick-look", include_str!("../../library/quick-look.toml")),
    ("ddr5-look", include_str!("../../library/ddr5-look.toml")),
    ("qualification", include_str!("../../library/qualification.toml")),
    ("regression-night", include_str!("../../library/regression-night.toml")),
    ("every-key", include_str!("../../library/every-key.toml")),
    ("ddr3-look", include_str!("../../library/ddr3-look.toml")),
    ("lpddr5-look", include_str!("../../library/lpddr5-look.toml")),
    ("old-words", include_str!("golden/old-words.toml")),
    ("old-words-ddr5", include_str!("golden/old-words-ddr5.toml")),
];

/// The files that the frozen plan names.
fn files() -> Files {
    let mut files = Files::default();
    let mut add = |name: &str, kind, bytes: &[u8]| {
        files.insert(&NamedFile { name: name.into(), kind, span: 0..0 }, bytes);
    };
    let dump = include_str!("../../../tests/data/spd/ddr4-rdimm-3ds-2133.hex");
    let image: Vec<u8> = dump
        .lines()
        .flat_map(|line| line.split_whitespace().skip(1))
        .map(|byte| u8::from_str_radix(byte, 16).expect("a byte"))
        .collect();
    add("stacked.bin", FileKind::Spd, &image);
    add("card.s2p", FileKind::Touchstone, b"two ports");
    add("four.s4p", FileKind::Touchstone, b"four ports");
    files
}

/// The library is in today's words, the frozen plans as an earlier version stored them.
fn read(name: &str, text: &str) -> Plan {
    Plan::read_with(&in_todays_words(text), &files()).unwrap_or_else(|found| panic!("{name}: {found:?}"))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Keys of some jobs, and one digest over the keys of all jobs, as the golden file writes them.
fn keys(name: &str, text: &str) -> String {
    let plan = read(name, text);
    let expansion = expand(&plan, &Selection::default());
    let all = jobs(&plan, &expansion);
    let mut lines = String::new();
    for version in ["1", "bench"] {
        let keys = JobKeys::new(&plan, version).expect("finite");
        let mut digest = Sha256::new();
        for (at, job) in all.iter().enumerate() {
            let condition = &expansion.conditions[job.condition as usize];
            let (noise, key) = (keys.noise_key(condition, job), keys.key(condition, job));
            digest.update(noise);
            digest.update(key);
            if at % (all.len() / 8).max(1) == 0 || at + 1 == all.len() {
                let second = keys.attempt_noise_key(condition, job, 2);
                let _ =
                    writeln!(lines, "{name} {version} {at} {} {} {}", hex(&noise), hex(&second), hex(&key));
            }
        }
        let _ = writeln!(lines, "{name} {version} all {} {}", all.len(), hex(&digest.finalize()));
    }
    lines
}

#[test]
fn keys_are_those_of_the_golden_file() {
    let mut found = String::new();
    for (name, text) in PLANS {
        found.push_str(&keys(name, text));
    }
    for (now, golden) in found.lines().zip(GOLDEN.lines()) {
        assert_eq!(now, golden);
    }
    assert_eq!(found.lines().count(), GOLDEN.lines().count());
}

/// Every text that is hashed for a plan.
fn texts(name: &str, text: &str) -> String {
    let plan = read(name, text);
    let keys = JobKeys::new(&plan, "1").expect("finite");
    let levels = Factor::ALL
        .iter()
        .zip(&keys.levels)
        .flat_map(|((word, _), texts)| texts.iter().map(move |text| (word, text)));
    let settings = keys.settings.iter().map(|(word, text)| (word, text));
    levels.chain(settings).map(|(word, text)| format!("== {name}: {word}\n{text}\n")).collect()
}

#[test]
fn texts_are_those_of_the_golden_file() {
    let found: String = PLANS[7..].iter().map(|(name, text)| texts(name, text)).collect();
    for (now, golden) in found.lines().zip(GOLDEN_TEXTS.lines()) {
        assert_eq!(now, golden);
    }
    assert_eq!(found.len(), GOLDEN_TEXTS.len());
}

#[test]
fn keys_cover_what_is_measured_and_nothing_else() {
    let (_, text) = PLANS[0];
    let first = Plan::read(text).unwrap();
    let renamed = Plan::read(&text.replacen("title = \"", "title = \"Another ", 1)).unwrap();
    let condition = expand(&first, &Selection::default()).conditions[0];
    let job = Job { condition: 0, mounting: 0, repeat: 0, start: 0 };
    let key =
        |plan: &Plan, version: &str, job: &Job| JobKeys::new(plan, version).unwrap().key(&condition, job);
    let noise = |plan: &Plan| JobKeys::new(plan, "1").unwrap().noise_key(&condition, &job);
    assert_eq!(key(&first, "1", &job), key(&renamed, "1", &job));
    assert_ne!(key(&first, "1", &job), key(&first, "2", &job));
    assert_ne!(key(&first, "1", &job), key(&first, "1", &Job { repeat: 1, ..job }));
    assert_eq!(short_key(&key(&first, "1", &job)).len(), 16);
    let mut changed = first.clone();
    changed.capture.ber_limit = 1e-7;
    assert_ne!(key(&first, "1", &job), key(&changed, "1", &job));
    assert_eq!(noise(&first), noise(&changed));
}

#[test]
fn a_value_without_a_text_is_an_error_that_names_it() {
    let mut plan = Plan::read(PLANS[0].1).unwrap();
    plan.matrix.temperatures[0].0 = f64::NAN;
    let fault = JobKeys::new(&plan, "1").err().expect("no text");
    assert_eq!((fault.field, fault.value.is_nan()), ("temperature", true));
    plan.matrix.temperatures[0].0 = 25.0;
    plan.capture.confidence = f64::INFINITY;
    assert!(
        JobKeys::new(&plan, "1").err().expect("no text").to_string().starts_with("`confidence` is inf: ")
    );
}

/// Each line of a plan in earlier words, and the one that a person writes today for it.
const REWRITTEN: [(&str, &str); 17] = [
    ("kind = \"unbuffered\"\n", "kind = \"UDIMM\"\n"),
    ("kind = \"small-outline\"\n", "kind = \"SODIMM\"\n"),
    ("kind = \"registered\"\n", "kind = \"RDIMM\"\n"),
    ("kind = \"load-reduced\"\n", "kind = \"LRDIMM\"\n"),
    ("kind = \"die-stacked\"\n", "kind = \"RDIMM\"\nstack = \"3DS\"\n"),
    ("kind = \"half-populated-pair\"\n", "half_populated = true\nkind = \"UDIMM\"\n"),
    (
        "[\"unbuffered\", \"registered\", \"load-reduced\", \"die-stacked\", \"half-populated-pair\"]",
        "[\"UDIMM\", \"RDIMM\", \"LRDIMM\", \"3DS\", \"half-populated\"]",
    ),
    (
        "[\"half-populated-pair\", \"die-stacked\", \"unbuffered\"]",
        "[\"half-populated\", \"3DS\", \"UDIMM\"]",
    ),
    ("fits = \"small-outline\"", "fits = \"SODIMM\""),
    ("fits = [\"unbuffered\"]", "fits = [\"UDIMM\"]"),
    ("kind = [\"registered\", \"die-stacked\"]", "kind = [\"RDIMM\", \"3DS\"]"),
    ("equaliser = true", "dfe = true"),
    ("\"left margin\"", "\"early margin\""),
    ("\"right margin\"", "\"late margin\""),
    ("\"up margin\"", "\"upper margin\""),
    ("\"down margin\"", "\"lower margin\""),
    ("title = \"Frozen words\"", "title = \"Frozen plan\""),
];

#[test]
fn a_plan_rewritten_in_todays_words_has_the_same_keys() {
    for (name, earlier) in &PLANS[7..] {
        let today = REWRITTEN.iter().fold(earlier.to_string(), |text, (from, to)| text.replace(from, to));
        assert!(Plan::read_with(earlier, &files()).is_err(), "{name}: an earlier word is a mistake");
        assert_eq!(in_todays_words(&today), today, "{name}: an earlier word is left");
        assert!(keys(name, &today) == keys(name, earlier), "{name}: a key moved");
    }
}

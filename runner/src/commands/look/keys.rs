//! Keys that step from one eye to the next.

use super::Side;
use crate::cli::LookArguments;
use crate::console::terminal::{Terminal, folded};
use crate::inputs::plan_file::PlanFile;
use crate::store::Store;
use plan::matrix::{FACTORS, Factor};

/// Level names of a side's plan; `None` where it cannot be read any more.
pub fn levels_of(arguments: &LookArguments, side: &Side) -> Option<[Vec<String>; FACTORS]> {
    if side.what.is_dir() {
        let reader = Store::open_read_only(&side.what).ok()?;
        let text = reader.meta().ok()?.plan_text;
        return plan::Plan::read_stored(&text).ok().map(|plan| plan.level_names());
    }
    PlanFile::read(&arguments.what, false).ok().map(|file| file.plan.level_names())
}

/// Keys and the factors they step through; the shifted key steps back.
const KEYS: [(char, &str); 8] = [
    ('m', "module"),
    ('c', "channel"),
    ('r', "rate"),
    ('t', "temperature"),
    ('s', "supply"),
    ('f', "firmware"),
    ('p', "pattern"),
    ('k', "chip"),
];

/// Waits for a key and changes the sides by it; false ends.
pub fn next(
    terminal: &Terminal,
    names: &[Vec<String>; FACTORS],
    left: &mut Side,
    right: &mut Option<Side>,
    lane: &mut Option<u16>,
) -> bool {
    let several = |word: &str| {
        Factor::ALL.iter().zip(names).any(|((name, _), levels)| *name == word && levels.len() > 1)
    };
    let offered: Vec<String> =
        KEYS.iter().filter(|(_, word)| several(word)).map(|(key, word)| format!("{key} {word}")).collect();
    let words = format!(
        "next level: {} (capital letter: the one before); l worst lane or next; b keep this one beside; other keys end",
        offered.join(", ")
    );
    terminal.note(folded(&words, "\n", "  ").trim_end());
    loop {
        let key = match console::Term::stderr().read_key() {
            Ok(console::Key::Char(key)) => key,
            _ => return false,
        };
        match key {
            'l' => *lane = lane.map_or(Some(0), |lane| lane.checked_add(1)),
            'L' => *lane = None,
            'b' => *right = if right.is_some() { None } else { Some(left.clone()) },
            _ => {
                let lower = key.to_ascii_lowercase();
                let Some((_, word)) = KEYS.iter().find(|(known, _)| *known == lower) else { return false };
                if !several(word) {
                    continue;
                }
                step(names, left, word, key.is_ascii_uppercase());
            }
        }
        return true;
    }
}

/// Narrows a side to the level after (or before) the one it has of a factor; the first if it has several.
fn step(names: &[Vec<String>; FACTORS], side: &mut Side, word: &str, back: bool) {
    let Some(levels) =
        Factor::ALL.iter().zip(names).find_map(|((name, _), levels)| (*name == word).then_some(levels))
    else {
        return;
    };
    let prefix = |text: &str| text.split('=').next().unwrap_or_default().trim() == word;
    let now = side.only.iter().find(|text| prefix(text)).and_then(|text| {
        let level = text.split_once('=')?.1.trim();
        levels.iter().position(|known| known == level)
    });
    let count = levels.len();
    let level = match (now, back) {
        (None, _) => 0,
        (Some(at), false) => (at + 1) % count,
        (Some(at), true) => (at + count - 1) % count,
    };
    side.only.retain(|text| !prefix(text));
    side.only.push(format!("{word}={}", levels[level]));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(only: &[&str]) -> Side {
        Side { what: "plan.toml".into(), only: only.iter().map(ToString::to_string).collect() }
    }

    #[test]
    fn a_key_steps_through_the_levels_of_its_factor_and_round() {
        let plan = plan::Plan::read(include_str!("../../../../plans/library/quick-look.toml")).unwrap();
        let names = plan.level_names();
        let mut one = side(&["channel=direct"]);
        for (back, wanted) in
            [(false, "2400"), (false, "2666"), (false, "3200"), (false, "2400"), (true, "3200")]
        {
            step(&names, &mut one, "rate", back);
            assert_eq!(one.only, ["channel=direct".to_string(), format!("rate={wanted}")]);
        }
    }
}

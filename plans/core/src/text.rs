//! Helpers for text: names, lane ranges, nearest words, hidden characters.

use crate::results::{LaneSet, MOST_LANES};

/// Something the plan refers to by name.
pub trait Named {
    /// Its name in the plan.
    fn name(&self) -> &str;
}

/// A number of things in words: `1 job`, `3 jobs`.
pub fn counted(count: usize, one: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {one}s") }
}

/// Does the character change a reader's screen unseen? Control characters except line end and tab, marks that
/// change the writing direction, and spaces without width.
pub fn hides(c: char) -> bool {
    (c.is_control() && !matches!(c, '\n' | '\t'))
        || matches!(c, '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// The candidate nearest to `word`, if near enough to be a typing error.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    let candidates: Vec<&'a str> = candidates.into_iter().collect();
    // A key without its unit is plainly meant: `soak` for `soak_s`.
    let mut longer = candidates.iter().filter(|candidate| {
        candidate.strip_prefix(lower.as_str()).is_some_and(|rest| rest.starts_with('_') && lower.len() > 2)
    });
    if let (Some(only), None) = (longer.next(), longer.next()) {
        return Some(only);
    }
    // Of several, take the one that only adds a unit.
    let units = ["_degc", "_percent", "_s", "_min", "_ps", "_mv", "_v"];
    if let Some(known) =
        candidates.iter().find(|known| units.iter().any(|unit| **known == format!("{lower}{unit}")))
    {
        return Some(known);
    }
    // A name with the same numbers is meant rather than one with the same letters: `3 riser` is `3 risers`, not `1 riser`.
    candidates
        .into_iter()
        .map(|candidate| {
            let distance = strsim::damerau_levenshtein(&lower, &candidate.to_lowercase());
            (distance, numbers(candidate) != numbers(word), candidate)
        })
        .filter(|(distance, _, candidate)| *distance <= 1 + candidate.len().max(word.len()) / 4)
        .min_by_key(|(distance, other, _)| (*other, *distance))
        .map(|(_, _, candidate)| candidate)
}

/// The runs of digits in a text.
fn numbers(text: &str) -> Vec<&str> {
    text.split(|c: char| !c.is_ascii_digit()).filter(|run| !run.is_empty()).collect()
}

/// Reads lanes such as `0-31` or `0-15, 40-47, 63`.
///
/// # Errors
/// Names the part that is not a lane number or range, or is beyond `lanes`.
pub fn lane_ranges(text: &str, lanes: u16) -> Result<LaneSet, String> {
    let mut set = LaneSet::default();
    for part in text.split(',').map(str::trim) {
        let (first, last) = part.split_once('-').map_or((part, part), |(a, b)| (a.trim(), b.trim()));
        let number =
            |word: &str| word.parse::<u16>().map_err(|_| format!("`{part}` is not a lane or a lane range"));
        let (first, last) = (number(first)?, number(last)?);
        if first > last {
            return Err(format!("the range `{part}` runs backwards"));
        }
        if last >= lanes.min(MOST_LANES) {
            return Err(format!(
                "lane {last} is beyond the interface's last lane, {}",
                lanes.saturating_sub(1)
            ));
        }
        for lane in first..=last {
            if set.contains(lane) {
                return Err(format!("lane {lane} is named twice"));
            }
            set.insert(lane);
        }
    }
    Ok(set)
}

/// Writes lanes as ranges, `0-31, 40-47`.
pub fn lane_list(lanes: impl IntoIterator<Item = u16>) -> String {
    let mut ranges: Vec<(u16, u16)> = Vec::new();
    for lane in lanes {
        match ranges.last_mut() {
            Some((_, last)) if *last + 1 == lane => *last = lane,
            _ => ranges.push((lane, lane)),
        }
    }
    let words: Vec<String> =
        ranges.iter().map(|(a, b)| if a == b { a.to_string() } else { format!("{a}-{b}") }).collect();
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_read_and_write_as_ranges() {
        let set = lane_ranges("0-3, 8,10-11", 16).unwrap();
        assert_eq!(set.iter().collect::<Vec<_>>(), [0, 1, 2, 3, 8, 10, 11]);
        assert_eq!(lane_list(set.iter()), "0-3, 8, 10-11");
        assert!(lane_ranges("0-16", 16).unwrap_err().contains("lane 16"));
        assert!(lane_ranges("5-2", 16).unwrap_err().contains("backwards"));
        assert!(lane_ranges("1,1", 16).unwrap_err().contains("twice"));
        assert!(lane_ranges("a", 16).is_err());
    }

    #[test]
    fn one_thing_has_no_plural() {
        assert_eq!(counted(1, "job"), "1 job");
        assert_eq!(counted(0, "hands-on change"), "0 hands-on changes");
    }

    #[test]
    fn the_nearest_word_is_suggested_only_when_near() {
        assert_eq!(nearest("moduel", ["module", "channel"]), Some("module"));
        assert_eq!(nearest("zebra", ["module", "channel"]), None);
        assert_eq!(nearest("3 riser", ["1 riser", "3 risers"]), Some("3 risers"));
        assert_eq!(nearest("1 risers", ["1 riser", "3 risers"]), Some("1 riser"));
        assert_eq!(nearest("temperature", ["temperature_at", "temperature_degc"]), Some("temperature_degc"));
        assert_eq!(nearest("vref_step", ["vref_steps", "vref_step_percent"]), Some("vref_step_percent"));
    }
}

//! Words of earlier plans: today's reader names the new word, and a plan that was stored with a run is still
//! read.

use std::borrow::Cow;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// An earlier word of a key, and the word that stands for it now.
struct Word {
    table: &'static str,
    key: &'static str,
    earlier: &'static str,
    now: &'static str,
    /// Key and value (TOML) that say the rest of the earlier word.
    beside: Option<(&'static str, &'static str)>,
}

const fn word(table: &'static str, key: &'static str, earlier: &'static str, now: &'static str) -> Word {
    Word { table, key, earlier, now, beside: None }
}

const WORDS: [Word; 22] = [
    word("module", "kind", "unbuffered", "UDIMM"),
    word("module", "kind", "small-outline", "SODIMM"),
    word("module", "kind", "registered", "RDIMM"),
    word("module", "kind", "load-reduced", "LRDIMM"),
    Word { beside: Some(("stack", "\"3DS\"")), ..word("module", "kind", "die-stacked", "RDIMM") },
    Word {
        beside: Some(("half_populated", "true")),
        ..word("module", "kind", "half-populated-pair", "UDIMM")
    },
    word("channel", "fits", "unbuffered", "UDIMM"),
    word("channel", "fits", "small-outline", "SODIMM"),
    word("channel", "fits", "registered", "RDIMM"),
    word("channel", "fits", "load-reduced", "LRDIMM"),
    word("channel", "fits", "die-stacked", "3DS"),
    word("channel", "fits", "half-populated-pair", "half-populated"),
    word("skip", "kind", "unbuffered", "UDIMM"),
    word("skip", "kind", "small-outline", "SODIMM"),
    word("skip", "kind", "registered", "RDIMM"),
    word("skip", "kind", "load-reduced", "LRDIMM"),
    word("skip", "kind", "die-stacked", "3DS"),
    word("skip", "kind", "half-populated-pair", "half-populated"),
    word("limit", "metric", "left margin", "early margin"),
    word("limit", "metric", "right margin", "late margin"),
    word("limit", "metric", "up margin", "upper margin"),
    word("limit", "metric", "down margin", "lower margin"),
];

/// Table, earlier key, today's.
const KEYS: [(&str, &str, &str); 4] = [
    ("interface", "equaliser", "dfe"),
    ("bench_times", "fit_check_s", "mounting_check_s"),
    ("order", "fitted_module", "mounted_module"),
    ("order", "fitted_channel", "mounted_channel"),
];

fn find(table: &str, key: &str, earlier: &str) -> Option<&'static Word> {
    WORDS.iter().find(|word| (word.table, word.key, word.earlier) == (table, key, earlier))
}

/// What to write today for an earlier word, as the remedy of a mistake.
pub(crate) fn today(table: &str, key: &str, earlier: &str) -> Option<String> {
    let word = find(table, key, earlier)?;
    Some(match word.beside {
        Some((beside, value)) => {
            format!("did you mean `{key} = \"{}\"` with `{beside} = {value}`?", word.now)
        }
        None => format!("did you mean `{}`?", word.now),
    })
}

/// Today's key for an earlier one.
pub(crate) fn todays_key(table: &str, earlier: &str) -> Option<&'static str> {
    KEYS.iter().find(|(place, key, _)| (*place, *key) == (table, earlier)).map(|(_, _, now)| *now)
}

/// A stored text in today's words. A text without earlier words, or that is not TOML, is left as it is.
pub fn in_todays_words(text: &str) -> Cow<'_, str> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut changes: Vec<(Range<usize>, String)> = Vec::new();
    if errors.is_empty() {
        for (name, value) in document.get_ref().iter() {
            for table in one_or_all(value) {
                if let DeValue::Table(keys) = table.get_ref() {
                    let inline = text[table.span().start..].starts_with('{');
                    add_changes(name.get_ref(), keys, if inline { ", " } else { "\n" }, &mut changes);
                }
            }
        }
    }
    changes.sort_by_key(|(span, _)| span.start);
    changes.into_iter().rev().fold(Cow::Borrowed(text), |mut text, (span, now)| {
        text.to_mut().replace_range(span, &now);
        text
    })
}

fn one_or_all<'v, 'i>(value: &'v Spanned<DeValue<'i>>) -> &'v [Spanned<DeValue<'i>>] {
    match value.get_ref() {
        DeValue::Array(list) => list,
        _ => std::slice::from_ref(value),
    }
}

fn add_changes(table: &str, keys: &DeTable<'_>, between: &str, changes: &mut Vec<(Range<usize>, String)>) {
    for (key, value) in keys.iter() {
        if let Some(now) = todays_key(table, key.get_ref()) {
            changes.push((key.span(), now.to_string()));
        }
        for place in one_or_all(value) {
            let earlier = place.get_ref().as_str();
            let Some(word) = earlier.and_then(|text| find(table, key.get_ref(), text)) else { continue };
            changes.push(match word.beside {
                // The image gives the kind; the earlier word meant the stack alone.
                Some((beside, value)) if keys.get("spd").is_some() => {
                    (key.span().start..place.span().end, format!("{beside} = {value}"))
                }
                Some((beside, value)) => {
                    (place.span(), format!("\"{}\"{between}{beside} = {value}", word.now))
                }
                None => (place.span(), format!("\"{}\"", word.now)),
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Plan;

    #[test]
    fn a_stored_text_takes_todays_words_and_keeps_the_rest() {
        let earlier = "[[module]]\nkind = 'die-stacked' # so\n[[module]]\nkind = \"registered\"\n\
                       [[channel]]\nfits = [\"die-stacked\", 'unbuffered', \"half-populated-pair\"]\n\
                       [[skip]]\nkind = \"small-outline\"\nreason = \"unbuffered\"\n";
        let today = "[[module]]\nkind = \"RDIMM\"\nstack = \"3DS\" # so\n[[module]]\nkind = \"RDIMM\"\n\
                     [[channel]]\nfits = [\"3DS\", \"UDIMM\", \"half-populated\"]\n\
                     [[skip]]\nkind = \"SODIMM\"\nreason = \"unbuffered\"\n";
        assert_eq!(in_todays_words(earlier), today);
        assert_eq!(in_todays_words(today), today);
        assert_eq!(
            in_todays_words("module = [{ name = \"é\", kind = \"half-populated-pair\" }]"),
            "module = [{ name = \"é\", kind = \"UDIMM\", half_populated = true }]"
        );
        assert_eq!(
            in_todays_words("[[module]]\nspd = \"a\"\nkind = \"die-stacked\"\n"),
            "[[module]]\nspd = \"a\"\nstack = \"3DS\"\n"
        );
        assert_eq!(
            in_todays_words("interface = { equaliser = true }\n[[limit]]\nmetric = \"up margin\"\n"),
            "interface = { dfe = true }\n[[limit]]\nmetric = \"upper margin\"\n"
        );
        assert_eq!(in_todays_words("kind = \"unbuffered"), "kind = \"unbuffered");
    }

    #[test]
    fn an_earlier_word_is_a_mistake_that_names_todays() {
        let plan = include_str!("../../library/quick-look.toml");
        let remedy = |from: &str, to: &str| {
            assert!(plan.contains(from), "{from}");
            let mistakes = Plan::read(&plan.replacen(from, to, 1)).unwrap_err();
            mistakes[0].remedy.clone().unwrap_or_default()
        };
        let kind = |word: &str| remedy("kind = \"UDIMM\"", &format!("kind = \"{word}\""));
        assert!(kind("unbuffered").starts_with("did you mean `UDIMM`?"), "{}", kind("unbuffered"));
        assert!(kind("die-stacked").starts_with("did you mean `kind = \"RDIMM\"` with `stack = \"3DS\"`?"));
        let pair = kind("half-populated-pair");
        assert!(pair.starts_with("did you mean `kind = \"UDIMM\"` with `half_populated = true`?"), "{pair}");
        assert!(kind("rdimm").starts_with("did you mean `RDIMM`?"), "{}", kind("rdimm"));
        assert!(kind("SO-DIMM").starts_with("did you mean `SODIMM`?"), "{}", kind("SO-DIMM"));
        let fits = remedy("fits = [\"UDIMM\", \"RDIMM\"", "fits = [\"die-stacked\", \"RDIMM\"");
        assert!(fits.starts_with("did you mean `3DS`?"), "{fits}");
        let metric = remedy("metric = \"width\"", "metric = \"left margin\"");
        assert!(metric.starts_with("did you mean `early margin`?"), "{metric}");
        let key = remedy("lanes = 72", "lanes = 72\nequaliser = false");
        assert_eq!(key, "did you mean `dfe`?");
        let skip = remedy("kind = \"3DS\"", "kind = \"die-stacked\"");
        assert!(skip.starts_with("did you mean `3DS`?"), "{skip}");
    }
}

//! The legend of the eye pictures: what each colour of the shared scale says of the bit error ratio.

use super::picture::{INFERRED_FAIL, INFERRED_PASS, NOT_MEASURED, Scale as Colours};
use super::words::*;
use judge::judged::EyePicture;
use serde::Serialize;

/// A class of the colour scale.
#[derive(Debug, Serialize)]
pub(super) struct LegendEntry {
    pub colour: String,
    pub words: String,
}

/// -ln(0.05): the mean number of errors that stays unseen with probability 5 % (Poisson; the rule of three).
const BOUND_OF_NO_ERROR: f64 = 2.995_732_273_553_991;

fn clean_bits(pictures: &[(usize, EyePicture)]) -> Option<u64> {
    let mut all =
        pictures.iter().filter(|(_, p)| !p.classes.is_empty()).map(|(_, picture)| picture.clean_bits);
    let first = all.next()?;
    (first > 0 && all.all(|bits| bits == first)).then_some(first)
}

pub(super) fn floor(pictures: &[(usize, EyePicture)]) -> String {
    match clean_bits(pictures) {
        Some(bits) => format!(
            "A point without an error has seen at least N = {} bits: with 95 % confidence its bit error ratio is \
             below 3/N = {} (rule of three), never zero.",
            ratio(bits as f64),
            ratio(BOUND_OF_NO_ERROR / bits as f64)
        ),
        None => {
            "N is the number of bits a point without an error has seen, stated under each eye: with 95 % \
                 confidence its bit error ratio is below 3/N (rule of three), never zero."
                .into()
        }
    }
}

pub(super) fn legend(colours: Colours, pictures: &[(usize, EyePicture)]) -> Vec<LegendEntry> {
    if pictures.iter().all(|(_, picture)| picture.classes.is_empty()) {
        return Vec::new();
    }
    let bits = clean_bits(pictures);
    let mut entries = vec![LegendEntry {
        colour: colours.hex(0),
        words: bits.map_or("no error (below 3/N at 95 %)".into(), |bits| {
            format!("no error (below {} at 95 %)", ratio(BOUND_OF_NO_ERROR / bits as f64))
        }),
    }];
    for class in 1..=colours.top {
        let from = 10f64.powi(i32::from(class) - 1);
        // No bit error ratio is above one half: classes beyond it stand for nothing.
        if bits.is_some_and(|bits| from > 0.5 * bits as f64) {
            break;
        }
        let words = match bits {
            Some(bits) => format!("seen \u{2265} {}", ratio(from / bits as f64)),
            None => format!("seen \u{2265} {}/N", significant(from)),
        };
        entries.push(LegendEntry { colour: colours.hex(class), words });
    }
    for (class, words) in [
        (INFERRED_PASS, "not measured, inferred to pass"),
        (INFERRED_FAIL, "not measured, inferred to fail"),
        (NOT_MEASURED, "not measured"),
    ] {
        if pictures.iter().any(|(_, picture)| picture.classes.contains(&class)) {
            entries.push(LegendEntry { colour: colours.hex(class), words: words.into() });
        }
    }
    entries
}

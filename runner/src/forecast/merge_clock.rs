//! The clocks of several benches, laid one after another in a merged folder: each bench counts its own hours from the
//! beginning of its run, and hours of different benches add up.

use crate::console::exit::{Exit, Failure};
use crate::store::{Store, StoreReader};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

const NOTE: &str = "bench clocks";

/// Where the clock of each part stands in the merged folder, by the part's name.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MergedClock {
    clocks: BTreeMap<String, Clock>,
    /// End of the last stretch, s.
    end_s: f64,
}

/// Stretches of one clock: from this time of its own on it stands at that time of the merged folder, s. A part that
/// went on after an earlier merge has a second stretch behind the others.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Clock {
    stretches: Vec<(f64, f64)>,
    end_s: f64,
}

impl MergedClock {
    /// As noted in a folder; nothing where nothing was merged.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of(reader: &StoreReader) -> Result<MergedClock, Failure> {
        let noted = reader.noted(NOTE)?;
        noted.map_or(Ok(MergedClock::default()), |text| {
            serde_json::from_str(&text)
                .map_err(|error| Failure::new(Exit::Store, format!("the note of {NOTE} is damaged: {error}")))
        })
    }

    /// Do several clocks stand here?
    pub fn several(&self) -> bool {
        self.clocks.len() > 1
    }

    /// Makes room for a part whose own clock now ends at `end_s`, and notes it.
    ///
    /// # Errors
    /// Exit 74: the store cannot be written.
    pub fn make_room(&mut self, store: &mut Store, part: &str, end_s: f64) -> Result<(), Failure> {
        self.lay(part, end_s);
        let text =
            serde_json::to_string(self).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        store.note(NOTE, &text).map_err(Failure::from)
    }

    fn lay(&mut self, part: &str, end_s: f64) {
        let clock = self.clocks.entry(part.to_owned()).or_default();
        if clock.stretches.is_empty() || end_s > clock.end_s {
            clock.stretches.push((clock.end_s, self.end_s));
            self.end_s += end_s - clock.end_s;
            clock.end_s = end_s;
        }
    }

    /// Seconds between a part's own clock and the merged folder's, at a time of its own.
    pub fn offset_s(&self, part: &str, own_s: f64) -> f64 {
        let stretches = self.clocks.get(part).map_or(&[][..], |clock| &clock.stretches);
        let of = stretches.iter().rev().find(|(from, _)| *from <= own_s).or(stretches.first());
        of.map_or(0.0, |(from, at)| at - from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks_follow_each_other_and_a_part_that_went_on_stands_last() {
        let mut laid = MergedClock::default();
        laid.lay("near", 100.0);
        laid.lay("far", 50.0);
        assert_eq!((laid.offset_s("near", 7.0), laid.offset_s("far", 7.0)), (0.0, 100.0));
        assert!(laid.several());
        // The same merge once more, after a cut.
        let before = laid.clone();
        laid.lay("near", 100.0);
        assert_eq!(laid, before);
        // A job that began at the end of the first stretch belongs to the second.
        laid.lay("near", 130.0);
        assert_eq!((laid.offset_s("near", 99.0), laid.offset_s("near", 100.0)), (0.0, 50.0));
        assert_eq!((laid.offset_s("far", 49.0), laid.end_s), (100.0, 180.0));
    }
}

//! How a run on a bench began, noted for whoever looks at its folder from outside while it goes on.

use super::attended::local_minutes;
use crate::console::exit::{Exit, Failure};
use crate::store::{Store, StoreReader};
use plan::bench_file::BenchFile;
use serde::{Deserialize, Serialize};
use std::time::{SystemTime, UNIX_EPOCH};

const NOTE: &str = "bench run";

/// What a run on a bench knew when it began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Beginning {
    /// Somebody is at the terminal, to be asked for changes.
    pub hands: bool,
    /// The bench has attended hours of its own.
    pub own_hours: bool,
    /// Chip, module and channel that the bench file declares to be mounted.
    pub declared: Option<[String; 3]>,
    /// Bench seconds that the folder held before.
    pub earlier_s: f64,
    /// Local time, min.
    pub local_min: f64,
    /// The same moment, seconds since 1970 UTC, and bench seconds a second of the clock; 0: not noted.
    #[serde(default)]
    begin_s: f64,
    #[serde(default)]
    time_scale: f64,
}

impl Beginning {
    /// Of a bench, now.
    pub fn on(bench: &BenchFile, hands: bool, earlier_s: f64) -> Beginning {
        let declared = bench.mounted.as_ref();
        let declared = declared.map(|one| [one.chip.clone(), one.module.clone(), one.channel.clone()]);
        Beginning {
            hands,
            own_hours: bench.attended.is_some(),
            declared,
            earlier_s,
            local_min: local_minutes(),
            begin_s: now_s(),
            time_scale: bench.time_scale,
        }
    }

    /// Bench hours that a run has taken which goes on now, by this computer's clock.
    pub fn hours_gone(&self) -> f64 {
        let gone = if self.begin_s > 0.0 { (now_s() - self.begin_s).max(0.0) } else { 0.0 };
        gone * self.time_scale / 3600.0
    }

    /// Notes it in the folder.
    ///
    /// # Errors
    /// Exit 74.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
        // A run that was killed at its prompt asks for nobody any more.
        HandsNow::over(store)?;
        let text =
            serde_json::to_string(self).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        store.note(NOTE, &text).map_err(Failure::from)
    }

    /// Of the last run on a bench in a folder; `None` where none noted it.
    ///
    /// # Errors
    /// Exit 74.
    pub fn of(reader: &StoreReader) -> Result<Option<Beginning>, Failure> {
        Ok(reader.noted(NOTE)?.and_then(|text| serde_json::from_str(&text).ok()))
    }
}

const HANDS_NOTE: &str = "hands wanted now";

/// A prompt that waits for hands, noted for whoever looks from outside.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct HandsNow {
    /// Module and channel that they are asked to mount.
    pub mount: String,
    /// When nothing would end in time any more, where the run was given hours.
    pub until: Option<String>,
}

impl HandsNow {
    /// Notes that it waits.
    ///
    /// # Errors
    /// Exit 74.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
        let text =
            serde_json::to_string(self).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        store.note(HANDS_NOTE, &text).map_err(Failure::from)
    }

    /// Notes that nothing waits any more.
    ///
    /// # Errors
    /// Exit 74.
    pub fn over(store: &mut Store) -> Result<(), Failure> {
        match store.reader().noted(HANDS_NOTE)? {
            Some(text) if !text.is_empty() => store.note(HANDS_NOTE, "").map_err(Failure::from),
            _ => Ok(()),
        }
    }

    /// Of the run that goes on in a folder; `None` where no prompt waits.
    ///
    /// # Errors
    /// Exit 74.
    pub fn of(reader: &StoreReader) -> Result<Option<HandsNow>, Failure> {
        let text = reader.noted(HANDS_NOTE)?.filter(|text| !text.is_empty());
        Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
    }
}

/// Seconds since 1970, UTC.
fn now_s() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |since| since.as_secs_f64())
}

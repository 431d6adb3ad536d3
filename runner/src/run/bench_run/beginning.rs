//! How a run on a bench began, noted for whoever looks at its folder from outside while it goes on.

use super::attended::local_minutes;
use crate::console::exit::{Exit, Failure};
use crate::store::{Store, StoreReader};
use plan::bench_file::BenchFile;
use serde::{Deserialize, Serialize};

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
        }
    }

    /// Notes it in the folder.
    ///
    /// # Errors
    /// Exit 74.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
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

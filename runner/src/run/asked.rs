//! What a run was asked for by name, so that it is known to be left where the run ends before it.

use crate::console::exit::{Exit, Failure};
use crate::run::pending::PendingJob;
use crate::store::{Store, StoreReader};

const NOTE: &str = "asked for by name";

/// Notes the jobs that a run of a selection is to do; none for a run of everything.
///
/// # Errors
/// Exit 74.
pub fn keep(store: &mut Store, jobs: &[PendingJob]) -> Result<(), Failure> {
    if jobs.is_empty() && store.reader().noted(NOTE)?.is_none() {
        return Ok(());
    }
    let places: Vec<u64> = jobs.iter().map(|one| one.position).collect();
    let text =
        serde_json::to_string(&places).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
    store.note(NOTE, &text).map_err(Failure::from)
}

/// Their places in the plan's order.
///
/// # Errors
/// Exit 74.
pub fn noted(reader: &StoreReader) -> Result<Vec<u64>, Failure> {
    Ok(reader.noted(NOTE)?.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}

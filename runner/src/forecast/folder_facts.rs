//! What a run folder notes about its plan, so that `status` need not order the whole matrix again.

use crate::console::exit::{Exit, Failure};
use crate::forecast::Forecast;
use crate::inputs::plan_file::PlanFile;
use crate::store::{Meta, Store, StoreReader};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

const NOTE: &str = "forecast";
const SHARD: &str = "shard";

/// Size of a plan, as forecast.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanSize {
    /// SHA-256 of the plan's text: a forecast of another plan does not count.
    plan_sha256: String,
    /// Jobs of the whole plan.
    pub jobs: u64,
    /// Bench hours of the whole plan.
    pub bench_hours: f64,
}

impl PlanSize {
    /// Of a plan with its forecast.
    pub fn new(plan_text: &str, forecast: &Forecast) -> PlanSize {
        PlanSize {
            plan_sha256: digest(plan_text),
            jobs: forecast.jobs.len() as u64,
            bench_hours: forecast.order.hours().total,
        }
    }

    /// Notes it in the folder.
    ///
    /// # Errors
    /// Exit 74: the store cannot be written.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
        let text =
            serde_json::to_string(self).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        store.note(NOTE, &text).map_err(Failure::from)
    }

    /// The size noted in a folder, or computed anew where none fits the stored plan.
    ///
    /// # Errors
    /// Exit 74: the store or its plan cannot be read.
    pub fn of(reader: &StoreReader, meta: &Meta) -> Result<PlanSize, Failure> {
        let noted = reader.noted(NOTE)?;
        if let Some(size) = noted.and_then(|text| serde_json::from_str::<PlanSize>(&text).ok())
            && size.plan_sha256 == digest(&meta.plan_text)
        {
            return Ok(size);
        }
        let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
            .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
        Ok(PlanSize::new(&meta.plan_text, &Forecast::new(&file.plan, &[])?))
    }
}

/// Notes which shard the folder holds.
///
/// # Errors
/// Exit 74: the store cannot be written.
pub fn keep_shard(store: &mut Store, shard: &str) -> Result<(), Failure> {
    store.note(SHARD, shard).map_err(Failure::from)
}

/// The shard noted last, as I/N.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub fn shard_of(reader: &StoreReader) -> Result<Option<String>, Failure> {
    reader.noted(SHARD).map_err(Failure::from)
}

/// SHA-256 of a text, in hexadecimal digits.
pub fn digest(text: &str) -> String {
    crate::store::hex(&Sha256::digest(text.as_bytes()))
}

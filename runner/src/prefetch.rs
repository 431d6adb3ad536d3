//! Jobs of a store unpacked on every core while the one before is judged: in the plan's order, in flat memory.

use crate::store::{Attempts, StoreError, StoreReader, StoredJob};
use plans::results::JobResult;
use rayon::prelude::*;

/// Jobs unpacked at a time.
const CHUNK: usize = 48;

/// Hands every counting job with its result to `each`, in the plan's order.
///
/// # Errors
/// The store cannot be read, or holds something else.
pub fn each_job<F>(reader: &StoreReader, mut each: F) -> Result<(), StoreError>
where
    F: FnMut(StoredJob, JobResult) + Send,
{
    let mut jobs = reader.jobs(Attempts::Counting);
    let path = reader.path().to_owned();
    let mut ready: Vec<(StoredJob, JobResult)> = Vec::new();
    loop {
        // Reading is the store's part and stays on this thread; unpacking and judging share the cores.
        let mut packed = Vec::with_capacity(CHUNK);
        for stored in jobs.by_ref().take(CHUNK) {
            let stored = stored?;
            let job = reader.packed(&stored)?;
            packed.push((stored, job));
        }
        let last = packed.is_empty();
        let (unpacked, ()) = rayon::join(
            || {
                packed
                    .into_par_iter()
                    .map(|(stored, job)| {
                        let result = job.unpack(&path)?;
                        Ok((stored, result))
                    })
                    .collect::<Result<Vec<_>, StoreError>>()
            },
            || ready.drain(..).for_each(|(stored, result)| each(stored, result)),
        );
        ready = unpacked?;
        if last {
            return Ok(());
        }
    }
}

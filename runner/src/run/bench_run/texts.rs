//! The texts kept with failed jobs, from the store to the page.

use crate::console::exit::Failure;
use crate::store::StoreReader;
use judge::judged::JobTexts;
use nightbench_core::results::JobOutcome;
use plan::expand::Job;
use plan::keys::short_key;
use std::collections::HashMap;

/// Most failed jobs whose texts are read for a page.
pub(crate) const MOST_TEXTS: usize = 200;

/// What was said about failed jobs, for the page.
///
/// # Errors
/// Exit 74: the store cannot be read.
pub(crate) fn failure_texts(
    reader: &StoreReader,
    jobs: &HashMap<[u8; 32], Job>,
    failed: &[([u8; 32], JobOutcome)],
) -> Result<Vec<JobTexts>, Failure> {
    let mut list = Vec::new();
    for (key, outcome) in failed {
        let Some(job) = jobs.get(key) else { continue };
        let Some(stored) = reader.job(key)? else { continue };
        let kept = reader.attachments(&stored)?;
        list.push(JobTexts {
            condition: job.condition as usize,
            key: short_key(key),
            what: match outcome {
                JobOutcome::NotMeasured(fault) => fault.to_string(),
                other => other.to_string(),
            },
            texts: kept.into_iter().map(|one| (one.name, one.text)).collect(),
        });
    }
    Ok(list)
}

//! A run folder as a whole: opened for a plan, and the cache of eye summaries beside its store.

pub mod eye_summaries;
pub mod run_folder;

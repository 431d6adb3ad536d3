//! A run folder as a whole: opened for a plan, the cache of eye summaries beside its store, and files that are written.

pub mod archive;
pub mod eye_summaries;
pub mod output;
pub mod run_folder;

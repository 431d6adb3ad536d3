//! Files that people write: plans, the files a plan names, reviewers' notes, signatures.

pub mod named_files;
pub mod notes;
pub mod plain_file;
pub mod plan_file;
pub mod signature;

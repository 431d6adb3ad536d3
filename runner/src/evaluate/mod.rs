//! From the store to judged runs and pages: summaries of eyes, criteria on record, pictures, hours.

pub mod criteria;
pub mod eye_page;
pub mod heads;
pub mod judging;
mod limit_sets;
mod page_facts;
pub mod pictures;
pub mod report_number;
pub mod timeline;

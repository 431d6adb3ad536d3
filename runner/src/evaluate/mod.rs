//! From the store to judged runs and pages: summaries of eyes, criteria on record, pictures, hours.

mod bench_now;
pub mod by_result;
pub mod causes;
pub mod comparing;
pub mod criteria;
mod extra;
pub mod eye_page;
pub mod fitting;
pub mod heads;
pub mod judging;
pub mod left;
mod limit_sets;
pub mod live;
pub(crate) mod page_facts;
pub mod pictures;
pub mod report_number;
pub mod timeline;
mod truth;
pub mod why;

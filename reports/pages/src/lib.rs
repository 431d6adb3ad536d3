//! The report, the comparison, the setup list and the exports: pure functions from judged runs to text.
//!
//! A page is one file without any outside address; what a name or a note holds is escaped. The same judged run gives the
//! same bytes. To look at one: `cargo run -p pages --example page_demo -- 60 hostile > page.html`.

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod comparison;
pub mod export;
pub mod fit;
pub mod gonogo;
mod own;
pub mod report;
pub mod setup_list;

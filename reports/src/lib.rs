//! Eye metrics, statistics, uncertainty, verdicts and the report: pure.

pub mod audit;
pub mod comparison;
pub mod export;
pub mod eye;
pub mod fitting;
pub mod judge;
pub mod judged;
pub mod page;
pub mod statistics;

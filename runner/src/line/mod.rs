//! A production line: the frozen test, the units it is made on, one unit's measurement, and the lot folder.

pub mod bench;
pub mod lot;
pub mod lot_folder;
pub mod running;
pub mod sample;
pub mod setup;
pub mod station;
pub mod test_file;

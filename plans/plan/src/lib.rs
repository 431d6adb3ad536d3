//! The plan: what is characterized, over which factors, against which limits.
//!
//! A text is read with all its mistakes at once ([`section`]), expanded to conditions and jobs ([`expand`])
//! with keys of their own ([`keys`]), and put in order ([`timetable`]). Nothing is opened here: the caller
//! reads the files a plan names ([`files`]).
//!
//! ```
//! use plan::Plan;
//! use plan::expand::{expand, jobs};
//! use plan::selection::Selection;
//!
//! let text = r#"
//!     title = "First look"
//!     [interface]
//!     generation = "DDR4"
//!     lanes = 64
//!     [[module]]
//!     name = "Amber"
//!     kind = "UDIMM"
//!     rated = 3200
//!     [[channel]]
//!     name = "direct"
//!     fits = ["UDIMM"]
//!     [matrix]
//!     rate = [2400, 3200]
//!     temperature_degc = [25, 85]
//!     [[limit]]
//!     metric = "width"
//!     minimum = 0.22
//!     unit = "UI"
//!     source = "receiver budget"
//! "#;
//! let plan = Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
//! let expansion = expand(&plan, &Selection::default());
//! assert_eq!(jobs(&plan, &expansion).len(), 2 * 2);
//!
//! let mistakes = Plan::read(&text.replace("rated = 3200", "rated = 3201")).unwrap_err();
//! assert!(mistakes[0].message.contains("3201"));
//! ```

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod attended;
pub mod bench_file;
pub mod budget;
mod canonical;
mod choose_rows;
mod condition;
pub mod coverage;
pub mod criteria;
pub mod diagnosis;
mod earlier_words;
pub mod expand;
pub mod files;
pub mod first_plan;
pub mod fitted_model;
pub mod highest_rate;
pub mod keys;
pub mod limits;
pub mod matrix;
pub mod measure;
pub mod obstacles;
pub mod ordering;
mod plan;
pub mod predicted;
pub mod presets;
mod read_channels;
mod read_devices;
mod read_limits;
mod read_modules;
mod read_plan;
mod read_rates;
pub mod release;
pub mod section;
pub mod selection;
pub mod spd;
mod stored_defaults;
pub mod timetable;
mod trade_words;
pub mod unused;
mod validate;
mod warnings;

pub use canonical::Unwritable;
pub use earlier_words::in_todays_words;
pub use plan::Plan;
pub use stored_defaults::add_stored_defaults;

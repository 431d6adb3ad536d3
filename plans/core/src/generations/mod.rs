//! Memory generations as data: one file a generation, all its facts in one table. What each figure rests on, and what was not
//! found, stands in `plans/core/GENERATIONS.md`.

mod ddr3;
mod ddr4;
mod ddr5;
mod facts;
mod lpddr4x;
mod lpddr5;

pub use facts::*;

use crate::rates::DataRate;
use crate::units::Volts;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Memory generation of the interface under test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Generation {
    #[serde(rename = "DDR3")]
    Ddr3,
    #[serde(rename = "DDR4")]
    Ddr4,
    #[serde(rename = "DDR5")]
    Ddr5,
    #[serde(rename = "LPDDR4X")]
    Lpddr4x,
    #[serde(rename = "LPDDR5")]
    Lpddr5,
}

impl Generation {
    /// Every generation with its name, in the order of their standards.
    pub const ALL: [(&'static str, Generation); 5] = [
        (ddr3::FACTS.name, Generation::Ddr3),
        (ddr4::FACTS.name, Generation::Ddr4),
        (ddr5::FACTS.name, Generation::Ddr5),
        (lpddr4x::FACTS.name, Generation::Lpddr4x),
        (lpddr5::FACTS.name, Generation::Lpddr5),
    ];

    /// Everything that is particular to the generation.
    pub fn facts(self) -> &'static Facts {
        match self {
            Generation::Ddr3 => &ddr3::FACTS,
            Generation::Ddr4 => &ddr4::FACTS,
            Generation::Ddr5 => &ddr5::FACTS,
            Generation::Lpddr4x => &lpddr4x::FACTS,
            Generation::Lpddr5 => &lpddr5::FACTS,
        }
    }

    /// Names of all generations that `which` holds for, as a sentence lists them.
    pub fn names(which: impl Fn(&Facts) -> bool) -> String {
        let names: Vec<&str> =
            Self::ALL.iter().filter(|(_, known)| which(known.facts())).map(|(name, _)| *name).collect();
        match names.as_slice() {
            [] => "none".into(),
            [one] => (*one).into(),
            [before @ .., last] => format!("{} or {last}", before.join(", ")),
        }
    }

    /// Nominal VDDQ.
    pub fn nominal_vddq(self) -> Volts {
        self.facts().rail(Rail::Vddq).map_or(Volts(0.0), |rail| Volts(rail.nominal_v))
    }

    /// Every standard rate of the generation, slowest first.
    pub fn rates(self) -> impl Iterator<Item = DataRate> {
        self.facts().rate_thirds.iter().map(move |thirds| DataRate::of(self, *thirds))
    }
}

impl fmt::Display for Generation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.facts().name)
    }
}

#[cfg(test)]
mod tests;

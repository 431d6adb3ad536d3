//! Data rates by their standard names, kept as exact fractions.

pub use crate::generations::Generation;
use crate::units::{Picoseconds, UnitIntervals};
use serde::Serialize;
use std::fmt;

/// A standard data rate, kept as an exact number of thirds of 1 MT/s: DDR4-2666 is 8000/3 MT/s, and its bit
/// time exactly 375 ps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct DataRate {
    generation: Generation,
    thirds: u32,
}

impl DataRate {
    pub(crate) fn of(generation: Generation, thirds: u32) -> DataRate {
        DataRate { generation, thirds }
    }

    /// Reads a standard name such as `2666`; the roundings 1867 and 2667 are accepted and printed as 1866 and
    /// 2666. Returns `None` for anything that is not a rate of the generation.
    pub fn parse(generation: Generation, text: &str) -> Option<DataRate> {
        let text = text.trim();
        let names = generation.facts().rate_names;
        let named = names.iter().find_map(|name| text.strip_prefix(name)?.strip_prefix('-'));
        let text = named.unwrap_or(text);
        let number: u32 = text.parse().ok()?;
        generation
            .rates()
            .find(|rate| rate.nominal() == number || (rate.thirds % 3 != 0 && rate.rounded() == number))
    }

    /// The nearest standard rate within 1 % of `mega_transfers` (MT/s): SPD clock periods are rounded.
    pub fn snap(generation: Generation, mega_transfers: f64) -> Option<DataRate> {
        generation.rates().find(|rate| (rate.mega_transfers() / mega_transfers - 1.0).abs() < 0.01)
    }

    pub fn generation(self) -> Generation {
        self.generation
    }

    /// The standard's name: the rate in MT/s with the fraction dropped.
    pub fn nominal(self) -> u32 {
        self.thirds / 3
    }

    fn rounded(self) -> u32 {
        (self.thirds + 1) / 3
    }

    /// Data rate in MT/s.
    pub fn mega_transfers(self) -> f64 {
        f64::from(self.thirds) / 3.0
    }

    /// Data rate in bit/s per lane.
    pub fn bits_per_second(self) -> f64 {
        f64::from(self.thirds) * 1e6 / 3.0
    }

    /// Bit time, UI = 1 / rate.
    pub fn ui(self) -> Picoseconds {
        Picoseconds(3e6 / f64::from(self.thirds))
    }

    /// Period of the clock that the data follow, 2 UI: tCK, on LPDDR5 that of WCK.
    pub fn clock_period(self) -> Picoseconds {
        Picoseconds(6e6 / f64::from(self.thirds))
    }

    /// A time in bit times of this rate.
    pub fn to_ui(self, time: Picoseconds) -> UnitIntervals {
        time.in_ui(self.ui())
    }
}

impl Serialize for DataRate {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl fmt::Display for DataRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.nominal())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clock periods (source: speed-bin tables of DDR4 datasheets); the exact fractions n x 800/3 are
    /// computed.
    #[test]
    fn ddr4_names_periods_and_bit_times() {
        let table = [
            (1600, 1.25, 625.0),
            (1866, 15.0 / 14.0, 535.714),
            (2133, 0.9375, 468.75),
            (2400, 5.0 / 6.0, 416.667),
            (2666, 0.75, 375.0),
            (2933, 15.0 / 22.0, 340.909),
            (3200, 0.625, 312.5),
        ];
        let rates: Vec<DataRate> = Generation::Ddr4.rates().collect();
        assert_eq!(rates.len(), table.len());
        for (rate, (name, tck_ns, ui_ps)) in rates.iter().zip(table) {
            assert_eq!(rate.nominal(), name);
            assert!((rate.clock_period().0 / 1000.0 - tck_ns).abs() < 1e-12);
            assert!((rate.ui().0 - ui_ps).abs() < 5e-4);
        }
    }

    /// 4800: 416 ps, 6400: 312, 7200: 277, 8000: 250, 8400: 238, 8800: 227 ps (source: DDR5 datasheets); the
    /// others are computed. The SPD value is the exact period truncated to whole picoseconds.
    #[test]
    fn ddr5_periods_and_bit_times() {
        let spd_ps = [625, 555, 500, 454, 416, 384, 357, 333, 312, 294, 277, 263, 250, 238, 227, 217];
        let ui_ps = [
            312.50, 277.78, 250.00, 227.27, 208.33, 192.31, 178.57, 166.67, 156.25, 147.06, 138.89, 131.58,
            125.00, 119.05, 113.64, 108.70,
        ];
        let rates: Vec<DataRate> = Generation::Ddr5.rates().collect();
        assert_eq!(rates.len(), spd_ps.len());
        for ((rate, spd), ui) in rates.iter().zip(spd_ps).zip(ui_ps) {
            assert_eq!(rate.clock_period().0.floor() as u32, spd, "{rate}");
            assert!((rate.ui().0 - ui).abs() < 5.1e-3, "{rate}");
        }
    }

    /// Clock periods: DDR3 data sheets (2.5, 1.875, 1.5, 1.25, 1.071, 0.938 ns); LPDDR4X 468 and 535 ps (a data sheet's
    /// speed grades); LPDDR5-6400 has a CK of 800 MHz with WCK:CK = 4:1 (a data sheet), so a bit of an eighth of 1250 ps.
    #[test]
    fn periods_of_the_other_generations() {
        let ddr3: Vec<(u32, f64)> =
            Generation::Ddr3.rates().map(|rate| (rate.nominal(), rate.clock_period().0)).collect();
        let sheet =
            [(800, 2500.0), (1066, 1875.0), (1333, 1500.0), (1600, 1250.0), (1866, 1071.4), (2133, 937.5)];
        assert_eq!(ddr3.len(), sheet.len());
        for ((name, period), (known, ps)) in ddr3.into_iter().zip(sheet) {
            assert!(name == known && (period - ps).abs() < 0.1, "{name}: {period}");
        }
        let of = |generation, name| DataRate::parse(generation, name).expect("a rate");
        for (name, ps) in [("4266", 468.0), ("4267", 468.0), ("3733", 535.0)] {
            assert_eq!(of(Generation::Lpddr4x, name).clock_period().0.floor(), ps);
        }
        assert_eq!(of(Generation::Lpddr5, "6400").ui().0, 1250.0 / 8.0);
        assert!((of(Generation::Lpddr5, "LPDDR5X-8533").mega_transfers() - 8.0 * 3200.0 / 3.0).abs() < 1e-9);
        assert_eq!(of(Generation::Lpddr5, "9600").to_string(), "9600");
        assert!(DataRate::parse(Generation::Ddr4, "DDR5-3200").is_none(), "a rate of another generation");
    }

    #[test]
    fn both_roundings_are_read_and_the_standard_name_is_printed() {
        for (text, name) in [("2667", "2666"), ("2666", "2666"), ("1867", "1866"), ("DDR4-2133", "2133")] {
            let rate = DataRate::parse(Generation::Ddr4, text).expect(text);
            assert_eq!(rate.to_string(), name);
        }
        assert_eq!(DataRate::parse(Generation::Ddr4, "2667").unwrap().ui(), Picoseconds(375.0));
        assert!(DataRate::parse(Generation::Ddr4, "2134").is_none());
        assert!(DataRate::parse(Generation::Ddr4, "4800").is_none());
        assert!(DataRate::parse(Generation::Ddr5, "2666").is_none());
    }

    #[test]
    fn spd_periods_snap_to_standard_rates() {
        // Trap: 416 ps gives 4807.7 MT/s, 0.938 ns gives 2132.2 MT/s.
        assert_eq!(DataRate::snap(Generation::Ddr5, 2e6 / 416.0).unwrap().nominal(), 4800);
        assert_eq!(DataRate::snap(Generation::Ddr4, 2e3 / 0.938).unwrap().nominal(), 2133);
        assert!(DataRate::snap(Generation::Ddr4, 2270.0).is_none());
    }
}

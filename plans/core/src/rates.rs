//! Data rates by their standard names, kept as exact fractions.

use crate::units::{Picoseconds, UnitIntervals, Volts};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Memory generation of the interface under test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Generation {
    /// DDR4, POD12 signalling.
    #[serde(rename = "DDR4")]
    Ddr4,
    /// DDR5, POD11 signalling.
    #[serde(rename = "DDR5")]
    Ddr5,
}

impl Generation {
    /// Nominal VDDQ: 1.2 V (DDR4), 1.1 V (DDR5) (source: DDR4 and DDR5 module datasheets).
    pub fn nominal_vddq(self) -> Volts {
        match self {
            Generation::Ddr4 => Volts(1.2),
            Generation::Ddr5 => Volts(1.1),
        }
    }

    /// DC limits of VDD and VDDQ: 1.14..1.26 V (DDR4), 1.067..1.166 V (DDR5, asymmetric) (source: DDR4 and
    /// DDR5 module datasheets).
    pub fn vddq_limits(self) -> (Volts, Volts) {
        match self {
            Generation::Ddr4 => (Volts(1.14), Volts(1.26)),
            Generation::Ddr5 => (Volts(1.067), Volts(1.166)),
        }
    }

    /// DC limits of VPP: 2.375..2.75 V (DDR4), 1.746..1.908 V (DDR5) (source: DDR4 and DDR5 module
    /// datasheets).
    pub fn vpp_limits(self) -> (Volts, Volts) {
        match self {
            Generation::Ddr4 => (Volts(2.375), Volts(2.75)),
            Generation::Ddr5 => (Volts(1.746), Volts(1.908)),
        }
    }

    /// Absolute maximum rating of VDD and VDDQ: 1.5 V (DDR4), 1.4 V (DDR5). Source: absolute maximum DC ratings of DDR4 datasheets
    /// (JESD79-4); DDR5 from memory (JESD79-5).
    pub fn absolute_maximum_vddq(self) -> Volts {
        match self {
            Generation::Ddr4 => Volts(1.5),
            Generation::Ddr5 => Volts(1.4),
        }
    }

    /// Absolute maximum rating of VPP: 3.0 V (DDR4), 2.1 V (DDR5). Source as for
    /// [`absolute_maximum_vddq`](Self::absolute_maximum_vddq).
    pub fn absolute_maximum_vpp(self) -> Volts {
        match self {
            Generation::Ddr4 => Volts(3.0),
            Generation::Ddr5 => Volts(2.1),
        }
    }

    /// Nominal VPP: 2.5 V (DDR4), 1.8 V (DDR5).
    pub fn nominal_vpp(self) -> Volts {
        match self {
            Generation::Ddr4 => Volts(2.5),
            Generation::Ddr5 => Volts(1.8),
        }
    }

    /// Bits of one burst on one lane: 8 (DDR4), 16 (DDR5); the smallest amount a device can compare.
    pub fn burst_length(self) -> u32 {
        match self {
            Generation::Ddr4 => 8,
            Generation::Ddr5 => 16,
        }
    }

    /// Every standard rate of the generation, slowest first.
    pub fn rates(self) -> impl Iterator<Item = DataRate> {
        let (first, last, step) = match self {
            Generation::Ddr4 => (4800, 9600, 800),
            Generation::Ddr5 => (9600, 26400, 1200),
        };
        (first..=last).step_by(step).map(move |thirds| DataRate { generation: self, thirds })
    }
}

impl fmt::Display for Generation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Generation::Ddr4 => "DDR4",
            Generation::Ddr5 => "DDR5",
        })
    }
}

/// A standard data rate, kept as an exact number of thirds of 1 MT/s: DDR4-2666 is 8000/3 MT/s, and its bit
/// time exactly 375 ps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct DataRate {
    generation: Generation,
    thirds: u32,
}

impl DataRate {
    /// Reads a standard name such as `2666`; the roundings 1867 and 2667 are accepted and printed as 1866 and
    /// 2666. Returns `None` for anything that is not a rate of the generation.
    pub fn parse(generation: Generation, text: &str) -> Option<DataRate> {
        let text = text.trim();
        let text = text.strip_prefix("DDR4-").or_else(|| text.strip_prefix("DDR5-")).unwrap_or(text);
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

    /// Clock period, tCK = 2 UI.
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
        let spd_ps = [625, 555, 500, 454, 416, 384, 357, 333, 312, 294, 277, 263, 250, 238, 227];
        let ui_ps = [
            312.50, 277.78, 250.00, 227.27, 208.33, 192.31, 178.57, 166.67, 156.25, 147.06, 138.89, 131.58,
            125.00, 119.05, 113.64,
        ];
        let rates: Vec<DataRate> = Generation::Ddr5.rates().collect();
        assert_eq!(rates.len(), spd_ps.len());
        for ((rate, spd), ui) in rates.iter().zip(spd_ps).zip(ui_ps) {
            assert_eq!(rate.clock_period().0.floor() as u32, spd, "{rate}");
            assert!((rate.ui().0 - ui).abs() < 5.1e-3, "{rate}");
        }
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

    /// Limits (source: DDR5 module datasheets); a symmetric -5 % corner would leave the lower one (computed).
    #[test]
    fn ddr5_supply_limits_are_asymmetric() {
        let (low, high) = Generation::Ddr5.vddq_limits();
        assert!(1.1 * 0.95 < low.0);
        assert!((low.0 / 1.1 - 0.97).abs() < 1e-9);
        assert!((high.0 / 1.1 - 1.06).abs() < 1e-9);
    }
}

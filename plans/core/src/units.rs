//! Quantities as distinct types: a delay tap is never a Vref step, an absolute temperature never a
//! difference.

use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal, $digits:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit's symbol as printed.
            pub const UNIT: &'static str = $unit;

            /// The bare number in the type's unit.
            pub fn value(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let digits = f.precision().unwrap_or($digits);
                write!(f, "{:.*} {}", digits, self.0, $unit)
            }
        }
    };
}

quantity!(
    /// A time in picoseconds.
    Picoseconds, "ps", 1
);
quantity!(
    /// A voltage difference in millivolts.
    Millivolts, "mV", 1
);
quantity!(
    /// A rail voltage in volts.
    Volts, "V", 3
);
quantity!(
    /// An absolute temperature in degrees Celsius.
    Celsius, "°C", 1
);
quantity!(
    /// A temperature difference in kelvin.
    Kelvin, "K", 1
);
quantity!(
    /// A time in units of the bit time (UI = 1 / data rate).
    UnitIntervals, "UI", 3
);
quantity!(
    /// A duration in seconds of bench time.
    Seconds, "s", 1
);

impl std::ops::Sub for Celsius {
    type Output = Kelvin;
    fn sub(self, other: Celsius) -> Kelvin {
        Kelvin(self.0 - other.0)
    }
}

impl std::ops::Add<Kelvin> for Celsius {
    type Output = Celsius;
    fn add(self, step: Kelvin) -> Celsius {
        Celsius(self.0 + step.0)
    }
}

impl Picoseconds {
    /// This time as a fraction of the bit time `ui`.
    pub fn in_ui(self, ui: Picoseconds) -> UnitIntervals {
        UnitIntervals(self.0 / ui.0)
    }
}

/// Dew point, degC, of air at `air` and relative humidity `percent` (0 < percent <= 100).
///
/// Magnus formula with a = 17.62, b = 243.12 degC (from memory).
pub fn dew_point(air: Celsius, percent: f64) -> Celsius {
    let g = (percent / 100.0).ln() + 17.62 * air.0 / (243.12 + air.0);
    Celsius(243.12 * g / (17.62 - g))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dew_point_matches_handbook_figures() {
        // 25 degC/50 % 13.9; 23/40 8.7; 25/60 16.7 degC (from memory).
        for (t, rh, expected) in [(25.0, 50.0, 13.9), (23.0, 40.0, 8.7), (25.0, 60.0, 16.7)] {
            assert!((dew_point(Celsius(t), rh).0 - expected).abs() < 0.05);
        }
    }

    #[test]
    fn quantities_print_with_their_unit() {
        assert_eq!(Picoseconds(12.345).to_string(), "12.3 ps");
        assert_eq!(format!("{:.2}", Millivolts(-7.0)), "-7.00 mV");
        assert_eq!((Celsius(95.0) - Celsius(25.0)).to_string(), "70.0 K");
    }
}

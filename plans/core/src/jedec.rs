//! Vref code ranges of DDR4 and DDR5.
//!
//! No JEDEC document was opened: figures come from vendors' datasheets that reproduce JESD79-4's tables, or
//! from memory; each says which.

/// A range of Vref codes: code c is `start_percent + c x step_percent` of VDDQ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VrefRange {
    /// Code 0, % VDDQ.
    pub start_percent: f64,
    /// One code, % VDDQ (negative: higher codes are lower voltages).
    pub step_percent: f64,
    /// Highest code.
    pub last_code: u8,
}

impl VrefRange {
    /// Voltage of a code in % VDDQ; `None` for reserved codes.
    pub fn percent(&self, code: u8) -> Option<f64> {
        (code <= self.last_code).then(|| self.start_percent + f64::from(code) * self.step_percent)
    }
}

/// DDR4 VrefDQ range 1 (MR6), over which the write mask is defined. Step 0.65 % (0.50 to 0.80) and guaranteed
/// span 60 to 92 % (source: a vendor's datasheet); code table (from memory).
pub const DDR4_VREF_DQ: VrefRange = VrefRange { start_percent: 60.0, step_percent: 0.65, last_code: 50 };
/// DDR5 VrefDQ (MR10), VrefCA (MR11) and VrefCS (MR12) (from memory).
pub const DDR5_VREF: VrefRange = VrefRange { start_percent: 97.5, step_percent: -0.5, last_code: 125 };

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rates::Generation;

    /// Span 60.00 to 92.50 % (from memory; guaranteed 60 to 92, source: a vendor's datasheet); DDR5 97.5 to
    /// 35.0 %, default 75 % at code 45 (from memory); step 7.8 mV at 1.2 V and 5.5 mV at 1.1 V.
    #[test]
    fn vref_codes() {
        let codes = DDR4_VREF_DQ;
        assert_eq!((codes.percent(0), codes.percent(50), codes.percent(51)), (Some(60.0), Some(92.5), None));
        assert_eq!((DDR5_VREF.percent(45), DDR5_VREF.percent(125)), (Some(75.0), Some(35.0)));
        assert!((0.0065 * Generation::Ddr4.nominal_vddq().0 - 7.8e-3).abs() < 1e-12);
        assert!((0.005 * Generation::Ddr5.nominal_vddq().0 - 5.5e-3).abs() < 1e-12);
    }
}

//! Published DDR4 and DDR5 figures as tables: DRAM input mask, Vref ranges, drivers and terminations, temperature ranges.
//!
//! No JEDEC document was opened: figures come from vendors' datasheets that reproduce JESD79-4's tables, or from memory;
//! each table says which. Nothing here is a limit of a plan by itself: a plan states its limits with their source.

use crate::rates::{DataRate, Generation};

/// DRAM input mask of DDR4 at one data rate: at the DRAM's ball, a bit at a time, after VrefDQ training.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WriteMask {
    /// Data rate by its standard name.
    pub rate: u32,
    /// VdIVW_total, mV peak to peak (from memory; 2400 to 3200 agree with the DQS input level of a vendor's table less
    /// 10 mV or equal).
    pub height_mv: f64,
    /// TdIVW_total, UI. 0.20 from a vendor's datasheet (4 Gb DDR4, 1600 to 2400); 0.22 and 0.23 from memory.
    pub width_ui: f64,
    /// VIHL_AC, mV peak to peak: swing a pulse must have (from memory).
    pub swing_mv: f64,
    /// TdIPW, UI: narrowest pulse (vendor's datasheet).
    pub pulse_ui: f64,
    /// tDQS2DQ, UI either way (vendor's datasheet).
    pub dqs_to_dq_ui: f64,
}

const fn mask(rate: u32, height_mv: f64, width_ui: f64, swing_mv: f64, dqs_to_dq_ui: f64) -> WriteMask {
    WriteMask { rate, height_mv, width_ui, swing_mv, pulse_ui: 0.58, dqs_to_dq_ui }
}

/// The DDR4 masks, slowest rate first.
pub const WRITE_MASKS: [WriteMask; 7] = [
    mask(1600, 136.0, 0.20, 186.0, 0.17),
    mask(1866, 136.0, 0.20, 186.0, 0.17),
    mask(2133, 136.0, 0.20, 186.0, 0.17),
    mask(2400, 130.0, 0.20, 160.0, 0.17),
    mask(2666, 120.0, 0.22, 150.0, 0.19),
    mask(2933, 115.0, 0.23, 145.0, 0.22),
    mask(3200, 110.0, 0.23, 140.0, 0.22),
];

impl WriteMask {
    /// The mask of a DDR4 rate; DDR5 specifies a stressed eye instead of a mask.
    pub fn of(rate: DataRate) -> Option<WriteMask> {
        let ddr4 = rate.generation() == Generation::Ddr4;
        WRITE_MASKS.into_iter().find(|mask| ddr4 && mask.rate == rate.nominal())
    }

    /// Mask before Vref and strobe are trained: wider by tDQS2DQ on both sides.
    pub fn untrained_width_ui(&self) -> f64 {
        self.width_ui + 2.0 * self.dqs_to_dq_ui
    }
}

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

/// DDR4 VrefDQ ranges 1 and 2 (MR6). Step 0.65 % (0.50 to 0.80) from a vendor's datasheet; code tables from memory,
/// guaranteed spans (60 to 92 % and 45 to 77 %) from a vendor's datasheet. The write mask is defined over range 1 only.
pub const DDR4_VREF_DQ: [VrefRange; 2] = [
    VrefRange { start_percent: 60.0, step_percent: 0.65, last_code: 50 },
    VrefRange { start_percent: 45.0, step_percent: 0.65, last_code: 50 },
];
/// DDR5 VrefDQ (MR10), VrefCA (MR11) and VrefCS (MR12): from memory.
pub const DDR5_VREF: VrefRange = VrefRange { start_percent: 97.5, step_percent: -0.5, last_code: 125 };

/// Resistance of the ZQ reference, ohm (+-1 %).
pub const RZQ_OHM: f64 = 240.0;

/// Driver resistances of a generation, ohm: RZQ/7 and RZQ/5 (DDR4, vendor's datasheet); 34, 40, 48 (DDR5, from memory).
pub fn drivers_ohm(generation: Generation) -> &'static [f64] {
    match generation {
        Generation::Ddr4 => &[RZQ_OHM / 7.0, RZQ_OHM / 5.0],
        Generation::Ddr5 => &[RZQ_OHM / 7.0, RZQ_OHM / 6.0, RZQ_OHM / 5.0],
    }
}

/// Terminations of both generations, ohm: RZQ/1 to RZQ/7 (DDR4, vendor's datasheet; DDR5 from memory).
pub const TERMINATIONS_OHM: [f64; 7] =
    [RZQ_OHM, RZQ_OHM / 2.0, RZQ_OHM / 3.0, RZQ_OHM / 4.0, RZQ_OHM / 5.0, RZQ_OHM / 6.0, RZQ_OHM / 7.0];

/// Case temperature above which the refresh rate is doubled, degC (vendors' datasheets).
pub const DOUBLE_REFRESH_ABOVE_DEGC: f64 = 85.0;

/// Case temperature ranges by their code (JESD402-1B, read in an open-source SPD library): code, lowest, highest, degC.
pub const TEMPERATURE_RANGES: [(&str, f64, f64); 9] = [
    ("NT", 0.0, 85.0),
    ("XT", 0.0, 95.0),
    ("IT", -40.0, 95.0),
    ("ST", -25.0, 85.0),
    ("RT", 0.0, 45.0),
    ("ET", -25.0, 105.0),
    ("A3T", -40.0, 85.0),
    ("A2T", -40.0, 105.0),
    ("A1T", -40.0, 125.0),
];

/// Average refresh interval at a case temperature, us: 7.8 (DDR4) or 3.9 (DDR5) up to 85 degC, half of it above
/// (vendors' datasheets).
pub fn refresh_interval_us(generation: Generation, case_degc: f64) -> f64 {
    let normal = match generation {
        Generation::Ddr4 => 7.8,
        Generation::Ddr5 => 3.9,
    };
    if case_degc > DOUBLE_REFRESH_ABOVE_DEGC { normal / 2.0 } else { normal }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sources: TdIVW 0.20 UI and "0.54 UI untrained" (vendor's DDR4 datasheet); ps values computed (0.20 x 625 = 125,
    /// ... 0.23 x 312.5 = 71.9); mask heights from memory.
    #[test]
    fn masks_in_ps_and_untrained() {
        let ps = [125.0, 107.1, 93.75, 83.33, 82.5, 78.41, 71.875];
        for ((mask, rate), ps) in WRITE_MASKS.iter().zip(Generation::Ddr4.rates()).zip(ps) {
            assert_eq!(WriteMask::of(rate), Some(*mask));
            assert!((mask.width_ui * rate.ui().0 - ps).abs() < 0.05, "{}", mask.rate);
            assert!(mask.swing_mv > mask.height_mv, "a pulse swings beyond the mask");
        }
        assert!((WRITE_MASKS[3].untrained_width_ui() - 0.54).abs() < 1e-12);
        assert_eq!(WRITE_MASKS.map(|mask| mask.height_mv), [136.0, 136.0, 136.0, 130.0, 120.0, 115.0, 110.0]);
        assert!(Generation::Ddr5.rates().all(|rate| WriteMask::of(rate).is_none()));
    }

    /// Sources: spans 60.00 to 92.50 % and 45.00 to 77.50 % (from memory; vendor's datasheet guarantees 60 to 92 and 45
    /// to 77); DDR5 97.5 to 35.0 %, default 75 % at code 45 (from memory); step 7.8 mV at 1.2 V and 5.5 mV at 1.1 V.
    #[test]
    fn vref_codes() {
        let [first, second] = DDR4_VREF_DQ;
        assert_eq!((first.percent(0), first.percent(50), first.percent(51)), (Some(60.0), Some(92.5), None));
        assert_eq!((second.percent(0), second.percent(50)), (Some(45.0), Some(77.5)));
        assert_eq!((DDR5_VREF.percent(45), DDR5_VREF.percent(125)), (Some(75.0), Some(35.0)));
        assert!((0.0065 * Generation::Ddr4.nominal_vddq().0 - 7.8e-3).abs() < 1e-12);
        assert!((0.005 * Generation::Ddr5.nominal_vddq().0 - 5.5e-3).abs() < 1e-12);
    }

    /// Sources: RON 34.3 and 48 ohm, RTT 240, 120, 80, 60, 48, 40, 34 ohm (vendor's DDR4 datasheet).
    #[test]
    fn drivers_and_terminations() {
        let rounded: Vec<f64> = TERMINATIONS_OHM.iter().map(|ohm| ohm.round()).collect();
        assert_eq!(rounded, [240.0, 120.0, 80.0, 60.0, 48.0, 40.0, 34.0]);
        assert!((drivers_ohm(Generation::Ddr4)[0] - 34.3).abs() < 0.05);
        assert_eq!(drivers_ohm(Generation::Ddr5).len(), 3);
    }

    /// Sources: NT 0..85, XT 0..95, IT -40..95 (JESD402-1B as read in an open-source library); refresh 7.8 / 3.9 us
    /// (DDR4) and 3.9 / 1.95 us (DDR5) (vendors' datasheets).
    #[test]
    fn temperatures_and_refresh() {
        for (code, low, high) in TEMPERATURE_RANGES {
            assert!(low <= 0.0 && high >= 45.0 && low < high, "{code}");
        }
        assert_eq!(refresh_interval_us(Generation::Ddr4, 85.0), 7.8);
        assert_eq!(refresh_interval_us(Generation::Ddr4, 85.1), 3.9);
        assert_eq!(refresh_interval_us(Generation::Ddr5, 95.0), 1.95);
    }
}

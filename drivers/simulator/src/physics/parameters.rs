//! The model's figures: one table of named numbers, each with unit, range and mark of where it comes from.
//!
//! Most figures marked [`Mark::Fitted`] were fitted so that the default channels behave as commonly observed; agreement
//! with those observations is by construction and no evidence. A report that shows simulated results must say so.

use super::error::PhysicsError;
use nightbench_core::generations::{Known, ModelFigure};
use nightbench_core::rates::Generation;
use nightbench_core::results::Direction;
use std::collections::BTreeMap;

/// Where a figure comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// JEDEC-derived datasheet figure.
    Datasheet,
    /// Public design guide.
    Guide,
    /// Handbook or physics.
    Handbook,
    /// Engineering estimate, fitted to commonly observed behaviour.
    Fitted,
    /// Engineering estimate that took no part in the fit.
    Estimate,
    /// From memory, not checked against a document.
    Memory,
    /// Set by the user.
    Given,
}

impl Mark {
    /// The mark as a report prints it.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Mark::Datasheet => "J datasheet figure",
            Mark::Guide => "G design guide",
            Mark::Handbook => "H handbook",
            Mark::Fitted => "E fitted estimate",
            Mark::Estimate => "E estimate",
            Mark::Memory => "M from memory",
            Mark::Given => "given in the plan",
        }
    }
}

/// One line of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// Name, as [`Parameters::set`] takes it; ends in the unit where it has one.
    pub name: &'static str,
    /// Present value in `unit`.
    pub value: f64,
    /// Unit; empty for a pure number.
    pub unit: &'static str,
    /// Smallest and largest value taken.
    pub range: (f64, f64),
    /// Where the present value comes from.
    pub mark: Mark,
    /// What it is.
    pub description: &'static str,
}

macro_rules! table {
    ($($name:ident = $value:expr, $unit:literal, $mark:ident, $low:literal ..= $high:literal, $text:literal;)*) => {
        /// Every figure of the model, in the unit its name ends in.
        #[derive(Debug, Clone, PartialEq)]
        pub struct Parameters {
            $(
                #[doc = concat!($text, ", `", $unit, "`.")]
                pub $name: f64,
            )*
            marks: BTreeMap<&'static str, Mark>,
        }

        /// Names of all parameters, in table order.
        pub const NAMES: &[&str] = &[$(stringify!($name)),*];

        impl Parameters {
            /// The base table: DDR4's defaults.
            #[must_use]
            pub fn ddr4() -> Self {
                Parameters { $($name: $value,)* marks: BTreeMap::new() }
            }

            /// Every figure with its unit, mark and meaning, in table order.
            pub fn entries(&self) -> impl Iterator<Item = Entry> + '_ {
                let list = [$(Entry {
                    name: stringify!($name),
                    value: self.$name,
                    unit: $unit,
                    range: ($low, $high),
                    mark: self.marks.get(stringify!($name)).copied().unwrap_or(Mark::$mark),
                    description: $text,
                }),*];
                list.into_iter()
            }

            /// Sets one figure by name, in the unit the name ends in.
            ///
            /// # Errors
            /// [`PhysicsError::UnknownParameter`] with the nearest names, or [`PhysicsError::OutOfRange`].
            pub fn set(&mut self, name: &str, value: f64) -> Result<(), PhysicsError> {
                match name {
                    $(stringify!($name) => {
                        self.$name = PhysicsError::check_range(name, value, $low, $high, $unit)?;
                        self.marks.insert(stringify!($name), Mark::Given);
                        self.follow(name);
                        Ok(())
                    })*
                    _ => Err(PhysicsError::UnknownParameter { name: name.to_owned(), nearest: nearest(name) }),
                }
            }

            /// Gives a figure without a value of its own that of the figure it follows.
            fn follow(&mut self, leader: &str) {
                for (first, follower) in FOLLOWERS {
                    if *first == leader && !self.marks.contains_key(follower) {
                        let value = self.value(leader);
                        match *follower {
                            $(stringify!($name) => self.$name = value,)*
                            _ => {}
                        }
                    }
                }
            }

            /// A figure by name; not a number where there is none of that name.
            #[must_use]
            pub fn value(&self, name: &str) -> f64 {
                match name {
                    $(stringify!($name) => self.$name,)*
                    _ => f64::NAN,
                }
            }

            /// Checks every figure's range (fields may have been assigned directly) and what must hold between them.
            ///
            /// # Errors
            /// The first figure found out of range or fractional where a whole number is needed.
            pub fn validate(&self) -> Result<(), PhysicsError> {
                $(PhysicsError::check_range(stringify!($name), self.$name, $low, $high, $unit)?;)*
                self.validate_together()
            }
        }
    };
}

table! {
    t_ref_c = 25.0, "degC", Handbook, -55.0 ..= 150.0, "Reference temperature of every temperature coefficient";
    vddq_nominal_v = 1.2, "V", Datasheet, 0.3 ..= 3.0, "Nominal I/O supply";
    rho20_ohm_m = 1.72e-8, "ohm m", Handbook, 1e-9 ..= 1e-6, "Copper resistivity at 20 degC";
    rho_tc_per_k = 3.93e-3, "1/K", Handbook, 0.0 ..= 0.02, "Temperature coefficient of the resistivity";
    roughness = 1.25, "", Fitted, 1.0 ..= 3.0, "Factor on the skin resistance for rough foil";
    foil_um = 18.0, "um", Fitted, 1.0 ..= 200.0, "Copper foil thickness";
    er_mod = 4.0, "", Fitted, 1.0 ..= 15.0, "Relative permittivity at 1 GHz: modules, risers, adapter";
    tand_mod = 0.018, "", Fitted, 0.0 ..= 0.2, "Loss tangent at 1 GHz: modules, risers, adapter";
    er_brd = 3.8, "", Fitted, 1.0 ..= 15.0, "Relative permittivity at 1 GHz: board";
    tand_brd = 0.014, "", Fitted, 0.0 ..= 0.2, "Loss tangent at 1 GHz: board";
    er_pkg = 3.6, "", Fitted, 1.0 ..= 15.0, "Relative permittivity at 1 GHz: packages";
    tand_pkg = 0.012, "", Fitted, 0.0 ..= 0.2, "Loss tangent at 1 GHz: packages";
    er_tc_per_k = 150e-6, "1/K", Fitted, -2e-3 ..= 2e-3, "Temperature coefficient of the permittivity";
    tand_tc_per_k = 4e-3, "1/K", Fitted, -4e-3 ..= 0.02, "Temperature coefficient of the loss tangent";
    dram_ron_ohm = 34.3, "ohm", Datasheet, 5.0 ..= 500.0, "DRAM driver resistance (RZQ/7)";
    dram_cio_pf = 0.80, "pF", Datasheet, 0.0 ..= 20.0, "DRAM pad capacitance";
    dram_pkg_z_ohm = 60.0, "ohm", Datasheet, 10.0 ..= 200.0, "DRAM package line impedance";
    dram_pkg_t_ps = 28.0, "ps", Datasheet, 0.1 ..= 500.0, "DRAM package line delay";
    stack_cio_pf = 1.45, "pF", Fitted, 0.0 ..= 20.0, "Pad capacitance of a die stack (one load)";
    stack_pkg_t_ps = 42.0, "ps", Fitted, 0.1 ..= 500.0, "Package line delay of a die stack";
    dram_t2080_ps = 70.0, "ps", Fitted, 1.0 ..= 1000.0, "DRAM driver edge, 20 % to 80 %";
    db_ron_ohm = 34.3, "ohm", Fitted, 5.0 ..= 500.0, "Data-buffer driver resistance (load-reduced module)";
    db_cio_pf = 0.90, "pF", Fitted, 0.0 ..= 20.0, "Data-buffer pad capacitance";
    db_pkg_z_ohm = 50.0, "ohm", Fitted, 10.0 ..= 200.0, "Data-buffer package line impedance";
    db_pkg_t_ps = 18.0, "ps", Fitted, 0.1 ..= 500.0, "Data-buffer package line delay";
    db_stub_mm = 8.0, "mm", Fitted, 0.1 ..= 200.0, "Module line between data buffer and edge finger";
    db_t2080_ps = 65.0, "ps", Fitted, 1.0 ..= 1000.0, "Data-buffer driver edge, 20 % to 80 %";
    ctl_ron_ohm = 34.3, "ohm", Fitted, 5.0 ..= 500.0, "Controller driver resistance";
    ctl_cio_pf = 1.05, "pF", Fitted, 0.0 ..= 20.0, "Controller pad capacitance";
    ctl_pkg_z_ohm = 45.0, "ohm", Fitted, 10.0 ..= 200.0, "Controller package line impedance";
    ctl_pkg_t_ps = 45.0, "ps", Fitted, 0.1 ..= 500.0, "Controller package line delay";
    ctl_t2080_ps = 65.0, "ps", Fitted, 1.0 ..= 1000.0, "Controller driver edge, 20 % to 80 %";
    odt_rd_ohm = 48.0, "ohm", Datasheet, 5.0 ..= 1000.0, "Termination at the controller during a read (RZQ/5)";
    odt_wr_ohm = 60.0, "ohm", Datasheet, 5.0 ..= 1000.0, "Termination at the memory during a write (RZQ/4)";
    odt_park_ohm = 48.0, "ohm", Datasheet, 5.0 ..= 1000.0, "Termination of a rank that is parked (RZQ/5)";
    pkg_w_mm = 0.06, "mm", Fitted, 0.01 ..= 5.0, "Package trace width";
    mod_z_ohm = 42.0, "ohm", Fitted, 10.0 ..= 200.0, "Module line impedance";
    mod_len_mm = 30.0, "mm", Fitted, 0.1 ..= 500.0, "Module line length";
    so_mod_len_mm = 22.0, "mm", Fitted, 0.1 ..= 500.0, "Module line length, small-outline module";
    mod_w_mm = 0.10, "mm", Fitted, 0.01 ..= 5.0, "Module trace width";
    r_stub_ohm = 15.0, "ohm", Fitted, 0.0 ..= 200.0, "Series resistor at the edge finger";
    brd_z_ohm = 46.0, "ohm", Fitted, 10.0 ..= 200.0, "Board line impedance";
    brd_len_mm = 80.0, "mm", Fitted, 1.0 ..= 1000.0, "Board line length, module to chip socket";
    brd_w_mm = 0.11, "mm", Fitted, 0.01 ..= 5.0, "Board trace width";
    conn_l_nh = 1.2, "nH", Fitted, 0.0 ..= 50.0, "Module and riser connector inductance";
    conn_c_pf = 0.75, "pF", Fitted, 0.0 ..= 20.0, "Module and riser connector capacitance";
    via_c_pf = 0.32, "pF", Fitted, 0.0 ..= 20.0, "Via and through-hole capacitance";
    pad_c_pf = 0.33, "pF", Fitted, 0.0 ..= 20.0, "Edge-finger and pad capacitance";
    so_conn_l_nh = 1.2, "nH", Fitted, 0.0 ..= 50.0, "Small-outline connector inductance";
    so_conn_c_pf = 0.40, "pF", Fitted, 0.0 ..= 20.0, "Small-outline connector capacitance";
    camm_l_nh = 0.5, "nH", Estimate, 0.0 ..= 50.0, "Compression-connector inductance (CAMM2)";
    camm_c_pf = 0.3, "pF", Estimate, 0.0 ..= 20.0, "Compression-connector capacitance (CAMM2)";
    riser_z_ohm = 64.0, "ohm", Fitted, 10.0 ..= 200.0, "Riser line impedance";
    riser_len_mm = 32.0, "mm", Fitted, 0.1 ..= 500.0, "Riser line length";
    riser_w_mm = 0.13, "mm", Fitted, 0.01 ..= 5.0, "Riser trace width";
    adapt_z_ohm = 62.0, "ohm", Fitted, 10.0 ..= 200.0, "Adapter-card line impedance";
    adapt_len_mm = 40.0, "mm", Fitted, 0.1 ..= 500.0, "Adapter-card line length";
    adapt_w_mm = 0.10, "mm", Fitted, 0.01 ..= 5.0, "Adapter-card trace width";
    slot2_len_mm = 10.0, "mm", Guide, 0.1 ..= 200.0, "Board line between the two slots";
    sock_l_nh = 0.7, "nH", Fitted, 0.0 ..= 50.0, "Chip-socket inductance";
    sock_c_pf = 0.25, "pF", Fitted, 0.0 ..= 20.0, "Chip-socket capacitance";
    rx_ap_ps = 36.0, "ps", Fitted, 0.0 ..= 1000.0, "Aperture window of the capture flop";
    rx_noise_mv = 4.0, "mV rms", Fitted, 0.05 ..= 200.0, "Receiver noise";
    rx_off_mv = 4.0, "mV rms", Fitted, 0.0 ..= 200.0, "Receiver offset from bit to bit";
    v_dj_mv = 16.0, "mV", Fitted, 0.0 ..= 500.0, "Bounded voltage noise, half width";
    rj_ps = 4.5, "ps rms", Fitted, 0.05 ..= 200.0, "Random jitter";
    dcd_ps = 14.0, "ps pp", Fitted, 0.0 ..= 500.0, "Duty-cycle distortion, two-point";
    dj_ps = 18.0, "ps pp", Fitted, 0.0 ..= 500.0, "Bounded jitter, uniform";
    xt_line_ps = 2.0, "ps", Fitted, 0.0 ..= 200.0, "Forward coupling time of the lines";
    xt_conn_ps = 6.0, "ps", Fitted, 0.0 ..= 200.0, "Forward coupling time of each connector";
    xt_w1 = 1.0, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the first other bit of the byte";
    xt_w2 = 1.0, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the second other bit";
    xt_w3 = 0.35, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the third other bit";
    xt_w4 = 0.35, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the fourth other bit";
    xt_w5 = 0.15, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the fifth other bit";
    xt_w6 = 0.15, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the sixth other bit";
    xt_w7 = 0.15, "", Fitted, 0.0 ..= 10.0, "Coupling weight of the seventh other bit";
    sk_bit_ps = 6.0, "ps rms", Fitted, 0.0 ..= 500.0, "Skew from bit to bit";
    sk_lane_ps = 10.0, "ps rms", Fitted, 0.0 ..= 500.0, "Skew from byte lane to byte lane";
    z_bit = 0.025, "", Fitted, 0.0 ..= 0.3, "Line impedance from bit to bit, relative rms";
    c_bit = 0.04, "", Datasheet, 0.0 ..= 0.3, "Pad capacitance from bit to bit, relative rms";
    len_bit_mm = 1.5, "mm rms", Fitted, 0.0 ..= 50.0, "Board length from bit to bit";
    seat_l = 0.03, "", Estimate, 0.0 ..= 0.5, "Connector inductance from mounting to mounting, relative rms";
    seat_c = 0.03, "", Estimate, 0.0 ..= 0.5, "Connector capacitance from mounting to mounting, relative rms";
    seat_r_ohm = 0.02, "ohm rms", Estimate, 0.0 ..= 20.0, "Contact resistance added by a mounting (its size)";
    ron_tc_per_k = 1e-3, "1/K", Datasheet, -0.015 ..= 0.015, "Driver resistance per kelvin since calibration";
    odt_tc_per_k = 5e-4, "1/K", Datasheet, -0.015 ..= 0.015, "Termination per kelvin since calibration";
    ron_vc = -0.6, "", Fitted, -5.0 ..= 5.0, "Driver resistance per relative change of supply";
    edge_tc_per_k = 1.2e-3, "1/K", Fitted, -0.01 ..= 0.01, "Driver edge per kelvin";
    edge_vc = -0.8, "", Fitted, -5.0 ..= 5.0, "Driver edge per relative change of supply";
    dly_tc_ps_per_k = 0.25, "ps/K", Fitted, -10.0 ..= 10.0, "Drift of the tap instant per kelvin";
    dly_bit_tc_ps_per_k = 0.03, "ps/K rms", Fitted, 0.0 ..= 10.0, "The same from bit to bit";
    dly_vc_ps_per_v = -100.0, "ps/V", Fitted, -5000.0 ..= 5000.0, "Drift of the tap instant per volt of supply";
    rj_tc_per_k = 1e-3, "1/K", Fitted, -0.005 ..= 0.02, "Random jitter per kelvin";
    noise_tc_per_k = 7e-4, "1/K", Fitted, -0.005 ..= 0.02, "Receiver noise per kelvin";
    taps_per_ui = 32.0, "", Fitted, 4.0 ..= 256.0, "Delay taps in a unit interval";
    n_taps = 64.0, "", Fitted, 2.0 ..= 1024.0, "Taps of the delay line";
    tap_off = 0.0, "", Estimate, -0.2 ..= 0.2, "Size of a tap off what the device states, relative";
    inl_pp_tap = 0.6, "tap pp", Fitted, 0.0 ..= 10.0, "Integral nonlinearity of the delay line";
    vref_lo = 0.50, "VDDQ", Fitted, 0.0 ..= 1.0, "Reference voltage at step 0";
    vref_step = 0.0065, "VDDQ", Datasheet, 1e-4 ..= 0.1, "Reference voltage step";
    n_vref = 64.0, "", Fitted, 2.0 ..= 1024.0, "Reference voltage steps";
    train_threshold_dec = 0.15, "decades rms", Estimate, 0.0 ..= 2.0, "Spread of the pass threshold from training to training";
    train_centre_tap = 0.35, "tap rms", Estimate, 0.0 ..= 10.0, "Spread of the trained delay around the middle";
    train_centre_step = 0.35, "step rms", Estimate, 0.0 ..= 10.0, "Spread of the trained Vref step around the middle";
    start_skew_ps = 2.0, "ps rms", Estimate, 0.0 ..= 200.0, "Shift of a byte lane's strobe from power cycle to power cycle";
    start_threshold_dec = 0.10, "decades rms", Estimate, 0.0 ..= 2.0, "Further spread of the pass threshold after a power cycle";
    start_reset_share = 0.5, "", Estimate, 0.0 ..= 1.0, "Share of a power cycle's spreads that a reset draws anew";
    zq_range = 0.25, "", Estimate, 0.0 ..= 1.0, "Relative correction that ZQ calibration can reach";
    flyby_ps = 75.0, "ps", Estimate, 0.0 ..= 1000.0, "Clock and command delay from one package to the next";
    level_range_tck = 2.0, "tCK", Estimate, 0.1 ..= 32.0, "Range of the strobe delay in write levelling";
    gate_range_tck = 16.0, "tCK", Estimate, 0.1 ..= 64.0, "Range of the strobe-gate delay";
    dqsck_ps = 60.0, "ps rms", Estimate, 0.0 ..= 1000.0, "DRAM strobe output from the clock, from byte lane to byte lane";
    strobe_min_mv = 60.0, "mV", Estimate, 0.0 ..= 1000.0, "Least strobe amplitude that the gate detector sees";
    preamble_tck = 1.0, "tCK", Memory, 0.5 ..= 4.0, "Read preamble";
    ca_z_ohm = 40.0, "ohm", Estimate, 10.0 ..= 200.0, "Command/address line impedance";
    ca_cin_pf = 0.45, "pF", Datasheet, 0.0 ..= 20.0, "Command/address pad capacitance (0.2 to 0.7 pF)";
    ca_odt_ohm = 40.0, "ohm", Memory, 5.0 ..= 1000.0, "Command/address termination";
    ca_uncertainty_ps = 60.0, "ps pp", Estimate, 0.0 ..= 2000.0, "Jitter and skew inside the command/address window";
    ca_skew_ps = 15.0, "ps rms", Estimate, 0.0 ..= 500.0, "Skew from command/address line to line";
    dfe_step_mv = 5.0, "mV", Memory, 0.1 ..= 100.0, "Step of a DFE tap";
    dfe1_min_mv = -200.0, "mV", Memory, -1000.0 ..= 0.0, "Lowest value of feedback tap 1";
    dfe1_max_mv = 50.0, "mV", Memory, 0.0 ..= 1000.0, "Highest value of feedback tap 1";
    dfe2_mv = 75.0, "mV", Memory, 0.0 ..= 1000.0, "Range of feedback tap 2, either sign";
    dfe3_mv = 60.0, "mV", Memory, 0.0 ..= 1000.0, "Range of feedback tap 3, either sign";
    dfe4_mv = 45.0, "mV", Memory, 0.0 ..= 1000.0, "Range of feedback tap 4, either sign";
    ctl_dfe_step_mv = 5.0, "mV", Estimate, 0.1 ..= 100.0, "The controller's DFE, where it differs: step of a tap";
    ctl_dfe1_min_mv = -200.0, "mV", Estimate, -1000.0 ..= 0.0, "The same: lowest value of feedback tap 1";
    ctl_dfe1_max_mv = 50.0, "mV", Estimate, 0.0 ..= 1000.0, "The same: highest value of feedback tap 1";
    ctl_dfe2_mv = 75.0, "mV", Estimate, 0.0 ..= 1000.0, "The same: range of feedback tap 2";
    ctl_dfe3_mv = 60.0, "mV", Estimate, 0.0 ..= 1000.0, "The same: range of feedback tap 3";
    ctl_dfe4_mv = 45.0, "mV", Estimate, 0.0 ..= 1000.0, "The same: range of feedback tap 4";
    effects = 0.0, "", Estimate, 0.0 ..= 1.0, "1 (`effects = \"estimated\"`): the estimated effects below and the terminations of the generation's table, where a plan does not set them";
    dram_rx_ap_ps = 36.0, "ps", Estimate, 0.0 ..= 1000.0, "The DRAM's receiver, where it differs: aperture window";
    dram_rx_noise_mv = 4.0, "mV rms", Estimate, 0.05 ..= 200.0, "The DRAM's receiver, where it differs: noise";
    dram_rx_off_mv = 4.0, "mV rms", Estimate, 0.0 ..= 200.0, "The DRAM's receiver, where it differs: offset from bit to bit";
    pdn_z_ohm = 0.0, "ohm", Estimate, 0.0 ..= 20.0, "Supply impedance that the drivers of a byte share; 0: no supply noise";
    pdn_ps_per_mv = 0.0, "ps/mV", Estimate, 0.0 ..= 5.0, "Delay of a driver's edge for each mV of droop";
    clk_jitter_ps = 0.0, "ps rms", Estimate, 0.0 ..= 200.0, "Random jitter that data and strobe have in common";
    clk_jitter_mhz = 300.0, "MHz", Estimate, 0.01 ..= 1e5, "Corner frequency of the common jitter (one pole)";
    strobe_delay_ps = 0.0, "ps", Estimate, 0.0 ..= 10000.0, "Delay between strobe and data path: common jitter tracks up to it";
    dqs2dq_tc_ps_per_k = 0.0, "ps/K", Estimate, -10.0 ..= 10.0, "Drift of the DRAM's strobe path per kelvin (writes)";
    dqs2dq_vc_ps_per_v = 0.0, "ps/V", Estimate, -5000.0 ..= 5000.0, "Drift of the DRAM's strobe path per volt of supply (writes)";
    edge_skew = 0.0, "", Estimate, -1.0 ..= 1.0, "Rising less falling edge time, as a share of the mean";
    ron_skew = 0.0, "", Estimate, -1.0 ..= 1.0, "Pull-up less pull-down resistance, as a share of the mean";
    tx_rj_ps = 0.0, "ps rms", Estimate, 0.0 ..= 200.0, "Random jitter of each edge at the transmitter, which goes through the channel";
    compared_bits = 0.0, "", Estimate, -1.0 ..= 1.0, "Bits compared: 0 all, 1 the even ones, -1 the odd ones";
    vref_shared = 0.0, "", Estimate, 0.0 ..= 1.0, "1: write lanes that share a reference in the DRAM are trained to one value";
    read_back = 0.0, "", Estimate, 0.0 ..= 1.0, "1: a write is read back, with the read's errors at its trained point";
}

/// Figures that are those of another part until they are given values of their own: leader, follower.
const FOLLOWERS: &[(&str, &str)] = &[
    ("rx_ap_ps", "dram_rx_ap_ps"),
    ("rx_noise_mv", "dram_rx_noise_mv"),
    ("rx_off_mv", "dram_rx_off_mv"),
    ("dfe_step_mv", "ctl_dfe_step_mv"),
    ("dfe1_min_mv", "ctl_dfe1_min_mv"),
    ("dfe1_max_mv", "ctl_dfe1_max_mv"),
    ("dfe2_mv", "ctl_dfe2_mv"),
    ("dfe3_mv", "ctl_dfe3_mv"),
    ("dfe4_mv", "ctl_dfe4_mv"),
];

/// What a receiver is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Receiver {
    /// Aperture window, s.
    pub aperture_s: f64,
    /// Noise at the reference temperature, V rms.
    pub noise_v: f64,
    /// Offset from bit to bit, mV rms.
    pub offset_mv: f64,
}

impl Parameters {
    /// Defaults of a generation: the base table with what its own table says otherwise.
    #[must_use]
    pub fn of(generation: Generation) -> Self {
        let mut out = Parameters::ddr4();
        out.take(generation.facts().model);
        out
    }

    /// Turns the estimated effects of a generation on; figures that are set later win.
    pub fn take_effects(&mut self, generation: Generation) {
        self.take(generation.facts().effects);
    }

    fn take(&mut self, figures: &[ModelFigure]) {
        for figure in figures {
            // Every figure lies in range; a test holds the tables to that.
            if self.set(figure.name, figure.value).is_ok() {
                let mark = match figure.known {
                    Known::Published => Mark::Datasheet,
                    Known::Memory => Mark::Memory,
                    Known::Estimate => Mark::Estimate,
                };
                self.marks.insert(figure.name, mark);
            }
        }
    }

    /// The receiver of a direction: the controller's in a read, the DRAM's else.
    #[must_use]
    pub fn receiver(&self, direction: Direction) -> Receiver {
        let (aperture_ps, noise_mv, offset_mv) = match direction {
            Direction::Read => (self.rx_ap_ps, self.rx_noise_mv, self.rx_off_mv),
            Direction::Write | Direction::Command => {
                (self.dram_rx_ap_ps, self.dram_rx_noise_mv, self.dram_rx_off_mv)
            }
        };
        Receiver { aperture_s: aperture_ps * 1e-12, noise_v: noise_mv * 1e-3, offset_mv }
    }

    /// Was this figure set by whoever runs the model?
    #[must_use]
    pub fn is_given(&self, name: &str) -> bool {
        self.marks.get(name) == Some(&Mark::Given)
    }

    /// Coupling weights of the seven other bits of the byte.
    #[must_use]
    pub fn coupling_weights(&self) -> [f64; 7] {
        [self.xt_w1, self.xt_w2, self.xt_w3, self.xt_w4, self.xt_w5, self.xt_w6, self.xt_w7]
    }

    /// Number of taps of the delay line.
    #[must_use]
    pub fn taps(&self) -> usize {
        self.n_taps as usize
    }

    /// Number of reference-voltage steps.
    #[must_use]
    pub fn vref_steps(&self) -> usize {
        self.n_vref as usize
    }

    fn validate_together(&self) -> Result<(), PhysicsError> {
        let whole = [
            ("n_taps", self.n_taps),
            ("n_vref", self.n_vref),
            ("effects", self.effects),
            ("compared_bits", self.compared_bits),
            ("vref_shared", self.vref_shared),
            ("read_back", self.read_back),
        ];
        for (name, value) in whole {
            if value.fract() != 0.0 {
                return Err(PhysicsError::Inconsistent(format!("{name} is {value}; give a whole number")));
            }
        }
        Ok(())
    }
}

/// Known names closest to `name`: those it is a part of, then by edit distance.
fn nearest(name: &str) -> Vec<&'static str> {
    let wanted = name.to_lowercase();
    let mut ranked: Vec<(usize, &'static str)> = NAMES
        .iter()
        .filter_map(|known| {
            let distance = edit_distance(&wanted, known);
            let part = wanted.len() >= 3 && known.contains(wanted.as_str());
            let close = distance <= 2 + wanted.chars().count() / 4;
            (part || close).then_some((if part { 0 } else { distance }, *known))
        })
        .collect();
    ranked.sort();
    ranked.into_iter().take(4).map(|(_, known)| known).collect()
}

/// Levenshtein distance.
fn edit_distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (i, a) in one.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (cell, b) in row.iter_mut().skip(1).zip(&other) {
            let value = (diagonal + usize::from(a != *b)).min(left + 1).min(*cell + 1);
            diagonal = *cell;
            *cell = value;
            left = value;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(0)
}

//! LPDDR5 and LPDDR5X (JESD209-5).

use super::*;
use crate::devices::ModuleKind::{Camm2, Soldered};
use crate::results::Direction::{Read, Write};

pub(super) const FACTS: Facts = Facts {
    name: "LPDDR5",
    standard: "JESD209-5",
    rate_names: &["LPDDR5", "LPDDR5X"],
    // 533 to 6400 (LPDDR5), to 8533 and 9600 (LPDDR5X). 6400 and 8533 in published summaries, the others from memory.
    rate_thirds: &[
        1600, 3200, 4800, 6400, 8250, 9600, 11200, 12800, 14400, 16500, 18000, 19200, 22500, 25600, 28800,
    ],
    usual_rate: 6400,
    // An LPDDR5 data sheet: VDD2L is VDD2H, or 0.87 to 0.97 V (DVFSC); VDDQ is 0.5 V, or 0.3 V without termination (DVFSQ).
    // Range of VDDQ from memory.
    rails: &[
        RailFacts {
            rail: Rail::Vdd1,
            nominal_v: 1.8,
            absolute_maximum_v: 2.1,
            ranges_v: &[(1.7, 1.95)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vdd2h,
            nominal_v: 1.05,
            absolute_maximum_v: 1.5,
            ranges_v: &[(1.01, 1.12)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vdd2l,
            nominal_v: 0.9,
            absolute_maximum_v: 1.5,
            ranges_v: &[(0.87, 0.97), (1.01, 1.12)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vddq,
            nominal_v: 0.5,
            absolute_maximum_v: 1.5,
            ranges_v: &[(0.47, 0.57), (0.27, 0.33)],
            follows_vddq: false,
        },
    ],
    signalling: Signalling::Lvstl,
    read_sweep: VrefSweep { start_percent: 1.0, step_percent: 0.75 },
    // MR14 (lower byte) and MR15 (upper byte), from memory: 10.0 to 73.5 % in steps of 0.5 %.
    write_vref: Some(VREF),
    shared_write_vref: Some(SharedVref::Byte),
    terminations: &TERMINATIONS,
    usual_termination: TerminationRule::Table,
    // BL16 (a data sheet; BL32 as well).
    burst_length: 16,
    // WCK at four or two times CK (a data sheet); two up to 3200 (from memory).
    strobe: Strobe::Wck(&[(4, 9600), (2, 3200)]),
    channels: Channels::Of(16),
    // Command bus training, WCK2CK levelling and WCK2DQ training as published summaries of JESD209-5B name them.
    training: &[
        (TrainingStep::ZqCalibration, "ZQ calibration"),
        (TrainingStep::CommandSelect, "CS training"),
        (TrainingStep::CommandAddress, "CA training"),
        (TrainingStep::CommandVref, "VREF(CA) training"),
        (TrainingStep::WriteLevelling, "WCK2CK levelling"),
        (TrainingStep::Gate, "RDQS gate"),
        (TrainingStep::Dfe, "DFE"),
        (TrainingStep::ReadCentring, "read deskew and centring"),
        (TrainingStep::ReadVref, "read Vref"),
        (TrainingStep::WriteCentring, "WCK2DQ training"),
        (TrainingStep::WriteVref, "VREF(DQ) training"),
    ],
    // CA0 to CA6 on both clock edges (a data sheet: "double-data-rate command/address entry"); VREF(CA) codes from memory.
    command: Some(CommandBus { lines: 7, bits_a_clock: 2, vref: VREF }),
    // -25 to 85 °C; the refresh rate follows the device's own sensor (MR4). From memory.
    temperature: Temperature { normal_degc: (-25.0, 85.0), extended_degc: 105.0, refresh_us: 3.906 },
    // A mask of six corners is published; its figures were not found.
    mask: None,
    kinds: &[Soldered, Camm2],
    spd: None,
    dfe: true,
    on_die_ecc: None,
    model: &MODEL,
    effects: &EFFECTS,
};

const VREF: VrefRange = VrefRange { start_percent: 10.0, step_percent: 0.5, last_code: 127 };

/// Ground termination of the addressed rank; another one is off (a data sheet: non-target ODT is an option). From memory.
const TERMINATIONS: [Termination; 4] = [
    Termination::of(Read, 1, 1, Rtt::Controller(40.0), Rtt::Off, Rtt::Off),
    Termination::of(Read, 1, 2, Rtt::Controller(40.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 1, Rtt::Nom(40.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 2, Rtt::Nom(40.0), Rtt::Off, Rtt::Off),
];

const MODEL: [ModelFigure; 30] = [
    ModelFigure::published("vddq_nominal_v", 0.5),
    // RZQ/6: with 40 ohm to ground VOH is 0.5 VDDQ.
    ModelFigure::memory("dram_ron_ohm", 40.0),
    ModelFigure::memory("ctl_ron_ohm", 40.0),
    ModelFigure::memory("odt_rd_ohm", 40.0),
    ModelFigure::memory("odt_wr_ohm", 40.0),
    ModelFigure::memory("odt_park_ohm", 240.0),
    ModelFigure::estimate("dram_cio_pf", 0.5),
    ModelFigure::estimate("ctl_cio_pf", 0.5),
    ModelFigure::estimate("dram_pkg_t_ps", 18.0),
    ModelFigure::estimate("dram_pkg_z_ohm", 45.0),
    ModelFigure::estimate("ctl_pkg_t_ps", 25.0),
    ModelFigure::estimate("dram_t2080_ps", 28.0),
    ModelFigure::estimate("ctl_t2080_ps", 26.0),
    ModelFigure::estimate("brd_len_mm", 20.0),
    ModelFigure::estimate("len_bit_mm", 0.4),
    ModelFigure::estimate("tand_brd", 0.006),
    ModelFigure::estimate("mod_len_mm", 15.0),
    ModelFigure::estimate("rx_ap_ps", 12.0),
    ModelFigure::estimate("rx_noise_mv", 1.6),
    ModelFigure::estimate("rx_off_mv", 2.0),
    ModelFigure::estimate("v_dj_mv", 6.0),
    ModelFigure::estimate("rj_ps", 1.2),
    ModelFigure::estimate("dcd_ps", 3.0),
    ModelFigure::estimate("dj_ps", 4.0),
    ModelFigure::estimate("vref_step", 0.0075),
    ModelFigure::estimate("vref_lo", 0.01),
    ModelFigure::estimate("strobe_min_mv", 25.0),
    ModelFigure::memory("preamble_tck", 4.0),
    ModelFigure::estimate("ca_uncertainty_ps", 40.0),
    ModelFigure::memory("ca_odt_ohm", 60.0),
];

/// Estimates of this program, no published source; they close an eye to the size that is usual on a bench. See
/// `drivers/simulator/MODEL.md`.
const EFFECTS: [ModelFigure; 11] = [
    ModelFigure::estimate("pdn_z_ohm", 0.4),
    ModelFigure::estimate("pdn_ps_per_mv", 0.06),
    ModelFigure::estimate("clk_jitter_ps", 2.0),
    ModelFigure::estimate("strobe_delay_ps", 400.0),
    ModelFigure::estimate("dqs2dq_tc_ps_per_k", 0.5),
    ModelFigure::estimate("dqs2dq_vc_ps_per_v", -500.0),
    ModelFigure::estimate("edge_skew", 0.15),
    ModelFigure::estimate("rj_ps", 0.9),
    ModelFigure::estimate("tx_rj_ps", 0.9),
    ModelFigure::estimate("vref_shared", 1.0),
    ModelFigure::estimate("read_back", 1.0),
];

//! LPDDR4X (JESD209-4-1): LPDDR4 with a lower VDDQ.

use super::*;
use crate::devices::ModuleKind::Soldered;
use crate::results::Direction::{Read, Write};

pub(super) const FACTS: Facts = Facts {
    name: "LPDDR4X",
    standard: "JESD209-4-1",
    rate_names: &["LPDDR4X", "LPDDR4"],
    // 533 to 4266; 4266 and 3733 in an LPDDR4X data sheet, the others from memory.
    rate_thirds: &[1600, 3200, 4800, 6400, 8000, 9600, 11200, 12800],
    usual_rate: 4266,
    // An LPDDR4/LPDDR4X data sheet.
    rails: &[
        RailFacts {
            rail: Rail::Vdd1,
            nominal_v: 1.8,
            absolute_maximum_v: 2.1,
            ranges_v: &[(1.7, 1.95)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vdd2,
            nominal_v: 1.1,
            absolute_maximum_v: 1.5,
            ranges_v: &[(1.06, 1.17)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vddq,
            nominal_v: 0.6,
            absolute_maximum_v: 1.5,
            ranges_v: &[(0.57, 0.65)],
            follows_vddq: false,
        },
    ],
    signalling: Signalling::Lvstl,
    read_sweep: VrefSweep { start_percent: 1.0, step_percent: 0.75 },
    // Range 0 (MR14), from memory: 15 to 45 % in steps of 0.6 %.
    write_vref: Some(VREF),
    shared_write_vref: Some(SharedVref::Device),
    terminations: &TERMINATIONS,
    usual_termination: TerminationRule::Table,
    // BL16 (a data sheet; BL32 as well).
    burst_length: 16,
    strobe: Strobe::Dqs,
    channels: Channels::Of(16),
    // Names and order: a controller's published guide (CS, then CA training), JESD209-4's headings.
    training: &[
        (TrainingStep::ZqCalibration, "ZQ calibration"),
        (TrainingStep::CommandSelect, "CS training"),
        (TrainingStep::CommandAddress, "CA training"),
        (TrainingStep::CommandVref, "VREF(CA) training"),
        (TrainingStep::WriteLevelling, "write levelling"),
        (TrainingStep::Gate, "DQS gate"),
        (TrainingStep::ReadCentring, "read deskew and centring"),
        (TrainingStep::ReadVref, "read Vref"),
        (TrainingStep::WriteCentring, "DQS2DQ training"),
        (TrainingStep::WriteVref, "VREF(DQ) training"),
    ],
    // CA0 to CA5, one bit a clock (a data sheet: "single-data-rate CMD/ADR entry"); VREF(CA) codes from memory.
    command: Some(CommandBus { lines: 6, bits_a_clock: 1, vref: VREF }),
    // -25 to 85 °C (a data sheet); the refresh rate follows the device's own sensor (MR4); interval and 105 °C from memory.
    temperature: Temperature { normal_degc: (-25.0, 85.0), extended_degc: 105.0, refresh_us: 3.904 },
    mask: Some(&MASK),
    kinds: &[Soldered],
    spd: None,
    dfe: false,
    on_die_ecc: None,
    model: &MODEL,
    effects: &EFFECTS,
};

const VREF: VrefRange = VrefRange { start_percent: 15.0, step_percent: 0.6, last_code: 50 };

/// Ground termination of one rank; a second one is off. From memory.
const TERMINATIONS: [Termination; 4] = [
    Termination::of(Read, 1, 1, Rtt::Controller(40.0), Rtt::Off, Rtt::Off),
    Termination::of(Read, 1, 2, Rtt::Controller(40.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 1, Rtt::Nom(40.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 2, Rtt::Nom(40.0), Rtt::Off, Rtt::Off),
];

/// VdIVW_total and TdIVW_total of JESD209-4, from memory.
const MASK: WriteMask = WriteMask {
    preset: "LPDDR4X write mask",
    ber: 1e-16,
    rows: &[
        (1600, 0.22, 140.0, "from memory"),
        (2133, 0.22, 140.0, "from memory"),
        (3200, 0.25, 140.0, "from memory"),
        (4266, 0.25, 120.0, "from memory"),
    ],
};

const MODEL: [ModelFigure; 29] = [
    ModelFigure::published("vddq_nominal_v", 0.6),
    // RZQ/6: with 40 ohm to ground VOH is 0.5 VDDQ.
    ModelFigure::memory("dram_ron_ohm", 40.0),
    ModelFigure::memory("ctl_ron_ohm", 40.0),
    ModelFigure::memory("odt_rd_ohm", 40.0),
    ModelFigure::memory("odt_wr_ohm", 40.0),
    ModelFigure::memory("odt_park_ohm", 240.0),
    ModelFigure::estimate("dram_cio_pf", 0.7),
    ModelFigure::estimate("ctl_cio_pf", 0.7),
    ModelFigure::estimate("dram_pkg_t_ps", 25.0),
    ModelFigure::estimate("dram_pkg_z_ohm", 50.0),
    ModelFigure::estimate("ctl_pkg_t_ps", 35.0),
    ModelFigure::estimate("dram_t2080_ps", 50.0),
    ModelFigure::estimate("ctl_t2080_ps", 45.0),
    ModelFigure::estimate("brd_len_mm", 25.0),
    ModelFigure::estimate("len_bit_mm", 0.5),
    ModelFigure::estimate("tand_brd", 0.009),
    ModelFigure::estimate("rx_ap_ps", 22.0),
    ModelFigure::estimate("rx_noise_mv", 2.0),
    ModelFigure::estimate("rx_off_mv", 2.5),
    ModelFigure::estimate("v_dj_mv", 8.0),
    ModelFigure::estimate("rj_ps", 2.2),
    ModelFigure::estimate("dcd_ps", 6.0),
    ModelFigure::estimate("dj_ps", 8.0),
    ModelFigure::estimate("vref_step", 0.0075),
    ModelFigure::estimate("vref_lo", 0.01),
    ModelFigure::estimate("strobe_min_mv", 30.0),
    ModelFigure::memory("preamble_tck", 2.0),
    ModelFigure::estimate("ca_uncertainty_ps", 40.0),
    ModelFigure::memory("ca_odt_ohm", 60.0),
];

/// Estimates of this program, no published source; they close an eye to the size that is usual on a bench. See
/// `drivers/simulator/MODEL.md`.
const EFFECTS: [ModelFigure; 11] = [
    ModelFigure::estimate("pdn_z_ohm", 0.5),
    ModelFigure::estimate("pdn_ps_per_mv", 0.1),
    ModelFigure::estimate("clk_jitter_ps", 3.5),
    ModelFigure::estimate("strobe_delay_ps", 500.0),
    ModelFigure::memory("dqs2dq_tc_ps_per_k", 0.6),
    ModelFigure::memory("dqs2dq_vc_ps_per_v", -660.0),
    ModelFigure::estimate("edge_skew", 0.15),
    ModelFigure::estimate("rj_ps", 1.6),
    ModelFigure::estimate("tx_rj_ps", 1.6),
    ModelFigure::estimate("vref_shared", 1.0),
    ModelFigure::estimate("read_back", 1.0),
];

//! DDR5 (JESD79-5).

use super::*;
use crate::devices::ModuleKind::{Lrdimm, Rdimm, Sodimm, Udimm};
use crate::results::Direction::{Read, Write};

pub(super) const FACTS: Facts = Facts {
    name: "DDR5",
    standard: "JESD79-5",
    rate_names: &["DDR5"],
    // 3200 to 9200 in steps of 400 MT/s: 4800 to 8800 in DDR5 data sheets, 9200 from memory, the others computed.
    rate_thirds: &[
        9600, 10800, 12000, 13200, 14400, 15600, 16800, 18000, 19200, 20400, 21600, 22800, 24000, 25200,
        26400, 27600,
    ],
    usual_rate: 5600,
    // DDR5 module data sheets: -3 % and +6 %.
    rails: &[
        RailFacts {
            rail: Rail::Vdd,
            nominal_v: 1.1,
            absolute_maximum_v: 1.4,
            ranges_v: &[(1.067, 1.166)],
            follows_vddq: true,
        },
        RailFacts {
            rail: Rail::Vddq,
            nominal_v: 1.1,
            absolute_maximum_v: 1.4,
            ranges_v: &[(1.067, 1.166)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vpp,
            nominal_v: 1.8,
            absolute_maximum_v: 2.1,
            ranges_v: &[(1.746, 1.908)],
            follows_vddq: false,
        },
    ],
    signalling: Signalling::Pod,
    read_sweep: VrefSweep { start_percent: 55.0, step_percent: 0.5 },
    // VrefDQ (MR10), from memory: 97.5 % downwards.
    write_vref: Some(VREF),
    shared_write_vref: None,
    terminations: &TERMINATIONS,
    usual_termination: TerminationRule::Fixed,
    burst_length: 16,
    strobe: Strobe::Dqs,
    // Two sub-channels of 32 to 40 lanes (module data sheets).
    channels: Channels::TwoAbove(40),
    training: &[
        (TrainingStep::ZqCalibration, "ZQ calibration"),
        (TrainingStep::CommandSelect, "CS training"),
        (TrainingStep::CommandAddress, "CA training"),
        (TrainingStep::CommandVref, "VrefCA training"),
        (TrainingStep::WriteLevelling, "write levelling"),
        (TrainingStep::Gate, "DQS gate"),
        (TrainingStep::Dfe, "DFE"),
        (TrainingStep::ReadCentring, "read deskew and centring"),
        (TrainingStep::ReadVref, "read VrefDQ"),
        (TrainingStep::WriteCentring, "write deskew and centring"),
        (TrainingStep::WriteVref, "VrefDQ training"),
    ],
    // CA0 to CA13 of a sub-channel's host side; VrefCA (MR11) and VrefCS (MR12) have the codes of VrefDQ (from memory).
    command: Some(CommandBus { lines: 14, bits_a_clock: 1, vref: VREF }),
    // DDR5 data sheets.
    temperature: Temperature { normal_degc: (0.0, 85.0), extended_degc: 95.0, refresh_us: 3.9 },
    mask: None,
    kinds: &[Udimm, Sodimm, Rdimm, Lrdimm],
    spd: Some(Spd { memory_type: 0x12, bytes: 1024 }),
    dfe: true,
    on_die_ecc: Some(
        "single-bit errors of the array are corrected inside the DRAM: they hide from a system test, not from the capture \
         flops, which compare what the lines carried",
    ),
    model: &MODEL,
    effects: &EFFECTS,
};

const VREF: VrefRange = VrefRange { start_percent: 97.5, step_percent: -0.5, last_code: 125 };

/// Common practice of controller guides, from memory.
const TERMINATIONS: [Termination; 8] = [
    Termination::of(Read, 1, 1, Rtt::Controller(48.0), Rtt::Off, Rtt::Off),
    Termination::of(Read, 1, 2, Rtt::Controller(48.0), Rtt::Park(240.0), Rtt::Off),
    Termination::of(Read, 2, 1, Rtt::Controller(60.0), Rtt::Off, Rtt::Nom(48.0)),
    Termination::of(Read, 2, 2, Rtt::Controller(60.0), Rtt::Park(240.0), Rtt::Nom(48.0)),
    Termination::of(Write, 1, 1, Rtt::Wr(48.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 2, Rtt::Wr(60.0), Rtt::Park(240.0), Rtt::Off),
    Termination::of(Write, 2, 1, Rtt::Wr(120.0), Rtt::Off, Rtt::Nom(48.0)),
    Termination::of(Write, 2, 2, Rtt::Wr(120.0), Rtt::Park(240.0), Rtt::Nom(48.0)),
];

const MODEL: [ModelFigure; 22] = [
    ModelFigure::memory("vddq_nominal_v", 1.1),
    ModelFigure::memory("dram_cio_pf", 0.65),
    ModelFigure::memory("ctl_cio_pf", 0.70),
    ModelFigure::memory("odt_rd_ohm", 48.0),
    ModelFigure::memory("odt_wr_ohm", 48.0),
    ModelFigure::memory("dram_t2080_ps", 35.0),
    ModelFigure::memory("db_t2080_ps", 35.0),
    ModelFigure::memory("ctl_t2080_ps", 35.0),
    ModelFigure::memory("rx_ap_ps", 18.0),
    ModelFigure::memory("rj_ps", 1.8),
    ModelFigure::memory("dcd_ps", 4.0),
    ModelFigure::memory("dj_ps", 5.0),
    ModelFigure::memory("dram_pkg_t_ps", 22.0),
    ModelFigure::memory("ctl_pkg_t_ps", 22.0),
    ModelFigure::memory("rx_noise_mv", 3.0),
    ModelFigure::memory("mod_len_mm", 22.0),
    ModelFigure::memory("r_stub_ohm", 0.0),
    ModelFigure::memory("tand_mod", 0.012),
    ModelFigure::memory("tand_brd", 0.009),
    ModelFigure::memory("vref_step", 0.005),
    ModelFigure::memory("vref_lo", 0.55),
    ModelFigure::memory("preamble_tck", 2.0),
];

/// Estimates of this program, no published source; they close an eye to the size that is usual on a bench. See
/// `drivers/simulator/MODEL.md`.
const EFFECTS: [ModelFigure; 15] = [
    ModelFigure::estimate("pdn_z_ohm", 0.9),
    ModelFigure::estimate("pdn_ps_per_mv", 0.1),
    ModelFigure::estimate("clk_jitter_ps", 5.0),
    ModelFigure::estimate("strobe_delay_ps", 300.0),
    ModelFigure::estimate("dqs2dq_tc_ps_per_k", 0.3),
    ModelFigure::estimate("dqs2dq_vc_ps_per_v", -300.0),
    ModelFigure::estimate("edge_skew", 0.15),
    ModelFigure::estimate("ron_skew", 0.15),
    ModelFigure::estimate("rj_ps", 1.5),
    ModelFigure::estimate("tx_rj_ps", 1.5),
    ModelFigure::estimate("v_dj_mv", 44.0),
    ModelFigure::estimate("rx_noise_mv", 7.0),
    ModelFigure::estimate("dram_rx_ap_ps", 22.0),
    ModelFigure::estimate("dram_rx_noise_mv", 7.0),
    ModelFigure::estimate("read_back", 1.0),
];

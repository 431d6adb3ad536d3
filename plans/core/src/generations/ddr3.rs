//! DDR3 and DDR3L (JESD79-3, JESD79-3-1).

use super::*;
use crate::devices::ModuleKind::{Lrdimm, Rdimm, Sodimm, Udimm};
use crate::results::Direction::{Read, Write};

/// 1.5 V +- 75 mV, and 1.283 to 1.45 V for the 1.35 V parts (DDR3(L) data sheets; from memory where they were not open).
const RANGES: &[(f64, f64)] = &[(1.425, 1.575), (1.283, 1.45)];

pub(super) const FACTS: Facts = Facts {
    name: "DDR3",
    standard: "JESD79-3",
    rate_names: &["DDR3", "DDR3L"],
    // 800 to 2133 in steps of 800/3 MT/s.
    rate_thirds: &[2400, 3200, 4000, 4800, 5600, 6400],
    usual_rate: 1600,
    rails: &[
        RailFacts {
            rail: Rail::Vdd,
            nominal_v: 1.5,
            absolute_maximum_v: 1.975,
            ranges_v: RANGES,
            follows_vddq: true,
        },
        RailFacts {
            rail: Rail::Vddq,
            nominal_v: 1.5,
            absolute_maximum_v: 1.975,
            ranges_v: RANGES,
            follows_vddq: false,
        },
    ],
    signalling: Signalling::Sstl,
    read_sweep: VrefSweep { start_percent: 18.5, step_percent: 1.0 },
    // VREFDQ is a pin at 0.49 to 0.51 VDD (a DDR3(L) data sheet): the board moves it for a write sweep.
    write_vref: None,
    shared_write_vref: Some(SharedVref::Module),
    terminations: &TERMINATIONS,
    usual_termination: TerminationRule::Table,
    burst_length: 8,
    strobe: Strobe::Dqs,
    channels: Channels::One,
    training: &[
        (TrainingStep::ZqCalibration, "ZQ calibration"),
        (TrainingStep::WriteLevelling, "write levelling"),
        (TrainingStep::Gate, "DQS gate"),
        (TrainingStep::ReadCentring, "read deskew and centring"),
        (TrainingStep::ReadVref, "read Vref"),
        (TrainingStep::WriteCentring, "write deskew and centring"),
        (TrainingStep::WriteVref, "VREFDQ centring"),
    ],
    command: None,
    // Data sheets: 8192 refreshes in 64 ms up to 85 °C, in 32 ms to 95 °C.
    temperature: Temperature { normal_degc: (0.0, 85.0), extended_degc: 95.0, refresh_us: 7.8 },
    // Setup and hold against levels, no mask.
    mask: None,
    kinds: &[Udimm, Sodimm, Rdimm, Lrdimm],
    spd: Some(Spd { memory_type: 0x0B, bytes: 256 }),
    dfe: false,
    on_die_ecc: None,
    model: &MODEL,
    effects: &EFFECTS,
};

/// Values of the registers: RTT_NOM RZQ/2, /4, /6, /8, /12, in writes /2, /4, /6 only; RTT_WR RZQ/4, /2 (a DDR3 data sheet).
/// Which is used when: common practice of controller guides, from memory.
const TERMINATIONS: [Termination; 8] = [
    Termination::of(Read, 1, 1, Rtt::Controller(60.0), Rtt::Off, Rtt::Off),
    Termination::of(Read, 1, 2, Rtt::Controller(60.0), Rtt::Off, Rtt::Off),
    Termination::of(Read, 2, 1, Rtt::Controller(60.0), Rtt::Off, Rtt::Nom(30.0)),
    Termination::of(Read, 2, 2, Rtt::Controller(60.0), Rtt::Off, Rtt::Nom(30.0)),
    Termination::of(Write, 1, 1, Rtt::Nom(60.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 2, Rtt::Nom(60.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 2, 1, Rtt::Wr(120.0), Rtt::Off, Rtt::Nom(30.0)),
    Termination::of(Write, 2, 2, Rtt::Wr(120.0), Rtt::Off, Rtt::Nom(30.0)),
];

const MODEL: [ModelFigure; 20] = [
    ModelFigure::published("vddq_nominal_v", 1.5),
    // 1.4 to 2.3 pF at 1600, package included.
    ModelFigure::memory("dram_cio_pf", 1.5),
    ModelFigure::estimate("stack_cio_pf", 2.4),
    ModelFigure::estimate("ctl_cio_pf", 1.8),
    ModelFigure::estimate("db_cio_pf", 1.4),
    ModelFigure::memory("odt_rd_ohm", 60.0),
    ModelFigure::published("odt_wr_ohm", 60.0),
    ModelFigure::published("odt_park_ohm", 120.0),
    // 2.5 to 5 V/ns into 25 ohm.
    ModelFigure::estimate("dram_t2080_ps", 130.0),
    ModelFigure::estimate("db_t2080_ps", 120.0),
    ModelFigure::estimate("ctl_t2080_ps", 120.0),
    ModelFigure::estimate("rx_ap_ps", 60.0),
    ModelFigure::estimate("v_dj_mv", 22.0),
    ModelFigure::estimate("rj_ps", 7.0),
    ModelFigure::estimate("dcd_ps", 22.0),
    ModelFigure::estimate("dj_ps", 30.0),
    ModelFigure::estimate("dqsck_ps", 90.0),
    ModelFigure::estimate("vref_lo", 0.185),
    ModelFigure::estimate("vref_step", 0.01),
    ModelFigure::memory("ca_odt_ohm", 39.0),
];

/// Estimates of this program, no published source; they close an eye to the size that is usual on a bench. See
/// `drivers/simulator/MODEL.md`.
const EFFECTS: [ModelFigure; 10] = [
    ModelFigure::estimate("pdn_z_ohm", 0.8),
    ModelFigure::estimate("pdn_ps_per_mv", 0.1),
    ModelFigure::estimate("clk_jitter_ps", 9.0),
    ModelFigure::estimate("strobe_delay_ps", 150.0),
    ModelFigure::estimate("edge_skew", 0.2),
    ModelFigure::estimate("ron_skew", 0.15),
    ModelFigure::estimate("rj_ps", 5.0),
    ModelFigure::estimate("tx_rj_ps", 5.0),
    ModelFigure::estimate("vref_shared", 1.0),
    ModelFigure::estimate("read_back", 1.0),
];

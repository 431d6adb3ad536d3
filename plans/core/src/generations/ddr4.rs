//! DDR4 (JESD79-4).

use super::*;
use crate::devices::ModuleKind::{Lrdimm, Rdimm, Sodimm, Udimm};
use crate::results::Direction::{Read, Write};

pub(super) const FACTS: Facts = Facts {
    name: "DDR4",
    standard: "JESD79-4",
    rate_names: &["DDR4"],
    // 1600 to 3200 in steps of 800/3 MT/s (clock periods: speed-bin tables of DDR4 data sheets).
    rate_thirds: &[4800, 5600, 6400, 7200, 8000, 8800, 9600],
    usual_rate: 3200,
    // DDR4 module data sheets.
    rails: &[
        RailFacts {
            rail: Rail::Vdd,
            nominal_v: 1.2,
            absolute_maximum_v: 1.5,
            ranges_v: &[(1.14, 1.26)],
            follows_vddq: true,
        },
        RailFacts {
            rail: Rail::Vddq,
            nominal_v: 1.2,
            absolute_maximum_v: 1.5,
            ranges_v: &[(1.14, 1.26)],
            follows_vddq: false,
        },
        RailFacts {
            rail: Rail::Vpp,
            nominal_v: 2.5,
            absolute_maximum_v: 3.0,
            ranges_v: &[(2.375, 2.75)],
            follows_vddq: false,
        },
    ],
    signalling: Signalling::Pod,
    read_sweep: VrefSweep { start_percent: 50.0, step_percent: 0.65 },
    // Range 1 (MR6), over which the write mask is defined. Step 0.65 % (0.50 to 0.80) and guaranteed span 60 to 92 % (a
    // data sheet); codes from memory.
    write_vref: Some(VrefRange { start_percent: 60.0, step_percent: 0.65, last_code: 50 }),
    shared_write_vref: Some(SharedVref::Device),
    terminations: &TERMINATIONS,
    usual_termination: TerminationRule::Fixed,
    burst_length: 8,
    strobe: Strobe::Dqs,
    channels: Channels::One,
    training: &[
        (TrainingStep::ZqCalibration, "ZQ calibration"),
        (TrainingStep::WriteLevelling, "write levelling"),
        (TrainingStep::Gate, "DQS gate"),
        (TrainingStep::ReadCentring, "read deskew and centring"),
        (TrainingStep::ReadVref, "read VrefDQ"),
        (TrainingStep::WriteCentring, "write deskew and centring"),
        (TrainingStep::WriteVref, "VrefDQ training"),
    ],
    command: None,
    // DDR4 data sheets: 8192 refreshes in 64 ms up to 85 °C, in 32 ms to 95 °C.
    temperature: Temperature { normal_degc: (0.0, 85.0), extended_degc: 95.0, refresh_us: 7.8 },
    mask: Some(&MASK),
    kinds: &[Udimm, Sodimm, Rdimm, Lrdimm],
    spd: Some(Spd { memory_type: 0x0C, bytes: 512 }),
    dfe: false,
    on_die_ecc: None,
    // The base table of the model is DDR4's.
    model: &[],
    effects: &EFFECTS,
};

/// Common practice of controller guides, from memory.
const TERMINATIONS: [Termination; 8] = [
    Termination::of(Read, 1, 1, Rtt::Controller(48.0), Rtt::Off, Rtt::Off),
    Termination::of(Read, 1, 2, Rtt::Controller(48.0), Rtt::Park(240.0), Rtt::Off),
    Termination::of(Read, 2, 1, Rtt::Controller(60.0), Rtt::Off, Rtt::Nom(48.0)),
    Termination::of(Read, 2, 2, Rtt::Controller(60.0), Rtt::Park(240.0), Rtt::Nom(48.0)),
    Termination::of(Write, 1, 1, Rtt::Nom(60.0), Rtt::Off, Rtt::Off),
    Termination::of(Write, 1, 2, Rtt::Wr(80.0), Rtt::Park(240.0), Rtt::Off),
    Termination::of(Write, 2, 1, Rtt::Wr(120.0), Rtt::Off, Rtt::Nom(48.0)),
    Termination::of(Write, 2, 2, Rtt::Wr(120.0), Rtt::Park(240.0), Rtt::Nom(48.0)),
];

const READ_SHEET: &str = "TdIVW as a published DDR4 data sheet derives it; VdIVW from memory";

const MASK: WriteMask = WriteMask {
    preset: "DDR4 write mask",
    ber: 1e-16,
    rows: &[
        (1600, 0.20, 136.0, READ_SHEET),
        (1866, 0.20, 136.0, READ_SHEET),
        (2133, 0.20, 136.0, READ_SHEET),
        (2400, 0.20, 130.0, READ_SHEET),
        (2666, 0.22, 120.0, "from memory"),
        (2933, 0.23, 115.0, "from memory"),
        (3200, 0.23, 110.0, "from memory"),
    ],
};

/// Estimates of this program, no published source; they close an eye to the size that is usual on a bench. See
/// `drivers/simulator/MODEL.md`.
const EFFECTS: [ModelFigure; 14] = [
    ModelFigure::estimate("pdn_z_ohm", 1.4),
    ModelFigure::estimate("pdn_ps_per_mv", 0.2),
    ModelFigure::estimate("clk_jitter_ps", 11.0),
    ModelFigure::estimate("strobe_delay_ps", 250.0),
    ModelFigure::estimate("edge_skew", 0.2),
    ModelFigure::estimate("ron_skew", 0.15),
    ModelFigure::estimate("rj_ps", 3.2),
    ModelFigure::estimate("tx_rj_ps", 3.2),
    ModelFigure::estimate("dj_ps", 22.0),
    ModelFigure::estimate("v_dj_mv", 60.0),
    ModelFigure::estimate("dram_rx_ap_ps", 50.0),
    ModelFigure::estimate("dram_rx_noise_mv", 15.0),
    ModelFigure::estimate("vref_shared", 1.0),
    ModelFigure::estimate("read_back", 1.0),
];

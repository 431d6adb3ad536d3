//! Deviations from nominal: from bit to bit (silicon, copper) and from mounting to mounting (contacts).
//!
//! Nothing is drawn here: the caller brings standard-normal draws and this file gives them their size.

use super::error::PhysicsError;
use super::parameters::Parameters;
use nightbench_core::results::Direction;
use std::f64::consts::TAU;

/// Draws beyond this many deviations are held there, so that a rare draw cannot leave the model's range.
const LIMIT_SD: f64 = 5.0;

/// How one bit differs from nominal; SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BitVariation {
    /// Factor on every line impedance.
    pub z_scale: f64,
    /// Factor on every pad capacitance (C_IO).
    pub c_scale: f64,
    /// Extra board length, m.
    pub extra_length_m: f64,
    /// Skew, s: positive moves the eye to later taps.
    pub skew_s: f64,
    /// Receiver offset, V: added to the reference voltage.
    pub offset_v: f64,
    /// Own drift of the tap instant, s/K.
    pub delay_tc_s_per_k: f64,
    /// Phase of the delay line's nonlinearity, rad.
    pub inl_phase_rad: f64,
}

/// Draws of one bit: standard normal unless said otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BitDraws {
    /// Line impedance.
    pub impedance: f64,
    /// Pad capacitance.
    pub capacitance: f64,
    /// Board length.
    pub length: f64,
    pub bit_skew: f64,
    /// Skew of its byte lane: the same draw for all bits of a byte lane.
    pub lane_skew: f64,
    /// Receiver offset.
    pub offset: f64,
    /// Drift of the tap instant.
    pub delay_drift: f64,
    /// Phase of the nonlinearity: uniform in 0..1, a turn. The same for bits that share a delay line.
    pub nonlinearity_turn: f64,
}

impl Default for BitVariation {
    /// The nominal bit.
    fn default() -> Self {
        BitVariation {
            z_scale: 1.0,
            c_scale: 1.0,
            extra_length_m: 0.0,
            skew_s: 0.0,
            offset_v: 0.0,
            delay_tc_s_per_k: 0.0,
            inl_phase_rad: 0.0,
        }
    }
}

impl BitVariation {
    /// Gives the draws the sizes of `p`, with the receiver of `direction`; normal draws are held within five deviations.
    #[must_use]
    pub fn from_draws(p: &Parameters, direction: Direction, draws: &BitDraws) -> Self {
        let hold = |z: f64| z.clamp(-LIMIT_SD, LIMIT_SD);
        BitVariation {
            z_scale: (1.0 + p.z_bit * hold(draws.impedance)).max(0.3),
            c_scale: (1.0 + p.c_bit * hold(draws.capacitance)).max(0.1),
            extra_length_m: (p.len_bit_mm * hold(draws.length)).max(0.5 - p.brd_len_mm) * 1e-3,
            skew_s: (p.sk_bit_ps * hold(draws.bit_skew) + p.sk_lane_ps * hold(draws.lane_skew)) * 1e-12,
            offset_v: p.receiver(direction).offset_mv * hold(draws.offset) * 1e-3,
            delay_tc_s_per_k: p.dly_bit_tc_ps_per_k * hold(draws.delay_drift) * 1e-12,
            inl_phase_rad: TAU * draws.nonlinearity_turn,
        }
    }

    /// Refuses deviations that make no physical bit on a board line of `board_len_m`.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] naming the deviation.
    pub fn validate(&self, board_len_m: f64) -> Result<(), PhysicsError> {
        PhysicsError::check_range("impedance factor of a bit", self.z_scale, 0.1, 10.0, "")?;
        PhysicsError::check_range("capacitance factor of a bit", self.c_scale, 0.0, 10.0, "")?;
        PhysicsError::check_range("extra length of a bit", self.extra_length_m, -board_len_m, 1.0, "m")?;
        PhysicsError::check_range("skew of a bit", self.skew_s, -1e-8, 1e-8, "s")?;
        PhysicsError::check_range("offset of a bit", self.offset_v, -1.0, 1.0, "V")?;
        PhysicsError::check_range("delay drift of a bit", self.delay_tc_s_per_k, -1e-10, 1e-10, "s/K")?;
        PhysicsError::check_range("nonlinearity phase of a bit", self.inl_phase_rad, -1e6, 1e6, "rad")?;
        Ok(())
    }
}

/// One connector's contact in one mounting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contact {
    /// Factor on the inductance.
    pub l_scale: f64,
    /// Factor on the capacitance.
    pub c_scale: f64,
    /// Extra series resistance, ohm.
    pub series_ohm: f64,
}

impl Default for Contact {
    fn default() -> Self {
        Contact { l_scale: 1.0, c_scale: 1.0, series_ohm: 0.0 }
    }
}

impl Contact {
    /// Gives three standard-normal draws (inductance, capacitance, resistance) the sizes of `p`. The resistance is the
    /// draw's magnitude: a contact can only add.
    #[must_use]
    pub fn from_draws(p: &Parameters, draws: [f64; 3]) -> Self {
        let [l, c, r] = draws.map(|z| z.clamp(-LIMIT_SD, LIMIT_SD));
        Contact {
            l_scale: (1.0 + p.seat_l * l).max(0.1),
            c_scale: (1.0 + p.seat_c * c).max(0.1),
            series_ohm: p.seat_r_ohm * r.abs(),
        }
    }

    fn validate(&self, which: &str) -> Result<(), PhysicsError> {
        let name = |part: &str| format!("{part} of the {which} contact");
        PhysicsError::check_range(&name("inductance factor"), self.l_scale, 0.0, 10.0, "")?;
        PhysicsError::check_range(&name("capacitance factor"), self.c_scale, 0.0, 10.0, "")?;
        PhysicsError::check_range(&name("series resistance"), self.series_ohm, 0.0, 1000.0, "ohm")?;
        Ok(())
    }
}

/// The contacts of one mounting, module to chip; a connector that is not fitted is not used.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Mounting {
    /// Module (or adapter card) in the adapter's small-outline connector.
    pub adapter: Contact,
    /// Connectors on the risers, from the module down.
    pub risers: [Contact; 3],
    /// Connector on the board.
    pub board: Contact,
    /// The chip in its socket.
    pub socket: Contact,
}

impl Mounting {
    /// Refuses deviations that make no physical contact.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] naming contact and figure.
    pub fn validate(&self) -> Result<(), PhysicsError> {
        self.adapter.validate("adapter")?;
        for riser in &self.risers {
            riser.validate("riser")?;
        }
        self.board.validate("board")?;
        self.socket.validate("socket")
    }
}

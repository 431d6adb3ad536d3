//! Operating point: data rate, temperature, calibration, supply, and what they do to the model's figures.

use super::error::PhysicsError;
use super::line::Material;
use super::parameters::Parameters;
use nightbench_core::devices::BusKind;
use nightbench_core::results::Direction;
use std::f64::consts::TAU;

/// Rate, temperatures and supply of one condition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OperatingPoint {
    /// Data rate, bit/s per line (exact: 8e9/3 for the bin named 2666).
    pub data_rate_bps: f64,
    /// Temperature of drivers, lines and receiver, degC.
    pub temperature_c: f64,
    /// Temperature at which driver and termination were last calibrated, degC: their drift counts from here.
    pub calibration_c: f64,
    /// I/O supply, V.
    pub vddq_v: f64,
}

impl OperatingPoint {
    /// An operating point freshly calibrated at its own temperature.
    #[must_use]
    pub fn calibrated(data_rate_bps: f64, temperature_c: f64, vddq_v: f64) -> Self {
        OperatingPoint { data_rate_bps, temperature_c, calibration_c: temperature_c, vddq_v }
    }

    #[must_use]
    pub fn unit_interval_s(&self) -> f64 {
        1.0 / self.data_rate_bps
    }

    /// Refuses what the model does not cover.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] naming the figure.
    pub fn validate(&self) -> Result<(), PhysicsError> {
        PhysicsError::check_range("data rate", self.data_rate_bps, 1e8, 2e10, "bit/s")?;
        PhysicsError::check_range("temperature", self.temperature_c, -60.0, 160.0, "°C")?;
        PhysicsError::check_range("calibration temperature", self.calibration_c, -60.0, 160.0, "°C")?;
        PhysicsError::check_range("VDDQ", self.vddq_v, 0.3, 3.0, "V")?;
        Ok(())
    }
}

/// The figures that drift, at one operating point; SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drifted {
    /// Driver resistance, ohm.
    pub ron_ohm: f64,
    /// Termination at the receiving end, ohm.
    pub rodt_ohm: f64,
    /// Termination of a parked rank, ohm.
    pub park_ohm: f64,
    /// What the drift makes of every termination.
    pub odt_factor: f64,
    /// Driver edge 20 % to 80 %, s.
    pub t2080_s: f64,
    /// Random jitter, s rms.
    pub rj_s: f64,
    /// Receiver noise, V rms.
    pub rx_noise_v: f64,
    /// Shift of every tap instant without the bit's own part, s.
    pub tap_shift_s: f64,
    /// Temperature difference from the reference, K.
    pub dt_k: f64,
    /// Package, module (risers and adapter with other widths) and board materials.
    pub materials: Materials,
}

/// The line materials at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Materials {
    /// Package lines.
    pub package: Material,
    /// Module lines.
    pub module: Material,
    /// Board lines.
    pub board: Material,
    /// Riser lines: module laminate, riser width.
    pub riser: Material,
    /// Adapter lines: module laminate, adapter width.
    pub adapter: Material,
}

impl Drifted {
    /// Applies the temperature and supply coefficients.
    ///
    /// # Errors
    /// [`PhysicsError::Inconsistent`] when the coefficients drive a figure to zero or below.
    pub fn new(
        p: &Parameters,
        at: &OperatingPoint,
        kind: BusKind,
        direction: Direction,
    ) -> Result<Self, PhysicsError> {
        let dt_k = at.temperature_c - p.t_ref_c;
        let since_calibration_k = at.temperature_c - at.calibration_c;
        let dv_v = at.vddq_v - p.vddq_nominal_v;
        let relative = dv_v / p.vddq_nominal_v;
        let buffered = kind == BusKind::LoadReduced;
        let (ron, edge_ps, odt) = match direction {
            Direction::Read if buffered => (p.db_ron_ohm, p.db_t2080_ps, p.odt_rd_ohm),
            Direction::Read => (p.dram_ron_ohm, p.dram_t2080_ps, p.odt_rd_ohm),
            Direction::Write => (p.ctl_ron_ohm, p.ctl_t2080_ps, p.odt_wr_ohm),
            Direction::Command => (p.ctl_ron_ohm, p.ctl_t2080_ps, p.ca_odt_ohm),
        };
        let ron_factor = factor("driver resistance", 1.0 + p.ron_tc_per_k * since_calibration_k)?
            * factor("driver resistance", 1.0 + p.ron_vc * relative)?;
        let odt_factor = factor("termination", 1.0 + p.odt_tc_per_k * since_calibration_k)?;
        let edge_factor = factor("driver edge", 1.0 + p.edge_tc_per_k * dt_k)?
            * factor("driver edge", 1.0 + p.edge_vc * relative)?;
        Ok(Drifted {
            ron_ohm: ron * ron_factor,
            rodt_ohm: odt * odt_factor,
            park_ohm: p.odt_park_ohm * odt_factor,
            odt_factor,
            t2080_s: edge_ps * 1e-12 * edge_factor,
            rj_s: with_untracked(
                p,
                p.rj_ps * 1e-12 * factor("random jitter", 1.0 + p.rj_tc_per_k * dt_k)?,
                direction,
                strobe_drift_s(p, direction, dt_k, dv_v),
            ),
            rx_noise_v: p.receiver(direction).noise_v
                * factor("receiver noise", 1.0 + p.noise_tc_per_k * dt_k)?,
            tap_shift_s: 1e-12 * (p.dly_tc_ps_per_k * dt_k + p.dly_vc_ps_per_v * dv_v)
                + strobe_drift_s(p, direction, dt_k, dv_v),
            dt_k,
            materials: Materials::new(p, at.temperature_c)?,
        })
    }
}

/// Random jitter with what a strobe does not track of the jitter that it has in common with the data.
///
/// The strobe is late by tau against the data path, so that what they have in common differs by as much as it moves in tau:
/// J^2 = integral of S(f) 4 sin^2(pi f tau) df. For a spectrum with one pole at the corner fc that is 2 s^2 (1 - exp(-2 pi
/// fc tau)). What a strobe path drifts (`drift_s`) is part of tau. Command lines are sampled by the clock itself.
fn with_untracked(p: &Parameters, own_s: f64, direction: Direction, drift_s: f64) -> f64 {
    if p.clk_jitter_ps == 0.0 || direction == Direction::Command {
        return own_s;
    }
    let behind_s = (p.strobe_delay_ps * 1e-12 + drift_s).abs();
    let turned = TAU * p.clk_jitter_mhz * 1e6 * behind_s;
    let squared = -2.0 * (p.clk_jitter_ps * 1e-12).powi(2) * (-turned).exp_m1();
    own_s.hypot(squared.sqrt())
}

/// Drift of the DRAM's strobe path against its data path, which a write has to follow, s.
fn strobe_drift_s(p: &Parameters, direction: Direction, dt_k: f64, dv_v: f64) -> f64 {
    match direction {
        Direction::Write => 1e-12 * (p.dqs2dq_tc_ps_per_k * dt_k + p.dqs2dq_vc_ps_per_v * dv_v),
        Direction::Read | Direction::Command => 0.0,
    }
}

impl Materials {
    /// Materials at `temperature_c`.
    ///
    /// # Errors
    /// [`PhysicsError::Inconsistent`] when the coefficients drive a figure to zero or below.
    pub fn new(p: &Parameters, temperature_c: f64) -> Result<Self, PhysicsError> {
        let dt_k = temperature_c - p.t_ref_c;
        let er_factor = factor("permittivity", 1.0 + p.er_tc_per_k * dt_k)?;
        let tand_factor = factor("loss tangent", 1.0 + p.tand_tc_per_k * dt_k)?;
        let rho_factor = factor("resistivity", 1.0 + p.rho_tc_per_k * (temperature_c - 20.0))?;
        let make = |er: f64, tand: f64, width_mm: f64| Material {
            er_reference: er,
            er: er * er_factor,
            tand: tand * tand_factor,
            width_m: width_mm * 1e-3,
            thickness_m: p.foil_um * 1e-6,
            resistivity: p.rho20_ohm_m * rho_factor,
            roughness: p.roughness,
        };
        Ok(Materials {
            package: make(p.er_pkg, p.tand_pkg, p.pkg_w_mm),
            module: make(p.er_mod, p.tand_mod, p.mod_w_mm),
            board: make(p.er_brd, p.tand_brd, p.brd_w_mm),
            riser: make(p.er_mod, p.tand_mod, p.riser_w_mm),
            adapter: make(p.er_mod, p.tand_mod, p.adapt_w_mm),
        })
    }
}

fn factor(what: &str, value: f64) -> Result<f64, PhysicsError> {
    if value > 0.05 {
        Ok(value)
    } else {
        Err(PhysicsError::Inconsistent(format!(
            "the drift coefficients scale the {what} by {value:.3} at this temperature and supply; \
             the factor has to stay above 0.05: lower the coefficient or the excursion"
        )))
    }
}

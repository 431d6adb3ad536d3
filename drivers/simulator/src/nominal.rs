//! The channel model as a nominal lane with figures changed: what signatures of causes are made of.

use super::assembly::{self, refused};
use super::physics::{BitVariation, Link, Measured, Mounting, Parameters};
use contract::{DriverError, Setting};
use nightbench_core::devices::{Interface, ModelValue};
use nightbench_core::lane_model::{Change, Knob, LaneModel};
use nightbench_core::results::EyeName;
use std::f64::consts::TAU;

/// The nominal lane of one condition: no deviation from bit to bit, contacts as they should sit.
#[derive(Debug, Clone)]
pub struct NominalLane {
    interface: Interface,
    setting: Setting,
    parameters: Parameters,
    measured: Option<Measured>,
}

impl NominalLane {
    /// Of a condition, with the figures that the plan sets; `measured` where its channel is a measurement.
    ///
    /// # Errors
    /// A figure that does not exist or is out of range.
    pub fn new(
        interface: &Interface,
        setting: &Setting,
        model: &[ModelValue],
        measured: Option<Measured>,
    ) -> Result<NominalLane, DriverError> {
        let own = model.iter().chain(&setting.module.overrides).chain(&setting.channel.overrides);
        let parameters = assembly::parameters(interface.generation, own).map_err(|error| refused(&error))?;
        Ok(NominalLane { interface: interface.clone(), setting: setting.clone(), parameters, measured })
    }
}

/// Multiplies figures by a factor.
fn scale(p: &mut Parameters, names: &[&str], factor: f64) -> Result<(), String> {
    // Taken before any is set: some figures follow others.
    let values: Vec<f64> = names.iter().map(|name| p.value(name) * factor).collect();
    for (name, value) in names.iter().zip(values) {
        p.set(name, value).map_err(|error| error.to_string())?;
    }
    Ok(())
}

impl LaneModel for NominalLane {
    fn error_ratios(&self, eye: EyeName, changes: &[Change]) -> Result<Vec<f64>, String> {
        let mut p = self.parameters.clone();
        p.inl_pp_tap = 0.0;
        let mut bit = BitVariation::default();
        for change in changes {
            let factor = change.by.exp();
            let mut figures = |names: &[&str]| scale(&mut p, names, factor);
            match change.knob {
                Knob::BoardImpedance => figures(&["brd_z_ohm"])?,
                Knob::ModuleImpedance => figures(&["mod_z_ohm"])?,
                Knob::RiserImpedance => figures(&["riser_z_ohm"])?,
                Knob::LineImpedance => bit.z_scale *= factor,
                Knob::ConnectorCapacitance => figures(&["conn_c_pf", "so_conn_c_pf"])?,
                Knob::ViaCapacitance => figures(&["via_c_pf"])?,
                Knob::PadCapacitance => bit.c_scale *= factor,
                Knob::Termination => figures(&["odt_rd_ohm", "odt_wr_ohm"])?,
                Knob::Driver => figures(&["dram_ron_ohm", "ctl_ron_ohm", "db_ron_ohm"])?,
                Knob::DriverEdge => figures(&["dram_t2080_ps", "ctl_t2080_ps", "db_t2080_ps"])?,
                Knob::LossTangent => figures(&["tand_mod", "tand_brd", "tand_pkg"])?,
                Knob::BoardLoss => figures(&["tand_brd"])?,
                Knob::Resistivity => figures(&["rho20_ohm_m"])?,
                Knob::Coupling => figures(&["xt_line_ps", "xt_conn_ps"])?,
                Knob::RandomJitter => figures(&["rj_ps", "tx_rj_ps", "clk_jitter_ps"])?,
                Knob::BoundedJitter => figures(&["dj_ps"])?,
                Knob::DutyCycle => figures(&["dcd_ps"])?,
                Knob::Noise => figures(&["rx_noise_mv", "dram_rx_noise_mv"])?,
                Knob::BoundedNoise => figures(&["v_dj_mv"])?,
                Knob::Nonlinearity(eighths) => {
                    p.inl_pp_tap = change.by;
                    bit.inl_phase_rad = TAU * f64::from(eighths) / 8.0;
                }
            }
        }
        let setup = assembly::setup(
            &self.interface,
            &self.setting,
            eye,
            p,
            Mounting::default(),
            self.measured.clone(),
        );
        let link = Link::new(setup).map_err(|error| error.to_string())?;
        let mut lane = link.lane(&bit).map_err(|error| error.to_string())?;
        let (taps, steps) = (lane.taps(), lane.vref_steps());
        let by_tap = lane.surface();
        Ok((0..steps).flat_map(|step| by_tap.iter().skip(step).step_by(steps).take(taps)).copied().collect())
    }
}

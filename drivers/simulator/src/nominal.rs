//! The channel model as a nominal lane with figures changed: what signatures of causes are made of.

use super::assembly::{self, refused};
use super::physics::{BitVariation, LaneSurface, Link, Measured, Mounting, Parameters};
use contract::{DriverError, Setting};
use nightbench_core::devices::{Interface, ModelValue};
use nightbench_core::lane_model::{Change, FRINGE, Knob, LaneModel};
use nightbench_core::results::EyeName;
use std::collections::{BTreeMap, VecDeque};
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex, PoisonError};

/// Answers, and lanes by what lies before the jitter, that are kept: a search asks for many changes of few lanes.
const KEPT: (usize, usize) = (256, 24);

/// The nominal lane of one condition: no deviation from bit to bit, contacts as they should sit.
pub struct NominalLane {
    interface: Interface,
    setting: Setting,
    parameters: Parameters,
    measured: Option<Measured>,
    answers: Kept<Vec<f64>>,
    lanes: Kept<LaneSurface>,
}

/// What changes come to, each knob once and in their order.
type Turned = Vec<(Knob, u64)>;

/// What was asked last, the oldest first.
struct Kept<T> {
    most: usize,
    known: Mutex<VecDeque<(EyeName, Turned, Arc<T>)>>,
}

impl<T> Kept<T> {
    fn new(most: usize) -> Kept<T> {
        Kept { most, known: Mutex::default() }
    }

    fn find(&self, eye: EyeName, turned: &Turned) -> Option<Arc<T>> {
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let found = known.iter().find(|(name, one, _)| *name == eye && one == turned);
        found.map(|(.., value)| Arc::clone(value))
    }

    fn keep(&self, eye: EyeName, turned: Turned, value: Arc<T>) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if known.len() >= self.most {
            known.pop_front();
        }
        known.push_back((eye, turned, value));
    }
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
        let firmware = setting.firmware.iter().flat_map(|firmware| &firmware.overrides);
        let own =
            model.iter().chain(&setting.module.overrides).chain(&setting.channel.overrides).chain(firmware);
        let parameters = assembly::parameters(interface.generation, own).map_err(|error| refused(&error))?;
        Ok(NominalLane {
            interface: interface.clone(),
            setting: setting.clone(),
            parameters,
            measured,
            answers: Kept::new(KEPT.0),
            lanes: Kept::new(KEPT.1),
        })
    }

    /// The model's lane with every knob turned.
    fn turned(&self, eye: EyeName, turned: &Turned) -> Result<(Link, BitVariation), String> {
        let mut p = self.parameters.clone();
        p.inl_pp_tap = 0.0;
        let mut bit = BitVariation::default();
        for (knob, by) in turned {
            let by = f64::from_bits(*by);
            scale(&mut p, figures(*knob), by.exp())?;
            match knob {
                Knob::LineImpedance => bit.z_scale *= by.exp(),
                Knob::PadCapacitance => bit.c_scale *= by.exp(),
                Knob::Nonlinearity(eighths) => {
                    p.inl_pp_tap = by;
                    bit.inl_phase_rad = TAU * f64::from(*eighths) / 8.0;
                }
                _ => {}
            }
        }
        let contacts = Mounting::default();
        let mut setup =
            assembly::setup(&self.interface, &self.setting, eye, p, contacts, self.measured.clone());
        let (p, fringe) = (&mut setup.parameters, f64::from(FRINGE));
        p.n_vref += 2.0 * fringe;
        bit.offset_v = -fringe * p.vref_step * setup.operating_point.vddq_v;
        Ok((Link::new(setup).map_err(|error| error.to_string())?, bit))
    }
}

/// Changes of one knob taken together; of delay lines the last counts, since a lane has one.
fn together(changes: &[Change]) -> Turned {
    let mut turned: BTreeMap<Knob, f64> = BTreeMap::new();
    for change in changes {
        if matches!(change.knob, Knob::Nonlinearity(_)) {
            turned.retain(|knob, _| !matches!(knob, Knob::Nonlinearity(_)));
        }
        *turned.entry(change.knob).or_default() += change.by;
    }
    turned.into_iter().filter(|(_, by)| *by != 0.0).map(|(knob, by)| (knob, by.to_bits())).collect()
}

/// Does a knob leave everything before the jitter as it is?
fn is_timing(knob: Knob) -> bool {
    matches!(knob, Knob::RandomJitter | Knob::BoundedJitter | Knob::DutyCycle | Knob::Nonlinearity(_))
}

/// Figures that a knob turns together; none where it turns one lane's deviation.
fn figures(knob: Knob) -> &'static [&'static str] {
    match knob {
        Knob::BoardImpedance => &["brd_z_ohm"],
        Knob::ModuleImpedance => &["mod_z_ohm"],
        Knob::RiserImpedance => &["riser_z_ohm"],
        Knob::ConnectorCapacitance => &["conn_c_pf", "so_conn_c_pf"],
        Knob::ViaCapacitance => &["via_c_pf"],
        Knob::Termination => &["odt_rd_ohm", "odt_wr_ohm"],
        Knob::Driver => &["dram_ron_ohm", "ctl_ron_ohm", "db_ron_ohm"],
        Knob::DriverEdge => &["dram_t2080_ps", "ctl_t2080_ps", "db_t2080_ps"],
        Knob::LossTangent => &["tand_mod", "tand_brd", "tand_pkg"],
        Knob::BoardLoss => &["tand_brd"],
        Knob::Resistivity => &["rho20_ohm_m"],
        Knob::Coupling => &["xt_line_ps", "xt_conn_ps"],
        Knob::RandomJitter => &["rj_ps", "tx_rj_ps", "clk_jitter_ps"],
        Knob::BoundedJitter => &["dj_ps"],
        Knob::DutyCycle => &["dcd_ps"],
        Knob::Noise => &["rx_noise_mv", "dram_rx_noise_mv"],
        Knob::BoundedNoise => &["v_dj_mv"],
        Knob::LineImpedance | Knob::PadCapacitance | Knob::Nonlinearity(_) => &[],
    }
}

/// Figures beside the knobs' own, and the knob that is of their kind.
const OTHERS: [(&str, Knob); 17] = [
    ("inl_pp_tap", Knob::Nonlinearity(0)),
    ("dram_cio_pf", Knob::PadCapacitance),
    ("stack_cio_pf", Knob::PadCapacitance),
    ("ctl_cio_pf", Knob::PadCapacitance),
    ("db_cio_pf", Knob::PadCapacitance),
    ("dram_pkg_z_ohm", Knob::LineImpedance),
    ("ctl_pkg_z_ohm", Knob::LineImpedance),
    ("db_pkg_z_ohm", Knob::LineImpedance),
    ("adapt_z_ohm", Knob::LineImpedance),
    ("conn_l_nh", Knob::ConnectorCapacitance),
    ("so_conn_l_nh", Knob::ConnectorCapacitance),
    ("sock_l_nh", Knob::ConnectorCapacitance),
    ("sock_c_pf", Knob::ConnectorCapacitance),
    ("pad_c_pf", Knob::ConnectorCapacitance),
    ("r_stub_ohm", Knob::Termination),
    ("roughness", Knob::Resistivity),
    ("tand_tc_per_k", Knob::LossTangent),
];

/// The knob that turns a figure of the model, or is of its kind: what a value planted in one lane does. `None`: no such knob.
pub fn knob_of(figure: &str) -> Option<Knob> {
    let own = Knob::ALL.into_iter().find(|knob| figures(*knob).contains(&figure));
    own.or_else(|| OTHERS.iter().find(|(name, _)| *name == figure).map(|(_, knob)| *knob))
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
        let turned = together(changes);
        if let Some(known) = self.answers.find(eye, &turned) {
            return Ok(known.to_vec());
        }
        let (link, bit) = self.turned(eye, &turned)?;
        // A transmitter's jitter goes through the channel: it is no matter of timing alone.
        let through = self.parameters.tx_rj_ps != 0.0;
        let timing = |knob: Knob| is_timing(knob) && !(through && knob == Knob::RandomJitter);
        let before_jitter: Turned = turned.iter().copied().filter(|(knob, _)| !timing(*knob)).collect();
        let known = self.lanes.find(eye, &before_jitter);
        let fresh = known.is_none();
        let mut lane = match known {
            Some(lane) => lane.retimed(&link, &bit),
            None => link.lane(&bit).map_err(|error| error.to_string())?,
        };
        let (taps, steps) = (lane.taps(), lane.vref_steps());
        let mut ratios = vec![0.0; taps * steps];
        // A level that never changes is the same at every tap.
        let constant = self.setting.pattern.is_level();
        for tap in 0..taps {
            let computed = if constant { 0 } else { tap };
            for step in 0..steps {
                ratios[step * taps + tap] = lane.ber(computed, step);
            }
        }
        if fresh {
            self.lanes.keep(eye, before_jitter, Arc::new(lane));
        }
        self.answers.keep(eye, turned, Arc::new(ratios.clone()));
        Ok(ratios)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::Parameters;

    #[test]
    fn every_knob_turns_figures_of_the_table_and_each_is_known_by_them() {
        let p = Parameters::ddr4();
        for knob in Knob::ALL {
            for name in figures(knob) {
                assert!(p.entries().any(|entry| entry.name == *name), "{name}");
                assert!(knob_of(name).is_some(), "{name}");
            }
        }
        for (name, knob) in OTHERS {
            assert!(p.entries().any(|entry| entry.name == name), "{name}");
            assert_eq!(knob_of(name), Some(knob));
        }
        assert_eq!(knob_of("taps_per_ui"), None);
    }

    /// An answer does not hang on what was asked before it: a lane that is only timed anew is the lane made from nothing.
    #[test]
    fn answers_do_not_hang_on_earlier_ones() {
        let setting = contract::conformance::setting();
        let interface = plan::Plan::read(include_str!("../../../plans/library/quick-look.toml"))
            .expect("sound")
            .interface;
        let through = [ModelValue { name: "tx_rj_ps".into(), value: 3.0, span: 0..0 }];
        let eye =
            EyeName { direction: nightbench_core::results::Direction::Read, rank: 0, sub_channel: None };
        let change = |knob, by| Change { knob, by };
        let asked = [
            vec![],
            vec![change(Knob::RandomJitter, 0.7)],
            vec![change(Knob::Nonlinearity(3), 2.0)],
            vec![change(Knob::Coupling, 0.5)],
            vec![change(Knob::DutyCycle, 0.4), change(Knob::Coupling, 0.5)],
        ];
        // A transmitter's jitter, which the same knob turns, goes through the channel: there it is no matter of timing.
        for model in [&[], through.as_slice()] {
            let lane = || NominalLane::new(&interface, &setting, model, None).expect("figures in range");
            let after = lane();
            for changes in &asked {
                let first = lane().error_ratios(eye, changes).expect("an answer");
                assert_eq!(after.error_ratios(eye, changes), Ok(first.clone()));
                assert_eq!(after.error_ratios(eye, changes), Ok(first));
            }
        }
    }
}

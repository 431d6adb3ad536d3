//! The channel model as something whose figures can be fitted to counts: which figures those are, and their eyes.

use super::assembly::{self, refused};
use super::physics::{
    BitVariation, Contact, LaneSurface, Link, Measured, Mounting, Parameters, PhysicsError,
};
use contract::{DriverError, Setting};
use nightbench_core::devices::{BusKind, Interface, ModelValue};
use nightbench_core::figure_model::{Figure, FigureModel, FineEye, LaneOwn, LaneSpread};
use nightbench_core::rates::Generation;
use nightbench_core::results::EyeName;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex, PoisonError};

/// Places a tap: between them a cubic follows the tails within a hundredth of a tap.
const FINE: usize = 2;
/// Places of a Vref step are no further apart than this, in deviations of the receiver's noise: between them a cubic is off by less than
/// a hundredth of the error ratio.
const MOST_STEP_SD: f64 = 2.0;
/// Vref steps below the grid's first and above its last: lanes are offset by some.
const FRINGE: f64 = 4.0;
/// Least deviation of a contact's figure where the other has one.
const LEAST_CONTACT: f64 = 1e-4;
/// Error ratio at which an eye's middle in time is taken.
const MIDDLE_RATIO: f64 = 1e-4;

/// Figures that make the shape of an eye. Left out: what counts cannot tell from the lanes' own offsets (skews, offsets, the
/// nonlinearity), what sets how lanes, mountings and trainings differ, coefficients of temperature and supply, and the pattern
/// of the coupling weights.
const SHAPING: &[&str] = &[
    "rho20_ohm_m",
    "tand_mod",
    "tand_brd",
    "tand_pkg",
    "dram_ron_ohm",
    "dram_cio_pf",
    "dram_pkg_z_ohm",
    "dram_pkg_t_ps",
    "dram_t2080_ps",
    "stack_cio_pf",
    "stack_pkg_t_ps",
    "db_ron_ohm",
    "db_cio_pf",
    "db_pkg_z_ohm",
    "db_t2080_ps",
    "ctl_ron_ohm",
    "ctl_cio_pf",
    "ctl_pkg_z_ohm",
    "ctl_pkg_t_ps",
    "ctl_t2080_ps",
    "odt_rd_ohm",
    "odt_wr_ohm",
    "odt_park_ohm",
    "mod_z_ohm",
    "mod_len_mm",
    "r_stub_ohm",
    "brd_z_ohm",
    "brd_len_mm",
    "conn_l_nh",
    "conn_c_pf",
    "via_c_pf",
    "pad_c_pf",
    "so_conn_l_nh",
    "so_conn_c_pf",
    "camm_l_nh",
    "camm_c_pf",
    "riser_z_ohm",
    "riser_len_mm",
    "adapt_z_ohm",
    "adapt_len_mm",
    "sock_l_nh",
    "sock_c_pf",
    "rx_ap_ps",
    "rx_noise_mv",
    "v_dj_mv",
    "rj_ps",
    "dcd_ps",
    "dj_ps",
    "xt_line_ps",
    "xt_conn_ps",
    "pdn_z_ohm",
    "clk_jitter_ps",
    "tx_rj_ps",
    "edge_skew",
    "ron_skew",
];
/// The DRAM's receiver, where the plan tells it from the controller's.
const OWN_RECEIVER: &[&str] = &["dram_rx_ap_ps", "dram_rx_noise_mv"];

/// The figures that can be fitted, with the values of a plan's `[model]`.
///
/// # Errors
/// A figure of the plan that does not exist or is out of range.
pub fn figures(generation: Generation, model: &[ModelValue]) -> Result<Vec<Figure>, PhysicsError> {
    let parameters = assembly::parameters(generation, model)?;
    let is_shaping =
        |name: &str| SHAPING.contains(&name) || OWN_RECEIVER.contains(&name) && parameters.is_given(name);
    // An effect that is switched off has no size to begin from.
    let shaping = parameters.entries().filter(|entry| is_shaping(entry.name) && entry.value > 0.0);
    Ok(shaping
        .map(|entry| Figure {
            name: entry.name.into(),
            unit: entry.unit.into(),
            value: entry.value,
            range: entry.range,
            meaning: entry.description.into(),
        })
        .collect())
}

/// Figures that change the sampling instant alone: everything before it stays.
const TIMING: [&str; 4] = ["rj_ps", "dcd_ps", "dj_ps", "clk_jitter_ps"];

/// The nominal lane of one condition, its figures free.
pub struct FreeLane {
    interface: Interface,
    setting: Setting,
    model: Vec<ModelValue>,
    measured: Option<Measured>,
    /// The last lane of each eye that was no small change of another: what is asked next lies beside it.
    kept: Mutex<BTreeMap<EyeName, Arc<Kept>>>,
}

/// A lane that was computed, and for which figures.
struct Kept {
    figures: Vec<(String, f64)>,
    contacts: Vec<f64>,
    lane: LaneSurface,
}

impl Kept {
    /// Figures that have other values than here.
    fn differing<'f>(&self, figures: &'f [(&'f str, f64)]) -> Vec<&'f str> {
        let known =
            |name: &str| self.figures.iter().find(|(known, _)| known == name).map(|(_, value)| *value);
        figures.iter().filter(|(name, value)| known(name) != Some(*value)).map(|(name, _)| *name).collect()
    }
}

impl FreeLane {
    /// Of a condition, with the figures that the plan sets; `measured` where its channel is a measurement.
    ///
    /// # Errors
    /// A figure that does not exist or is out of range.
    pub fn new(
        interface: &Interface,
        setting: &Setting,
        model: &[ModelValue],
        measured: Option<Measured>,
    ) -> Result<FreeLane, DriverError> {
        let lane = FreeLane {
            interface: interface.clone(),
            setting: setting.clone(),
            model: model.to_vec(),
            measured,
            kept: Mutex::default(),
        };
        lane.parameters(&[]).map_err(|error| refused(&error))?;
        Ok(lane)
    }

    /// The condition's own values: the narrower one's count.
    fn own(&self) -> impl Iterator<Item = &ModelValue> {
        let firmware = self.setting.firmware.iter().flat_map(|firmware| &firmware.overrides);
        self.setting.module.overrides.iter().chain(&self.setting.channel.overrides).chain(firmware)
    }

    fn parameters(&self, figures: &[(&str, f64)]) -> Result<Parameters, PhysicsError> {
        let fitted: Vec<ModelValue> = figures
            .iter()
            .map(|(name, value)| ModelValue { name: (*name).into(), value: *value, span: 0..0 })
            .collect();
        assembly::parameters(self.interface.generation, self.model.iter().chain(&fitted).chain(self.own()))
    }

    /// Places a Vref step, whatever the figures are.
    fn per_step(&self, eye: EyeName) -> Result<f64, PhysicsError> {
        let noise_v = self.parameters(&[])?.receiver(eye.direction).noise_v;
        let step_v =
            0.01 * self.interface.sweep(eye.direction).vref_step_percent * self.setting.supply.vddq().0;
        Ok((step_v / (MOST_STEP_SD * noise_v)).ceil().clamp(1.0, 8.0))
    }

    /// Each contact's place in a mounting, with the deviations of its inductance and capacitance.
    fn places(&self) -> Vec<fn(&mut Mounting) -> &mut Contact> {
        let mut places: Vec<fn(&mut Mounting) -> &mut Contact> = Vec::new();
        let kind = self.setting.module.bus_kind();
        if !kind.is_point_to_point() {
            places.push(|mounting| &mut mounting.socket);
        }
        if kind != BusKind::Soldered {
            places.push(|mounting| &mut mounting.board);
        }
        let risers: [fn(&mut Mounting) -> &mut Contact; 3] = [
            |mounting| &mut mounting.risers[0],
            |mounting| &mut mounting.risers[1],
            |mounting| &mut mounting.risers[2],
        ];
        places.extend(risers.into_iter().take(usize::from(self.setting.channel.risers)));
        if self.setting.channel.adapter {
            places.push(|mounting| &mut mounting.adapter);
        }
        places
    }

    /// The mounting whose contacts have these logarithms: inductance and capacitance of each.
    fn mounting(&self, contacts: &[f64]) -> Mounting {
        let mut mounting = Mounting::default();
        for (place, pair) in self.places().into_iter().zip(contacts.chunks(2)) {
            let contact = place(&mut mounting);
            contact.l_scale = pair.first().map_or(1.0, |ln| ln.exp());
            contact.c_scale = pair.get(1).map_or(1.0, |ln| ln.exp());
        }
        mounting
    }

    /// The last lane of an eye that is kept.
    fn kept(&self, eye: EyeName) -> Option<Arc<Kept>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).get(&eye).cloned()
    }

    fn lane(
        &self,
        eye: EyeName,
        figures: &[(&str, f64)],
        contacts: &[f64],
        own: LaneOwn,
        kept: Option<&Kept>,
    ) -> Result<LaneSurface, PhysicsError> {
        let mut parameters = self.parameters(figures)?;
        parameters.inl_pp_tap = 0.0;
        let measured = self.measured.clone();
        let mounting = self.mounting(contacts);
        let mut setup = assembly::setup(&self.interface, &self.setting, eye, parameters, mounting, measured);
        let p = &mut setup.parameters;
        let (fine, per_step) = (FINE as f64, self.per_step(eye)?);
        (p.n_taps, p.taps_per_ui) = (p.n_taps * fine, p.taps_per_ui * fine);
        let offset_v = -FRINGE * p.vref_step * setup.operating_point.vddq_v;
        (p.n_vref, p.vref_step) = ((p.n_vref + 2.0 * FRINGE) * per_step, p.vref_step / per_step);
        let bit = BitVariation {
            z_scale: own.impedance.exp(),
            c_scale: own.capacitance.exp(),
            extra_length_m: own.length_mm * 1e-3,
            offset_v,
            ..BitVariation::default()
        };
        let link = Link::beside(setup, kept.map(|kept| &kept.lane))?;
        let only_timing = |kept: &&Kept| {
            own == LaneOwn::default()
                && kept.contacts == contacts
                && kept.figures.len() <= figures.len()
                && kept.differing(figures).iter().all(|name| TIMING.contains(name))
        };
        match kept.filter(only_timing) {
            Some(kept) => Ok(kept.lane.retimed(&link, &bit)),
            None => link.lane(&bit),
        }
    }
}

impl FigureModel for FreeLane {
    fn eye(
        &self,
        eye: EyeName,
        figures: &[(&str, f64)],
        contacts: &[f64],
        own: LaneOwn,
    ) -> Result<FineEye, String> {
        let kept = self.kept(eye);
        let mut lane =
            self.lane(eye, figures, contacts, own, kept.as_deref()).map_err(|error| error.to_string())?;
        let (taps, steps) = (lane.taps(), lane.vref_steps());
        lane.set_shift(0.0);
        let ends = lane.instant_ui(0).zip(lane.instant_ui(taps.saturating_sub(1)));
        let middle = ends.map_or(0.0, |(first, last)| 0.5 * (first + last));
        let late = lane.middle_ui(MIDDLE_RATIO) - middle;
        lane.set_shift(late);
        let by_tap: Vec<f64> = (0..taps)
            .flat_map(|tap| (0..steps).map(move |step| (tap, step)))
            .map(|(tap, step)| lane.ber(tap, step))
            .collect();
        let per_step = self.per_step(eye).map_err(|error| error.to_string())?;
        let differing = |kept: &Kept| {
            let other = |at: usize| contacts.get(at).unwrap_or(&0.0) != kept.contacts.get(at).unwrap_or(&0.0);
            let contacts = (0..contacts.len().max(kept.contacts.len())).filter(|at| other(*at)).count();
            kept.differing(figures).len() + contacts
        };
        let is_new = kept.is_none_or(|kept| differing(&kept) > 1);
        if own == LaneOwn::default() && is_new {
            let figures = figures.iter().map(|(name, value)| ((*name).to_string(), *value)).collect();
            let kept = Arc::new(Kept { figures, contacts: contacts.to_vec(), lane: lane.clone() });
            self.kept.lock().unwrap_or_else(PoisonError::into_inner).insert(eye, kept);
        }
        let row =
            |step: usize| by_tap.iter().skip(step).step_by(steps).take(taps).copied().collect::<Vec<_>>();
        let ratios = (0..steps).flat_map(row).collect();
        Ok(FineEye { taps, steps, per_tap: FINE as f64, per_step, first_step: -FRINGE, ratios })
    }

    fn spread(&self, eye: EyeName) -> LaneSpread {
        let p = self.parameters(&[]).unwrap_or_else(|_| Parameters::of(self.interface.generation));
        let step_mv =
            self.setting.supply.vddq().0 * 10.0 * self.interface.sweep(eye.direction).vref_step_percent;
        LaneSpread {
            impedance: p.z_bit,
            capacitance: p.c_bit,
            length_mm: p.len_bit_mm,
            offset_steps: p.rx_off_mv / step_mv,
            nonlinearity_taps: p.inl_pp_tap,
        }
    }

    fn contacts(&self) -> Vec<f64> {
        let p = self.parameters(&[]).unwrap_or_else(|_| Parameters::of(self.interface.generation));
        if p.seat_l == 0.0 && p.seat_c == 0.0 {
            return Vec::new();
        }
        self.places().iter().flat_map(|_| [p.seat_l, p.seat_c]).map(|sd| sd.max(LEAST_CONTACT)).collect()
    }

    fn is_own(&self, figure: &str) -> bool {
        self.own().any(|value| value.name == figure)
    }

    fn nonlinearity(&self, tap: f64, [cos, sin]: [f64; 2]) -> (f64, [f64; 2]) {
        // As `timing::nonlinearity` has it, its size and phase taken apart: A sin(u + phase) = cos sin u + sin cos u.
        let (slow, fast) = (TAU * tap / 19.0, TAU * tap / 5.3);
        let size = cos.hypot(sin).max(1e-9);
        let (double_cos, double_sin) = ((cos * cos - sin * sin) / size, 2.0 * cos * sin / size);
        let value = 0.5 * (cos * slow.sin() + sin * slow.cos())
            + 0.25 * (double_cos * fast.sin() + double_sin * fast.cos());
        let (c, s) = (cos / size, sin / size);
        let of_double_cos = [c * (1.0 + 2.0 * s * s), -s * (1.0 + 2.0 * c * c)];
        let of_double_sin = [2.0 * s * s * s, 2.0 * c * c * c];
        let slope = |at: usize, first: f64| {
            0.5 * first + 0.25 * (of_double_cos[at] * fast.sin() + of_double_sin[at] * fast.cos())
        };
        (value, [slope(0, slow.sin()), slope(1, slow.cos())])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::timing;
    use nightbench_core::results::Direction;

    #[test]
    fn an_eye_stands_in_the_middle_and_a_small_change_moves_nothing() {
        let lane = crate::tests::free_lane("three risers");
        let eye = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
        let base = lane.eye(eye, &[], &[], LaneOwn::default()).unwrap();
        let (mut sum, mut open) = (0.0, 0.0);
        for (place, ratio) in base.ratios.iter().enumerate() {
            if *ratio < MIDDLE_RATIO {
                sum += (place % base.taps) as f64;
                open += 1.0;
            }
        }
        let late: f64 = sum / open - 0.5 * (base.taps as f64 - 1.0);
        assert!(late.abs() < 0.25, "{late} places of half a tap");
        // Straight in a small change: no jump between them.
        let z = |fine: &FineEye| fine.ratios.iter().map(|ratio| ratio.max(1e-12).ln()).collect::<Vec<_>>();
        let at = |factor: f64| {
            z(&lane.eye(eye, &[("conn_c_pf", 0.75 * factor)], &[], LaneOwn::default()).unwrap())
        };
        let (low, middle, high) = (at(0.98), at(1.0), at(1.02));
        let bend =
            low.iter().zip(&middle).zip(&high).map(|((a, b), c)| (a + c - 2.0 * b).abs()).fold(0.0, f64::max);
        let change = low.iter().zip(&high).map(|(a, c)| (a - c).abs()).fold(0.0, f64::max);
        assert!(change > 0.1 && bend < 0.5 * change, "{change} {bend}");
        assert!(
            lane.eye(eye, &[("conn_c_pf", 1e6)], &[], LaneOwn::default()).unwrap_err().contains("conn_c_pf")
        );
        assert!(!lane.is_own("conn_c_pf"));
        // A lane beside one that was kept is what it would be by itself.
        let beside = [("conn_c_pf", 0.9), ("rj_ps", 6.0)];
        let fresh =
            crate::tests::free_lane("three risers").eye(eye, &beside, &[], LaneOwn::default()).unwrap();
        lane.eye(eye, &[("conn_c_pf", 0.9), ("rj_ps", 5.0)], &[], LaneOwn::default()).unwrap();
        assert_eq!(lane.eye(eye, &beside, &[], LaneOwn::default()).unwrap(), fresh);
        let louder = [("conn_c_pf", 0.9), ("rj_ps", 5.0), ("v_dj_mv", 20.0)];
        let fresh =
            crate::tests::free_lane("three risers").eye(eye, &louder, &[], LaneOwn::default()).unwrap();
        assert_eq!(lane.eye(eye, &louder, &[], LaneOwn::default()).unwrap(), fresh);
        assert!((lane.spread(eye).offset_steps - 4.0 / 7.8).abs() < 1e-9);
    }

    #[test]
    fn effects_can_be_fitted_where_a_plan_has_them() {
        let names = |model: &[(&str, f64)]| -> Vec<String> {
            let model: Vec<ModelValue> = model
                .iter()
                .map(|(name, value)| ModelValue { name: (*name).into(), value: *value, span: 0..0 })
                .collect();
            let figures = figures(Generation::Ddr4, &model).expect("known figures");
            figures.into_iter().map(|figure| figure.name).collect()
        };
        let plain = names(&[]);
        let more = names(&[("effects", 1.0), ("dram_rx_noise_mv", 5.0)]);
        for name in ["pdn_z_ohm", "clk_jitter_ps", "dram_rx_noise_mv"] {
            assert!(
                !plain.contains(&name.to_string()) && more.contains(&name.to_string()),
                "{name}: {more:?}"
            );
        }
        assert!(names(&[("tx_rj_ps", 1.0)]).contains(&"tx_rj_ps".to_string()));
    }

    /// A fit simulates what the target does: estimated effects too, and what a figure sets by name wins over them.
    #[test]
    fn a_free_lane_has_the_effects_of_its_plan() {
        let mut lane = crate::tests::free_lane("direct");
        let plain = lane.parameters(&[]).expect("figures in range");
        lane.model.push(ModelValue { name: "effects".into(), value: 1.0, span: 0..0 });
        let with = lane.parameters(&[]).expect("figures in range");
        assert!(plain.pdn_z_ohm == 0.0 && with.pdn_z_ohm > 0.0);
        assert_eq!(lane.parameters(&[("pdn_z_ohm", 0.3)]).expect("in range").pdn_z_ohm, 0.3);
        let eye = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
        let open = |lane: &FreeLane| {
            let fine = lane.eye(eye, &[], &[], LaneOwn::default()).expect("an eye");
            fine.ratios.iter().filter(|ratio| **ratio < 1e-6).count()
        };
        assert!(open(&lane) < open(&crate::tests::free_lane("direct")));
    }

    #[test]
    fn the_nonlinearity_is_that_of_the_timing_and_its_slopes_are_its_own() {
        let mut p = Parameters::ddr4();
        p.inl_pp_tap = 0.8;
        let lane = crate::tests::free_lane("three risers");
        for phase in [0.0, 0.7, 2.0, 4.4] {
            let parts = [0.8 * f64::cos(phase), 0.8 * f64::sin(phase)];
            for tap in [0usize, 7, 31, 50] {
                let (value, slopes) = lane.nonlinearity(tap as f64, parts);
                let expected = timing::nonlinearity(&p, tap, phase);
                assert!((value - expected).abs() < 1e-12, "{value} {expected}");
                for at in 0..2 {
                    let mut near = parts;
                    near[at] += 1e-6;
                    let numeric = (lane.nonlinearity(tap as f64, near).0 - value) / 1e-6;
                    assert!((numeric - slopes[at]).abs() < 1e-5, "{numeric} {slopes:?}");
                }
            }
        }
    }
}

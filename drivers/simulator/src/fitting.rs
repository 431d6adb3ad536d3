//! The channel model as something whose figures can be fitted to counts: which figures those are, and their eyes.

use super::assembly::{self, refused};
use super::physics::{BitVariation, LaneSurface, Link, Measured, Mounting, Parameters, PhysicsError};
use contract::{DriverError, Setting};
use nightbench_core::devices::{BusKind, Interface, ModelValue};
use nightbench_core::figure_model::{Figure, FigureModel, FineEye, LaneOwn, LaneSpread};
use nightbench_core::rates::Generation;
use nightbench_core::results::EyeName;
use std::f64::consts::TAU;

/// Places a tap and a Vref step: between them a cubic follows the tails within a hundredth of a tap.
const FINE: usize = 2;
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

/// The nominal lane of one condition, its figures free.
#[derive(Debug, Clone)]
pub struct FreeLane {
    interface: Interface,
    setting: Setting,
    model: Vec<ModelValue>,
    measured: Option<Measured>,
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

    fn lane(&self, eye: EyeName, figures: &[(&str, f64)], own: LaneOwn) -> Result<LaneSurface, PhysicsError> {
        let mut parameters = self.parameters(figures)?;
        parameters.inl_pp_tap = 0.0;
        let measured = self.measured.clone();
        let contacts = Mounting::default();
        let mut setup = assembly::setup(&self.interface, &self.setting, eye, parameters, contacts, measured);
        let p = &mut setup.parameters;
        let fine = FINE as f64;
        (p.n_taps, p.taps_per_ui) = (p.n_taps * fine, p.taps_per_ui * fine);
        (p.n_vref, p.vref_step) = (p.n_vref * fine, p.vref_step / fine);
        let bit = BitVariation {
            z_scale: own.impedance.exp(),
            c_scale: own.capacitance.exp(),
            extra_length_m: own.length_mm * 1e-3,
            ..BitVariation::default()
        };
        Link::new(setup)?.lane(&bit)
    }
}

impl FigureModel for FreeLane {
    fn eye(&self, eye: EyeName, figures: &[(&str, f64)], own: LaneOwn) -> Result<FineEye, String> {
        let mut lane = self.lane(eye, figures, own).map_err(|error| error.to_string())?;
        let (taps, steps) = (lane.taps(), lane.vref_steps());
        let ends = lane.instant_ui(0).zip(lane.instant_ui(taps.saturating_sub(1)));
        let middle = ends.map_or(0.0, |(first, last)| 0.5 * (first + last));
        let late = lane.middle_ui(MIDDLE_RATIO) - middle;
        lane.set_shift(late);
        let by_tap: Vec<f64> = (0..taps)
            .flat_map(|tap| (0..steps).map(move |step| (tap, step)))
            .map(|(tap, step)| lane.ber(tap, step))
            .collect();
        let row =
            |step: usize| by_tap.iter().skip(step).step_by(steps).take(taps).copied().collect::<Vec<_>>();
        let ratios = (0..steps).flat_map(row).collect();
        Ok(FineEye { taps, steps, per_tap: FINE as f64, per_step: FINE as f64, ratios })
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

    fn contacts(&self) -> Vec<(&'static str, f64)> {
        let p = self.parameters(&[]).unwrap_or_else(|_| Parameters::of(self.interface.generation));
        let mut all = vec![("sock_l_nh", p.seat_l), ("sock_c_pf", p.seat_c)];
        all.extend(match self.setting.module.bus_kind() {
            BusKind::Soldered => Vec::new(),
            BusKind::Compression => vec![("camm_l_nh", p.seat_l), ("camm_c_pf", p.seat_c)],
            _ => vec![("conn_l_nh", p.seat_l), ("conn_c_pf", p.seat_c)],
        });
        if self.setting.channel.adapter {
            all.extend([("so_conn_l_nh", p.seat_l), ("so_conn_c_pf", p.seat_c)]);
        }
        all.retain(|(_, sd)| *sd > 0.0);
        all
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
        let base = lane.eye(eye, &[], LaneOwn::default()).unwrap();
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
        let at =
            |factor: f64| z(&lane.eye(eye, &[("conn_c_pf", 0.75 * factor)], LaneOwn::default()).unwrap());
        let (low, middle, high) = (at(0.98), at(1.0), at(1.02));
        let bend =
            low.iter().zip(&middle).zip(&high).map(|((a, b), c)| (a + c - 2.0 * b).abs()).fold(0.0, f64::max);
        let change = low.iter().zip(&high).map(|(a, c)| (a - c).abs()).fold(0.0, f64::max);
        assert!(change > 0.1 && bend < 0.5 * change, "{change} {bend}");
        assert!(lane.eye(eye, &[("conn_c_pf", 1e6)], LaneOwn::default()).unwrap_err().contains("conn_c_pf"));
        assert!(!lane.is_own("conn_c_pf"));
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
            let fine = lane.eye(eye, &[], LaneOwn::default()).expect("an eye");
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

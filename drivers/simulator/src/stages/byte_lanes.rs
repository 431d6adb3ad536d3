//! Stages that treat a byte lane as a whole: ZQ calibration, write levelling, DQS gate training.

use super::super::draws::Draws;
use super::super::physics::{LaneSurface, Parameters};
use super::{held, place_delay, stage, untrained};
use contract::Setting;
use nightbench_core::devices::{BusKind, Module};
use nightbench_core::results::TrainingStage;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_2_PI;

/// A window this many deviations of random jitter wide on each side is lost (bit error ratio about 1e-12, Q function).
const JITTER_SD: f64 = 7.0;

/// What the byte lanes of one eye show: their flight time and the strobe's amplitude, averaged over their lanes.
pub struct ByteLanes {
    /// Byte-lane number, flight time in ps, strobe amplitude in V.
    groups: Vec<(u16, f64, f64)>,
    /// Lanes a byte lane has.
    width: u16,
}

impl ByteLanes {
    /// Of the lanes of one eye.
    pub fn of(module: &Module, lanes: &[u16], surfaces: &[LaneSurface], ui_ps: f64) -> ByteLanes {
        let width = strobe_width(module);
        let mut sums: BTreeMap<u16, (f64, f64, f64)> = BTreeMap::new();
        for (lane, surface) in lanes.iter().zip(surfaces) {
            let sum = sums.entry(lane / width).or_default();
            *sum = (sum.0 + surface.delay_ui() * ui_ps, sum.1 + surface.strobe_amplitude_v(), sum.2 + 1.0);
        }
        let groups = sums.into_iter().map(|(group, (delay, volts, n))| (group, delay / n, volts / n));
        ByteLanes { groups: groups.collect(), width }
    }

    fn mean_flight_ps(&self) -> f64 {
        self.groups.iter().map(|group| group.1).sum::<f64>() / self.groups.len().max(1) as f64
    }
}

/// Lanes that share a strobe: 4 with x4 parts, else 8.
pub fn strobe_width(module: &Module) -> u16 {
    u16::from(module.device_width.clamp(4, 8))
}

/// Packages between the first one on the clock line and this byte lane's: from the edge, or from the register in the
/// middle of a RDIMM or LRDIMM.
fn packages_before(module: &Module, lanes: &ByteLanes, position: usize) -> f64 {
    let per_package = f64::from(module.device_width.max(4)) / f64::from(lanes.width);
    let count = lanes.groups.len() as f64;
    let place = position as f64;
    let groups = match module.bus_kind() {
        BusKind::Registered | BusKind::LoadReduced => (place - 0.5 * (count - 1.0)).abs(),
        // Each module of a pair has a clock line of its own, counted from its first byte lane.
        BusKind::HalfPopulated => {
            let half = |group: u16| module.half_of(group * lanes.width);
            let own = lanes.groups.get(position).map_or(0, |group| half(group.0));
            lanes.groups.iter().take(position).filter(|group| half(group.0) == own).count() as f64
        }
        // A channel of its own a device, with a clock of its own.
        kind if kind.is_point_to_point() => 0.0,
        _ => place,
    };
    groups / per_package.max(1.0)
}

/// ZQ calibration (`name`): can driver and termination be brought back to nominal at this temperature and supply?
pub fn zq_calibration(name: &str, p: &Parameters, setting: &Setting, lanes: &ByteLanes) -> TrainingStage {
    let (dt, dv) = (setting.calibrated_at.0 - p.t_ref_c, setting.supply.vddq().0 / p.vddq_nominal_v - 1.0);
    let drifted = (1.0 + p.ron_tc_per_k * dt) * (1.0 + p.ron_vc * dv);
    let correction = (1.0 / drifted.max(1e-3) - 1.0).abs();
    let results = lanes.groups.iter().map(|group| {
        let mut lane = untrained(group.0);
        lane.passed = correction <= p.zq_range;
        lane.end_stop = correction > 0.95 * p.zq_range;
        lane
    });
    let causes = ["ZQ resistor open or shorted", "supply out of range"];
    stage(name, true, results.collect(), &causes)
}

/// Write levelling: the strobe's delay that meets the clock at each package. The clock is a quarter period late at the
/// first package and later by `flyby_ps` at each further one; flight times and strobe skews come from the model.
pub fn write_levelling(
    name: &str,
    p: &Parameters,
    setting: &Setting,
    lanes: &ByteLanes,
    tap_ps: f64,
    keyed: &dyn Fn(u16) -> Draws,
) -> TrainingStage {
    let tck_ps = setting.clock_period().0;
    let flight_ps = lanes.mean_flight_ps();
    let results = lanes.groups.iter().enumerate().map(|(position, group)| {
        let mut draws = keyed(group.0);
        let clock_ps = 0.25 * tck_ps
            + flight_ps
            + p.flyby_ps * packages_before(&setting.module, lanes, position)
            + p.sk_lane_ps * held(&mut draws);
        let mut lane = untrained(group.0);
        place_delay(&mut lane, (clock_ps - group.1) / tap_ps, p.level_range_tck * tck_ps / tap_ps);
        lane
    });
    let causes = [
        "flight time of CK against DQS beyond the delay's range",
        "byte lane stuck at 0 or 1: broken CK, DQS or DQ return",
    ];
    stage(name, true, results.collect(), &causes)
}

/// DQS gate training: where the gate opens and how wide its window is.
///
/// The window is the read preamble, less the part of each half period in which a sine-shaped strobe of the model's
/// amplitude stays below the detector's threshold, less jitter. The gate's delay is the flight of the clock to the
/// package, the DRAM's output delay and the flight of the strobe back.
pub fn gate(
    name: &str,
    p: &Parameters,
    setting: &Setting,
    lanes: &ByteLanes,
    tap_ps: f64,
    fewest_taps: u16,
    keyed: &dyn Fn(u16) -> Draws,
) -> TrainingStage {
    let tck_ps = setting.rate.clock_period().0;
    let jitter_ps = p.dcd_ps + p.dj_ps + 2.0 * JITTER_SD * p.rj_ps;
    let clock_ps = lanes.mean_flight_ps();
    let results = lanes.groups.iter().enumerate().map(|(position, group)| {
        let mut draws = keyed(group.0);
        let mut lane = untrained(group.0);
        let delay_ps = clock_ps
            + p.flyby_ps * packages_before(&setting.module, lanes, position)
            + p.dqsck_ps * held(&mut draws)
            + group.1;
        place_delay(&mut lane, delay_ps / tap_ps, p.gate_range_tck * tck_ps / tap_ps);
        let level = p.strobe_min_mv * 1e-3 / group.2.max(1e-9);
        let seen = if level < 1.0 { 1.0 - FRAC_2_PI * level.asin() } else { 0.0 };
        let width = ((p.preamble_tck * tck_ps * seen - jitter_ps) / tap_ps).max(0.0);
        lane.width_taps = Some(width.floor());
        if width < f64::from(fewest_taps) {
            lane.passed = false;
        }
        lane
    });
    let causes = [
        "no DQS toggles: dead DQS, or wrong termination (RTT)",
        "gate on a wrong cycle: whole byte wrong, but shifted",
    ];
    stage(name, true, results.collect(), &causes)
}

//! Training as the firmware does it, stage by stage on the model.
//!
//! Order of a start: ZQ calibration; CS and CA training (CA by its eyes where these are captured); write levelling; then for each read eye gate training, DFE (where
//! the interface has one), read deskew and centring, read Vref; for each write eye write deskew and centring, write Vref. Which of
//! these a generation has, and what it calls them, stands in its table. The first failed stage ends the attempt. Stages of a
//! direction run where the plan captures that direction.

mod byte_lanes;
mod command;
mod eye;

pub use byte_lanes::{ByteLanes, gate, strobe_width, write_levelling, zq_calibration};
pub use command::command_address;
pub use eye::{dfe, train_eye};

use super::draws::Draws;
use super::physics::Parameters;
use contract::StartKind;
use nightbench_core::results::{LaneTraining, TrainingStage};

/// What a start draws anew: a retrain only trains, a reset redraws part of what a power cycle does.
#[derive(Debug, Clone, Copy)]
pub struct StartSpread {
    /// Shift of a byte lane's strobe, ps rms.
    pub skew_ps: f64,
    /// Spread of the pass threshold, decades rms.
    pub threshold_dec: f64,
}

impl StartSpread {
    pub fn of(p: &Parameters, start: StartKind) -> StartSpread {
        let share = match start {
            StartKind::PowerCycle => 1.0,
            StartKind::Reset => p.start_reset_share,
            StartKind::Retrain => 0.0,
        };
        StartSpread {
            skew_ps: share * p.start_skew_ps,
            threshold_dec: p.train_threshold_dec.hypot(share * p.start_threshold_dec),
        }
    }
}

/// A lane about which nothing is known yet.
fn untrained(lane: u16) -> LaneTraining {
    LaneTraining {
        lane,
        delay_taps: None,
        width_taps: None,
        vref_step: None,
        height_steps: None,
        end_stop: false,
        passed: false,
    }
}

/// A stage with its likely causes where a lane failed.
fn stage(name: &str, by_byte_lane: bool, lanes: Vec<LaneTraining>, causes: &[&str]) -> TrainingStage {
    let failed = lanes.iter().any(|lane| !lane.passed);
    let causes = if failed { causes.iter().map(ToString::to_string).collect() } else { Vec::new() };
    TrainingStage { name: name.into(), eye: None, by_byte_lane, lanes, causes }
}

/// A position in a delay range: outside it is a failure, within a tap of its ends an end stop.
fn place_delay(lane: &mut LaneTraining, taps: f64, range_taps: f64) {
    lane.end_stop = taps < 1.0 || taps > range_taps - 1.0;
    lane.passed = (0.0..=range_taps).contains(&taps);
    lane.delay_taps = Some(taps.clamp(0.0, range_taps));
}

/// A standard-normal draw held within five deviations.
fn held(draws: &mut Draws) -> f64 {
    draws.normal().clamp(-5.0, 5.0)
}

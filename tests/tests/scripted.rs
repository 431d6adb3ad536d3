//! A scripted double of a device: the contract with fixed answers and faults where a test wants them.

use contract::*;
use nightbench_core::results::{
    Direction, EyeName, Grid, Identity, LanePoint, LaneSet, LaneTraining, Readback, TrainedEye,
    TrainingResult, TrainingStage,
};
use nightbench_core::units::{Millivolts, Picoseconds, Seconds};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// A device with one eye of four lanes that is open within a rectangle.
pub struct Scripted {
    setting: Option<Setting>,
    trained: bool,
    /// Faults of the coming samples, in order; `None` = a good one.
    pub samples: VecDeque<Option<FaultKind>>,
    /// Times it was made safe.
    pub made_safe: Arc<AtomicU32>,
}

impl Scripted {
    /// Waiting for its first condition.
    pub fn new() -> Scripted {
        Scripted { setting: None, trained: false, samples: VecDeque::new(), made_safe: Arc::default() }
    }

    fn eye() -> EyeName {
        EyeName { direction: Direction::Read, rank: 0, sub_channel: None }
    }

    fn grid() -> Grid {
        Grid {
            taps: 24,
            vref_steps: 16,
            tap_step: Picoseconds(20.0),
            vref_start: Millivolts(600.0),
            vref_step: Millivolts(20.0),
            ui: Picoseconds(416.0),
            vddq: Millivolts(1200.0),
        }
    }

    fn setting(&self) -> Result<&Setting, DriverError> {
        self.setting.as_ref().ok_or_else(|| DriverError::new(FaultKind::WrongOrder, "nothing applied"))
    }
}

struct Counted(Arc<AtomicU32>);

impl SafetyHandle for Counted {
    fn make_safe(&self) -> Result<(), DriverError> {
        self.0.fetch_add(1, Ordering::SeqCst);
        Ok(())
    }
}

impl Driver for Scripted {
    fn is_simulated(&self) -> bool {
        false
    }

    fn identity(&mut self, _: &Call) -> Result<Identity, DriverError> {
        self.setting()?;
        Ok(Identity {
            chip_serial: "S1".into(),
            firmware_build: "b1".into(),
            firmware_hash: "00".into(),
            settings_hash: "00".into(),
            agent_version: "scripted 1".into(),
        })
    }

    fn capabilities(&mut self, _: &Call) -> Result<Capabilities, DriverError> {
        self.setting()?;
        Ok(Capabilities {
            eyes: vec![EyeCapabilities {
                eye: Scripted::eye(),
                grid: Scripted::grid(),
                lanes: LaneSet::first(4),
                compared_bits_per_second: 1e9,
                visit_overhead_s: 1e-4,
                vref_settle_s: 1e-4,
                early_stop: false,
                fewest_bits: 8,
            }],
            restores_training: false,
            power_cycle: false,
        })
    }

    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        call.check("applying")?;
        self.trained &= self.setting.as_ref().is_some_and(|before| before.mounting == setting.mounting);
        self.setting = Some(setting.clone());
        let supply = &setting.supply;
        Ok(Readback {
            temperature: setting.temperature,
            rails: supply.named().map(|(rail, volts)| (rail.to_string(), volts)).collect(),
            settling: Seconds(0.0),
        })
    }

    fn train(&mut self, _: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
        self.setting()?;
        call.check("training")?;
        self.trained = true;
        let lanes = (0..4)
            .map(|lane| LaneTraining {
                lane,
                delay_taps: Some(12.0),
                width_taps: Some(9.0),
                vref_step: Some(8.0),
                height_steps: Some(7.0),
                end_stop: false,
                passed: true,
            })
            .collect();
        let stage = TrainingStage {
            name: "read training".into(),
            eye: Some(Scripted::eye()),
            by_byte_lane: false,
            lanes,
            causes: Vec::new(),
        };
        let settings = vec![LanePoint { tap: 12, vref: 8 }; 4];
        Ok(TrainingResult {
            stages: vec![stage],
            eyes: vec![TrainedEye { eye: Scripted::eye(), lanes: vec![0, 1, 2, 3], settings }],
            passed: true,
        })
    }

    fn restore(&mut self, _: &[TrainedEye], _: &Call) -> Result<(), DriverError> {
        Err(DriverError::new(FaultKind::Unsupported, "no"))
    }

    fn sample(
        &mut self,
        _: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        if !self.trained {
            return Err(DriverError::new(FaultKind::WrongOrder, "train first"));
        }
        call.check("sampling")?;
        let out = |words: &str| Err(DriverError::new(FaultKind::OutOfRange, words));
        let mut counts = Vec::new();
        for request in points {
            if !Scripted::grid().contains(request.point) {
                return out("beyond the grid");
            }
            if request.lanes.iter().any(|lane| lane >= 4) {
                return out("no such lane");
            }
            if !request.errors_before.is_empty() && request.errors_before.len() != 4 {
                return out("other lanes");
            }
            let open = (7..=17).contains(&request.point.tap) && (4..=12).contains(&request.point.vref);
            let bits = request.most_bits.max(8);
            counts.push(PointCounts { bits, errors: vec![if open { 0 } else { bits / 2 }; 4] });
        }
        match self.samples.pop_front().flatten() {
            Some(kind) => Err(DriverError::new(kind, "as scripted")),
            None => Ok(counts),
        }
    }

    fn confirm(&mut self, _: &Call) -> Result<(), DriverError> {
        self.setting().map(|_| ())
    }

    fn make_safe(&mut self, _: &Call) -> Result<(), DriverError> {
        self.trained = false;
        self.made_safe.fetch_add(1, Ordering::SeqCst);
        Ok(())
    }

    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        Box::new(Counted(Arc::clone(&self.made_safe)))
    }

    fn elapsed(&self) -> Seconds {
        Seconds(0.0)
    }
}

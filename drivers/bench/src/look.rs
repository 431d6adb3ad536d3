//! What a person sees of a bench that nobody drives: who answers, what is on, how hot it is. Switches nothing.

use super::device::Device;
use super::plant::Plant;
use super::sensors;
use contract::{Call, DriverError, FaultKind, Part};
use nightbench_core::units::Celsius;
use plan::bench_file::{Action, InstrumentKind, SensorSource};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Times an instrument is tried before it counts as silent: one lost answer refuses no night.
const MEETINGS: usize = 3;

/// What an instrument is and has on, as `bench check` shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InstrumentState {
    /// Its name in the bench file.
    pub name: String,
    /// What it answered, or why it did not.
    pub answer: Result<String, String>,
    /// What is on right now, in words.
    pub on: Vec<String>,
    /// Set points, and what is measured of them, in words.
    pub figures: Vec<String>,
}

/// A sensor's value and, beyond its limits, the words for that; or why it cannot be read.
pub type SensorLook = Result<(Celsius, Option<String>), Unread>;

/// Why a sensor was not read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread {
    /// In words.
    pub words: String,
    /// It is the device's own, which may need power to tell it.
    pub of_device: bool,
}

/// Opens every instrument and says what it is and what is on.
pub(super) fn instruments(plant: &mut Plant, call: &Call) -> Vec<InstrumentState> {
    let mut states = Vec::new();
    let rails = plant.bench.rails.clone();
    for one in &mut plant.instruments {
        let lost = |error: &DriverError| matches!(error.kind, FaultKind::TimeOut | FaultKind::Communication);
        let mut met = one.connect(call);
        for _ in 1..MEETINGS {
            if !met.as_ref().is_err_and(lost) {
                break;
            }
            met = one.connect(call);
        }
        let answer =
            met.map(|()| one.identity().unwrap_or_default().to_string()).map_err(|error| error.to_string());
        if let Err(words) = &answer {
            plant.log.progress(&one.spec.name, words);
        }
        let (mut on, mut figures) = (Vec::new(), Vec::new());
        if answer.is_ok() {
            let name = one.spec.name.clone();
            for rail in rails.iter().filter(|rail| rail.supply == name) {
                let channel = rail.channel.as_deref();
                match one.ask(Action::MeasureVoltage, channel, 0.0, call) {
                    Ok(volts) => {
                        if volts.abs() > rail.off_below.0 {
                            on.push(format!("{} measures {volts:.3} V", rail.name));
                        }
                        let set = one.ask(Action::GetVoltage, channel, 0.0, call);
                        let set = set.map_or_else(|error| error.to_string(), |set| format!("{set:.3} V"));
                        figures.push(format!("{} is set to {set} and measures {volts:.3} V", rail.name));
                    }
                    Err(error) => {
                        on.push(format!("{}: {error}", rail.name));
                        // What is silent once is not asked for the rest.
                        break;
                    }
                }
            }
            if one.spec.kind == InstrumentKind::Chamber {
                match one.ask(Action::GetTemperature, None, 0.0, call) {
                    Ok(set) => figures.push(format!("its set point is {}", Celsius(set))),
                    Err(error) => figures.push(format!("its set point cannot be read: {error}")),
                }
            }
            if one.spec.kind == InstrumentKind::PowerSwitch {
                let channel = one.spec.channel.clone();
                match one.ask_switch(Action::IsOn, channel.as_deref(), false, call) {
                    Ok(true) => on.push("switched on".into()),
                    Ok(false) => {}
                    Err(error) => on.push(error.to_string()),
                }
            }
        }
        states.push(InstrumentState { name: one.spec.name.clone(), answer, on, figures });
    }
    states
}

/// Every sensor that exists with its value.
pub(super) fn at_sensors(plant: &mut Plant, device: &mut Device, call: &Call) -> Vec<(String, SensorLook)> {
    let bench = Arc::clone(&plant.bench);
    let mut looks = Vec::new();
    for (point, name, source) in sensors::all_of(&bench) {
        let value = match &source {
            SensorSource::Agent(sensor) => {
                device.temperatures(plant, BTreeMap::new(), call).and_then(|told| {
                    told.get(sensor).copied().filter(|value| value.is_finite()).ok_or_else(|| {
                        DriverError::new(FaultKind::Protocol, format!("the agent tells no `{sensor}`"))
                            .at(Part::Agent)
                    })
                })
            }
            SensorSource::Instrument(instrument, channel) => plant
                .instrument(instrument)
                .and_then(|one| one.ask(Action::MeasureTemperature, channel.as_deref(), 0.0, call)),
        };
        let look =
            value.map(|degc| (Celsius(degc), sensors::beyond(&bench, point, &name, degc))).map_err(|error| {
                Unread { words: error.to_string(), of_device: matches!(source, SensorSource::Agent(_)) }
            });
        looks.push((name, look));
    }
    looks
}

//! The bench file: instruments, limits and the device's control agent of one bench, read and checked.
//!
//! Every limit is required: without limits no hardware is driven.

mod device_rails;
mod instruments;
mod narrowed;
mod profile;
mod published;
mod safety;
#[cfg(test)]
mod tests;
mod transport;

pub use device_rails::DeviceRail;
pub use instruments::{AgentConnection, AgentSpec, Instrument, InstrumentKind, Rail, Sensor, SensorSource};
pub use narrowed::{BenchLimits, KnownBy};
pub use profile::{Action, BUILT_IN, Profile};
pub use safety::{
    Attended, Date, EventKind, Events, Limits, Mounted, Room, Settle, TouchSafe, Unattended, Watch,
};
pub use transport::Transport;

use crate::section::{Mistake, Mistakes, PLAN, Section};
use nightbench_core::devices::ControlPoint;
use nightbench_core::units::Celsius;
use toml::de::DeTable;

/// A bench, read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchFile {
    /// Name of the bench, stored with every run.
    pub name: String,
    pub instruments: Vec<Instrument>,
    /// Rails, in the order they are switched on.
    pub rails: Vec<Rail>,
    /// Rails that the device makes for itself, set through the agent.
    pub device_rails: Vec<DeviceRail>,
    /// How closely a module must be identified to be measured.
    pub modules_known_by: KnownBy,
    /// Temperature sensors.
    pub sensors: Vec<Sensor>,
    /// The device's control agent.
    pub agent: AgentSpec,
    /// Limits of device and air temperature.
    pub limits: Limits,
    /// Climate of the room.
    pub room: Room,
    /// Temperatures at which hands may come near.
    pub touch_safe: TouchSafe,
    /// When somebody is there; `None` = whenever the plan says so.
    pub attended: Option<Attended>,
    /// Limits of unattended operation.
    pub unattended: Unattended,
    /// When a condition counts as reached.
    pub settle: Settle,
    /// How often and how closely rails and temperature are watched.
    pub watch: Watch,
    /// What is mounted at present, as the operator states it.
    pub mounted: Option<Mounted>,
    /// Events handed to a command of the user.
    pub events: Events,
    /// Bench seconds a wall second: above 1 only for an emulated bench, on loopback.
    pub time_scale: f64,
}

impl BenchFile {
    /// Reads a bench file.
    ///
    /// # Errors
    /// Every mistake in the text, in its order, each with its place.
    pub fn read(text: &str) -> Result<BenchFile, Vec<Mistake>> {
        let mistakes = Mistakes::default();
        let (document, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            mistakes.add(error.span().unwrap_or(0..0), error.message().to_string(), None);
        }
        if !mistakes.is_empty() {
            return Err(mistakes.into_sorted());
        }
        let file = read_file(&Section::new(PLAN, document.get_ref(), 0..0, &mistakes));
        match file {
            Some(file) if mistakes.is_empty() => Ok(file),
            _ => Err(mistakes
                .into_sorted()
                .into_iter()
                .map(|mistake| Mistake {
                    // The reader's outermost table is called after the file most users write.
                    message: mistake.message.replace(PLAN, "the bench file"),
                    ..mistake
                })
                .collect()),
        }
    }

    pub fn instrument(&self, name: &str) -> Option<&Instrument> {
        self.instruments.iter().find(|known| known.name == name)
    }

    /// The chamber, where the bench has one.
    pub fn chamber(&self) -> Option<&Instrument> {
        self.instruments.iter().find(|known| known.kind == InstrumentKind::Chamber)
    }

    pub fn sensor(&self, point: ControlPoint) -> Option<&Sensor> {
        self.sensors.iter().find(|sensor| sensor.point == point)
    }

    /// Lowest temperature of surfaces that stay dry in the room's air: dew point + 3 K.
    pub fn lowest_dry(&self) -> Celsius {
        Celsius(self.room.dew_point.0 + DEW_MARGIN_K)
    }

    /// Band in which hands may come near: the declared band, and never below the dew point + 3 K.
    pub fn touch_band(&self) -> (Celsius, Celsius) {
        (Celsius(self.touch_safe.low.0.max(self.lowest_dry().0)), self.touch_safe.high)
    }
}

/// Margin kept above the dew point, K.
pub const DEW_MARGIN_K: f64 = 3.0;

fn read_file(file: &Section<'_>) -> Option<BenchFile> {
    let name = file.required_text("name", "bench 1");
    let time_scale = file.number("time_scale", 1.0..=1e6, "").unwrap_or(1.0);
    let profiles = profile::read_profiles(file.tables("profile"));
    let instruments = instruments::read_instruments(file.tables("instrument"), &profiles);
    let (rails, device_rails) =
        device_rails::split(instruments::read_rails(file.tables("rail"), &instruments));
    let switch = instruments.iter().any(|one| one.kind == InstrumentKind::PowerSwitch);
    device_rails::check_feed(file, &rails, &device_rails, switch);
    let modules_known_by = file.choice("modules_known_by", &KnownBy::ALL).unwrap_or(KnownBy::Nothing);
    let sensors = instruments::read_sensors(file.tables("sensor"), &instruments);
    let agent = instruments::read_agent(file.table("agent"), file);
    let limits = Limits::read(file.table("limits"), file);
    let room = Room::read(file.table("room"), file);
    let touch_safe = TouchSafe::read(file.table("touch_safe"));
    let attended = Attended::read(file.table("attended"));
    let unattended = Unattended::read(file.table("unattended"), file);
    let settle = Settle::read(file.table("settle"));
    let watch = Watch::read(file.table("watch"));
    let mounted = Mounted::read(file.table("mounted"));
    let events = Events::read(file.table("events"));
    if !file.has("rail") {
        file.mistake(
            "rail",
            "the plan has no [[rail]]: nothing may be powered",
            "add [[rail]] with `name`, `supply`, `low_v`, `high_v`, `most_a` and `over_voltage_v`",
        );
    }
    if !file.has("sensor") {
        file.mistake(
            "sensor",
            "the plan has no [[sensor]]: the device's temperature would not be known",
            "add [[sensor]] with `point` and `from`",
        );
    }
    if instruments.iter().filter(|one| one.kind == InstrumentKind::Chamber).count() > 1 {
        file.mistake("instrument", "the bench has several chambers", "one chamber or thermal head a bench");
    }
    let result = match (name, agent, limits, room, unattended) {
        (Some(name), Some(agent), Some(limits), Some(room), Some(unattended)) => Some(BenchFile {
            name: name.value,
            instruments,
            rails,
            device_rails,
            modules_known_by,
            sensors,
            agent,
            limits,
            room,
            touch_safe,
            attended,
            unattended,
            settle,
            watch,
            mounted,
            events,
            time_scale,
        }),
        _ => None,
    };
    if let Some(bench) = &result {
        check_time_scale(bench, file);
    }
    file.finish();
    result
}

/// A clock that runs fast would cut every soak short on real hardware.
fn check_time_scale(bench: &BenchFile, file: &Section<'_>) {
    if bench.time_scale == 1.0 {
        return;
    }
    let loopback = |address: &str| address.starts_with("127.") || address.starts_with("[::1]");
    let outside = bench
        .instruments
        .iter()
        .find(|one| match &one.transport {
            Transport::Tcp { address }
            | Transport::Hislip { address, .. }
            | Transport::Vxi11 { address, .. } => !loopback(address),
            Transport::Serial { .. } | Transport::Usbtmc { .. } => true,
        })
        .map(|one| one.name.clone())
        .or_else(|| match &bench.agent.connection {
            AgentConnection::Tcp { address } if !loopback(address) => Some("agent".into()),
            _ => None,
        });
    if let Some(name) = outside {
        file.mistake(
            "time_scale",
            format!("`time_scale` is {}, but `{name}` is not on loopback", bench.time_scale),
            "a time scale is for an emulated bench only: remove it",
        );
    }
}

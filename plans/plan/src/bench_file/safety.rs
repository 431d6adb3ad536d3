//! Limits and rules of safe operation as a bench file states them.

use super::published::HOTTEST_DEVICE_C;
use crate::section::Section;
use nightbench_core::units::{Celsius, Kelvin, dew_point};
use schedule::Calendar;
use std::fmt;

/// A calendar day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    year: u16,
    month: u8,
    day: u8,
}

impl Date {
    /// Reads `2027-03-31`.
    pub fn parse(text: &str) -> Option<Date> {
        let mut parts = text.splitn(3, '-');
        let year: u16 = parts.next()?.parse().ok()?;
        let month: u8 = parts.next()?.parse().ok()?;
        let day: u8 = parts.next()?.get(0..2)?.parse().ok()?;
        let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
        let days = match month {
            2 if leap => 29,
            2 => 28,
            4 | 6 | 9 | 11 => 30,
            1..=12 => 31,
            _ => return None,
        };
        ((1970..=9999).contains(&year) && (1..=days).contains(&day)).then_some(Date { year, month, day })
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

/// `[limits]`: what the device and the chamber's air may see. A plan may stay within, never beyond.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Lowest device temperature.
    pub device_low: Celsius,
    /// Highest device temperature.
    pub device_high: Celsius,
    /// Lowest air (or head) set point.
    pub air_low: Celsius,
    /// Highest air (or head) set point.
    pub air_high: Celsius,
    /// Fastest change of the device's temperature, K/min.
    pub ramp_k_per_min: f64,
}

impl Limits {
    pub(super) fn read(section: Option<Section<'_>>, file: &Section<'_>) -> Option<Limits> {
        let Some(section) = section else {
            if !file.has("limits") {
                file.mistake(
                    "limits",
                    "the plan has no [limits]: without limits no hardware is driven",
                    "add [limits] with `device_low_degc`, `device_high_degc`, `air_low_degc`, `air_high_degc` and \
                     `ramp_k_per_min`",
                );
            }
            return None;
        };
        let number = |key: &'static str, range: std::ops::RangeInclusive<f64>, unit: &str| {
            if !section.has(key) {
                section.mistake(
                    "",
                    format!("[limits] has no `{key}`: without limits no hardware is driven"),
                    format!("add `{key}`, in {unit}"),
                );
                return None;
            }
            section.number(key, range, unit)
        };
        let device_low = number("device_low_degc", -100.0..=200.0, "°C");
        let device_high = number("device_high_degc", -100.0..=200.0, "°C");
        let air_low = number("air_low_degc", -100.0..=250.0, "°C");
        let air_high = number("air_high_degc", -100.0..=250.0, "°C");
        let ramp = number("ramp_k_per_min", 0.1..=1000.0, "K/min");
        section.finish();
        let limits = Limits {
            device_low: Celsius(device_low?),
            device_high: Celsius(device_high?),
            air_low: Celsius(air_low?),
            air_high: Celsius(air_high?),
            ramp_k_per_min: ramp?,
        };
        for (low, high, key) in [
            (limits.device_low, limits.device_high, "device_low_degc"),
            (limits.air_low, limits.air_high, "air_low_degc"),
        ] {
            if low.0 >= high.0 {
                section.mistake(
                    key,
                    format!("`{key}` in [limits] is not below its highest value"),
                    "exchange them",
                );
            }
        }
        if limits.device_high.0 > HOTTEST_DEVICE_C {
            section.mistake(
                "device_high_degc",
                format!(
                    "`device_high_degc` in [limits] is {}: no memory or test chip is meant for more than {} (AEC-Q100 grade 0)",
                    limits.device_high,
                    Celsius(HOTTEST_DEVICE_C)
                ),
                "write what the device's own datasheet allows",
            );
        }
        // The set point never leaves the device's limits, but a chamber may: an air limit far beyond guards nothing.
        for (key, far, device) in [
            ("air_high_degc", limits.air_high.0 - limits.device_high.0, limits.device_high),
            ("air_low_degc", limits.device_low.0 - limits.air_low.0, limits.device_low),
        ] {
            if far > FARTHEST_AIR_K {
                section.mistake(
                    key,
                    format!("`{key}` in [limits] is {far:.0} K beyond the device's limit of {device}"),
                    format!("at most {FARTHEST_AIR_K:.0} K beyond: the device follows the air"),
                );
            }
        }
        Some(limits)
    }
}

/// How far the air's limits may lie beyond the device's, K. Common practice, no source.
const FARTHEST_AIR_K: f64 = 50.0;

/// `[room]`: what decides where water condenses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// Air temperature: "ambient".
    pub temperature: Celsius,
    pub dew_point: Celsius,
    /// A dry purge is in place, as the operator declares.
    pub dry_purge: bool,
}

impl Room {
    pub(super) fn read(section: Option<Section<'_>>, file: &Section<'_>) -> Option<Room> {
        let Some(section) = section else {
            if !file.has("room") {
                file.mistake(
                    "room",
                    "the plan has no [room]: the dew point would not be known",
                    "add [room] with `temperature_degc` and `humidity_percent` (or `dew_point_degc`)",
                );
            }
            return None;
        };
        if !section.has("temperature_degc") {
            section.mistake("", "[room] has no `temperature_degc`", "add it, in °C");
        }
        let temperature = section.number("temperature_degc", 5.0..=45.0, "°C");
        let humidity = section.number("humidity_percent", 1.0..=100.0, "%");
        let stated = section.number("dew_point_degc", -80.0..=45.0, "°C");
        let dry_purge = section.flag("dry_purge", false);
        section.finish();
        let temperature = Celsius(temperature?);
        let dew = match (humidity, stated) {
            (Some(percent), None) => dew_point(temperature, percent),
            (None, Some(point)) => Celsius(point),
            _ => {
                section.mistake(
                    "humidity_percent",
                    "[room] needs either `humidity_percent` or `dew_point_degc`",
                    "give exactly one",
                );
                return None;
            }
        };
        if dew.0 + super::DEW_MARGIN_K >= temperature.0 {
            section.mistake(
                "humidity_percent",
                format!("the room at {temperature} has a dew point of {dew}: even at ambient surfaces would not stay dry"),
                "dry the room's air first",
            );
        }
        Some(Room { temperature, dew_point: dew, dry_purge })
    }
}

/// `[touch_safe]`: hands come near only within this band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TouchSafe {
    /// Lowest temperature, default 15 degC.
    pub low: Celsius,
    /// Highest temperature, default 43 degC (ISO 13732-1, burn threshold of bare metal at 8 h; from memory).
    pub high: Celsius,
    /// Time constant in still air of the slowest part that hands may touch, s; `None`: estimated from the device's own sensor.
    pub time_constant_s: Option<f64>,
}

impl TouchSafe {
    pub(super) fn read(section: Option<Section<'_>>) -> TouchSafe {
        let mut band = TouchSafe { low: Celsius(15.0), high: Celsius(43.0), time_constant_s: None };
        let Some(section) = section else { return band };
        // The band may be narrowed, never widened.
        if let Some(low) = section.number("low_degc", 15.0..=35.0, "°C") {
            band.low = Celsius(low);
        }
        if let Some(high) = section.number("high_degc", 25.0..=43.0, "°C") {
            band.high = Celsius(high);
        }
        band.time_constant_s = section.number("time_constant_s", 1.0..=36_000.0, "s");
        section.finish();
        band
    }
}

/// `[attended]`: hours at which somebody is there, local time of the bench's computer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attended {
    /// First hour of the day.
    pub from_h: f64,
    /// Last hour of the day.
    pub to_h: f64,
}

impl Attended {
    pub(super) fn read(section: Option<Section<'_>>) -> Option<Attended> {
        let section = section?;
        let mut hours = Attended { from_h: 8.0, to_h: 18.0 };
        if let Some(from) = section.number("from_h", 0.0..=24.0, "h") {
            hours.from_h = from;
        }
        if let Some(to) = section.number("to_h", 0.0..=24.0, "h") {
            hours.to_h = to;
        }
        if hours.from_h >= hours.to_h {
            section.mistake("from_h", "[attended] ends before it begins", "write `from_h` before `to_h`");
        }
        section.finish();
        Some(hours)
    }

    /// The hours as a calendar: the same on every day.
    pub fn calendar(&self) -> Calendar {
        let minute = |hour: f64| (hour * 60.0).round() as u16;
        let week = std::array::from_fn(|_| vec![(minute(self.from_h), minute(self.to_h))]);
        Calendar::new(week, Default::default()).unwrap_or_else(|_| Calendar::always())
    }
}

/// `[unattended]`: limits of running with nobody there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unattended {
    /// Longest run, hours of bench time.
    pub most_hours: f64,
    /// Faulted jobs in a row after which the run ends.
    pub most_consecutive_faults: u32,
    /// Attempts at one job.
    pub attempts: u32,
}

impl Unattended {
    pub(super) fn read(section: Option<Section<'_>>, file: &Section<'_>) -> Option<Unattended> {
        let Some(section) = section else {
            if !file.has("unattended") {
                file.mistake(
                    "unattended",
                    "the plan has no [unattended]: a run without an end is refused",
                    "add [unattended] with `most_hours` and `most_consecutive_faults`",
                );
            }
            return None;
        };
        for key in ["most_hours", "most_consecutive_faults"] {
            if section.place(key) == section.span {
                section.mistake("", format!("[unattended] has no `{key}`"), format!("add `{key}`"));
            }
        }
        let hours = section.number("most_hours", 0.01..=2000.0, "h");
        let faults = section.whole("most_consecutive_faults", 1..=1000, "faults");
        let attempts = section.whole("attempts", 1..=10, "attempts").unwrap_or(3);
        section.finish();
        Some(Unattended {
            most_hours: hours?,
            most_consecutive_faults: u32::try_from(faults?).unwrap_or(1),
            attempts: u32::try_from(attempts).unwrap_or(1),
        })
    }
}

/// `[settle]`: when a temperature counts as reached, by the device's own sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settle {
    /// Half width of the band around the level.
    pub band: Kelvin,
    /// Time the sensor stays in it, seconds.
    pub dwell_s: f64,
    /// Largest slope over the dwell, K/min.
    pub slope_k_per_min: f64,
    /// Longest wait, seconds.
    pub time_out_s: f64,
    /// Time between readings, seconds.
    pub poll_s: f64,
}

impl Settle {
    pub(super) fn read(section: Option<Section<'_>>) -> Settle {
        let mut settle = Settle {
            band: Kelvin(1.0),
            dwell_s: 120.0,
            slope_k_per_min: 0.3,
            time_out_s: 3600.0,
            poll_s: 2.0,
        };
        let Some(section) = section else { return settle };
        let read = |key: &'static str, range: std::ops::RangeInclusive<f64>, unit: &str, slot: &mut f64| {
            if let Some(value) = section.number(key, range, unit) {
                *slot = value;
            }
        };
        read("band_k", 0.05..=10.0, "K", &mut settle.band.0);
        read("dwell_s", 1.0..=7200.0, "s", &mut settle.dwell_s);
        read("slope_k_per_min", 0.01..=10.0, "K/min", &mut settle.slope_k_per_min);
        read("time_out_s", 1.0..=36_000.0, "s", &mut settle.time_out_s);
        read("poll_s", 0.1..=60.0, "s", &mut settle.poll_s);
        if settle.dwell_s < 2.0 * settle.poll_s {
            section.mistake(
                "dwell_s",
                format!(
                    "`dwell_s` is {} s: fewer than three readings at `poll_s` = {} s",
                    settle.dwell_s, settle.poll_s
                ),
                "dwell longer or read more often",
            );
        }
        section.finish();
        settle
    }
}

/// `[watch]`: rails and temperature during jobs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Watch {
    /// Time between looks, seconds.
    pub every_s: f64,
    /// Age at which a reading is stale: an alarm.
    pub stale_after_s: f64,
}

impl Watch {
    pub(super) fn read(section: Option<Section<'_>>) -> Watch {
        let mut watch = Watch { every_s: 10.0, stale_after_s: 60.0 };
        let Some(section) = section else { return watch };
        if let Some(every) = section.number("every_s", 0.1..=600.0, "s") {
            watch.every_s = every;
        }
        watch.stale_after_s =
            section.number("stale_after_s", 0.2..=3600.0, "s").unwrap_or(6.0 * watch.every_s);
        if watch.stale_after_s < 2.0 * watch.every_s {
            section.mistake(
                "stale_after_s",
                "`stale_after_s` in [watch] is less than two looks",
                "at least twice `every_s`",
            );
        }
        section.finish();
        watch
    }
}

/// `[mounted]`: what stands on the bench now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mounted {
    /// Test chip, as the plan names it.
    pub chip: String,
    /// Module, as the plan names it.
    pub module: String,
    /// Channel, as the plan names it.
    pub channel: String,
}

impl Mounted {
    pub(super) fn read(section: Option<Section<'_>>) -> Option<Mounted> {
        let section = section?;
        let chip = section.required_text("chip", "the chip's name in the plan");
        let module = section.required_text("module", "the module's name in the plan");
        let channel = section.required_text("channel", "the channel's name in the plan");
        section.finish();
        Some(Mounted { chip: chip?.value, module: module?.value, channel: channel?.value })
    }
}

/// Something a user's command is told about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventKind {
    /// The run ended.
    Finished,
    /// A job was not measured, or the bench faulted.
    Fault,
    /// Hands are needed, and may come near.
    HandsNeeded,
    /// Everything is off until somebody comes.
    Waiting,
    /// An alarm is latched.
    Alarm,
    /// Something could not be made safe.
    NotSafe,
}

impl EventKind {
    /// Every kind with its word.
    pub const ALL: [(&'static str, EventKind); 6] = [
        ("finished", EventKind::Finished),
        ("fault", EventKind::Fault),
        ("hands needed", EventKind::HandsNeeded),
        ("waiting", EventKind::Waiting),
        ("alarm", EventKind::Alarm),
        ("not safe", EventKind::NotSafe),
    ];

    /// The bench file's word.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// `[events]`: a command of the user that is told about events.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Events {
    /// Which events.
    pub on: Vec<EventKind>,
    /// Command and arguments; kind and words of the event are added.
    pub command: Vec<String>,
}

impl Events {
    pub(super) fn read(section: Option<Section<'_>>) -> Events {
        let Some(section) = section else { return Events::default() };
        let on = section.choices("on", &EventKind::ALL).unwrap_or_default();
        let command: Vec<String> =
            section.texts("command").unwrap_or_default().into_iter().map(|text| text.value).collect();
        if command.is_empty() {
            section.mistake("", "[events] has no `command`", "add `command = [\"notify\", \"...\"]`");
        }
        section.finish();
        Events { on, command }
    }
}

//! Instruments, rails, sensors and the agent as a bench file states them.

use super::profile::Profile;
use super::published::absolute_maximum;
use super::safety::Date;
use super::transport::{Transport, is_address, read_transport};
use crate::section::Section;
use nightbench_core::devices::ControlPoint;
use nightbench_core::text::nearest;
use nightbench_core::units::Volts;

/// What an instrument is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InstrumentKind {
    /// Temperature chamber or thermal head.
    Chamber,
    /// Power supply.
    Supply,
    Meter,
    /// Power switch of the device's board.
    PowerSwitch,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    /// Name in the bench file.
    pub name: String,
    /// What it is for.
    pub kind: InstrumentKind,
    /// How it is reached.
    pub transport: Transport,
    /// How it is spoken to.
    pub profile: Profile,
    /// Text that must occur in its identification, for example the serial number.
    pub identity: String,
    /// Last day of its calibration, where it is calibrated.
    pub calibration_due: Option<Date>,
    /// Time-out of a whole answer, seconds of wall time.
    pub time_out_s: f64,
    /// Pause between messages, seconds of wall time.
    pub pace_s: f64,
    /// Channel, for a power switch or the chamber's air sensor.
    pub channel: Option<String>,
}

/// One supply rail of the device with its limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Rail {
    /// Name: VDD, VDDQ, VPP as set by a plan; others need `fixed_v`.
    pub name: String,
    /// Supply that feeds it.
    pub supply: String,
    pub channel: Option<String>,
    /// Meter that measures it; else the supply itself.
    pub meter: Option<(String, Option<String>)>,
    /// Lowest voltage that may be set.
    pub low: Volts,
    /// Highest voltage that may be set.
    pub high: Volts,
    /// Current limit, A.
    pub most_a: f64,
    /// Over-voltage protection.
    pub over_voltage: Volts,
    /// Largest deviation of the measured from the asked voltage.
    pub tolerance: Volts,
    /// Below this a rail counts as off.
    pub off_below: Volts,
    /// Voltage of a rail that no plan sets.
    pub fixed: Option<Volts>,
}

/// Where a temperature is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SensorSource {
    /// From the agent, by the name it gives the sensor.
    Agent(String),
    /// From an instrument and channel.
    Instrument(String, Option<String>),
}

/// A temperature sensor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sensor {
    /// What it measures.
    pub point: ControlPoint,
    /// Where it is read.
    pub source: SensorSource,
}

/// How the agent is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AgentConnection {
    /// A child process that speaks over its standard input and output.
    Command(Vec<String>),
    /// Raw TCP.
    Tcp {
        /// Host and port.
        address: String,
    },
}

/// The device's control agent.
#[derive(Debug, Clone, PartialEq)]
pub struct AgentSpec {
    /// How it is reached.
    pub connection: AgentConnection,
    /// Longest time without a heartbeat during a call, seconds of wall time.
    pub heartbeat_s: f64,
    /// Longest answer line, bytes.
    pub most_line_bytes: usize,
    /// Time between TERM and KILL of a child, seconds.
    pub kill_after_s: f64,
}

/// Longest answer of what heats or powers, s: two that do not come are waited for before everything is made safe. Common practice, no
/// source.
const LONGEST_SILENCE_S: f64 = 5.0;

pub(super) fn read_instruments(sections: Vec<Section<'_>>, profiles: &[Profile]) -> Vec<Instrument> {
    let mut list: Vec<Instrument> = Vec::new();
    for section in sections {
        let name = section.required_text("name", "supply A");
        let kinds = [
            ("chamber", InstrumentKind::Chamber),
            ("supply", InstrumentKind::Supply),
            ("meter", InstrumentKind::Meter),
            ("power-switch", InstrumentKind::PowerSwitch),
        ];
        let kind = section.required_choice("kind", &kinds);
        let transport = read_transport(&section);
        let identity = section.required_text("identity", "serial number, as *IDN? answers it");
        let profile = match section.text("profile") {
            None => Some(Profile::scpi_1999()),
            Some(text) => {
                let found = profiles.iter().find(|known| known.name == text.value);
                if found.is_none() {
                    let near = nearest(&text.value, profiles.iter().map(|known| known.name.as_str()));
                    section.mistake(
                        "profile",
                        format!(
                            "{} names the profile `{}`, which is not declared",
                            section.title, text.value
                        ),
                        near.map_or("declare it with [[profile]]".to_string(), |near| {
                            format!("did you mean `{near}`?")
                        }),
                    );
                }
                found.cloned()
            }
        };
        let due = section.text("calibration_due").and_then(|text| {
            let date = Date::parse(&text.value);
            if date.is_none() {
                section.mistake(
                    "calibration_due",
                    format!("`calibration_due` in {} is `{}`", section.title, text.value),
                    "write year-month-day, for example \"2027-03-31\"",
                );
            }
            date
        });
        let time_out_s = section.number("time_out_s", 0.01..=60.0, "s").unwrap_or(2.0);
        if time_out_s > LONGEST_SILENCE_S && kind.is_some_and(|kind| kind != InstrumentKind::Meter) {
            section.mistake(
                "time_out_s",
                format!(
                    "{}: `time_out_s` is {time_out_s} s: what heats or powers would be silent for twice as long before it is made safe",
                    section.title
                ),
                format!("at most {LONGEST_SILENCE_S} s"),
            );
        }
        let pace_s = section.number("pace_s", 0.0..=5.0, "s").unwrap_or(0.0);
        let channel = section.text("channel").map(|text| text.value);
        section.finish();
        let (Some(name), Some(kind), Some(transport), Some(identity), Some(profile)) =
            (name, kind, transport, identity, profile)
        else {
            continue;
        };
        check_templates(&section, kind, &profile);
        if list.iter().any(|known| known.name == name.value) {
            section.mistake(
                "name",
                format!("{} has the name of an earlier one", section.title),
                "give it another name",
            );
        }
        list.push(Instrument {
            name: name.value,
            kind,
            transport,
            profile,
            identity: identity.value,
            calibration_due: due,
            time_out_s,
            pace_s,
            channel,
        });
    }
    list
}

/// Safety needs these commands whatever the instrument: a profile without them is refused.
fn check_templates(section: &Section<'_>, kind: InstrumentKind, profile: &Profile) {
    use super::profile::Action::*;
    let needed: &[super::profile::Action] = match kind {
        InstrumentKind::Chamber => &[Identify, SetTemperature, GetTemperature, MeasureTemperature],
        InstrumentKind::Supply => &[
            Identify,
            SetVoltage,
            GetVoltage,
            SetCurrent,
            GetCurrent,
            SetOverVoltage,
            GetOverVoltage,
            On,
            Off,
            MeasureVoltage,
        ],
        InstrumentKind::Meter => &[Identify, MeasureVoltage],
        InstrumentKind::PowerSwitch => &[Identify, On, Off, IsOn],
    };
    if kind == InstrumentKind::Chamber
        && profile.templates.contains_key(&On) != profile.templates.contains_key(&Off)
    {
        section.mistake(
            "profile",
            format!("{}: the profile `{}` has only one of `on` and `off`", section.title, profile.name),
            "a chamber that is switched on must be switched off after an alarm: add the other, or take both away with \"none\"",
        );
    }
    for action in needed {
        if !profile.templates.contains_key(action) {
            section.mistake(
                "profile",
                format!("{}: the profile `{}` has no `{}`", section.title, profile.name, action.key()),
                format!("add `{} = \"...\"` to the profile", action.key()),
            );
        }
    }
}

/// Rails, each with the agent's name of it where the agent makes it.
pub(super) fn read_rails(
    sections: Vec<Section<'_>>,
    instruments: &[Instrument],
) -> Vec<(Rail, Option<String>)> {
    let mut list: Vec<(Rail, Option<String>)> = Vec::new();
    for section in sections {
        let name = section.required_text("name", "VDDQ");
        let by_agent = section.choice("from", &[("agent", ())]).is_some();
        let supply = if by_agent { None } else { section.required_text("supply", "supply A") };
        let channel = section.text("channel").map(|text| text.value);
        let meter = section.text("meter");
        let meter_channel = section.text("meter_channel").map(|text| text.value);
        let required = |key: &'static str, range: std::ops::RangeInclusive<f64>, unit: &str| {
            if !section.has(key) {
                section.mistake(
                    "name",
                    format!("{} has no `{key}`: without limits no hardware is driven", section.title),
                    format!("add `{key}`, in {unit}"),
                );
                return None;
            }
            section.number(key, range, unit)
        };
        let low = required("low_v", 0.0..=60.0, "V");
        let high = required("high_v", 0.0..=60.0, "V");
        let most = required("most_a", 0.0..=200.0, "A");
        let over = required("over_voltage_v", 0.0..=80.0, "V");
        let tolerance = section.number("tolerance_v", 0.0005..=1.0, "V").unwrap_or(0.02);
        let off_below = section.number("off_below_v", 0.001..=1.0, "V").unwrap_or(0.1);
        let fixed = section.number("fixed_v", 0.0..=60.0, "V");
        for (key, text, kind) in
            [("supply", &supply, InstrumentKind::Supply), ("meter", &meter, InstrumentKind::Meter)]
        {
            let Some(text) = text else { continue };
            if !instruments.iter().any(|one| one.name == text.value && one.kind == kind) {
                section.mistake(
                    key,
                    format!("{} names the {key} `{}`, which is not declared", section.title, text.value),
                    format!("declare it with [[instrument]] and `kind = \"{key}\"`"),
                );
            }
        }
        section.finish();
        let (Some(name), Some(low), Some(high), Some(most), Some(over)) = (name, low, high, most, over)
        else {
            continue;
        };
        let supply = match supply {
            Some(text) => text.value,
            None if by_agent => String::new(),
            None => continue,
        };
        if by_agent && meter.is_some() {
            section.mistake(
                "meter",
                format!("{} is read through the agent, and by a meter as well", section.title),
                "leave `meter` out; a second reading belongs to the agent",
            );
        }
        if low > high {
            section.mistake(
                "low_v",
                format!("{}: `low_v` {low} V is above `high_v` {high} V", section.title),
                "exchange them",
            );
        }
        if over < high {
            section.mistake(
                "over_voltage_v",
                format!(
                    "{}: the over-voltage protection at {over} V is below `high_v` {high} V",
                    section.title
                ),
                "raise it or lower `high_v`",
            );
        }
        if off_below >= low && low > 0.0 {
            section.mistake(
                "off_below_v",
                format!("{}: `off_below_v` {off_below} V is not below `low_v` {low} V", section.title),
                "a rail in use must not look switched off",
            );
        }
        check_rail(&section, RailFigures { low, high, most, over, tolerance, off_below });
        if let Some(most) = absolute_maximum(&name.value, None).filter(|most| high > most.0) {
            section.mistake(
                "high_v",
                format!(
                    "{}: `high_v` {high} V is beyond {most}, the highest absolute maximum rating of {} of any generation",
                    section.title, name.value
                ),
                "beyond it parts are damaged: lower it, or give a rail that is no device's own supply another name and `fixed_v`",
            );
        }
        let same = |known: &&(Rail, Option<String>)| {
            known.0.supply == supply && same_channel(known.0.channel.as_deref(), channel.as_deref())
        };
        if let Some((other, _)) = list.iter().filter(|_| !by_agent).find(same) {
            section.mistake(
                "supply",
                format!("{} uses the same output of `{}` as the rail {}", section.title, supply, other.name),
                "give each rail an output of its own with `channel`",
            );
        }
        if list.iter().any(|(known, _)| known.name == name.value) {
            section.mistake("name", format!("{} is declared twice", section.title), "one table a rail");
        }
        if fixed.is_some_and(|volts| volts < low || volts > high) {
            section.mistake(
                "fixed_v",
                format!("{}: `fixed_v` is beyond {low} V to {high} V", section.title),
                "stay within the rail's own limits",
            );
        }
        let agent_name = by_agent.then(|| channel.clone().unwrap_or_else(|| name.value.clone()));
        let rail = Rail {
            name: name.value,
            supply,
            channel,
            meter: meter.map(|text| (text.value, meter_channel)),
            low: Volts(low),
            high: Volts(high),
            most_a: most,
            over_voltage: Volts(over),
            tolerance: Volts(tolerance),
            off_below: Volts(off_below),
            fixed: fixed.map(Volts),
        };
        list.push((rail, agent_name));
    }
    list
}

/// Figures of a rail as they were written, V and A.
struct RailFigures {
    low: f64,
    high: f64,
    most: f64,
    over: f64,
    tolerance: f64,
    off_below: f64,
}

/// Most that a protection may stand above the highest voltage: this share, and this voltage. Common practice, no source.
const PROTECTION: (f64, f64) = (0.2, 0.2);
/// Widest tolerance as a share of the highest voltage, and highest "off" as a share of the lowest. Common practice, no source.
const WIDEST_TOLERANCE: f64 = 0.1;
const HIGHEST_OFF: f64 = 0.25;

/// Figures that are allowed one by one and protect nothing together.
fn check_rail(section: &Section<'_>, own: RailFigures) {
    let title = &section.title;
    if own.most <= 0.0 {
        section.mistake(
            "most_a",
            format!("{title}: `most_a` is 0 A: every current would be an alarm"),
            "give the current limit of the rail",
        );
    }
    let most_over = own.high * (1.0 + PROTECTION.0) + PROTECTION.1;
    if own.over > most_over {
        section.mistake(
            "over_voltage_v",
            format!(
                "{title}: the over-voltage protection at {} V protects nothing: `high_v` is {} V",
                own.over, own.high
            ),
            format!("at most {most_over:.2} V (`high_v` + 20 % + 0.2 V)"),
        );
    }
    let widest = WIDEST_TOLERANCE * own.high;
    if own.tolerance > widest {
        section.mistake(
            "tolerance_v",
            format!(
                "{title}: a tolerance of {} V accepts any voltage of a rail of {} V",
                own.tolerance, own.high
            ),
            format!("at most {widest:.3} V (10 % of `high_v`)"),
        );
    }
    let highest_off = HIGHEST_OFF * if own.low > 0.0 { own.low } else { own.high };
    if own.off_below > highest_off {
        section.mistake(
            "off_below_v",
            format!("{title}: a rail would count as off at {} V", own.off_below),
            format!("at most {highest_off:.3} V (a quarter of its lowest voltage)"),
        );
    }
}

pub(super) fn read_sensors(sections: Vec<Section<'_>>, instruments: &[Instrument]) -> Vec<Sensor> {
    let mut list: Vec<Sensor> = Vec::new();
    for section in sections {
        let point = section.required_choice("point", &ControlPoint::ALL);
        let from = section.required_text("from", "agent");
        let channel = section.text("channel").map(|text| text.value);
        section.finish();
        let (Some(point), Some(from)) = (point, from) else { continue };
        let source = if from.value == "agent" {
            match channel {
                Some(name) => SensorSource::Agent(name),
                None => {
                    section.mistake(
                        "from",
                        format!("{} reads from the agent, but not which sensor", section.title),
                        "add `channel`, the sensor's name in the agent's answer",
                    );
                    continue;
                }
            }
        } else {
            if !instruments.iter().any(|one| {
                one.name == from.value
                    && one.profile.templates.contains_key(&super::profile::Action::MeasureTemperature)
            }) {
                section.mistake(
                    "from",
                    format!(
                        "{} reads from `{}`, which is no instrument that measures temperature",
                        section.title, from.value
                    ),
                    "name an instrument with `measure_temperature`, or `agent`",
                );
            }
            SensorSource::Instrument(from.value, channel)
        };
        if list.iter().any(|known| known.point == point) {
            section.mistake(
                "point",
                format!("{}: `{}` is read twice", section.title, point.name()),
                "one sensor a point",
            );
        }
        list.push(Sensor { point, source });
    }
    list
}

pub(super) fn read_agent(section: Option<Section<'_>>, file: &Section<'_>) -> Option<AgentSpec> {
    let Some(section) = section else {
        if !file.has("agent") {
            file.mistake(
                "agent",
                "the plan has no [agent]: nothing would drive the device",
                "add [agent] with `command` or `tcp` (see drivers/bench/AGENT.md)",
            );
        }
        return None;
    };
    let command = section.texts("command");
    let tcp = section.text("tcp");
    let heartbeat_s = section.number("heartbeat_s", 0.05..=600.0, "s").unwrap_or(5.0);
    let most = section.whole("most_line_kib", 4..=262_144, "KiB").unwrap_or(4096);
    let kill_after_s = section.number("kill_after_s", 0.0..=60.0, "s").unwrap_or(2.0);
    section.finish();
    let connection = match (command, tcp) {
        (Some(words), None) if !words.is_empty() => {
            AgentConnection::Command(words.into_iter().map(|text| text.value).collect())
        }
        (None, Some(text)) => {
            if !is_address(&text.value) {
                section.mistake(
                    "tcp",
                    format!("`tcp` in [agent] is `{}`, not host:port", text.value),
                    "write for example \"192.0.2.20:7000\"",
                );
            }
            AgentConnection::Tcp { address: text.value }
        }
        _ => {
            section.mistake(
                "command",
                "[agent] needs either `command` or `tcp`",
                "give exactly one, for example `command = [\"python3\", \"agent.py\"]`",
            );
            return None;
        }
    };
    Some(AgentSpec {
        connection,
        heartbeat_s,
        most_line_bytes: usize::try_from(most).unwrap_or(4096) << 10,
        kill_after_s,
    })
}

/// Do two channels choose the same output? An instrument takes `01` for `1`.
fn same_channel(one: Option<&str>, other: Option<&str>) -> bool {
    let plain = |channel: &str| channel.trim().to_ascii_lowercase();
    let number = |channel: &str| channel.trim().parse::<u64>().ok();
    match (one, other) {
        (Some(one), Some(other)) => {
            plain(one) == plain(other) || number(one).is_some_and(|one| Some(one) == number(other))
        }
        _ => one == other,
    }
}

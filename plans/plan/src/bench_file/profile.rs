//! Profiles: how an instrument is spoken to, as templates of commands, so that any instrument is described without code.

use crate::section::Section;
use std::collections::BTreeMap;

/// Something an instrument can be asked or told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Action {
    /// Who are you?
    Identify,
    /// Clear status and error queue.
    Clear,
    /// Take one entry off the error queue.
    NextError,
    /// Choose the channel that the commands after it mean.
    Select,
    /// Which channel is chosen?
    Selected,
    /// Set a voltage, V.
    SetVoltage,
    /// Read the voltage setting back, V.
    GetVoltage,
    /// Set the current limit, A.
    SetCurrent,
    /// Read the current limit back, A.
    GetCurrent,
    /// Set the over-voltage protection, V.
    SetOverVoltage,
    /// Read the over-voltage protection back, V.
    GetOverVoltage,
    /// Has a protection tripped (0 or 1)?
    Tripped,
    /// Reset a tripped protection.
    ClearTrip,
    /// Switch the output on.
    On,
    /// Switch the output off.
    Off,
    /// Is the output on (0 or 1)?
    IsOn,
    /// Measure a voltage, V.
    MeasureVoltage,
    MeasureCurrent,
    /// Set the temperature, degC.
    SetTemperature,
    /// Read the temperature setting back, degC.
    GetTemperature,
    /// Measure a temperature, degC.
    MeasureTemperature,
    /// Set the ramp, K/min.
    SetRamp,
    /// Read the ramp back, K/min.
    GetRamp,
    /// Control the temperature by the device's own sensor (a thermal head).
    ControlByDevice,
    /// Is the head down on the device (0 or 1)?
    HeadDown,
    /// Does its air or coolant flow (0 or 1)?
    Flows,
    /// Is it dry enough where it is cold (0 or 1)?
    Dry,
    /// Is the interlock (door, hood, emergency stop) closed (0 or 1)?
    InterlockClosed,
    /// Switch off by itself after so many seconds without being told this again, s.
    SetOffTimer,
}

impl Action {
    /// Every action with its key in a bench file.
    pub const ALL: [(&'static str, Action); 29] = [
        ("identify", Action::Identify),
        ("clear", Action::Clear),
        ("next_error", Action::NextError),
        ("select", Action::Select),
        ("selected", Action::Selected),
        ("set_voltage", Action::SetVoltage),
        ("get_voltage", Action::GetVoltage),
        ("set_current", Action::SetCurrent),
        ("get_current", Action::GetCurrent),
        ("set_over_voltage", Action::SetOverVoltage),
        ("get_over_voltage", Action::GetOverVoltage),
        ("tripped", Action::Tripped),
        ("clear_trip", Action::ClearTrip),
        ("on", Action::On),
        ("off", Action::Off),
        ("is_on", Action::IsOn),
        ("measure_voltage", Action::MeasureVoltage),
        ("measure_current", Action::MeasureCurrent),
        ("set_temperature", Action::SetTemperature),
        ("get_temperature", Action::GetTemperature),
        ("measure_temperature", Action::MeasureTemperature),
        ("set_ramp", Action::SetRamp),
        ("get_ramp", Action::GetRamp),
        ("control_by_device", Action::ControlByDevice),
        ("head_down", Action::HeadDown),
        ("flows", Action::Flows),
        ("dry", Action::Dry),
        ("interlock_closed", Action::InterlockClosed),
        ("set_off_timer", Action::SetOffTimer),
    ];

    /// States that must hold wherever a profile can tell them, with what is wrong where one does not.
    pub const MUST_HOLD: [(Action, &'static str); 4] = [
        (Action::HeadDown, "the head is not down on the device"),
        (Action::Flows, "its air or coolant does not flow"),
        (Action::Dry, "it is not dry enough where it is cold"),
        (Action::InterlockClosed, "its interlock is open"),
    ];

    /// The bench file's key.
    pub fn key(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    /// Does the action carry a value, so that its template needs `{value}`?
    pub fn has_value(self) -> bool {
        matches!(
            self,
            Action::SetVoltage
                | Action::SetCurrent
                | Action::SetOverVoltage
                | Action::SetTemperature
                | Action::SetRamp
                | Action::SetOffTimer
        )
    }

    /// The action that reads back what this one sets.
    pub fn read_back(self) -> Option<Action> {
        match self {
            Action::SetVoltage => Some(Action::GetVoltage),
            Action::SetCurrent => Some(Action::GetCurrent),
            Action::SetOverVoltage => Some(Action::GetOverVoltage),
            Action::SetTemperature => Some(Action::GetTemperature),
            Action::SetRamp => Some(Action::GetRamp),
            _ => None,
        }
    }

    /// Does the instrument answer?
    pub fn is_query(self) -> bool {
        !self.has_value()
            && !matches!(
                self,
                Action::Clear
                    | Action::Select
                    | Action::ClearTrip
                    | Action::On
                    | Action::Off
                    | Action::ControlByDevice
            )
    }
}

/// How an instrument is spoken to.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Name in the bench file.
    pub name: String,
    /// Template of each action: `{channel}` and `{value}` are filled in.
    pub templates: BTreeMap<Action, String>,
    /// Commands sent once after connecting, for example to take remote control.
    pub at_start: Vec<String>,
    /// Ends a message in both directions.
    pub terminator: String,
    /// Sent value = value x `scale` + `offset`, for voltages, currents, temperatures and ramps alike; answers are turned back.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// Digits after the point of a sent value.
    pub digits: usize,
    /// Text before the number of an answer, dropped.
    pub answer_prefix: String,
    /// Text after the number of an answer, dropped.
    pub answer_suffix: String,
    /// Words that mean "on" beside 1 and ON.
    pub on_words: Vec<String>,
}

/// Name of the built-in profile.
pub const BUILT_IN: &str = "SCPI-1999";

impl Profile {
    /// The built-in profile: IEEE 488.2 common commands and the SCPI-1999 subsystems SOURce, OUTPut and MEASure; channels by
    /// INSTrument:NSELect. Source: command lists of public instrument manuals; the volume itself was not read.
    pub fn scpi_1999() -> Profile {
        let templates = [
            (Action::Identify, "*IDN?"),
            (Action::Clear, "*CLS"),
            (Action::NextError, "SYST:ERR?"),
            (Action::Select, "INST:NSEL {channel}"),
            (Action::Selected, "INST:NSEL?"),
            (Action::SetVoltage, "VOLT {value}"),
            (Action::GetVoltage, "VOLT?"),
            (Action::SetCurrent, "CURR {value}"),
            (Action::GetCurrent, "CURR?"),
            (Action::SetOverVoltage, "VOLT:PROT {value}"),
            (Action::GetOverVoltage, "VOLT:PROT?"),
            (Action::Tripped, "VOLT:PROT:TRIP?"),
            (Action::ClearTrip, "VOLT:PROT:CLE"),
            (Action::On, "OUTP ON"),
            (Action::Off, "OUTP OFF"),
            (Action::IsOn, "OUTP?"),
            (Action::MeasureVoltage, "MEAS:VOLT?"),
            (Action::MeasureCurrent, "MEAS:CURR?"),
            (Action::SetTemperature, "SOUR:TEMP:SPO {value}"),
            (Action::GetTemperature, "SOUR:TEMP:SPO?"),
            (Action::MeasureTemperature, "MEAS:TEMP?"),
        ];
        Profile {
            name: BUILT_IN.into(),
            templates: templates.into_iter().map(|(action, text)| (action, text.to_string())).collect(),
            at_start: Vec::new(),
            terminator: "\n".into(),
            scale: 1.0,
            offset: 0.0,
            digits: 4,
            answer_prefix: String::new(),
            answer_suffix: String::new(),
            on_words: Vec::new(),
        }
    }

    /// The command of an action, or `None` where the instrument has none.
    pub fn command(&self, action: Action, channel: Option<&str>, value: Option<f64>) -> Option<String> {
        let template = self.templates.get(&action)?;
        let mut text = template.replace("{channel}", channel.unwrap_or_default());
        if let Some(value) = value {
            let sent = value * self.scale + self.offset;
            text = text.replace("{value}", &format!("{sent:.*}", self.digits));
        }
        Some(text)
    }

    /// Does a channel have to be selected before an action? Where the template names it itself, no.
    pub fn needs_select(&self, action: Action) -> bool {
        let common = matches!(
            action,
            Action::Identify | Action::Clear | Action::NextError | Action::Select | Action::Selected
        );
        !common
            && self.templates.contains_key(&Action::Select)
            && !self.templates.get(&action).is_some_and(|text| text.contains("{channel}"))
    }
}

/// Reads `[[profile]]` tables; each starts from the built-in profile or, with `based_on = "nothing"`, empty.
pub(super) fn read_profiles(sections: Vec<Section<'_>>) -> Vec<Profile> {
    let mut profiles = vec![Profile::scpi_1999()];
    for section in sections {
        let name = section.required_text("name", "my supply");
        let empty = section.choice("based_on", &[(BUILT_IN, false), ("nothing", true)]).unwrap_or(false);
        let mut profile = Profile::scpi_1999();
        if empty {
            profile.templates.clear();
        }
        for (key, action) in Action::ALL {
            if let Some(text) = section.text(key) {
                if text.value == "none" {
                    profile.templates.remove(&action);
                    continue;
                }
                if action.has_value() && !text.value.contains("{value}") {
                    section.mistake(
                        key,
                        format!("`{key}` in {} is `{}`, without `{{value}}`", section.title, text.value),
                        "write `{value}` where the number goes",
                    );
                }
                if !action.has_value() && text.value.contains("{value}") {
                    section.mistake(
                        key,
                        format!("`{key}` in {} has no value to send", section.title),
                        "remove `{value}`",
                    );
                }
                if text.value.contains(['\n', '\r']) {
                    section.mistake(
                        key,
                        format!("`{key}` in {} holds a line end", section.title),
                        "one command a template; `terminator` ends it",
                    );
                }
                profile.templates.insert(action, text.value);
            }
        }
        // The question belongs to the command that it was written with.
        if section.has("select") && !section.has("selected") {
            profile.templates.remove(&Action::Selected);
        }
        let told: Vec<(&'static str, &String)> = Action::ALL
            .iter()
            .filter(|(_, action)| !action.is_query())
            .filter_map(|(key, action)| profile.templates.get(action).map(|text| (*key, text)))
            .collect();
        for (at, (key, text)) in told.iter().enumerate() {
            if let Some((other, _)) = told[..at].iter().find(|(_, other)| meaning(other) == meaning(text)) {
                section.mistake(
                    key,
                    format!("`{key}` in {} is `{text}`, the same as `{other}`", section.title),
                    "one of them would do the other's work",
                );
            }
        }
        let template = |action| profile.templates.get(&action);
        if let (Some(set), Some(measure)) = (template(Action::SetVoltage), template(Action::MeasureVoltage))
            && header(measure).strip_suffix('?') == Some(&header(set))
        {
            section.mistake(
                "measure_voltage",
                format!("`measure_voltage` in {} is `{measure}`: it reads back what `{set}` set", section.title),
                "name the query that measures, such as `MEAS:VOLT?`: nothing counts as off before it was measured",
            );
        }
        if let Some(commands) = section.texts("at_start") {
            profile.at_start = commands.into_iter().map(|text| text.value).collect();
        }
        let ends = [("LF", "\n"), ("CR", "\r"), ("CR LF", "\r\n")];
        if let Some(end) = section.choice("terminator", &ends) {
            profile.terminator = end.to_string();
        }
        if let Some(scale) = section.number("scale", -1e6..=1e6, "") {
            if scale == 0.0 {
                section.mistake(
                    "scale",
                    format!("`scale` in {} is 0", section.title),
                    "write 1.0 or remove it",
                );
            } else {
                profile.scale = scale;
            }
        }
        if let Some(offset) = section.number("offset", -1e6..=1e6, "") {
            profile.offset = offset;
        }
        if let Some(digits) = section.whole("digits", 0..=9, "digits") {
            profile.digits = usize::try_from(digits).unwrap_or(4);
        }
        if let Some(text) = section.text("answer_prefix") {
            profile.answer_prefix = text.value;
        }
        if let Some(text) = section.text("answer_suffix") {
            profile.answer_suffix = text.value;
        }
        if let Some(words) = section.texts("on_words") {
            profile.on_words = words.into_iter().map(|text| text.value).collect();
        }
        if let Some(name) = name {
            if profiles.iter().any(|known| known.name == name.value) {
                section.mistake(
                    "name",
                    format!("{} has the name of an earlier profile", section.title),
                    "give it another name",
                );
            }
            profile.name = name.value;
            profiles.push(profile);
        }
        section.finish();
    }
    profiles
}

/// A command as an instrument takes it: letters alike, ON is 1, OFF is 0 (SCPI-1999, 7.3).
fn meaning(command: &str) -> String {
    let words = command.to_ascii_uppercase();
    let plain = |word: &str| match word {
        "ON" => "1".to_string(),
        "OFF" => "0".to_string(),
        other => other.to_string(),
    };
    words
        .split(|c: char| c.is_whitespace() || c == ',')
        .filter(|word| !word.is_empty())
        .map(plain)
        .collect::<Vec<_>>()
        .join(" ")
}

/// What a command begins with, letters alike.
fn header(command: &str) -> String {
    command.split_whitespace().next().unwrap_or_default().to_ascii_uppercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn templates_are_filled_in() {
        let profile = Profile::scpi_1999();
        assert_eq!(profile.command(Action::SetVoltage, None, Some(1.2)).unwrap(), "VOLT 1.2000");
        assert_eq!(profile.command(Action::Select, Some("2"), None).unwrap(), "INST:NSEL 2");
        assert!(profile.needs_select(Action::SetVoltage));
        assert!(!profile.needs_select(Action::Identify));
        assert!(profile.command(Action::SetRamp, None, Some(1.0)).is_none());
    }

    #[test]
    fn every_action_has_its_own_key() {
        for (index, (key, action)) in Action::ALL.iter().enumerate() {
            assert_eq!(*action as usize, index);
            assert_eq!(action.key(), *key);
        }
    }
}

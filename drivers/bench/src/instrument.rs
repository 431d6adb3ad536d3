//! One instrument: told and asked through its profile, identified at every connection, verified after every fault.

use super::answers;
use super::command_log::CommandLog;
use super::custody::Custody;
use super::wire::{self, Wire, WireError};
use contract::{Call, DriverError, FaultKind, Part};
use plan::bench_file::{Action, Instrument as Spec};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Times a read is tried, each on a fresh connection.
const READ_TRIES: u32 = 3;
/// Longest that a silent instrument's status byte is waited for.
const STATUS_LIMIT: Duration = Duration::from_millis(300);
/// Answers that failed to come in a row, each over a fresh connection, after which an instrument counts as silent: one alone decides
/// nothing, and every further one is time in which nobody knows what is on.
const SILENT_AFTER: u32 = 2;
/// Most entries taken off an error queue.
const MOST_ERRORS: usize = 32;

/// The place of an instrument's one connection, shared with the safety handle, which may take it away.
#[derive(Default)]
pub struct Slot {
    taken_over: AtomicBool,
    wire: Mutex<Option<Box<dyn Wire>>>,
}

impl Slot {
    fn wire(&self) -> MutexGuard<'_, Option<Box<dyn Wire>>> {
        self.wire.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends the present conversation within about a read slice and closes the connection; whoever held it fails
    /// from now on. Returns whether the connection was free or given up in time.
    pub(super) fn take_over(&self, limit: Duration) -> bool {
        self.taken_over.store(true, Ordering::SeqCst);
        let end = Instant::now() + limit;
        loop {
            if let Ok(mut wire) = self.wire.try_lock() {
                *wire = None;
                return true;
            }
            if Instant::now() > end {
                return false;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

pub struct Instrument {
    /// Its entry in the bench file.
    pub spec: Spec,
    slot: Arc<Slot>,
    log: CommandLog,
    identity: Option<String>,
    set_points: BTreeMap<(Action, Option<String>), f64>,
    outputs: BTreeMap<Option<String>, bool>,
    selected: Option<String>,
    custody: Option<Custody>,
    /// Answers in a row that did not come.
    unanswered: u32,
    dry: bool,
}

impl Instrument {
    /// An instrument not yet connected. `dry`: commands are logged, nothing is opened.
    pub fn new(spec: Spec, log: CommandLog, dry: bool) -> Instrument {
        Instrument {
            spec,
            slot: Arc::new(Slot::default()),
            log,
            identity: None,
            set_points: BTreeMap::new(),
            outputs: BTreeMap::new(),
            selected: None,
            custody: None,
            unanswered: 0,
            dry,
        }
    }

    /// From now on nothing is switched on, raised or heated against a latched alarm, or after the bench was made safe
    /// from outside.
    pub(super) fn obey(&mut self, custody: Custody) {
        self.custody = Some(custody);
    }

    /// The place of its connection.
    pub(super) fn slot(&self) -> Arc<Slot> {
        Arc::clone(&self.slot)
    }

    /// Is nothing ever opened?
    pub(super) fn is_dry(&self) -> bool {
        self.dry
    }

    /// Does it not answer any more?
    pub(super) fn is_silent(&self) -> bool {
        self.unanswered >= SILENT_AFTER
    }

    /// Has the profile this action?
    pub fn has(&self, action: Action) -> bool {
        self.spec.profile.templates.contains_key(&action)
    }

    /// What it answered to "who are you?".
    pub fn identity(&self) -> Option<&str> {
        self.identity.as_deref()
    }

    /// Forgets set points, so that a reconnect expects nothing: for a bench whose state is to be set anew.
    pub fn forget(&mut self) {
        self.set_points.clear();
        self.outputs.clear();
    }

    /// Writes a remark into the log.
    pub(super) fn remark(&self, words: &str) {
        self.log.note(&self.spec.name, '-', words);
    }

    /// Closes the connection.
    pub fn close(&mut self) {
        *self.slot.wire() = None;
        self.selected = None;
    }

    fn fault(&self, kind: FaultKind, words: impl std::fmt::Display) -> DriverError {
        DriverError::new(kind, format!("{}: {words}", self.spec.name)).at(Part::Instrument)
    }

    /// Opens, identifies, clears, and verifies what was set before.
    ///
    /// # Errors
    /// It cannot be reached, is another instrument, or lost its settings.
    pub fn connect(&mut self, call: &Call) -> Result<(), DriverError> {
        if self.slot.taken_over.load(Ordering::SeqCst) {
            return Err(self.fault(FaultKind::TakenOver, "nothing more is sent"));
        }
        if self.dry {
            if self.identity.is_none() {
                self.log.note(&self.spec.name, '-', &format!("open {}", self.spec.transport.describe()));
                self.identity = Some(self.spec.identity.clone());
                for text in self.spec.profile.at_start.clone() {
                    self.log.note(&self.spec.name, '>', &text);
                }
                for action in [Action::Identify, Action::Clear] {
                    if let Some(text) = self.spec.profile.command(action, None, None) {
                        self.log.note(&self.spec.name, '>', &text);
                    }
                }
            }
            return Ok(());
        }
        if self.slot.wire().is_some() {
            return Ok(());
        }
        let limit = Duration::from_secs_f64(self.spec.time_out_s);
        self.log.note(&self.spec.name, '-', &format!("open {}", self.spec.transport.describe()));
        let wire =
            wire::open(&self.spec.transport, &self.spec.profile.terminator, limit).map_err(|error| {
                self.unanswered += 1;
                self.wire_fault(&error, "opening")
            })?;
        *self.slot.wire() = Some(wire);
        self.selected = None;
        let opened = self.greet(call);
        if opened.is_err() {
            self.close();
        }
        opened
    }

    fn greet(&mut self, call: &Call) -> Result<(), DriverError> {
        for text in self.spec.profile.at_start.clone() {
            self.send(&text)?;
        }
        let question =
            self.spec.profile.command(Action::Identify, None, None).unwrap_or_else(|| "*IDN?".into());
        let mut answer = self.exchange(&question, call)?;
        let stranger = |own: &Instrument, answer: &str| match &own.identity {
            _ if !answer.contains(&own.spec.identity) => {
                Some(format!("expected `{}` in it", own.spec.identity))
            }
            Some(before) if before != answer => Some(format!("it was `{before}` before")),
            _ => None,
        };
        if stranger(self, &answer).is_some() {
            // A single answer decides nothing.
            answer = self.exchange(&question, call)?;
        }
        if let Some(words) = stranger(self, &answer) {
            return Err(self.fault(
                FaultKind::WrongInstrument,
                format!("answers as `{answer}`; {words}. Check cabling and `identity` in the bench file"),
            ));
        }
        self.identity = Some(answer);
        if let Some(text) = self.spec.profile.command(Action::Clear, None, None) {
            self.send(&text)?;
        }
        self.verify_state(call)
    }

    /// After a reconnect: are all set points and outputs what they were?
    fn verify_state(&mut self, call: &Call) -> Result<(), DriverError> {
        for ((action, channel), value) in self.set_points.clone() {
            let Some(get) = action.read_back().filter(|get| self.has(*get)) else { continue };
            let found = self.ask_once(get, channel.as_deref(), call)?;
            if !self.same(found, value) {
                self.forget();
                return Err(self.fault(
                    FaultKind::SettingsLost,
                    format!("{} is {found} after a lost connection, it was set to {value}", get.key()),
                ));
            }
        }
        if self.has(Action::IsOn) {
            for (channel, on) in self.outputs.clone() {
                if self.read_switch(Action::IsOn, channel.as_deref(), call)? != on {
                    self.forget();
                    let word = if on { "off" } else { "on" };
                    return Err(self.fault(
                        FaultKind::SettingsLost,
                        format!("the output is {word} after a lost connection"),
                    ));
                }
            }
        }
        Ok(())
    }

    fn same(&self, found: f64, asked: f64) -> bool {
        let step = 10f64.powi(-i32::try_from(self.spec.profile.digits).unwrap_or(4));
        (found - asked).abs() <= step / self.spec.profile.scale.abs() + 2e-3 * asked.abs()
    }

    fn wire_fault(&self, error: &WireError, doing: &str) -> DriverError {
        match error {
            WireError::TimeOut(came) => self.fault(
                FaultKind::TimeOut,
                format!(
                    "no whole answer within {} s ({doing}); {}",
                    self.spec.time_out_s,
                    answers::unfinished(came, &self.spec)
                ),
            ),
            WireError::Closed(words) => self.fault(FaultKind::Communication, format!("{words} ({doing})")),
            WireError::Garbled(words) => self.fault(FaultKind::Protocol, format!("{words} ({doing})")),
            WireError::Stopped => self.fault(FaultKind::TakenOver, format!("nothing more is sent ({doing})")),
        }
    }

    fn send(&mut self, text: &str) -> Result<(), DriverError> {
        if self.spec.pace_s > 0.0 {
            std::thread::sleep(Duration::from_secs_f64(self.spec.pace_s));
        }
        self.log.note(&self.spec.name, '>', text);
        let message = format!("{text}{}", self.spec.profile.terminator);
        let mut wire = self.slot.wire();
        let sent = match wire.as_mut() {
            Some(open) => open.send(message.as_bytes()),
            None => Err(WireError::Closed("the connection is closed".into())),
        };
        if sent.is_err() {
            *wire = None;
        }
        drop(wire);
        sent.map_err(|error| self.wire_fault(&error, text))
    }

    /// Sends a question and receives its answer; the connection is closed after any fault.
    fn exchange(&mut self, text: &str, call: &Call) -> Result<String, DriverError> {
        self.send(text)?;
        let own = Instant::now() + Duration::from_secs_f64(self.spec.time_out_s);
        // A call that is over still waits for this answer's own time: an unread answer would be out of step.
        let deadline = if call.deadline > Instant::now() { own.min(call.deadline) } else { own };
        let mut wire = self.slot.wire();
        let answer = match wire.as_mut() {
            Some(open) => open.receive(deadline, &|| self.slot.taken_over.load(Ordering::SeqCst)),
            None => Err(WireError::Closed("the connection is closed".into())),
        };
        if let Err(error) = &answer {
            let soon = Instant::now() + STATUS_LIMIT;
            let silent = matches!(error, WireError::TimeOut(_));
            if let Some(status) = wire.as_mut().filter(|_| silent).and_then(|open| open.status_byte(soon)) {
                self.log.note(
                    &self.spec.name,
                    '-',
                    &format!("status byte {status}: {}", answers::status(status)),
                );
            }
            *wire = None;
        }
        drop(wire);
        match &answer {
            Ok(answer) => {
                self.unanswered = 0;
                self.log.note(&self.spec.name, '<', answer);
            }
            Err(error) => {
                self.unanswered += u32::from(*error != WireError::Stopped);
                self.log.note(&self.spec.name, '-', &self.wire_fault(error, text).words);
            }
        }
        answer.map_err(|error| self.wire_fault(&error, text))
    }

    /// Chooses a channel, and makes sure that it was chosen: what comes next would else reach the one chosen before.
    fn select(&mut self, action: Action, channel: Option<&str>, call: &Call) -> Result<(), DriverError> {
        let Some(channel) = channel else { return Ok(()) };
        if !self.spec.profile.needs_select(action) || self.selected.as_deref() == Some(channel) {
            return Ok(());
        }
        if let Some(text) = self.spec.profile.command(Action::Select, Some(channel), None) {
            if self.dry {
                self.log.note(&self.spec.name, '>', &text);
                if let Some(question) = self.spec.profile.command(Action::Selected, None, None) {
                    self.log.note(&self.spec.name, '>', &question);
                }
            } else {
                self.selected = None;
                self.send(&text)?;
                // An entry may be older than the choice, and a choice may be lost: made once more, it tells.
                if let Err(error) = self.is_chosen(&text, channel, call) {
                    if !matches!(error.kind, FaultKind::Instrument(_) | FaultKind::Interlock) {
                        return Err(error);
                    }
                    self.log.note(&self.spec.name, '-', &error.to_string());
                    self.send(&text)?;
                    self.is_chosen(&text, channel, call)?;
                }
            }
        }
        self.selected = Some(channel.to_string());
        Ok(())
    }

    /// Was the choice of a channel taken, as far as the instrument can tell?
    fn is_chosen(&mut self, text: &str, channel: &str, call: &Call) -> Result<(), DriverError> {
        self.empty_error_queue(text, call)?;
        let Some(question) = self.spec.profile.command(Action::Selected, Some(channel), None) else {
            return Ok(());
        };
        let answer = self.exchange(&question, call)?;
        let number = |text: &str| text.trim().parse::<f64>().ok();
        let same = answer.trim().eq_ignore_ascii_case(channel.trim())
            || number(&answer).is_some_and(|found| Some(found) == number(channel));
        if same {
            return Ok(());
        }
        Err(self.fault(
            FaultKind::Interlock,
            format!("`{text}` was sent, but `{question}` answers `{answer}`: what comes next would reach that channel"),
        ))
    }

    /// Sends a command to what does not answer: it may hear all the same. Proves nothing.
    pub(super) fn tell_unheard(&mut self, action: Action, channel: Option<&str>, value: Option<f64>) {
        let limit = Duration::from_secs_f64(self.spec.time_out_s);
        let Ok(mut wire) = wire::open(&self.spec.transport, &self.spec.profile.terminator, limit) else {
            return;
        };
        let select =
            channel.and_then(|channel| self.spec.profile.command(Action::Select, Some(channel), None));
        let select = select.filter(|_| self.spec.profile.needs_select(action));
        let command = self.spec.profile.command(action, channel, value);
        for text in self.spec.profile.at_start.iter().cloned().chain(select).chain(command) {
            self.log.note(&self.spec.name, '>', &format!("{text} (without an answer)"));
            if wire.send(format!("{text}{}", self.spec.profile.terminator).as_bytes()).is_err() {
                return;
            }
            std::thread::sleep(Duration::from_secs_f64(self.spec.pace_s));
        }
    }

    fn command(
        &self,
        action: Action,
        channel: Option<&str>,
        value: Option<f64>,
    ) -> Result<String, DriverError> {
        self.spec.profile.command(action, channel, value).ok_or_else(|| {
            self.fault(
                FaultKind::Unsupported,
                format!("its profile `{}` has no `{}`", self.spec.profile.name, action.key()),
            )
        })
    }

    /// Sends a command once, empties the error queue, and reads back what was set. Never retried.
    ///
    /// # Errors
    /// Transport faults; the instrument's own error; a read-back that differs.
    pub fn tell(
        &mut self,
        action: Action,
        channel: Option<&str>,
        value: Option<f64>,
        call: &Call,
    ) -> Result<(), DriverError> {
        if value.is_some_and(|value| !value.is_finite()) {
            return Err(
                self.fault(FaultKind::OutOfRange, format!("{}: the value is no number", action.key()))
            );
        }
        if let Some(custody) = &self.custody
            && (action == Action::On || value.is_some())
        {
            custody.may_switch_on().map_err(|error| self.fault(error.kind, error.words))?;
        }
        self.connect(call)?;
        self.select(action, channel, call)?;
        let text = self.command(action, channel, value)?;
        if self.dry {
            self.log.note(&self.spec.name, '>', &text);
            for follow in [Action::NextError].into_iter().chain(action.read_back()) {
                if let Some(text) = self.spec.profile.command(follow, channel, None) {
                    self.log.note(&self.spec.name, '>', &text);
                }
            }
            return Ok(());
        }
        let key = (action, channel.map(str::to_string));
        if let Some(value) = value {
            self.set_points.insert(key, value);
        }
        let told = self.tell_and_check(&text, action, channel, value, call);
        if told.is_err() {
            // Nobody knows whether the command arrived: the state must be set anew.
            self.forget();
        }
        told
    }

    fn tell_and_check(
        &mut self,
        text: &str,
        action: Action,
        channel: Option<&str>,
        value: Option<f64>,
        call: &Call,
    ) -> Result<(), DriverError> {
        self.send(text)?;
        let verifiable = action.read_back().is_some_and(|get| self.has(get))
            || matches!(action, Action::On | Action::Off) && self.has(Action::IsOn);
        match self.empty_error_queue(text, call) {
            // The command is not sent again: reading back on a fresh connection shows whether it arrived.
            Err(error) if verifiable && error.kind.is_of_conversation() => {
                self.log.note(&self.spec.name, '-', &format!("verify by reading back: {error}"));
            }
            other => other?,
        }
        if let (Some(value), Some(get)) = (value, action.read_back().filter(|get| self.has(*get))) {
            let found = self.retried(call, |own| own.ask_once(get, channel, call))?;
            if !self.same(found, value) {
                return Err(self.fault(
                    FaultKind::OutOfRange,
                    format!("`{text}` was sent, but {} answers {found}", get.key()),
                ));
            }
        }
        if matches!(action, Action::On | Action::Off) {
            let wanted = action == Action::On;
            self.outputs.insert(channel.map(str::to_string), wanted);
            if self.has(Action::IsOn)
                && self.retried(call, |own| own.read_switch(Action::IsOn, channel, call))? != wanted
            {
                return Err(self.fault(
                    FaultKind::Interlock,
                    format!("`{text}` was sent, but the output does not follow"),
                ));
            }
        }
        Ok(())
    }

    fn empty_error_queue(&mut self, after: &str, call: &Call) -> Result<(), DriverError> {
        let Some(question) = self.spec.profile.command(Action::NextError, None, None) else { return Ok(()) };
        let mut first = None;
        for _ in 0..MOST_ERRORS {
            let answer = self.exchange(&question, call)?;
            let (code, words) = answers::error_entry(&answer).map_err(|error| {
                self.close();
                self.fault(error.kind, error.words)
            })?;
            if code == 0 {
                return match first {
                    None => Ok(()),
                    Some((code, words)) => Err(self.fault(
                        FaultKind::Instrument(code),
                        format!("after `{after}`: {code} {} ({words})", answers::error_name(code)),
                    )),
                };
            }
            first.get_or_insert((code, words));
        }
        self.close();
        Err(self.fault(FaultKind::Protocol, "the error queue never ends"))
    }

    fn ask_once(&mut self, action: Action, channel: Option<&str>, call: &Call) -> Result<f64, DriverError> {
        self.select(action, channel, call)?;
        let text = self.command(action, channel, None)?;
        let answer = self.exchange(&text, call)?;
        answers::number(&answer, &self.spec.profile).map_err(|error| {
            // After an answer that makes no sense question and answer may be out of step.
            self.close();
            self.fault(error.kind, format!("{}: {}", action.key(), error.words))
        })
    }

    fn read_switch(
        &mut self,
        action: Action,
        channel: Option<&str>,
        call: &Call,
    ) -> Result<bool, DriverError> {
        self.select(action, channel, call)?;
        let text = self.command(action, channel, None)?;
        let answer = self.exchange(&text, call)?;
        answers::switch(&answer, &self.spec.profile).map_err(|error| {
            self.close();
            self.fault(error.kind, format!("{}: {}", action.key(), error.words))
        })
    }

    fn retried<T>(
        &mut self,
        call: &Call,
        mut read: impl FnMut(&mut Instrument) -> Result<T, DriverError>,
    ) -> Result<T, DriverError> {
        let mut tries = 0;
        loop {
            tries += 1;
            let result = self.connect(call).and_then(|()| read(self));
            match result {
                Err(error) if tries < READ_TRIES && !self.is_silent() && error.kind.is_of_conversation() => {
                    call.check(&format!("reading {}", self.spec.name))?;
                    self.log.note(&self.spec.name, '-', &format!("read again ({tries}): {error}"));
                    std::thread::sleep(Duration::from_millis(10));
                }
                other => return other,
            }
        }
    }

    /// Asks for a number; a failed read is tried again on a fresh connection. `expected` is the answer of a dry run.
    ///
    /// # Errors
    /// The last fault; a lost setting.
    pub fn ask(
        &mut self,
        action: Action,
        channel: Option<&str>,
        expected: f64,
        call: &Call,
    ) -> Result<f64, DriverError> {
        if self.dry {
            self.connect(call)?;
            self.select(action, channel, call)?;
            self.log.note(&self.spec.name, '>', &self.command(action, channel, None)?);
            return Ok(expected);
        }
        self.retried(call, |own| own.ask_once(action, channel, call))
    }

    /// Asks a yes/no question, as [`Instrument::ask`].
    ///
    /// # Errors
    /// As [`Instrument::ask`].
    pub fn ask_switch(
        &mut self,
        action: Action,
        channel: Option<&str>,
        expected: bool,
        call: &Call,
    ) -> Result<bool, DriverError> {
        if self.dry {
            self.connect(call)?;
            self.select(action, channel, call)?;
            self.log.note(&self.spec.name, '>', &self.command(action, channel, None)?);
            return Ok(expected);
        }
        self.retried(call, |own| own.read_switch(action, channel, call))
    }
}

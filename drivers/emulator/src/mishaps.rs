//! Single mishaps: one command that is not heard, one answer that is wrong, chosen by its number among all messages.

/// What goes wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Mishap {
    /// The command of this number (from 0) is lost on its way.
    LostCommand(u64),
    /// The question of this number (from 0) is answered by this text.
    OddAnswer(u64, String),
}

/// Counts the messages to all instruments and spoils one.
#[derive(Debug, Clone, Default)]
pub struct Mishaps {
    /// What is to go wrong.
    pub next: Option<Mishap>,
    /// Commands so far.
    pub commands: u64,
    /// Questions so far.
    pub questions: u64,
    /// The message that was spoiled.
    pub spoiled: Option<String>,
}

/// What becomes of a message.
pub(super) enum Fate {
    Heard,
    Lost,
    Answered(String),
}

impl Mishaps {
    /// A message arrives.
    pub(super) fn of(&mut self, message: &str) -> Fate {
        let question = message.contains('?');
        let number = if question { &mut self.questions } else { &mut self.commands };
        let at = *number;
        *number += 1;
        let fate = match &self.next {
            Some(Mishap::LostCommand(which)) if !question && *which == at => Fate::Lost,
            Some(Mishap::OddAnswer(which, text)) if question && *which == at => Fate::Answered(text.clone()),
            _ => return Fate::Heard,
        };
        self.spoiled = Some(message.into());
        fate
    }
}

//! Exit codes of the program: documented, stable, one test each.

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// The command worked; of a run: every verdict passes.
    Pass,
    /// Complete, and something does not pass (a conditional pass is not a pass).
    NotAllPass,
    /// Usage or plan invalid; nothing was touched.
    Invalid,
    /// Incomplete: something was not measured.
    Incomplete,
    /// The selection is empty.
    NothingSelected,
    /// The bench refused before the start.
    BenchRefused,
    /// Something could not be made safe: outranks every other code.
    NotSafe,
    /// The store could not be read or written.
    Store,
    /// Stopped by the interrupt signal, after a safe stop.
    Interrupted,
    /// Stopped by the terminate signal, after a safe stop.
    Terminated,
    /// Stopped by another signal of this number, after a safe stop.
    Signal(u8),
}

impl Exit {
    /// The number the shell sees.
    pub fn code(self) -> u8 {
        match self {
            Exit::Pass => 0,
            Exit::NotAllPass => 1,
            Exit::Invalid => 2,
            Exit::Incomplete => 3,
            Exit::NothingSelected => 4,
            Exit::BenchRefused => 5,
            Exit::NotSafe => 6,
            Exit::Store => 74,
            Exit::Interrupted => 130,
            Exit::Terminated => 143,
            Exit::Signal(number) => 128 + (number & 0x7f),
        }
    }
}

/// A command that could not do its work: the words for the terminal and the exit code.
#[derive(Debug)]
pub struct Failure {
    /// How the program ends.
    pub exit: Exit,
    /// What went wrong and what to do; may hold several lines.
    pub words: String,
}

impl Failure {
    pub fn new(exit: Exit, words: impl Into<String>) -> Failure {
        Failure { exit, words: words.into() }
    }
    /// Usage or plan invalid.
    pub fn invalid(words: impl Into<String>) -> Failure {
        Failure::new(Exit::Invalid, words)
    }
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.words)
    }
}

impl std::error::Error for Failure {}

/// What a command gives back: its exit code, or why it failed.
pub type Outcome = Result<Exit, Failure>;

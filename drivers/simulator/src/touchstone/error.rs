//! A refused Touchstone file: the line and what is wrong there.

use std::fmt;

/// Why a file is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TouchstoneError {
    /// Line in the file, counted from 1; 0 where the whole file is meant.
    pub line: usize,
    /// What is wrong, its value, what is allowed and what to do.
    pub message: String,
}

impl TouchstoneError {
    pub(super) fn at(line: usize, message: impl Into<String>) -> Self {
        TouchstoneError { line, message: message.into() }
    }
}

impl fmt::Display for TouchstoneError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.line > 0 {
            write!(f, "line {}: ", self.line)?;
        }
        f.write_str(&self.message)
    }
}

impl std::error::Error for TouchstoneError {}

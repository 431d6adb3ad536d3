//! A refused SPD image: which byte, its value, what is allowed, what to do.

use std::fmt;
use std::ops::RangeInclusive;

/// Why an SPD image is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpdError {
    /// The bytes at fault, counted from 0.
    pub bytes: RangeInclusive<usize>,
    /// Name of the field in them.
    pub field: &'static str,
    /// Their value, and its meaning where it has one.
    pub value: String,
    /// What is allowed there.
    pub allowed: String,
    /// What to do about it.
    pub remedy: String,
}

/// The remedy where a field of an intact image makes no sense.
pub(super) const READ_AGAIN: &str =
    "read the module again; if the value stays, write its [[module]] entry by hand";

impl SpdError {
    /// A fault at one byte, with the usual remedy.
    pub(super) fn at(
        byte: usize,
        field: &'static str,
        value: impl Into<String>,
        allowed: impl Into<String>,
    ) -> SpdError {
        SpdError::over(byte..=byte, field, value, allowed, READ_AGAIN)
    }

    /// A fault over a range of bytes.
    pub(super) fn over(
        bytes: RangeInclusive<usize>,
        field: &'static str,
        value: impl Into<String>,
        allowed: impl Into<String>,
        remedy: impl Into<String>,
    ) -> SpdError {
        SpdError { bytes, field, value: value.into(), allowed: allowed.into(), remedy: remedy.into() }
    }
}

impl fmt::Display for SpdError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.bytes.start() == self.bytes.end() {
            write!(f, "byte {}", self.bytes.start())?;
        } else {
            write!(f, "bytes {} to {}", self.bytes.start(), self.bytes.end())?;
        }
        write!(f, " ({}): {}; allowed: {}; {}", self.field, self.value, self.allowed, self.remedy)
    }
}

impl std::error::Error for SpdError {}

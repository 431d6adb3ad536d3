//! Measured channels from Touchstone files: versions 1.x and 2.0, one to four ports.
//!
//! [`read`] turns a file's bytes into scattering matrices on 50 ohm, whatever parameter, format and reference impedance
//! the file uses. [`PortPairing`](nightbench_core::devices::PortPairing) names the through paths of a four-port (the format does not), [`Through`] is one of them
//! with the other ports terminated, and becomes the physics' [`MeasuredTwoPort`](super::physics::MeasuredTwoPort).
//! [`check_data`] and [`check_through`] say what is doubtful about the data. No file is opened here.
//!
//! The format follows the IBIS Open Forum's Touchstone file format, versions 1.1 and 2.0, as far as a channel needs it:
//! no mixed-mode ports, no complex reference, at most four ports.

mod checks;
mod convert;
mod error;
mod header;
mod matrix;
mod read;
mod through;

#[cfg(test)]
mod tests;

pub use checks::{Warning, check_data, check_through};
pub use error::TouchstoneError;
pub use header::{Format, Parameter};
pub use matrix::Matrix;
pub use read::{check_size, ports_in_name, read};
pub use through::Through;

/// Reference impedance that every file is brought to, ohm.
pub const REFERENCE_OHM: f64 = 50.0;
/// Most ports that are read.
pub const MOST_PORTS: usize = 4;
/// Largest file that is read, bytes.
pub const MOST_BYTES: u64 = 64 << 20;
/// Most frequencies that are read.
pub const MOST_POINTS: usize = 200_000;
/// Highest frequency that is believed, Hz.
pub const HIGHEST_HZ: f64 = 1e13;

/// A network read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Touchstone {
    /// Version of the format as declared: `1` where the file declares none.
    pub version: String,
    /// Parameter that the file holds.
    pub parameter: Parameter,
    /// Format of its complex numbers.
    pub format: Format,
    /// Ports, 1 to [`MOST_PORTS`].
    pub ports: usize,
    /// Reference impedance of each port in the file, ohm.
    pub file_reference_ohm: Vec<f64>,
    /// Frequencies, Hz, ascending.
    pub frequency_hz: Vec<f64>,
    /// Scattering matrix at each frequency on [`REFERENCE_OHM`].
    pub scattering: Vec<Matrix>,
    /// Points of the noise block, which is read past.
    pub noise_points: usize,
    /// Oddities of the file that do not change its numbers, each with its line.
    pub remarks: Vec<String>,
}

impl Touchstone {
    /// Facts for a person: name and value of each, in reading order.
    #[must_use]
    pub fn facts(&self) -> Vec<(&'static str, String)> {
        let first = self.frequency_hz.first().copied().unwrap_or(0.0);
        let last = self.frequency_hz.last().copied().unwrap_or(0.0);
        let references: Vec<String> = self.file_reference_ohm.iter().map(f64::to_string).collect();
        let mut references = references.join(", ");
        if self.file_reference_ohm.windows(2).all(|pair| pair[0] == pair[1]) {
            references = self.file_reference_ohm.first().copied().unwrap_or(REFERENCE_OHM).to_string();
        }
        vec![
            ("format version", self.version.clone()),
            ("parameter", format!("{} as {}", self.parameter.name(), self.format.name())),
            ("ports", self.ports.to_string()),
            (
                "frequencies",
                format!("{} from {} GHz to {} GHz", self.frequency_hz.len(), first / 1e9, last / 1e9),
            ),
            ("reference", format!("{references} ohm in the file, brought to {REFERENCE_OHM} ohm")),
        ]
    }
}

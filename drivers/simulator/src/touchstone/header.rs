//! The option line and the keywords of a Touchstone file.

use super::error::TouchstoneError;
use super::{MOST_POINTS, MOST_PORTS};
use rustfft::num_complex::Complex64;

/// Network parameter that a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// Scattering.
    S,
    /// Admittance.
    Y,
    /// Impedance.
    Z,
    /// Inverse hybrid (two-port).
    G,
    /// Hybrid (two-port).
    H,
}

impl Parameter {
    /// The format's letter.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Parameter::S => "S",
            Parameter::Y => "Y",
            Parameter::Z => "Z",
            Parameter::G => "G",
            Parameter::H => "H",
        }
    }
}

/// How a file writes a complex number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Magnitude and angle in degrees (MA).
    MagnitudeAngle,
    /// Magnitude in dB (20 log10) and angle in degrees (DB).
    DecibelAngle,
    /// Real and imaginary part (RI).
    RealImaginary,
}

impl Format {
    /// The format's two letters.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Format::MagnitudeAngle => "MA",
            Format::DecibelAngle => "DB",
            Format::RealImaginary => "RI",
        }
    }

    pub(super) fn complex(self, first: f64, second: f64) -> Complex64 {
        match self {
            Format::MagnitudeAngle => Complex64::from_polar(first, second.to_radians()),
            Format::DecibelAngle => Complex64::from_polar(10f64.powf(first / 20.0), second.to_radians()),
            Format::RealImaginary => Complex64::new(first, second),
        }
    }
}

/// The option line (`#`).
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Options {
    pub unit_hz: f64,
    pub parameter: Parameter,
    pub format: Format,
    /// One for all ports, or one a port (version 1.1).
    pub resistance_ohm: Vec<f64>,
}

impl Options {
    /// Reads what follows the `#`: tokens in any order, each at most once. Defaults: GHz S MA R 50.
    pub fn read(text: &str, line: usize) -> Result<Options, TouchstoneError> {
        let (mut unit, mut parameter, mut format, mut resistance) = (None, None, None, None);
        let mut tokens = text.split_whitespace().peekable();
        while let Some(token) = tokens.next() {
            let twice = match token.to_ascii_lowercase().as_str() {
                "hz" => unit.replace(1.0).is_some(),
                "khz" => unit.replace(1e3).is_some(),
                "mhz" => unit.replace(1e6).is_some(),
                "ghz" => unit.replace(1e9).is_some(),
                "s" => parameter.replace(Parameter::S).is_some(),
                "y" => parameter.replace(Parameter::Y).is_some(),
                "z" => parameter.replace(Parameter::Z).is_some(),
                "g" => parameter.replace(Parameter::G).is_some(),
                "h" => parameter.replace(Parameter::H).is_some(),
                "ma" => format.replace(Format::MagnitudeAngle).is_some(),
                "db" => format.replace(Format::DecibelAngle).is_some(),
                "ri" => format.replace(Format::RealImaginary).is_some(),
                "r" => {
                    let mut values = Vec::new();
                    while values.len() < MOST_PORTS
                        && let Some(value) = tokens.peek().and_then(|token| number(token))
                    {
                        values.push(impedance(value, line)?);
                        tokens.next();
                    }
                    if values.is_empty() {
                        let next = tokens.peek().copied().unwrap_or("the end of the line");
                        return Err(TouchstoneError::at(
                            line,
                            format!(
                                "R in the option line is followed by `{next}`; write the reference in ohm: `R 50`"
                            ),
                        ));
                    }
                    resistance.replace(values).is_some()
                }
                _ => {
                    return Err(TouchstoneError::at(
                        line,
                        format!(
                            "`{token}` in the option line is not known; allowed: Hz kHz MHz GHz, S Y Z G H, MA DB RI, R and a \
                             number"
                        ),
                    ));
                }
            };
            if twice {
                return Err(TouchstoneError::at(
                    line,
                    format!("`{token}` in the option line says a second time what is already said; keep one"),
                ));
            }
        }
        Ok(Options {
            unit_hz: unit.unwrap_or(1e9),
            parameter: parameter.unwrap_or(Parameter::S),
            format: format.unwrap_or(Format::MagnitudeAngle),
            resistance_ohm: resistance.unwrap_or_else(|| vec![50.0]),
        })
    }
}

/// Which cells of the matrix are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum MatrixFormat {
    Full,
    Lower,
    Upper,
}

/// The keywords before the data (version 2.0).
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Keywords {
    pub ports: Option<usize>,
    /// Two-port order N11 N21 N12 N22 (`21_12`) rather than N11 N12 N21 N22.
    pub order_21_12: Option<bool>,
    pub points: Option<usize>,
    pub noise_points: Option<usize>,
    /// Numbers of `[Reference]` so far; they may go on over lines.
    pub reference_ohm: Option<Vec<f64>>,
    pub matrix: MatrixFormat,
}

impl Default for Keywords {
    fn default() -> Self {
        Keywords {
            ports: None,
            order_21_12: None,
            points: None,
            noise_points: None,
            reference_ohm: None,
            matrix: MatrixFormat::Full,
        }
    }
}

impl Keywords {
    /// Takes a keyword that describes the data. False for one that is not known.
    pub fn take(&mut self, keyword: &str, value: &str, line: usize) -> Result<bool, TouchstoneError> {
        let refuse = |allowed: &str| {
            Err(TouchstoneError::at(line, format!("[{keyword}] is `{value}`; allowed: {allowed}")))
        };
        match keyword {
            "number of ports" => match value.parse::<usize>() {
                Ok(ports) if (1..=MOST_PORTS).contains(&ports) => self.ports = Some(ports),
                _ => return refuse("1 to 4; export the ports of one or two through paths"),
            },
            "two-port data order" | "two-port order" => match value.to_ascii_lowercase().as_str() {
                "12_21" => self.order_21_12 = Some(false),
                "21_12" => self.order_21_12 = Some(true),
                _ => return refuse("12_21 or 21_12"),
            },
            "number of frequencies" => match value.parse::<usize>() {
                Ok(points) if (1..=MOST_POINTS).contains(&points) => self.points = Some(points),
                _ => return refuse("1 to 200000; export fewer points"),
            },
            "number of noise frequencies" => match value.parse::<usize>() {
                Ok(points) if (1..=MOST_POINTS).contains(&points) => self.noise_points = Some(points),
                _ => return refuse("1 to 200000"),
            },
            "matrix format" => match value.to_ascii_lowercase().as_str() {
                "full" => self.matrix = MatrixFormat::Full,
                "lower" => self.matrix = MatrixFormat::Lower,
                "upper" => self.matrix = MatrixFormat::Upper,
                _ => return refuse("Full, Lower or Upper"),
            },
            "mixed-mode order" => {
                let single_ended = |word: &str| {
                    word.strip_prefix(['S', 's']).is_some_and(|port| port.parse::<usize>().is_ok())
                };
                if !value.split_whitespace().all(single_ended) {
                    return refuse("single-ended ports only (S1 S2 ...); export single-ended parameters");
                }
            }
            "reference" => {
                self.reference_ohm = Some(Vec::new());
                self.more_reference(value, line)?;
            }
            _ => return Ok(false),
        }
        Ok(true)
    }

    /// `[Reference]` still lacks numbers. Where the port count is not known yet, it never does.
    pub fn wants_reference(&self) -> bool {
        matches!((&self.reference_ohm, self.ports), (Some(values), Some(ports)) if values.len() < ports)
    }

    /// Takes numbers of `[Reference]`.
    pub fn more_reference(&mut self, text: &str, line: usize) -> Result<(), TouchstoneError> {
        let most = self.ports.unwrap_or(MOST_PORTS);
        let values = self.reference_ohm.get_or_insert_default();
        for token in text.split_whitespace() {
            let Some(value) = number(token) else {
                return Err(TouchstoneError::at(
                    line,
                    format!("`{token}` in [Reference] is not a number of ohm"),
                ));
            };
            if values.len() == most {
                return Err(TouchstoneError::at(
                    line,
                    format!("[Reference] has more than {most} numbers; write one a port"),
                ));
            }
            values.push(impedance(value, line)?);
        }
        Ok(())
    }
}

/// A finite number as the format writes it; `None` for anything else (`nan`, `inf` and the like too).
pub(super) fn number(token: &str) -> Option<f64> {
    let starts = token.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '+' | '-' | '.'));
    let digits = token.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.' | b'e' | b'E'));
    if !starts || !digits {
        return None;
    }
    token.parse::<f64>().ok().filter(|value| value.is_finite())
}

fn impedance(value: f64, line: usize) -> Result<f64, TouchstoneError> {
    if (0.01..=1e6).contains(&value) {
        return Ok(value);
    }
    Err(TouchstoneError::at(line, format!("a reference of {value} ohm; allowed: 0.01 to 1000000 ohm, real")))
}

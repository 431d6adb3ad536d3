//! Hands at the bench: asked for on a terminal only, and only when everything is verified off and neither hot nor cold.

use plans::units::Celsius;
use std::io::{BufRead, IsTerminal, Write};

/// Cautions printed where hands come near.
pub const CAUTIONS: &str = "\
CAUTION before you reach in. These words do not replace your laboratory's own rules or the training and licences that
they ask for; software is no hardware interlock: rely on the independent over-temperature cut-out, the over-voltage
protection and the emergency stop.
  heat and cold   bare metal above about 43 °C burns in time, below 0 °C it freezes skin; parts you cannot see may
                  be warmer or colder than the sensors
  static          wear a grounded wrist strap; isolated conductors below 35 V; parts are damaged from 100 V (human body)
  supply          never fit or pull a module while a rail is up, whatever a display says: measure
  nitrogen        1 L of liquid gives about 695 L of gas; leave the room when the oxygen alarm sounds (below 19.5 %)
  unattended      after you leave, the bench heats, cools and powers up by itself";

/// What is to be fitted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fitting {
    /// Test chip.
    pub chip: String,
    /// Module.
    pub module: String,
    /// Its serial number, where the plan knows it.
    pub serial: Option<String>,
    /// Channel.
    pub channel: String,
    /// Which fitting of the setup, from 0: above 0 it is a re-seat.
    pub mounting: u32,
}

/// Somebody who can change what is fitted, or nobody.
pub trait Hands {
    /// Is somebody there to ask?
    fn present(&self) -> bool;

    /// Asks for a change. Called only with the rails verified off and these sensors within the safe band. Returns
    /// whether it was done; there is no answer but a person's.
    fn change(&mut self, wanted: &Fitting, sensors: &[(String, Celsius)]) -> bool;
}

/// A person at this terminal.
pub struct TerminalHands;

impl Hands for TerminalHands {
    fn present(&self) -> bool {
        std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
    }

    fn change(&mut self, wanted: &Fitting, sensors: &[(String, Celsius)]) -> bool {
        let readings: Vec<String> = sensors.iter().map(|(name, value)| format!("{name} {value}")).collect();
        let serial = wanted.serial.as_ref().map(|serial| format!(" (serial {serial})")).unwrap_or_default();
        let seat =
            if wanted.mounting > 0 { " Take it out and seat it again, even if it is fitted." } else { "" };
        let mut err = std::io::stderr().lock();
        let _ = writeln!(
            err,
            "\n{CAUTIONS}\n\nEvery rail was measured off; {}.\nFit: chip `{}`, module `{}`{serial}, channel \
             `{}`.{seat}\nThen type the module's name and Enter; an empty line leaves these jobs out.",
            readings.join(", "),
            wanted.chip,
            wanted.module,
            wanted.channel,
        );
        drop(err);
        let stdin = std::io::stdin();
        loop {
            let _ = write!(std::io::stderr(), "> ");
            let mut line = String::new();
            match stdin.lock().read_line(&mut line) {
                Ok(0) | Err(_) => return false,
                Ok(_) if line.trim().is_empty() => return false,
                Ok(_) if line.trim() == wanted.module => return true,
                Ok(_) => {
                    let _ = writeln!(std::io::stderr(), "That is not `{}`.", wanted.module);
                }
            }
        }
    }
}

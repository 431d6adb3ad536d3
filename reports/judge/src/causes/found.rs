//! What can be said of a lane: its causes, in values and words.

use super::signatures::Cause;
use super::truth::LaneTruth;
use nightbench_core::text::counted;
use serde::{Deserialize, Serialize};

/// One cause and what it costs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Blamed {
    pub cause: Cause,
    /// Where the counts cannot tell it from another one.
    pub or: Option<Cause>,
    /// Margin without it, less the margin now, limit boxes.
    pub gain: f64,
    /// Expanded uncertainty of the gain (95 %).
    pub expanded_uncertainty: f64,
}

impl Blamed {
    /// One name, or two that cannot be told apart.
    fn name(&self) -> String {
        match self.or {
            Some(or) => format!("{} or {}", self.cause.words(), or.words()),
            None => self.cause.words().to_string(),
        }
    }

    /// The name with its gain and U.
    pub fn words(&self) -> String {
        format!("{}: {} \u{b1} {:.2}", self.name(), signed(self.gain), self.expanded_uncertainty)
    }
}

/// What can be said of a lane.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// A cause costs enough to be named.
    Named,
    /// No cause costs [`super::LEAST_GAIN`].
    NothingDominant,
    /// More than two causes describe the counts alike.
    CannotTell,
    /// No cause known to the model describes the counts.
    NotDescribed,
}

/// A lane's causes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LaneCauses {
    pub lane: u16,
    pub finding: Finding,
    /// Costliest first.
    pub causes: Vec<Blamed>,
    /// Limit box about the trained point on the fitted eye.
    pub trained: f64,
    /// Mean chi-square of the fit.
    pub chi_square: f64,
    /// Gains are estimates (the fit is believed), not a ranking only.
    pub accepted: bool,
    /// Found from the eye alone, though there are extra jobs: it leaves nothing open, or no causes meet what they counted as well.
    #[serde(default)]
    pub eye_alone: bool,
    /// What the simulated target knows; `None` of a bench.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub truth: Option<LaneTruth>,
}

impl LaneCauses {
    /// What is found, in words; a gain stands with its interval, or not at all.
    pub fn words(&self) -> String {
        match self.eye_alone {
            true => format!("{} ({})", self.found(), LaneCauses::EYE_ALONE),
            false => self.found(),
        }
    }

    /// What is said where [`LaneCauses::eye_alone`] holds.
    pub const EYE_ALONE: &'static str = "from the eye alone";

    /// Is there anything that further counts could tell?
    pub fn leaves_open(&self) -> bool {
        let told = matches!(self.finding, Finding::Named | Finding::NothingDominant);
        !self.accepted || !told || self.causes.iter().any(|blamed| blamed.or.is_some())
    }

    fn found(&self) -> String {
        let list = |with: &dyn Fn(&Blamed) -> String| -> String {
            self.causes.iter().map(with).collect::<Vec<_>>().join("; ")
        };
        match self.finding {
            Finding::Named if self.accepted => list(&Blamed::words),
            Finding::Named => format!(
                "{} (a ranking only: the model meets the counts with chi-square {:.1})",
                list(&Blamed::name),
                self.chi_square
            ),
            Finding::NothingDominant => "no dominant cause".into(),
            Finding::CannotTell => "cannot tell: more than two causes describe the counts alike".into(),
            Finding::NotDescribed => "cannot tell: no cause that the model knows describes the counts".into(),
        }
    }
}

/// A gain with its sign.
pub fn signed(gain: f64) -> String {
    format!("{gain:+.2}")
}

/// What the causes of an eye rest on, in words: so many of the extra jobs that were measured beside it.
pub fn rests_on(used: usize, measured: usize) -> String {
    let all = counted(measured, "extra job");
    match used {
        _ if measured == 0 => "from the eye alone".into(),
        0 => format!("from the eye alone, since the model does not describe {all} of healthy lanes"),
        _ if used >= measured => format!("from the eye, and {all} where it alone leaves something open"),
        _ => format!(
            "from the eye, and {used} of {all} where it alone leaves something open, since the model does not describe the rest of \
             healthy lanes"
        ),
    }
}

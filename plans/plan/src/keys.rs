//! Keys of jobs: what is measured and nothing else.

use crate::canonical::{self, Text, Unwritable};
use crate::expand::{Condition, Job};
use crate::matrix::{FACTORS, Factor};
use crate::plan::Plan;
use nightbench_core::units::Celsius;
use sha2::{Digest, Sha256};

/// Keys of jobs: what is measured and nothing else.
///
/// A job's key covers its condition (what is mounted and set, with all properties), mounting, repeat and
/// start, the capture and training settings and the model's version; never limits, the title or other levels.
pub struct JobKeys<'p> {
    plan: &'p Plan,
    /// Canonical text of each level of each factor.
    levels: [Vec<String>; FACTORS],
    /// Canonical texts of what holds for every job, by name.
    settings: Vec<(&'static str, String)>,
}

impl<'p> JobKeys<'p> {
    /// Keys for a plan run on a target of this version.
    ///
    /// # Errors
    /// A number of the plan that is not finite: it has no canonical text.
    pub fn new(plan: &'p Plan, model_version: &str) -> Result<JobKeys<'p>, Unwritable> {
        fn all<T>(
            list: &[T],
            levels: &[usize],
            write: impl Fn(&T) -> Text,
        ) -> Result<Vec<String>, Unwritable> {
            levels.iter().map(|index| write(&list[*index])).collect()
        }
        let matrix = &plan.matrix;
        let mut firmwares = all(&plan.firmwares, &matrix.firmwares, canonical::firmware)?;
        if firmwares.is_empty() {
            firmwares.push(canonical::FIRMWARE_AS_LOADED.into());
        }
        let temperature = |level: &Celsius| canonical::temperature(*level, matrix.control_point);
        let levels: [Vec<String>; FACTORS] = [
            all(&plan.chips, &matrix.chips, canonical::chip)?,
            firmwares,
            all(&plan.modules, &matrix.modules, canonical::module)?,
            all(&plan.channels, &matrix.channels, canonical::channel)?,
            matrix.rates.iter().map(|rate| canonical::rate(*rate)).collect(),
            matrix.temperatures.iter().map(temperature).collect::<Result<_, _>>()?,
            all(&plan.supplies, &matrix.supplies, canonical::supply)?,
            matrix.patterns.iter().map(canonical::pattern).collect(),
        ];
        let settings = vec![
            ("[interface]", canonical::interface(&plan.interface)?),
            ("[training]", canonical::training(&plan.training)?),
            ("[capture]", canonical::capture(&plan.capture)?),
            ("how a start begins", canonical::start(plan.repeats.start)),
            ("[model]", canonical::model(&plan.model)?),
            ("version of the target", model_version.to_string()),
        ];
        Ok(JobKeys { plan, levels, settings })
    }

    /// Digest of condition, mounting, repeat and start. It keys the simulated target's counting noise, so
    /// that every capture strategy sees the same errors.
    pub fn noise_key(&self, condition: &Condition, job: &Job) -> [u8; 32] {
        let mut hash = Sha256::new();
        for (names, level) in self.levels.iter().zip(condition.levels) {
            hash.update(names[usize::from(level)].as_bytes());
            hash.update([0]);
        }
        for number in [job.mounting, job.repeat, job.start] {
            hash.update(number.to_le_bytes());
        }
        hash.finalize().into()
    }

    /// The noise key of a further attempt at the same job, counted from 1: measuring again draws new noise.
    /// The first attempt's is [`noise_key`](Self::noise_key).
    pub fn attempt_noise_key(&self, condition: &Condition, job: &Job, attempt: u32) -> [u8; 32] {
        let first = self.noise_key(condition, job);
        if attempt <= 1 {
            return first;
        }
        let mut hash = Sha256::new();
        hash.update(b"attempt");
        hash.update(attempt.to_le_bytes());
        hash.update(first);
        hash.finalize().into()
    }

    /// Digest of the noise key and of the settings: results are stored under it.
    pub fn key(&self, condition: &Condition, job: &Job) -> [u8; 32] {
        let mut hash = Sha256::new();
        hash.update(self.noise_key(condition, job));
        for (_, text) in &self.settings {
            hash.update(text.as_bytes());
            hash.update([0]);
        }
        hash.finalize().into()
    }

    /// What these keys measure differently from earlier ones under the same name; levels that only one of
    /// them has are not a change.
    pub fn changes_since(&self, earlier: &JobKeys<'_>) -> Vec<String> {
        let mut changes: Vec<String> = self
            .settings
            .iter()
            .zip(&earlier.settings)
            .filter(|(now, before)| now.1 != before.1)
            .map(|(now, _)| now.0.to_string())
            .collect();
        let (names, names_before) = (self.plan.level_names(), earlier.plan.level_names());
        for (index, (word, _)) in Factor::ALL.iter().enumerate() {
            for (name, text) in names[index].iter().zip(&self.levels[index]) {
                let before = names_before[index].iter().position(|known| known == name);
                if before.is_some_and(|level| earlier.levels[index][level] != *text) {
                    changes.push(format!("{word} `{name}`"));
                }
            }
        }
        changes
    }

    /// What a condition is, in its canonical text, without some factors: two runs' conditions with the same
    /// text were measured under the same circumstances.
    pub fn condition_text(&self, condition: &Condition, without: &[Factor]) -> String {
        let mut text = String::new();
        for ((_, factor), (names, level)) in Factor::ALL.iter().zip(self.levels.iter().zip(condition.levels))
        {
            if !without.contains(factor) {
                text.push_str(&names[usize::from(level)]);
            }
            text.push('\0');
        }
        text
    }

    /// Canonical texts of what holds for every job, by name.
    pub fn settings(&self) -> &[(&'static str, String)] {
        &self.settings
    }

    pub fn plan(&self) -> &'p Plan {
        self.plan
    }
}

/// The first 16 hexadecimal digits of a job's key: enough to name it.
pub fn short_key(key: &[u8; 32]) -> String {
    key.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
#[path = "keys_tests.rs"]
mod tests;

//! One job, tried again where that can help, and what is kept beside its counts.

use super::jobs::Loop;
use crate::console::exit::Failure;
use crate::run::simulated_run::PendingJob;
use crate::store::{Attachment, Store};
use bench::BenchDriver;
use bench::driver::within;
use contract::ErrorKind;
use nightbench_core::results::{Identity, JobOutcome, JobResult};
use std::time::Duration;

/// Lines of the command log kept with a fault.
const LOG_LINES: usize = 400;
/// Alarms of one job in a row after which it is left.
const MOST_ALARMS: u32 = 2;
/// Longest the agent may take to tell a text.
const TEXT_LIMIT: Duration = Duration::from_secs(3);

/// What the reason of a job that was not measured says about trying again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Again {
    /// The conversation failed: everything is set anew and the job is tried again.
    Yes,
    /// An alarm: once more at most.
    Once,
    /// It would end the same.
    No,
}

fn again(reason: &str) -> Again {
    let begins = |kind: ErrorKind| reason.starts_with(kind.words());
    if reason.contains("could not make safe") || reason.contains("temperature not reached") {
        return Again::No;
    }
    if begins(ErrorKind::Interlock) || begins(ErrorKind::OutOfRange) {
        return Again::Once;
    }
    let transient = [
        ErrorKind::TimeOut,
        ErrorKind::Communication,
        ErrorKind::Protocol,
        ErrorKind::Instrument(0),
        ErrorKind::NotSettled,
        ErrorKind::WrongOrder,
    ];
    if transient.into_iter().any(begins) { Again::Yes } else { Again::No }
}

/// Can the same help when it is tried again?
pub(super) fn may_help(reason: &str) -> bool {
    again(reason) == Again::Yes
}

/// Is it worth another look before the setup is taken out?
pub(super) fn worth_a_second_round(reason: &str) -> bool {
    again(reason) != Again::No
}

impl Loop<'_> {
    /// One job, tried again where that can help; `None` when a stop was asked for.
    pub(super) fn tried(
        &mut self,
        driver: &mut BenchDriver,
        one: &PendingJob,
        store: &mut Store,
    ) -> Result<Option<(JobResult, Vec<Attachment>)>, Failure> {
        let attempts = self.session.bench().unattended.attempts;
        let (mut tries, mut alarms) = (0, 0);
        loop {
            tries += 1;
            let Ok(mut result) = self.run.executor.run_attempt(driver, &one.job, one.attempt, self.cancel)
            else {
                return Ok(None);
            };
            if !matches!(result.outcome, JobOutcome::NotMeasured { .. })
                && let Some(words) = self.other_identity(one, &result.identity)
            {
                result.captures.clear();
                result.outcome = JobOutcome::NotMeasured { reason: words };
            }
            let JobOutcome::NotMeasured { reason } = &result.outcome else {
                let failed = result.outcome == JobOutcome::TrainingFailed;
                let attachments = self.texts(driver, failed, false);
                return Ok(Some((result, attachments)));
            };
            let attachments = self.texts(driver, true, true);
            let kind = again(reason);
            alarms += u32::from(kind == Again::Once);
            let last = match kind {
                Again::Yes => tries >= attempts,
                // Faults of the conversation before it are no alarms.
                Again::Once => alarms >= MOST_ALARMS || tries >= attempts,
                Again::No => true,
            };
            let words = format!(
                "{}: {reason} (attempt {tries}{})",
                one.condition.describe(self.run.plan),
                if last { ", the last" } else { "" }
            );
            self.note(store, "fault", &words)?;
            self.session.terminal().note(&format!("fault: {words}"));
            if last || self.cancel.is_cancelled() {
                return Ok(Some((result, attachments)));
            }
            // What was read during an attempt that does not count is not kept with the job.
            driver.take_readings();
        }
    }

    /// Who answered for a chip and firmware before, in this folder.
    pub(super) fn known_identity(&self, one: &PendingJob) -> Option<&Identity> {
        self.identities.get(&self.identity_key(one))
    }

    fn identity_key(&self, one: &PendingJob) -> (String, String) {
        let plan = self.run.plan;
        let firmware = one.condition.firmware(plan).map_or("as loaded".into(), |image| image.name.clone());
        (one.condition.chip(plan).name.clone(), firmware)
    }

    /// A chip or firmware that changed inside a run folder gives no result in it.
    fn other_identity(&mut self, one: &PendingJob, found: &Identity) -> Option<String> {
        let key = self.identity_key(one);
        let known = self.identities.entry(key).or_insert_with(|| found.clone());
        (known != found).then(|| {
            format!(
                "{}: this folder holds results of {} {} (settings {}), now {} {} (settings {}) answers; name another \
                 folder, or give the changed thing another name in the plan",
                ErrorKind::WrongIdentity.words(),
                known.chip_serial,
                known.firmware_hash,
                known.settings_hash,
                found.chip_serial,
                found.firmware_hash,
                found.settings_hash
            )
        })
    }

    /// What the agent says about the job, after a failure its registers, after a fault the latest commands as well.
    fn texts(&self, driver: &mut BenchDriver, failed: bool, fault: bool) -> Vec<Attachment> {
        let mut texts = Vec::new();
        let mut asked = vec![("log", "log"), ("training_log", "training log")];
        if failed {
            asked.push(("registers", "registers"));
        }
        // The commands first: what is asked now is not what led to the fault.
        if fault {
            texts.push(Attachment::new("commands", &self.session.log().latest(LOG_LINES).join("\n")));
        }
        for (method, name) in asked {
            let text = driver.agent_text(method, &within(TEXT_LIMIT));
            if !text.is_empty() {
                texts.push(Attachment::new(name, &text));
            }
        }
        texts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_tried_again_hangs_on_the_kind_of_fault() {
        for (reason, expected) in [
            ("time-out: agent: no sign of life for 0.5 s during `sample`", Again::Yes),
            ("protocol: agent: sample: more errors than bits", Again::Yes),
            ("instrument error: supply: -222", Again::Yes),
            ("interlock: VDD takes 3.9 A, above its limit of 3 A", Again::Once),
            ("interlock: could not make safe: VDD still measures 1.2 V", Again::No),
            ("not settled: temperature not reached: 23 degC after 7200 s", Again::No),
            ("not settled: VDD left its tolerance during the job", Again::Yes),
            ("unsupported: no such pattern", Again::No),
            ("wrong identity: another module", Again::No),
        ] {
            assert_eq!(again(reason), expected, "{reason}");
        }
    }
}

//! One job, tried again where that can help, and what is kept beside its counts.

use super::jobs::Loop;
use crate::console::exit::Failure;
use crate::run::simulated_run::PendingJob;
use crate::store::{Attachment, Store};
use bench::BenchDriver;
use bench::driver::within;
use contract::FaultKind;
use nightbench_core::faults::Fault;
use nightbench_core::results::{Identity, JobOutcome, JobResult};
use std::time::Duration;

/// Lines of the command log kept with a fault.
const LOG_LINES: usize = 400;
/// Alarms of one job in a row after which it is left.
const MOST_ALARMS: u32 = 2;
/// Longest the agent may take to tell a text.
const TEXT_LIMIT: Duration = Duration::from_secs(3);

/// What the kind of a fault says about trying again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Again {
    /// The conversation failed: everything is set anew and the job is tried again.
    Yes,
    /// An alarm: once more at most.
    Once,
    /// It would end the same.
    No,
}

impl Again {
    /// After a fault of a kind.
    pub(super) fn after(kind: FaultKind) -> Again {
        match kind {
            FaultKind::TimeOut
            | FaultKind::Communication
            | FaultKind::Protocol
            | FaultKind::Instrument(_)
            | FaultKind::SettingsLost
            | FaultKind::NotSettled
            | FaultKind::WrongOrder => Again::Yes,
            FaultKind::Interlock | FaultKind::Alarm(_) | FaultKind::OutOfRange => Again::Once,
            FaultKind::NotReached
            | FaultKind::NotSafe
            | FaultKind::TakenOver
            | FaultKind::WrongIdentity
            | FaultKind::Unsupported
            | FaultKind::Cancelled
            | FaultKind::ImpossibleAnswer
            | FaultKind::MountingCheck
            | FaultKind::Unrecorded => Again::No,
        }
    }
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
            if !matches!(result.outcome, JobOutcome::NotMeasured(_))
                && let Some(fault) = self.other_identity(one, &result.identity)
            {
                result.captures.clear();
                result.outcome = JobOutcome::NotMeasured(fault);
            }
            let JobOutcome::NotMeasured(fault) = &result.outcome else {
                let failed = result.outcome == JobOutcome::TrainingFailed;
                let attachments = self.texts(driver, failed, false);
                return Ok(Some((result, attachments)));
            };
            let attachments = self.texts(driver, true, true);
            let again = Again::after(fault.kind);
            alarms += u32::from(again == Again::Once);
            let last = match again {
                Again::Yes => tries >= attempts,
                // Faults of the conversation before it are no alarms.
                Again::Once => alarms >= MOST_ALARMS || tries >= attempts,
                Again::No => true,
            };
            let words = format!(
                "{}: {fault} (attempt {tries}{})",
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
    fn other_identity(&mut self, one: &PendingJob, found: &Identity) -> Option<Fault> {
        let key = self.identity_key(one);
        let known = self.identities.entry(key).or_insert_with(|| found.clone());
        (known != found).then(|| {
            let detail = format!(
                "this folder holds results of {} {} (settings {}), now {} {} (settings {}) answers; name another \
                 folder, or give the changed thing another name in the plan",
                known.chip_serial,
                known.firmware_hash,
                known.settings_hash,
                found.chip_serial,
                found.firmware_hash,
                found.settings_hash
            );
            Fault::new(FaultKind::WrongIdentity, detail)
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

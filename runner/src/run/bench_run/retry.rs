//! One job, tried again where that can help, and what is kept beside its counts.

use super::identities::KnownIdentities;
use super::record::Record;
use super::site::Site;
use crate::console::exit::Failure;
use crate::run::execute::Executor;
use crate::run::pending::PendingJob;
use crate::store::Attachment;
use bench::driver::within;
use contract::CancelToken;
use nightbench_core::events::Event;
use nightbench_core::faults::FaultKind;
use nightbench_core::results::{Identity, JobOutcome, JobResult};
use std::time::Duration;

/// Lines of the command log kept with a fault.
const LOG_LINES: usize = 400;
/// Times a condition may forbid one job before it is left.
const MOST_FORBIDDEN: u32 = 2;
/// Longest the agent may take to tell a text.
const TEXT_LIMIT: Duration = Duration::from_secs(3);

/// What the kind of a fault says about trying again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Again {
    /// The conversation failed: everything is set anew and the job is tried again.
    Yes,
    /// A condition forbade it: once more at most.
    Once,
    /// It would end the same.
    No,
}

impl Again {
    pub(super) fn after(kind: FaultKind) -> Again {
        match kind {
            FaultKind::TimeOut
            | FaultKind::Communication
            | FaultKind::Protocol
            | FaultKind::Instrument(_)
            | FaultKind::SettingsLost
            | FaultKind::NotSettled
            | FaultKind::WrongOrder => Again::Yes,
            FaultKind::Interlock | FaultKind::OutOfRange => Again::Once,
            // Latched: nothing is switched on again.
            FaultKind::Alarm(_)
            | FaultKind::NotReached
            | FaultKind::NotSafe
            | FaultKind::BeyondLimits
            | FaultKind::TakenOver
            | FaultKind::WrongIdentity
            | FaultKind::WrongInstrument
            | FaultKind::Unsupported
            | FaultKind::Cancelled
            | FaultKind::ImpossibleAnswer
            | FaultKind::MountingCheck
            | FaultKind::Unrecorded => Again::No,
        }
    }
}

/// Measures one job, again where that can help; `None` when `cancel` asked for a stop.
pub(super) fn tried(
    executor: &Executor<'_>,
    site: &mut Site<'_>,
    known: &mut KnownIdentities<'_>,
    record: &mut Record<'_, '_>,
    one: &PendingJob,
    (cancel, reached): (&CancelToken, &mut dyn FnMut()),
) -> Result<Option<(JobResult, Vec<Attachment>)>, Failure> {
    let attempts = site.file.unattended.attempts;
    let setting = executor.setting(&one.condition, &one.job, one.attempt);
    // Training that is held is trained elsewhere first.
    let on_the_way = executor.held_setting(&setting).is_some();
    let (mut tries, mut forbidden) = (0, 0);
    loop {
        tries += 1;
        let mut stranger = |found: &Identity| {
            if !on_the_way {
                reached();
            }
            record.note_chip(found);
            known.stranger(one, found)
        };
        let attempt = executor.run_known(site.driver, &one.job, one.attempt, cancel, &mut stranger);
        let Ok(mut result) = attempt else {
            record.cut(site)?;
            return Ok(None);
        };
        if !matches!(result.outcome, JobOutcome::NotMeasured(_))
            && let Some(fault) = known.check(one, &result.identity)
        {
            result.captures.clear();
            result.outcome = JobOutcome::NotMeasured(fault);
        }
        let JobOutcome::NotMeasured(fault) = &result.outcome else {
            let failed = result.outcome == JobOutcome::TrainingFailed;
            let attachments = texts(site, record, failed, false);
            return Ok(Some((result, attachments)));
        };
        let attachments = texts(site, record, true, true);
        let again = Again::after(fault.kind);
        forbidden += u32::from(again == Again::Once);
        let last = match again {
            Again::Yes => tries >= attempts,
            // Faults of the conversation before it do not count.
            Again::Once => forbidden >= MOST_FORBIDDEN || tries >= attempts,
            Again::No => true,
        };
        let event = Event::Fault {
            condition: one.condition.describe(record.plan),
            fault: fault.clone(),
            attempt: tries,
            last,
        };
        record.note(&event)?;
        record.say(&format!("fault: {event}"));
        if last || cancel.is_cancelled() || record.session.custody().may_switch_on().is_err() {
            return Ok(Some((result, attachments)));
        }
        // What was read during an attempt that does not count is not kept with the job.
        site.driver.take_readings();
    }
}

/// What the agent says about the job, after a failure its registers, after a fault the latest commands as well.
fn texts(site: &mut Site<'_>, record: &Record<'_, '_>, failed: bool, fault: bool) -> Vec<Attachment> {
    let mut texts = Vec::new();
    let mut asked = vec![("log", "log"), ("training_log", "training log")];
    if failed {
        asked.push(("registers", "registers"));
    }
    // The commands first: what is asked now is not what led to the fault.
    if fault {
        texts.push(Attachment::new("commands", &record.session.log().latest(LOG_LINES).join("\n")));
    }
    for (method, name) in asked {
        let text = site.driver.agent_text(method, &within(TEXT_LIMIT));
        if !text.is_empty() {
            texts.push(Attachment::new(name, &text));
        }
    }
    texts
}

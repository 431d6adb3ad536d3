//! Who answered in a run folder so far: a chip or firmware that changes inside it gives no result in it.

use crate::console::exit::Failure;
use crate::run::pending::PendingJob;
use crate::store::{Attempts, StoreReader};
use nightbench_core::faults::{Fault, FaultKind};
use nightbench_core::results::{Identity, JobOutcome};
use plan::Plan;
use std::collections::HashMap;

/// Identities by chip and firmware of the plan.
pub(super) struct KnownIdentities<'p> {
    plan: &'p Plan,
    known: HashMap<(String, String), Identity>,
}

impl<'p> KnownIdentities<'p> {
    /// Those of a folder.
    pub fn read(plan: &'p Plan, reader: &StoreReader) -> Result<KnownIdentities<'p>, Failure> {
        let mut known = HashMap::new();
        for stored in reader.jobs(Attempts::All) {
            let stored = stored?;
            // Only what was measured tells who belongs here.
            if !stored.identity.chip_serial.is_empty()
                && !matches!(stored.outcome, JobOutcome::NotMeasured(_))
            {
                known.entry((stored.row.chip, stored.row.firmware)).or_insert(stored.identity);
            }
        }
        Ok(KnownIdentities { plan, known })
    }

    fn key(&self, one: &PendingJob) -> (String, String) {
        let firmware = one.condition.firmware(self.plan);
        let firmware = firmware.map_or("as loaded".into(), |image| image.name.clone());
        (one.condition.chip(self.plan).name.clone(), firmware)
    }

    /// Who answered for a job's chip and firmware before.
    pub fn of(&self, one: &PendingJob) -> Option<&Identity> {
        self.known.get(&self.key(one))
    }

    /// The fault of an answer by another one than before; the first answer is taken as the one that belongs here.
    pub fn check(&mut self, one: &PendingJob, found: &Identity) -> Option<Fault> {
        let fault = self.stranger(one, found);
        if fault.is_none() {
            self.known.insert(self.key(one), found.clone());
        }
        fault
    }

    /// The fault of an answer by another one than before.
    pub fn stranger(&self, one: &PendingJob, found: &Identity) -> Option<Fault> {
        let known = self.of(one)?;
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
}

//! A report's number: a digest of everything the page says, taken thing by thing, so that two reports can be told apart
//! by what they were made from.

use crate::console::exit::Failure;
use crate::evaluate::judging::JudgedFolder;
use crate::folder::run_folder::TOOL_VERSION;
use crate::inputs::notes;
use crate::store::{IssuedReport, Meta, Store, StoreReader, Target, hex, utc_text};
use plan::criteria::AcceptanceCriteria;
use sha2::{Digest, Sha256};
use simulator::target::MODEL_VERSION;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::SystemTime;

/// Digits of a number.
const DIGITS: usize = 12;

/// A digest of each thing that a report says, by its name.
pub type MadeFrom = BTreeMap<String, String>;

/// A report before it is issued.
#[derive(Debug, Clone)]
pub struct ReportNumber {
    /// The number, `NB-` and twelve digits.
    pub number: String,
    /// Number of the complete report whose place it takes.
    pub replaces: Option<String>,
    /// Head of the results, limits and notes: the same for equal results, without any clock.
    pub results_head: [u8; 32],
    made_from: MadeFrom,
    /// Limits, rule, budget and release that it judges by.
    pub limits_text: String,
    /// The readers' notes; empty without any.
    pub notes_text: String,
}

/// What goes into a page beside the store.
pub struct Shown<'a> {
    /// Limits, rule, budget and release as judged.
    pub criteria: &'a AcceptanceCriteria,
    /// A question of what would be: never in place of another report.
    pub what_if: bool,
    /// What is shown of other run folders, and words on what is left out.
    pub elsewhere: String,
    /// Causes that were found and still stand; empty without any.
    pub causes: String,
    /// Lines of the log; none of a simulated run.
    pub log: &'a [(String, String)],
}

impl ReportNumber {
    /// Numbers the report of a folder as it is now.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read. Exit 2: the notes cannot.
    pub fn of(
        dir: &Path,
        reader: &StoreReader,
        meta: &Meta,
        shown: &Shown<'_>,
    ) -> Result<ReportNumber, Failure> {
        let notes_text = notes::text(dir)?.unwrap_or_default();
        let limits_text = shown.criteria.to_text();
        let made_from = made_from(reader, meta, shown, &limits_text, &notes_text)?;
        let issued = if shown.what_if { Vec::new() } else { reader.issued()? };
        let replaces = match issued.iter().rev().find(|report| report.complete) {
            // The same again.
            Some(last) if parsed(&last.made_from) == made_from => last.replaces.clone(),
            last => last.map(|last| last.number.clone()),
        };
        let mut hash = Sha256::new_with_prefix(b"nightbench report 1\n");
        // Not over what it replaces: equal results give equal exports, whatever was issued on the way.
        for text in made_from.iter().flat_map(|(name, digest)| [name, digest]) {
            hash.update((text.len() as u64).to_le_bytes());
            hash.update(text);
        }
        let number = format!("NB-{}", &hex(&hash.finalize())[..DIGITS]);
        let results_head = reader.results_head(&notes_text)?;
        Ok(ReportNumber { number, replaces, results_head, made_from, limits_text, notes_text })
    }

    /// Puts the report on record, unless it is there.
    ///
    /// # Errors
    /// Exit 74: the store cannot be written.
    pub fn issue(&self, store: &mut Store, folder: &JudgedFolder) -> Result<(), Failure> {
        if store.reader().issued()?.last().is_some_and(|last| last.number == self.number) {
            return Ok(());
        }
        let report = IssuedReport {
            number: self.number.clone(),
            replaces: self.replaces.clone(),
            issued_utc: utc_text(SystemTime::now()),
            complete: folder.is_complete() && folder.facts.what_if.is_none(),
            results_head: self.results_head,
            log_head: store.reader().verify_events()?.head,
            made_from: serde_json::json!(self.made_from).to_string(),
            limits_text: self.limits_text.clone(),
            notes_text: self.notes_text.clone(),
        };
        store.issue(&report).map_err(Failure::from)
    }

    /// Names of the things that were otherwise when a report was issued.
    pub fn differs_from(&self, issued: &IssuedReport) -> Vec<String> {
        let then = parsed(&issued.made_from);
        let names = then.keys().chain(self.made_from.keys().filter(|name| !then.contains_key(*name)));
        names.filter(|name| then.get(*name) != self.made_from.get(*name)).cloned().collect()
    }
}

fn parsed(text: &str) -> MadeFrom {
    serde_json::from_str(text).unwrap_or_default()
}

fn made_from(
    reader: &StoreReader,
    meta: &Meta,
    shown: &Shown<'_>,
    limits_text: &str,
    notes_text: &str,
) -> Result<MadeFrom, Failure> {
    let text = |text: &str| hex(&Sha256::digest(text.as_bytes()));
    let parts = reader.head_parts()?;
    let target = match &meta.target {
        Target::Simulated => format!("simulated, seed {}", meta.seed),
        Target::Bench(name) => format!("bench {name}"),
    };
    let mut made_from = MadeFrom::from([
        ("target".into(), target),
        (
            "version".into(),
            format!("nightbench {TOOL_VERSION}, {MODEL_VERSION}, folder {}", meta.tool_version),
        ),
        ("plan".into(), text(&meta.plan_text)),
        ("results and which of them count".into(), hex(&parts.results)),
        ("limits on record".into(), hex(&parts.limits)),
        ("limits, rule, budget and release".into(), text(limits_text)),
        ("readers' notes".into(), text(notes_text)),
        ("other run folders".into(), text(&shown.elsewhere)),
    ]);
    // A report without them keeps its number.
    if !shown.causes.is_empty() {
        made_from.insert("causes of lost margin".into(), text(&shown.causes));
    }
    if meta.target != Target::Simulated {
        // A bench's page shows its clock and its log.
        let log: String = shown.log.iter().map(|(utc, words)| format!("{utc} {words}\n")).collect();
        made_from.insert("log".into(), text(&log));
        made_from.insert("times and readings".into(), hex(&parts.record));
    }
    Ok(made_from)
}

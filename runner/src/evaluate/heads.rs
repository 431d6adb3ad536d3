//! The heads of a run folder as a text of their own, to be kept or signed: its report, its results and its log.

use crate::console::exit::Failure;
use crate::evaluate::judging::JudgedFolder;
use crate::store::{StoreReader, hex};
use serde::{Deserialize, Serialize};

/// What identifies a run folder at one moment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heads {
    /// Number of the report.
    pub report: String,
    /// Number of the report whose place it takes.
    pub replaces: Option<String>,
    /// Head of results, limits and notes.
    pub results_head: String,
    /// Head of the log.
    pub log_head: String,
}

impl Heads {
    /// Of a folder as it is now.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn of(folder: &JudgedFolder, reader: &StoreReader) -> Result<Heads, Failure> {
        Ok(Heads {
            report: folder.number.number.clone(),
            replaces: folder.number.replaces.clone(),
            results_head: hex(&folder.number.results_head),
            log_head: hex(&reader.verify_events()?.head),
        })
    }

    /// As a JSON object; the same text for the same heads.
    pub fn to_text(&self) -> String {
        format!("{:#}\n", serde_json::json!(self))
    }

    /// Reads them back; an error in words.
    ///
    /// # Errors
    /// The text holds something else.
    pub fn read(text: &[u8]) -> Result<Heads, String> {
        serde_json::from_slice(text).map_err(|error| {
            format!("no heads of a run folder ({error}); `nightbench export DIR --as heads` writes them")
        })
    }
}

//! What a plan leaves to its reader and a later version may choose otherwise, written down with the run: `[stored]`.

use crate::measure::MODES;
use nightbench_core::results::CaptureMode;
use std::borrow::Cow;
use toml::de::DeTable;

/// Does the text say how points are chosen, in `[capture]` or in `[stored]`?
fn says_mode(text: &str) -> bool {
    let (document, errors) = DeTable::parse_recoverable(text);
    let has = |table: &str, key: &str| {
        let table = document.get_ref().get(table).and_then(|value| value.get_ref().as_table());
        table.is_some_and(|table| table.get(key).is_some())
    };
    !errors.is_empty() || has("capture", "mode") || has("stored", "capture_mode")
}

fn with_mode(text: &str, mode: CaptureMode) -> String {
    let word = MODES.iter().find(|(_, known)| *known == mode).map_or("exact", |(word, _)| word);
    format!(
        "{text}\n# Chosen for this run where the plan says nothing.\n[stored]\ncapture_mode = \"{word}\"\n"
    )
}

/// The text of a plan as a new run stores it.
pub fn add_stored_defaults(text: String, mode: CaptureMode) -> String {
    if mode == CaptureMode::RowAndColumn && !says_mode(&text) { with_mode(&text, mode) } else { text }
}

/// A stored text with what its run took for granted: runs from before there were rows and columns took full eyes.
pub(crate) fn as_stored(text: Cow<'_, str>) -> Cow<'_, str> {
    if says_mode(&text) { text } else { Cow::Owned(with_mode(&text, CaptureMode::Exact)) }
}

//! What the agent and the log said about jobs that failed: collapsed texts, capped, linked from the list of faults.

use super::tables::left_out_note;
use judge::judged::{JobTexts, JudgedRun, RunFacts};
use serde::Serialize;

/// Most characters of one text on the page; its end tells most.
const MOST_CHARACTERS: usize = 6000;

#[derive(Debug, Serialize)]
pub(super) struct TextView {
    pub name: String,
    pub text: String,
    pub cut: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct JobTextsView {
    pub id: String,
    pub what: String,
    pub key: String,
    pub texts: Vec<TextView>,
}

/// The section.
#[derive(Debug, Serialize)]
pub(super) struct TextsView {
    pub jobs: Vec<JobTextsView>,
    pub note: String,
}

/// Place of a job's texts on the page; keys are hexadecimal digits.
pub(super) fn anchor(key: &str) -> String {
    format!("said-{key}")
}

/// The place of a job's texts, where they are among the first `most`; else empty.
pub(super) fn link(facts: &RunFacts, key: &str, most: usize) -> String {
    let there = facts.texts.iter().take(most).any(|one| one.key == key);
    if there { anchor(key) } else { String::new() }
}

/// The texts of the first `most` failed jobs.
pub(super) fn texts(run: &JudgedRun, facts: &RunFacts, most: usize) -> TextsView {
    let view = |one: &JobTexts| JobTextsView {
        id: anchor(&one.key),
        what: format!(
            "{}: {}",
            run.conditions.get(one.condition).map_or("?", |judged| judged.name.as_str()),
            one.what
        ),
        key: one.key.clone(),
        texts: one.texts.iter().map(|(name, text)| text_view(name, text)).collect(),
    };
    TextsView {
        jobs: facts.texts.iter().take(most).map(view).collect(),
        note: left_out_note(facts.texts.len(), most, "failed jobs with texts"),
    }
}

fn text_view(name: &str, text: &str) -> TextView {
    let characters = text.chars().count();
    let cut = characters > MOST_CHARACTERS;
    let text = text.chars().skip(characters.saturating_sub(MOST_CHARACTERS)).collect();
    TextView { name: name.into(), text, cut }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_text_keeps_its_end() {
        let view = text_view("log", &format!("{}end \u{e9}", "x".repeat(MOST_CHARACTERS)));
        assert!(view.cut && view.text.ends_with("end \u{e9}"));
        assert_eq!(view.text.chars().count(), MOST_CHARACTERS);
        assert!(!text_view("log", "short").cut);
    }
}

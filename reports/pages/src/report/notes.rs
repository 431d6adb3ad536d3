//! Notes of those who read the results: printed beside verdicts, never changing them.

use judge::judged::{JudgedRun, ReviewNote, RunFacts};
use serde::Serialize;
use std::collections::BTreeMap;

/// A line of the list of notes.
#[derive(Debug, Serialize)]
pub(super) struct NoteRow {
    pub name: String,
    pub job: String,
    pub reason: String,
    pub reference: String,
    pub author: String,
}

/// Every note, in the order of the file.
pub(super) fn rows(run: &JudgedRun, facts: &RunFacts) -> Vec<NoteRow> {
    facts
        .notes
        .iter()
        .map(|note| NoteRow {
            name: run.conditions.get(note.condition).map_or_else(String::new, |judged| judged.name.clone()),
            job: note.job.clone().unwrap_or_else(|| "all".into()),
            reason: note.reason.clone(),
            reference: note.reference.clone().unwrap_or_default(),
            author: signed(note),
        })
        .collect()
}

/// The notes on a condition, as they stand beside its verdict.
pub(super) fn beside(facts: &RunFacts, condition: usize) -> Vec<String> {
    facts.notes.iter().filter(|note| note.condition == condition).map(words).collect()
}

/// The same for every condition that has one.
pub(super) fn by_condition(facts: &RunFacts) -> BTreeMap<usize, Vec<String>> {
    let mut map: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    for note in &facts.notes {
        map.entry(note.condition).or_default().push(words(note));
    }
    map
}

fn signed(note: &ReviewNote) -> String {
    match &note.date {
        Some(date) => format!("{}, {date}", note.author),
        None => note.author.clone(),
    }
}

fn words(note: &ReviewNote) -> String {
    let job = note.job.as_ref().map(|job| format!(" on job {job}")).unwrap_or_default();
    let reference = note.reference.as_ref().map(|text| format!(" ({text})")).unwrap_or_default();
    format!("Note{job} by {}: {}{reference}", signed(note), note.reason)
}

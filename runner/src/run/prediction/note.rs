//! What a folder keeps of predictions, sealed like everything in it: the channel model's answers, and what was chosen to be measured.

use crate::console::exit::{Exit, Failure};
use crate::forecast::folder_facts::digest;
use crate::store::{Store, StoreReader, hex};
use judge::judged::PredictionInputs;
use judge::prediction::Prior;
use plan::expand::{Expansion, Job};
use plan::keys::JobKeys;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap};

/// The model's answers: large, and written once for a plan.
const EXPECTED: &str = "expected";
/// What was chosen.
const CHOSEN: &str = "chosen";

/// What notes belong to: the conditions of a plan, by what is measured of them. Title, limits, prices, rules and words are no part of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Marks {
    /// Digest over all conditions in the expansion's order.
    digest: String,
    /// What is measured of each condition.
    conditions: Vec<String>,
    /// Digest of the plan's text, by which notes of earlier versions are known.
    text: String,
}

impl Marks {
    /// Of a plan and its text.
    pub fn of(text: &str, expansion: &Expansion, keys: &JobKeys<'_>) -> Marks {
        let first = |condition: u32| Job { condition, mounting: 0, repeat: 0, start: 0 };
        let numbered = (0..).zip(&expansion.conditions);
        let all: Vec<[u8; 32]> = numbered.map(|(at, one)| keys.key(one, &first(at))).collect();
        let mut hash = Sha256::new();
        all.iter().for_each(|key| hash.update(key));
        let conditions = all.iter().map(|key| hex(&key[..8])).collect();
        Marks { digest: hex(&hash.finalize()), conditions, text: digest(text) }
    }

    fn are_of(&self, noted: &str) -> bool {
        noted == self.digest || noted == self.text
    }
}

/// Why conditions were measured together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Because {
    /// The walk asked for them.
    Asked,
    /// They had been measured before it went on.
    Before,
}

/// Conditions (indices into the whole plan's expansion) that were measured together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotedVisit {
    pub because: Because,
    pub conditions: Vec<u32>,
}

/// What was chosen so far.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Chosen {
    pub visits: Vec<NotedVisit>,
    /// Nothing more is worth its hours: what is left is predicted.
    pub finished: bool,
}

/// Everything that is kept of predictions.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    pub prior: Prior,
    /// The channel model that was asked.
    pub model: String,
    pub chosen: Chosen,
}

#[derive(Serialize, Deserialize)]
struct Answers {
    /// [`Marks`] of the conditions' numbers.
    plan: String,
    model: String,
    prior: Prior,
}

#[derive(Serialize, Deserialize)]
struct Choices {
    plan: String,
    #[serde(flatten)]
    chosen: Chosen,
    /// What is measured of the conditions that are named: another plan may number them otherwise.
    #[serde(default)]
    conditions: BTreeMap<u32, String>,
}

impl Choices {
    /// As another plan has the conditions; what it does not have is left out, and the choice goes on.
    fn carried_over(self, marks: &Marks) -> Chosen {
        let now: HashMap<&str, u32> = marks.conditions.iter().map(String::as_str).zip(0..).collect();
        let there = |one: &u32| now.get(self.conditions.get(one)?.as_str()).copied();
        let visits = self.chosen.visits.iter().map(|visit| NotedVisit {
            because: visit.because,
            conditions: visit.conditions.iter().filter_map(there).collect(),
        });
        let visits = visits.filter(|visit| !visit.conditions.is_empty()).collect();
        Chosen { visits, finished: false }
    }
}

fn read<T: DeserializeOwned>(reader: &StoreReader, name: &str) -> Result<Option<T>, Failure> {
    let noted = reader.noted(name)?.filter(|text| !text.is_empty());
    let damaged = |error: serde_json::Error| {
        Failure::new(Exit::Store, format!("the note `{name}` of predicted verdicts is damaged: {error}"))
    };
    noted.map(|text| serde_json::from_str(&text).map_err(damaged)).transpose()
}

fn text(value: &impl Serialize) -> Result<String, Failure> {
    serde_json::to_string(value).map_err(|error| Failure::new(Exit::Store, error.to_string()))
}

/// What was chosen so far in a folder, for a plan of these marks.
///
/// # Errors
/// Exit 74: the store cannot be read, or holds something else.
pub fn chosen_so_far(reader: &StoreReader, marks: &Marks) -> Result<Chosen, Failure> {
    let Some(kept) = read::<Choices>(reader, CHOSEN)? else { return Ok(Chosen::default()) };
    Ok(if marks.are_of(&kept.plan) { kept.chosen } else { kept.carried_over(marks) })
}

impl Kept {
    /// Of a folder; `None` where what its plan measures was not run with predictions as it is now.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of(reader: &StoreReader, marks: &Marks) -> Result<Option<Kept>, Failure> {
        let answers = read::<Answers>(reader, EXPECTED)?.filter(|kept| marks.are_of(&kept.plan));
        let Some(answers) = answers else { return Ok(None) };
        let chosen = chosen_so_far(reader, marks)?;
        Ok(Some(Kept { prior: answers.prior, model: answers.model, chosen }))
    }

    /// What a judge predicts from.
    pub fn into_inputs(self, seed: u64) -> PredictionInputs {
        let asked = self.chosen.visits.iter().flat_map(|visit| &visit.conditions).copied().collect();
        PredictionInputs { prior: self.prior, seed, asked, finished: self.chosen.finished }
    }
}

/// Keeps the model's answers.
///
/// # Errors
/// Exit 74.
pub fn keep_expected(store: &mut Store, model: &str, prior: &Prior, marks: &Marks) -> Result<(), Failure> {
    let answers = Answers { plan: marks.digest.clone(), model: model.into(), prior: prior.clone() };
    store.note(EXPECTED, &text(&answers)?).map_err(Failure::from)
}

/// Keeps what was chosen so far.
///
/// # Errors
/// Exit 74.
pub fn keep_chosen(store: &mut Store, chosen: &Chosen, marks: &Marks) -> Result<(), Failure> {
    let named = chosen.visits.iter().flat_map(|visit| &visit.conditions);
    let conditions =
        named.filter_map(|one| Some((*one, marks.conditions.get(*one as usize)?.clone()))).collect();
    let choices = Choices { plan: marks.digest.clone(), chosen: chosen.clone(), conditions };
    store.note(CHOSEN, &text(&choices)?).map_err(Failure::from)
}

/// Takes over what another folder of the same plan keeps: merged folders go on from there.
///
/// # Errors
/// Exit 74.
pub fn take_over(store: &mut Store, kept: &Kept, marks: &Marks) -> Result<(), Failure> {
    keep_expected(store, &kept.model, &kept.prior, marks)?;
    keep_chosen(store, &kept.chosen, marks)
}

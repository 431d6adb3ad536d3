//! What a folder keeps of predictions, sealed like everything in it: the channel model's answers, and what was chosen to be measured.

use crate::console::exit::{Exit, Failure};
use crate::forecast::folder_facts::digest;
use crate::store::{Meta, Store, StoreReader};
use judge::judged::PredictionInputs;
use judge::prediction::Prior;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

/// The model's answers: large, and written once for a plan.
const EXPECTED: &str = "expected";
/// What was chosen.
const CHOSEN: &str = "chosen";

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
    /// Digest of the plan that the conditions' numbers belong to.
    plan: String,
    model: String,
    prior: Prior,
}

#[derive(Serialize, Deserialize)]
struct Choices {
    plan: String,
    #[serde(flatten)]
    chosen: Chosen,
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

impl Kept {
    /// Of a folder; `None` where its plan, as it is now, was not run with predictions.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of(reader: &StoreReader, meta: &Meta) -> Result<Option<Kept>, Failure> {
        let plan = digest(&meta.plan_text);
        let Some(answers) = read::<Answers>(reader, EXPECTED)?.filter(|kept| kept.plan == plan) else {
            return Ok(None);
        };
        let chosen = read::<Choices>(reader, CHOSEN)?.filter(|kept| kept.plan == plan);
        let chosen = chosen.map_or_else(Chosen::default, |kept| kept.chosen);
        Ok(Some(Kept { prior: answers.prior, model: answers.model, chosen }))
    }

    /// What a judge predicts from.
    pub fn into_inputs(self, seed: u64) -> PredictionInputs {
        let asked = self.chosen.visits.iter().flat_map(|visit| &visit.conditions).copied().collect();
        PredictionInputs { prior: self.prior, seed, asked, finished: self.chosen.finished }
    }
}

/// Keeps the model's answers for the plan that a folder holds now.
///
/// # Errors
/// Exit 74.
pub fn keep_expected(store: &mut Store, model: &str, prior: &Prior) -> Result<(), Failure> {
    let plan = digest(&store.reader().meta()?.plan_text);
    let answers = Answers { plan, model: model.into(), prior: prior.clone() };
    store.note(EXPECTED, &text(&answers)?).map_err(Failure::from)
}

/// Keeps what was chosen so far.
///
/// # Errors
/// Exit 74.
pub fn keep_chosen(store: &mut Store, chosen: &Chosen) -> Result<(), Failure> {
    let plan = digest(&store.reader().meta()?.plan_text);
    let choices = Choices { plan, chosen: chosen.clone() };
    store.note(CHOSEN, &text(&choices)?).map_err(Failure::from)
}

/// Takes over what another folder of the same plan keeps: merged folders go on from there.
///
/// # Errors
/// Exit 74.
pub fn take_over(store: &mut Store, kept: &Kept) -> Result<(), Failure> {
    keep_expected(store, &kept.model, &kept.prior)?;
    keep_chosen(store, &kept.chosen)
}

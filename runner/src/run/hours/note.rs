//! What a folder notes of runs that were given hours: the last one with what it left, and the simulated ones before it.

use super::choice::ForHands;
use crate::console::exit::{Exit, Failure};
use crate::forecast::Forecast;
use crate::forecast::walked_nights::WalkedNight;
use crate::run::held::{Held, held};
use crate::store::{Store, StoreReader};
use judge::judged::JudgedRun;
use schedule::{JobSeconds, Standing};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

const NOTE: &str = "hours";
/// What the last one left because nobody was there.
const HANDS: &str = "hours without hands";
/// Simulated runs of given hours before the last one.
const EARLIER: &str = "earlier runs of hours";

/// Jobs chosen together, in their order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Round {
    /// How long measuring takes in units of the forecast.
    pub(super) pace: f64,
    /// Their places in the plan's order.
    pub(super) jobs: Vec<u64>,
}

/// What a folder notes of the last run that was given hours.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct HoursNote {
    pub hours: f64,
    /// Where it began; a simulated run only.
    pub(super) begin: Option<Begin>,
    pub(super) rounds: Vec<Round>,
    /// It came to its end.
    pub(super) over: bool,
    /// Places of the jobs that no time was left for.
    pub(super) left: Vec<u64>,
    /// Of jobs that it measures again: their places, and the numbers of its attempts.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub(super) again: BTreeMap<u64, u32>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Begin {
    now_min: f64,
    mounted: Option<u32>,
    chamber_c: f64,
}

impl From<Standing> for Begin {
    fn from(from: Standing) -> Begin {
        Begin { now_min: from.now_min, mounted: from.mounted, chamber_c: from.chamber_c }
    }
}

impl From<Begin> for Standing {
    fn from(begin: Begin) -> Standing {
        Standing { now_min: begin.now_min, mounted: begin.mounted, chamber_c: begin.chamber_c }
    }
}

impl HoursNote {
    /// Of a folder; `None` where its last run was given none.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of(reader: &StoreReader) -> Result<Option<HoursNote>, Failure> {
        let noted = reader.noted(NOTE)?.filter(|text| !text.is_empty());
        noted
            .map(|text| {
                serde_json::from_str(&text).map_err(|error| {
                    Failure::new(Exit::Store, format!("the note of {NOTE} is damaged: {error}"))
                })
            })
            .transpose()
    }

    /// Of a run on a bench that begins.
    pub fn on_bench(hours: f64) -> HoursNote {
        HoursNote { hours, ..HoursNote::default() }
    }

    /// Notes it in the folder.
    ///
    /// # Errors
    /// Exit 74.
    pub fn keep(&self, store: &mut Store) -> Result<(), Failure> {
        let text =
            serde_json::to_string(self).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        store.note(NOTE, &text).map_err(Failure::from)
    }

    /// The run is over; these jobs (places) are left for want of time, or of hands.
    ///
    /// # Errors
    /// Exit 74.
    pub fn end(
        mut self,
        store: &mut Store,
        mut left: Vec<u64>,
        hands: Option<&HandsNote>,
    ) -> Result<(), Failure> {
        left.sort_unstable();
        (self.over, self.left) = (true, left);
        self.keep(store)?;
        let text = hands.map(serde_json::to_string).transpose();
        let text = text.map_err(|error| Failure::new(Exit::Store, error.to_string()))?.unwrap_or_default();
        match store.reader().noted(HANDS)? {
            None if text.is_empty() => Ok(()),
            Some(noted) if noted == text => Ok(()),
            _ => store.note(HANDS, &text).map_err(Failure::from),
        }
    }

    /// A run without hours follows: what is left is left for another reason.
    ///
    /// # Errors
    /// Exit 74.
    pub fn forget(store: &mut Store, forecast: &Forecast) -> Result<(), Failure> {
        keep_as_earlier(store, forecast)?;
        match store.reader().noted(NOTE)? {
            Some(text) if !text.is_empty() => store.note(NOTE, "").map_err(Failure::from),
            _ => Ok(()),
        }
    }

    /// What its run's jobs took, by place, of what a folder holds; `None` where an earlier attempt still counts.
    pub(super) fn took(&self, held: &[Option<Held>]) -> Vec<Option<JobSeconds>> {
        let own =
            |place: u64, one: &Held| self.again.get(&place).is_none_or(|attempt| one.attempt >= *attempt);
        let places = (0..).zip(held);
        places.map(|(place, one)| one.filter(|one| own(place, one)).map(|one| one.seconds)).collect()
    }

    /// The night that a simulated run of it walked, as far as `seconds` says that its jobs were done; `None` on a bench.
    pub(super) fn night(&self, seconds: &[Option<JobSeconds>]) -> Option<WalkedNight> {
        let jobs = self.rounds.iter().flat_map(|round| &round.jobs).copied();
        let jobs = jobs.filter(|place| has(seconds, *place)).collect();
        self.begin.map(|begin| WalkedNight { begin: begin.into(), jobs })
    }

    /// What its last round has not come to.
    pub(super) fn not_reached(&self, seconds: &[Option<JobSeconds>]) -> Vec<u64> {
        let jobs = self.rounds.last().map_or(&[][..], |round| &round.jobs);
        let last = jobs.iter().rposition(|place| has(seconds, *place));
        jobs[last.map_or(0, |last| last + 1)..].to_vec()
    }

    /// Has its run come to its end?
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// Where a simulated run of it began, min as the forecast counts; `None` on a bench.
    pub fn begin_min(&self) -> Option<f64> {
        self.begin.map(|begin| begin.now_min)
    }

    /// Were jobs left for want of time?
    pub fn leaves_something(&self) -> bool {
        !self.left.is_empty()
    }

    /// Marks the conditions of a judged run that no time was left for, or nobody was there for.
    pub fn mark(&self, run: &mut JudgedRun, forecast: &Forecast, hands: Option<&HandsNote>) {
        for place in &self.left {
            let job = usize::try_from(*place).ok().and_then(|place| forecast.jobs.get(place));
            if let Some(judged) = job.and_then(|job| run.conditions.get_mut(job.condition as usize)) {
                match hands.filter(|hands| hands.places.binary_search(place).is_ok()) {
                    Some(hands) => judged.leave_for_want_of_hands(self.hours, &hands.come),
                    None => judged.leave_for_want_of_time(self.hours),
                }
            }
        }
    }
}

/// What the last run of hours left because nobody was there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandsNote {
    /// When somebody comes, in words.
    pub come: String,
    /// Places of the jobs, in order.
    places: Vec<u64>,
}

impl HandsNote {
    /// Of what waits for hands that come then.
    pub fn new(come: String, waits: &ForHands) -> HandsNote {
        let mut places: Vec<u64> = waits.places.iter().copied().collect();
        places.sort_unstable();
        HandsNote { come, places }
    }

    /// Of a folder; `None` where nothing waits for hands.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn of(reader: &StoreReader) -> Result<Option<HandsNote>, Failure> {
        let noted = reader.noted(HANDS)?.filter(|text| !text.is_empty());
        let damaged = |error: serde_json::Error| {
            Failure::new(Exit::Store, format!("the note of {HANDS} is damaged: {error}"))
        };
        noted.map(|text| serde_json::from_str(&text).map_err(damaged)).transpose()
    }
}

/// A simulated run of given hours, as it is kept when another follows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Earlier {
    begin: Begin,
    jobs: Vec<u64>,
}

impl Earlier {
    /// What a note tells of its run; `None` on a bench, or where it did nothing.
    fn of(note: &HoursNote, held: &[Option<Held>]) -> Option<Earlier> {
        let night = note.night(&note.took(held)).filter(|night| !night.jobs.is_empty())?;
        Some(Earlier { begin: night.begin.into(), jobs: night.jobs })
    }
}

fn has(seconds: &[Option<JobSeconds>], place: u64) -> bool {
    usize::try_from(place).ok().and_then(|at| *seconds.get(at)?).is_some()
}

fn earlier(reader: &StoreReader) -> Result<Vec<Earlier>, Failure> {
    let noted = reader.noted(EARLIER)?;
    noted.map_or(Ok(Vec::new()), |text| {
        serde_json::from_str(&text)
            .map_err(|error| Failure::new(Exit::Store, format!("the note of {EARLIER} is damaged: {error}")))
    })
}

/// The run that a folder notes is over: another one follows, and its way out and home still counts.
pub fn keep_as_earlier(store: &mut Store, forecast: &Forecast) -> Result<(), Failure> {
    let Some(note) = HoursNote::of(store.reader())? else { return Ok(()) };
    let Some(one) = Earlier::of(&note, &held(forecast, store.reader())?) else { return Ok(()) };
    let mut all = earlier(store.reader())?;
    // It is kept once, whenever the next run was cut.
    if all.last() != Some(&one) {
        all.push(one);
    }
    let text = serde_json::to_string(&all).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
    store.note(EARLIER, &text).map_err(Failure::from)
}

/// Every simulated run of given hours in a folder, oldest first.
///
/// # Errors
/// Exit 74: the store cannot be read, or holds something else.
pub fn walked_nights(reader: &StoreReader, forecast: &Forecast) -> Result<Vec<WalkedNight>, Failure> {
    let (mut all, note) = (earlier(reader)?, HoursNote::of(reader)?);
    if let Some(note) = note {
        let last = Earlier::of(&note, &held(forecast, reader)?);
        all.extend(last.filter(|one| all.last() != Some(one)));
    }
    Ok(all.into_iter().map(|Earlier { begin, jobs }| WalkedNight { begin: begin.into(), jobs }).collect())
}

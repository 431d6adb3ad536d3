//! Given hours as they are foreseen: the rounds of a run in which every job takes what it is expected to, a search finds its answers where it
//! begins, and margins that are to be predicted are as the model has them by now.

use crate::console::exit::Failure;
use crate::forecast::Forecast;
use crate::run::held::held;
use crate::run::hours::{HoursNote, HoursWalk};
use crate::run::known::Known;
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::Basis;
use crate::run::prediction::foreseen::Foretold;
use crate::run::rate_search::RateSearch;
use crate::run::rounds::{Heard, Rounds, Worker};
use crate::run::simulated_run::Kept;
use crate::store::StoreReader;
use judge::highest_rate::Answer;
use judge::judged::JudgedRun;
use judge::{Foreseen, Worth, worths_foreseen};
use plan::Plan;
use schedule::{JobSeconds, Standing};
use std::collections::BTreeMap;
use std::path::Path;

/// What is asked for.
#[derive(Clone, Copy)]
pub struct AskedHours<'a, 'p> {
    pub plan: &'p Plan,
    /// Of the whole plan.
    pub forecast: &'p Forecast,
    pub hours: f64,
    /// Every job of the plan, and those that are selected.
    pub all: &'a [PendingJob],
    pub selected: &'a [PendingJob],
    /// Of those the ones that are still to be done.
    pub pending: &'a [PendingJob],
    /// Where the plan predicts what is not worth its hours.
    pub basis: Option<&'a Basis<'p>>,
}

/// What the hours would hold.
pub struct ForeseenHours<'p> {
    pub walk: HoursWalk<'p>,
    /// Where the bench stands before the first of them; later than the begin of the hours where a run that was cut goes on.
    pub stands: Standing,
    /// In the order in which they would be done.
    pub chosen: Vec<PendingJob>,
    /// What would be left.
    pub left: Vec<PendingJob>,
    /// What conditions are worth before anything of it is done.
    pub worths: Vec<Worth>,
}

impl<'p> ForeseenHours<'p> {
    /// Walks them, from what a folder holds.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come; exit 74: the store cannot be read.
    pub fn walk(
        asked: AskedHours<'_, 'p>,
        folder: Option<(&Path, &StoreReader)>,
    ) -> Result<ForeseenHours<'p>, Failure> {
        let AskedHours { plan, forecast, hours, all, selected, pending, basis } = asked;
        let mut known = Known::new(plan, &forecast.expansion);
        let mut search = match basis {
            Some(_) => None,
            None => RateSearch::new(plan, &forecast.expansion, selected),
        };
        let (mut before, mut results) = (None, vec![None; forecast.jobs.len()]);
        if let Some((dir, reader)) = folder {
            known.read(dir, reader, all)?;
            known.forget_all(pending);
            (before, results) = (HoursNote::of(reader)?, held(forecast, reader)?);
        }
        if let Some(search) = &mut search {
            search.begin(&known);
            search.ask_again(&known, |_| true);
        }
        let seconds: Vec<Option<JobSeconds>> =
            results.iter().map(|one| one.as_ref().map(|one| one.seconds)).collect();
        let visits = match basis {
            Some(basis) => {
                let foretold = match folder {
                    Some((_, reader)) => {
                        Foretold::of_folder(basis, (all, pending), reader, (&known, &seconds))?
                    }
                    None => Foretold::new(basis, all, None),
                };
                Some(Visits { foretold, due: Vec::new() })
            }
            None => None,
        };
        let mut walk = HoursWalk::begin((plan, forecast), hours, (before, &results), pending);
        let stands = walk.standing();
        let mut worker = AsExpected {
            plan,
            judged: known.judged(),
            foreseen: BTreeMap::new(),
            seconds,
            visits,
            done: Vec::new(),
        };
        let worths = worker.worths();
        let mut rounds = Rounds { search, hours: Some(&mut walk), left: pending.to_vec(), said: None };
        rounds.run(&mut worker)?;
        let left = worker.visits.map_or(rounds.left, Visits::rest);
        Ok(ForeseenHours { walk, stands, chosen: worker.done, left, worths })
    }
}

/// The visits of a walk with predictions.
struct Visits<'b> {
    foretold: Foretold<'b>,
    /// What is not done yet of the present one.
    due: Vec<PendingJob>,
}

impl Visits<'_> {
    fn rest(self) -> Vec<PendingJob> {
        let mut rest = self.due;
        rest.extend(self.foretold.rest());
        rest
    }
}

/// Nobody measures anything.
struct AsExpected<'b, 'p> {
    plan: &'p Plan,
    /// What is known now.
    judged: JudgedRun,
    /// What will be known then.
    foreseen: BTreeMap<u32, Foreseen>,
    seconds: Vec<Option<JobSeconds>>,
    visits: Option<Visits<'b>>,
    done: Vec<PendingJob>,
}

impl Worker for AsExpected<'_, '_> {
    fn answer(&mut self, search: &mut RateSearch<'_>) {
        for (condition, answer) in search.foretell() {
            let foreseen = if answer == Answer::Pass { Foreseen::JustPasses } else { Foreseen::JustFails };
            self.foreseen.insert(condition, foreseen);
        }
    }

    /// What is foreseen says nothing else as a whole.
    fn answer_again(&mut self, _: &mut RateSearch<'_>) {}

    fn visit(&mut self) -> Result<Option<Vec<PendingJob>>, Failure> {
        let Some(visits) = &mut self.visits else { return Ok(None) };
        if visits.due.is_empty() {
            visits.due = visits.foretold.visit().unwrap_or_default();
        }
        Ok(Some(visits.due.clone()))
    }

    fn worths(&self) -> Vec<Worth> {
        worths_foreseen(self.plan, &self.judged, &self.foreseen)
    }

    fn seconds(&self) -> Result<Vec<Option<JobSeconds>>, Failure> {
        Ok(self.seconds.clone())
    }

    fn keep(&mut self, _: &HoursNote) -> Result<(), Failure> {
        Ok(())
    }

    fn needs(&mut self, _: &[u64], _: bool) {}

    fn does(&mut self, jobs: &[PendingJob], _: bool, heard: &mut Heard<'_>) -> Result<(), Failure> {
        for one in jobs {
            match heard(one, None) {
                Kept::Yes => {}
                Kept::No => continue,
                Kept::NoMore => break,
            }
            self.done.push(*one);
            self.foreseen.entry(one.job.condition).or_insert(Foreseen::Measured);
            if let Some(visits) = &mut self.visits {
                visits.due.retain(|due| due.position != one.position);
            }
        }
        Ok(())
    }
}

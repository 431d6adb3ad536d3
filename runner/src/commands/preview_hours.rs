//! What a run of some hours would measure, and what it would leave: part of `preview`.

use crate::console::exit::Failure;
use crate::console::terminal::{duration, folded, table};
use crate::folder::run_folder::keys_of;
use crate::forecast::Forecast;
use crate::forecast::setup_list::setup_list;
use crate::run::hours::{Choice, learnt, next_begin, scheduled, seconds_of};
use crate::run::known::Known;
use crate::run::pending::{PendingJob, every_job};
use crate::run::prediction::choosing::Basis;
use crate::run::prediction::foreseen::{Foretold, SoFar};
use crate::run::prediction::note::chosen_so_far;
use crate::run::rate_search::{RateSearch, Wanted};
use crate::store::{Store, Target};
use judge::{Decides, Worth, worths};
use nightbench_core::text::counted;
use pages::setup_list::SetupList;
use plan::Plan;
use plan::matrix::Factor;
use schedule::{Standing, Walk, walk_from};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::path::Path;

/// Setups shown on the terminal.
const SHOWN: usize = 12;

/// What some hours would hold.
pub struct Tonight {
    hours: f64,
    from: Standing,
    /// The fewest hours that one job takes with its mounting, its ramps and the way home, where none fits.
    least_h: Option<f64>,
    /// Bench hours until it is back where hands are safe.
    used_h: f64,
    chosen: Vec<PendingJob>,
    left: Vec<PendingJob>,
    worths: Vec<Worth>,
    /// Jobs that the folder holds already.
    done: usize,
    /// What is left waits for hands: when they come, and the hours until then.
    hands_come: Option<(String, f64)>,
}

impl Tonight {
    /// Of a plan, narrowed to the forecast's conditions, going on from what `dir` holds of it. `basis`: where the plan predicts what is
    /// not worth its hours, only what is chosen is done.
    ///
    /// # Errors
    /// Exit 2 for a plan or folder that does not fit, exit 74 for a store that cannot be read.
    pub fn of(
        plan: &Plan,
        forecast: &Forecast,
        hours: f64,
        dir: &Path,
        basis: Option<&Basis<'_>>,
    ) -> Result<Tonight, Failure> {
        let reader = if Store::exists(dir)? { Some(Store::open_read_only(dir)?) } else { None };
        let target = match &reader {
            Some(reader) => reader.meta()?.target,
            None => Target::Simulated,
        };
        if let Some(reader) = &reader {
            // What is chosen rests on them.
            reader.verify()?;
        }
        let keys = keys_of(plan, &target)?;
        let all = every_job(forecast, &keys);
        let mut known = Known::new(plan, &forecast.expansion);
        let mut search = RateSearch::new(plan, &forecast.expansion, &all);
        let mut done = HashSet::new();
        if let Some(reader) = &reader {
            known.read(dir, reader, &all)?;
            if let Some(search) = &mut search {
                search.begin(&known);
                search.ask_again(&known, |_| true);
            }
            done = reader.done_keys()?;
        }
        let worths = worths(plan, &known.judged());
        let open: Vec<PendingJob> = all.iter().filter(|one| !done.contains(&one.key)).copied().collect();
        let wanted = |one: &PendingJob, alone: bool| {
            search.as_ref().map_or(Wanted::Now, |search| search.wants(one, alone))
        };
        let from = next_begin(plan, forecast, reader.as_ref())?;
        let choice = Choice {
            plan,
            forecast,
            problem: &forecast.problem,
            calendar: &forecast.calendar,
            from,
            last: None,
            end_min: from.now_min + 60.0 * hours,
            hands: true,
        };
        if let Some(basis) = basis {
            let kept = match &reader {
                Some(reader) => Some(chosen_so_far(reader, basis.marks())?),
                None => None,
            };
            let seconds = match &reader {
                Some(reader) => seconds_of(forecast, reader)?,
                None => Vec::new(),
            };
            let places = all.iter().filter(|one| done.contains(&one.key)).map(|one| one.position).collect();
            let so_far =
                kept.as_ref().map(|chosen| SoFar { chosen, known: &known, done: &places, seconds: &seconds });
            let (chosen, left, end) = visits(Foretold::new(basis, &all, so_far), choice, &worths);
            let used_h = (end.now_min - from.now_min) / 60.0;
            let hands_come = hands_come(&choice, (&left, &worths), end);
            let least_h = if chosen.is_empty() { least_hours(&choice, &left, &worths) } else { None };
            let done = places.len();
            return Ok(Tonight { hours, from, least_h, used_h, chosen, left, worths, done, hands_come });
        }
        let mut chosen = None;
        for alone in [false, true] {
            let asked: Vec<PendingJob> =
                open.iter().filter(|one| wanted(one, alone) == Wanted::Now).copied().collect();
            let found = choice.choose(&asked, &worths);
            if !found.jobs.is_empty() {
                chosen = Some(found);
                break;
            }
        }
        let (jobs, end) = chosen.map_or((Vec::new(), from), |found| (found.jobs, found.home));
        let used_h = (end.now_min - from.now_min) / 60.0;
        let keys: HashSet<[u8; 32]> = jobs.iter().map(|one| one.key).collect();
        let left: Vec<PendingJob> = open
            .iter()
            .filter(|one| !keys.contains(&one.key) && wanted(one, false) != Wanted::Never)
            .copied()
            .collect();
        let hands_come = hands_come(&choice, (&left, &worths), end);
        let least_h = if jobs.is_empty() { least_hours(&choice, &left, &worths) } else { None };
        let done = all.len() - open.len();
        Ok(Tonight { hours, from, least_h, used_h, chosen: jobs, left, worths, done, hands_come })
    }

    /// The forecast of these jobs alone, in their order, from where the bench stands.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn forecast(&self, whole: &Forecast) -> Result<Forecast, Failure> {
        let sequence: Vec<u32> = self.chosen.iter().map(|one| scheduled(whole, one)).collect();
        let schedule = walk_from(&whole.problem, &sequence, &whole.calendar, self.from)
            .map_err(|error| Failure::invalid(error.to_string()))?;
        Ok(Forecast { jobs: self.chosen.iter().map(|one| one.job).collect(), schedule, ..whole.clone() })
    }

    /// Its printable list.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn list(
        &self,
        plan: &Plan,
        whole: &Forecast,
        learned_from: Option<&str>,
    ) -> Result<SetupList, Failure> {
        let forecast = self.forecast(whole)?;
        let mut list = setup_list(plan, &forecast, learned_from)?;
        // The hours end it, and the bound on change-overs is that of the whole plan.
        let end_min = self.from.now_min + 60.0 * self.hours;
        let finish = forecast.finish()?;
        list.finish =
            [finish.p10_min, finish.p50_min, finish.p90_min].map(|at| forecast.clock(plan, at.min(end_min)));
        list.facts.retain(|(name, _)| name != "ramps and hands");
        list.facts.insert(0, ("hours of the run".into(), self.hours.to_string()));
        Ok(list)
    }

    /// The chosen jobs by setup, in the order in which they are mounted.
    fn setups(&self) -> Vec<Vec<PendingJob>> {
        self.chosen.chunk_by(|a, b| a.mounting() == b.mounting()).map(<[PendingJob]>::to_vec).collect()
    }

    /// For machines.
    pub fn machine(&self, plan: &Plan) -> Value {
        let kinds = |jobs: &[PendingJob]| -> Value {
            let counts = learnt(jobs, &self.worths);
            Decides::ALL
                .iter()
                .map(|why| {
                    (
                        json!(why).as_str().unwrap_or_default().to_string(),
                        json!(counts.get(why).unwrap_or(&0)),
                    )
                })
                .collect::<serde_json::Map<String, Value>>()
                .into()
        };
        let setups: Vec<Value> = self
            .setups()
            .iter()
            .map(|jobs| {
                let mounting = jobs[0].mounting_by_name(plan);
                json!({
                    "chip": mounting.chip, "module": mounting.module, "channel": mounting.channel, "jobs": jobs.len(),
                    "temperatures_degc": temperatures(plan, jobs), "conditions": kinds(jobs),
                })
            })
            .collect();
        json!({
            "least_hours": self.least_h, "hours": self.hours, "used_hours": self.used_h, "jobs": self.chosen.len(), "jobs_done_before": self.done,
            "conditions": kinds(&self.chosen), "setups": setups,
            "left": {"jobs": self.left.len(), "conditions": kinds(&self.left)},
        })
    }

    /// For people.
    pub fn words(&self, plan: &Plan) -> String {
        if self.chosen.is_empty() && self.left.is_empty() {
            return format!("{} done already: nothing is left to do.\n", counted(self.done, "job"));
        }
        let mut text = format!(
            "In {} h a run would do {} of {}, and be back where hands are safe after {}:\n",
            self.hours,
            self.chosen.len(),
            counted(self.chosen.len() + self.left.len(), "job"),
            duration(self.used_h * 3600.0)
        );
        if self.done > 0 {
            text = format!("{} done already.\n{text}", counted(self.done, "job"));
        }
        if plan.highest_rate.is_some() && !self.chosen.is_empty() {
            text.push_str(
                "These are the search's first questions. What their answers ask next, at the same setup and\n\
                 temperature first, is done in what is left of the hours.\n",
            );
        }
        let setups = self.setups();
        let rows: Vec<Vec<String>> = setups
            .iter()
            .take(SHOWN)
            .map(|jobs| {
                let mounting = jobs[0].mounting_by_name(plan);
                let celsius: Vec<String> =
                    temperatures(plan, jobs).iter().map(|celsius| celsius.to_string()).collect();
                vec![
                    format!("{} on {}", mounting.module, mounting.channel),
                    celsius.join(", "),
                    jobs.len().to_string(),
                ]
            })
            .collect();
        if !rows.is_empty() {
            text.push_str(&table(&["setup", "°C", "jobs"], &rows, 2));
            text.push('\n');
        }
        if let Some(more) = setups.len().checked_sub(SHOWN).filter(|more| *more > 0) {
            text.push_str(&format!("and {}\n", counted(more, "more mounting")));
        }
        let (now, later) = (learnt(&self.chosen, &self.worths), learnt(&self.left, &self.worths));
        let count = |counts: &BTreeMap<Decides, usize>, why| counts.get(why).copied().unwrap_or(0);
        let rows: Vec<Vec<String>> = Decides::ALL
            .iter()
            .filter(|why| count(&now, why) + count(&later, why) > 0)
            .map(|why| {
                let (now, later) = (count(&now, why), count(&later, why));
                vec![why.words().to_string(), now.to_string(), later.to_string()]
            })
            .collect();
        if !rows.is_empty() {
            text.push_str(&table(&["conditions", "measured", "left"], &rows, 1));
            text.push('\n');
        }
        let why = match &self.hands_come {
            Some((when, hours)) if self.chosen.is_empty() => Some(format!(
                "nobody is at the bench to mount anything before {when}, {hours:.1} h after the begin: begin then, or allow more hours than \
                 that"
            )),
            Some((when, _)) => {
                Some(format!("what is left needs hands: nobody is at the bench before {when}"))
            }
            None if self.chosen.is_empty() && !self.left.is_empty() => Some(match self.least_h {
                Some(least) => format!(
                    "nothing would end in time: one job with its mounting, its ramps and the way home takes {least:.2} h at least; allow \
                     that, or more"
                ),
                None => "nothing would end in time: allow more hours".into(),
            }),
            None => None,
        };
        if let Some(why) = why {
            text.push_str(&folded(&why, "", "  "));
        }
        text
    }
}

/// Where what is left waits for hands: when they come, in words and in hours from the begin.
fn hands_come(
    choice: &Choice<'_>,
    (left, worths): (&[PendingJob], &[Worth]),
    end: Standing,
) -> Option<(String, f64)> {
    let come = Choice { from: end, ..*choice }.waits_for_hands(left, worths)?;
    Some((choice.forecast.clock(choice.plan, come), (come - choice.from.now_min) / 60.0))
}

/// The fewest hours in which something would be done, to a hundredth.
fn least_hours(choice: &Choice<'_>, left: &[PendingJob], worths: &[Worth]) -> Option<f64> {
    let walk = Walk::new(choice.problem, choice.from, None, choice.calendar);
    let home = left.iter().map(|one| walk.home_after_min(scheduled(choice.forecast, one), None));
    let least_min = home.min_by(f64::total_cmp).filter(|home| home.is_finite())? - choice.from.now_min;
    let hours = (least_min / 60.0 * 100.0).ceil() / 100.0;
    let then = Choice { end_min: choice.from.now_min + 60.0 * hours, ..*choice };
    (!then.choose(left, worths).jobs.is_empty()).then_some(hours)
}

/// What fits, visit by visit, and what is left of all that would be asked; with where the bench stands when it is home.
fn visits(
    mut foretold: Foretold<'_>,
    choice: Choice<'_>,
    worths: &[Worth],
) -> (Vec<PendingJob>, Vec<PendingJob>, Standing) {
    let mut walk = Walk::new(choice.problem, choice.from, None, choice.calendar);
    let (mut chosen, mut left) = (Vec::new(), Vec::new());
    while left.is_empty()
        && let Some(mut due) = foretold.visit()
    {
        while !due.is_empty() {
            let from = match chosen.is_empty() {
                true => choice.from,
                false => Standing { now_min: walk.now_min(), ..walk.standing_at_home() },
            };
            let fits = Choice { from, ..choice }.choose(&due, worths).jobs;
            if fits.is_empty() {
                break;
            }
            for one in &fits {
                // It was walked when it was chosen.
                let _ = walk.take(scheduled(choice.forecast, one), None);
            }
            due.retain(|one| !fits.iter().any(|done| done.position == one.position));
            chosen.extend(fits);
        }
        left = due;
    }
    left.extend(foretold.rest());
    let end = if chosen.is_empty() { choice.from } else { walk.standing_at_home() };
    (chosen, left, end)
}

fn temperatures(plan: &Plan, jobs: &[PendingJob]) -> Vec<f64> {
    let levels: BTreeSet<usize> = jobs.iter().map(|one| one.condition.level(Factor::Temperature)).collect();
    let mut celsius: Vec<f64> = levels.iter().map(|level| plan.matrix.temperatures[*level].0).collect();
    celsius.sort_by(f64::total_cmp);
    celsius
}

//! What a run of some hours would measure, and what it would leave: part of `preview`.

use super::preview_folder::PreviewFolder;
use crate::console::exit::Failure;
use crate::console::terminal::{duration, folded, table};
use crate::forecast::Forecast;
use crate::forecast::setup_list::setup_list;
use crate::run::foreseen_hours::ForeseenHours;
use crate::run::hours::{learnt, scheduled};
use crate::run::pending::PendingJob;
use crate::run::prediction::choosing::Basis;
use judge::Decides;
use nightbench_core::text::counted;
use pages::setup_list::SetupList;
use plan::Plan;
use plan::matrix::Factor;
use schedule::walk_from;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Setups shown on the terminal.
const SHOWN: usize = 12;

/// What some hours would hold.
pub struct Tonight<'p> {
    hours: f64,
    seen: ForeseenHours<'p>,
    whole: &'p Forecast,
    /// Jobs that the folder holds already.
    done: usize,
    /// The fewest hours that one job takes with its mounting, its ramps and the way home, where none fits.
    least_h: Option<f64>,
    /// What is left waits for hands: when they come, and the hours until then.
    hands_come: Option<(String, f64)>,
}

impl<'p> Tonight<'p> {
    /// Of a plan with its folder. `basis`: where the plan predicts what is not worth its hours, only what is chosen is done.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come; exit 74.
    pub fn of(
        plan: &'p Plan,
        folder: &'p PreviewFolder,
        hours: f64,
        basis: Option<&Basis<'p>>,
    ) -> Result<Tonight<'p>, Failure> {
        let whole = folder.whole();
        let seen = folder.hours(plan, hours, basis)?;
        let begin_min = seen.walk.from().now_min;
        let hands_come = seen.walk.waits_for_hands(&seen.left, &seen.worths);
        let hands_come =
            hands_come.map(|waits| (whole.clock(plan, waits.come_min), (waits.come_min - begin_min) / 60.0));
        let least_h = match seen.chosen.is_empty() {
            true => seen.walk.least_hours(&seen.left, &seen.worths),
            false => None,
        };
        Ok(Tonight { hours, seen, whole, done: folder.done(), least_h, hands_come })
    }

    /// Bench hours of the run until it is back where hands are safe.
    fn used_h(&self) -> f64 {
        let (walk, chosen) = (&self.seen.walk, &self.seen.chosen);
        let end_min = if chosen.is_empty() { self.seen.stands.now_min } else { walk.home_min() };
        (end_min - walk.from().now_min) / 60.0
    }

    /// The forecast of these jobs alone, in their order, from where the bench stands.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn forecast(&self) -> Result<Forecast, Failure> {
        let (whole, seen) = (self.whole, &self.seen);
        let sequence: Vec<u32> = seen.chosen.iter().map(|one| scheduled(whole, one)).collect();
        let schedule = walk_from(seen.walk.problem(), &sequence, &whole.calendar, seen.stands)
            .map_err(|error| Failure::invalid(error.to_string()))?;
        Ok(Forecast { jobs: seen.chosen.iter().map(|one| one.job).collect(), schedule, ..whole.clone() })
    }

    /// Its printable list.
    ///
    /// # Errors
    /// Exit 2: attended hours that never come.
    pub fn list(&self, plan: &Plan, learned_from: Option<&str>) -> Result<SetupList, Failure> {
        let forecast = self.forecast()?;
        let mut list = setup_list(plan, &forecast, learned_from)?;
        // The hours end it, and the bound on change-overs is that of the whole plan.
        let end_min = self.seen.walk.end_min();
        let finish = forecast.finish()?;
        list.finish =
            [finish.p10_min, finish.p50_min, finish.p90_min].map(|at| forecast.clock(plan, at.min(end_min)));
        list.facts.retain(|(name, _)| name != "ramps and hands");
        list.facts.insert(0, ("hours of the run".into(), self.hours.to_string()));
        Ok(list)
    }

    /// The chosen jobs by setup, in the order in which they are mounted.
    fn setups(&self) -> Vec<Vec<PendingJob>> {
        self.seen.chosen.chunk_by(|a, b| a.mounting() == b.mounting()).map(<[PendingJob]>::to_vec).collect()
    }

    /// For machines.
    pub fn machine(&self, plan: &Plan) -> Value {
        let kinds = |jobs: &[PendingJob]| -> Value {
            let counts = learnt(jobs, &self.seen.worths);
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
        let clock = |at_min: f64| self.whole.clock(plan, at_min);
        json!({
            "least_hours": self.least_h, "hours": self.hours, "used_hours": self.used_h(), "waiting_hours": self.seen.walk.waited_h(), "begin": clock(self.seen.walk.from().now_min),
            "home_by": clock(self.seen.walk.end_min()), "jobs": self.seen.chosen.len(), "jobs_done_before": self.done,
            "conditions": kinds(&self.seen.chosen), "setups": setups,
            "left": {"jobs": self.seen.left.len(), "conditions": kinds(&self.seen.left)},
        })
    }

    /// For people.
    pub fn words(&self, plan: &Plan) -> String {
        if self.seen.chosen.is_empty() && self.seen.left.is_empty() {
            return format!("{} done already: nothing is left to do.\n", counted(self.done, "job"));
        }
        let words = format!(
            "In {} h a run would do {} of the {} to do, and be back where hands are safe after {}:",
            self.hours,
            self.seen.chosen.len(),
            counted(self.seen.chosen.len() + self.seen.left.len(), "job"),
            duration(self.used_h() * 3600.0)
        );
        let mut text = folded(&words, "", "  ");
        if self.seen.walk.goes_on() {
            let used = duration((self.seen.stands.now_min - self.seen.walk.from().now_min) * 60.0);
            text = format!("A run of {} h was cut and goes on: {used} of it are used.\n{text}", self.hours);
        }
        if self.done > 0 {
            text = format!("{} done already.\n{text}", counted(self.done, "job"));
        }
        if plan.highest_rate.is_some() && !self.seen.chosen.is_empty() {
            text.push_str(
                "As if each series of rates passed where it begins and failed one rate faster;\n\
                 other answers ask for other rates.\n",
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
        let (now, later) =
            (learnt(&self.seen.chosen, &self.seen.worths), learnt(&self.seen.left, &self.seen.worths));
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
            Some((when, hours)) if self.seen.chosen.is_empty() => Some(format!(
                "nobody is at the bench to mount anything before {when}, {hours:.1} h after the begin: begin then, or allow more hours than \
                 that"
            )),
            Some((when, _)) => {
                Some(format!("what is left needs hands: nobody is at the bench before {when}"))
            }
            None if self.seen.chosen.is_empty() && !self.seen.left.is_empty() => Some(match self.least_h {
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

fn temperatures(plan: &Plan, jobs: &[PendingJob]) -> Vec<f64> {
    let levels: BTreeSet<usize> = jobs.iter().map(|one| one.condition.level(Factor::Temperature)).collect();
    let mut celsius: Vec<f64> = levels.iter().map(|level| plan.matrix.temperatures[*level].0).collect();
    celsius.sort_by(f64::total_cmp);
    celsius
}

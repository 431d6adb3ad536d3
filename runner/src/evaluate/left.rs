//! What is left of a run: hours of the bench, its end, and when hands are wanted.

use super::bench_now::BenchNow;
use crate::console::exit::{Exit, Failure};
use crate::console::terminal::duration;
use crate::folder::run_folder::keys_of;
use crate::forecast::bench_clock::{BenchClock, FromNow};
use crate::forecast::folder_facts::PlanSize;
use crate::forecast::walked_nights::WalkedNight;
use crate::forecast::{Forecast, PRIOR_SD};
use crate::inputs::plan_file::PlanFile;
use crate::run::asked;
use crate::run::bench_run::{Beginning, HandsNow, bench_hours, local_minutes};
use crate::run::earlier_nights::EarlierNights;
use crate::run::hours::{HoursNote, scheduled, seconds_of, walked_nights};
use crate::run::known::Known;
use crate::run::pending::{PendingJob, every_job};
use crate::run::prediction::choosing::Basis;
use crate::run::prediction::foreseen::{Foretold, SoFar};
use crate::run::prediction::note::{Kept, Marks};
use crate::store::{Meta, StoreReader, Target};
use judge::judged::JudgedRun;
use nightbench_core::condition::ConditionState;
use plan::Plan;
use plan::attended::{dated_words, iso_words};
use plan::expand::Job;
use schedule::{Calendar, Mounting, Rest};
use std::collections::HashSet;
use std::path::Path;

/// Most jobs whose finish is worked out through the calendar; beyond it, ordering the plan again would make the
/// answer slow, and the size noted in the folder serves.
const MOST_ORDERED_JOBS: u64 = 10_000;

/// Module and channel of a mounting, as the ordering numbers them.
fn setup_words(plan: &Plan, mounting: &Mounting) -> Option<String> {
    let chips = plan.matrix.chips.len().max(1);
    let (level, chip) = (mounting.module as usize / chips, mounting.module as usize % chips);
    let module = plan.modules.get(*plan.matrix.modules.get(level)?)?;
    let channel = plan.channels.get(*plan.matrix.channels.get(mounting.channel as usize)?)?;
    let chip = plan.chips.get(*plan.matrix.chips.get(chip)?).filter(|_| chips > 1);
    let chip = chip.map_or_else(String::new, |chip| format!(", chip {}", chip.name));
    Some(format!("{}{chip} on {}", module.name, channel.name))
}

/// When a run ends: P10, P50 and P90.
pub struct Finish {
    pub at: [Moment; 3],
    pub from: FinishFrom,
}

/// A moment that is foreseen.
pub struct Moment {
    /// As it is told to people.
    pub words: String,
    /// Hours from where its [`FinishFrom`] says.
    pub hours: f64,
    /// Local time where there is a date, `2026-11-23T09:05`.
    pub date: Option<String>,
}

/// What a finish is counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FinishFrom {
    /// Now: a run goes on, or would go on now.
    Now,
    /// The begin of the plan.
    Begin,
    /// The begin of the next run, whenever that is.
    NextRun,
}

impl Finish {
    /// The words alone.
    pub fn words(&self) -> [String; 3] {
        std::array::from_fn(|at| self.at[at].words.clone())
    }
}

/// A moment of local time, min, on a bench.
fn on_the_wall(at_min: f64, now_min: f64) -> Moment {
    Moment { words: dated_words(at_min), hours: (at_min - now_min) / 60.0, date: Some(iso_words(at_min)) }
}

/// What is left of a run.
pub struct Left {
    /// Bench hours of what is done; unknown for very large plans, and on a bench before anything was recorded.
    pub done_hours: Option<f64>,
    /// Bench hours still to come.
    pub left_hours: f64,
    /// When the run ends; unknown for very large plans, and on a bench where the run alone knows what it still does.
    pub finish: Option<Finish>,
    /// When hands are needed next, and what is to be mounted then, where that is known.
    pub next: Option<(String, String)>,
    /// The earlier nights that the finish rests on, in words.
    pub learned_from: Option<String>,
    /// The hours of the run that goes on, where it is given some: what it does and when it ends follows from them.
    pub given: Option<Given>,
    /// Jobs still to come, where that is foretold and not planned.
    pub foretold_jobs: Option<usize>,
    /// Hours that the plan gives each run, where what is left takes more: it is not done in one.
    pub most_hours: Option<f64>,
}

/// Hours of a run that goes on.
pub struct Given {
    pub hours: f64,
    /// Bench hours of it that are used: on a bench by the clock, else those of its jobs.
    pub used: f64,
    /// When it is home at the latest.
    pub home_by: String,
}

impl Given {
    /// In words.
    pub fn words(&self) -> String {
        format!(
            "{} of its {} h are used; it is back where hands are safe by {} at the latest",
            duration(self.used * 3600.0),
            self.hours,
            self.home_by
        )
    }

    fn of(
        reader: &StoreReader,
        target: &Target,
        (plan, forecast): (&Plan, &Forecast),
        nights: &[WalkedNight],
    ) -> Result<Option<Given>, Failure> {
        let Some(note) = HoursNote::of(reader)?.filter(|note| !note.is_over()) else { return Ok(None) };
        let (home_by, used) = match target {
            Target::Simulated => {
                let Some(begin_min) = note.begin_min() else { return Ok(None) };
                let tonight = nights.last().filter(|night| night.begin.now_min.total_cmp(&begin_min).is_eq());
                let seconds = seconds_of(forecast, reader)?;
                let used = tonight.map_or(0.0, |night| night.minutes(forecast, &seconds).total() / 60.0);
                (forecast.clock(plan, begin_min + 60.0 * note.hours), used)
            }
            Target::Bench(_) => {
                let Some(beginning) = Beginning::of(reader)? else { return Ok(None) };
                // A prompt, and a job that has not ended, use hours too.
                let recorded = bench_hours(reader)?.total - beginning.earlier_s / 3600.0;
                // People come home by the clock on the wall.
                let home_by = dated_words(beginning.local_min + 60.0 * note.hours);
                (home_by, recorded.max(beginning.hours_gone()))
            }
        };
        Ok(Some(Given { hours: note.hours, used, home_by }))
    }
}

/// The jobs that a run with predictions will still do, by what it knows now; `None` where nothing is chosen any more, or a plan has
/// no predictions.
///
/// # Errors
/// Exit 74: the store or its plan cannot be read.
pub fn to_come(
    dir: &Path,
    reader: &StoreReader,
    meta: &Meta,
    size: &PlanSize,
) -> Result<Option<Vec<PendingJob>>, Failure> {
    let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
        .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
    let plan = &file.plan;
    let Some(asked) = plan.predicted.filter(|_| size.jobs <= MOST_ORDERED_JOBS) else { return Ok(None) };
    let forecast = Forecast::new(plan, &[])?;
    let keys = keys_of(plan, &meta.target)?;
    let marks = Marks::of(&file.text, &forecast.expansion, &keys);
    let kept = Kept::of(reader, &marks)?.filter(|kept| !kept.chosen.finished);
    let Some(kept) = kept else { return Ok(None) };
    let basis = Basis::new(plan, &forecast, asked, (&kept.prior, marks), meta.seed);
    let all = every_job(&forecast, &keys);
    let mut known = Known::new(plan, &forecast.expansion);
    known.read(dir, reader, &all)?;
    let keys = reader.done_keys()?;
    let done = all.iter().filter(|one| keys.contains(&one.key)).map(|one| one.position).collect();
    let seconds = seconds_of(&forecast, reader)?;
    let so_far = SoFar { chosen: &kept.chosen, known: &known, done: &done, seconds: &seconds };
    Ok(Some(Foretold::new(&basis, &all, Some(so_far)).rest()))
}

/// Jobs that the last run was asked for by name and has not done, though the plan as judged does not count on them: not needed, or
/// predicted.
///
/// # Errors
/// Exit 74: the store or its plan cannot be read.
pub fn asked_and_left(reader: &StoreReader, meta: &Meta, run: &JudgedRun) -> Result<usize, Failure> {
    let places = asked::noted(reader)?;
    if places.is_empty() {
        return Ok(0);
    }
    let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
        .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
    let forecast = Forecast::new(&file.plan, &[])?;
    let all = every_job(&forecast, &keys_of(&file.plan, &meta.target)?);
    let done = reader.done_keys()?;
    let is_left = |place: &&u64| {
        let one = usize::try_from(**place).ok().and_then(|place| all.get(place));
        one.is_some_and(|one| {
            let judged = run.conditions.get(one.job.condition as usize);
            let uncounted = judged.is_some_and(|judged| {
                matches!(judged.state, ConditionState::NotNeeded | ConditionState::Predicted)
            });
            uncounted && !done.contains(&one.key)
        })
    };
    Ok(places.iter().filter(is_left).count())
}

/// Places of the jobs that a plan does not count on any more: a search does not need them, or their verdict is predicted.
pub fn uncounted(run: &JudgedRun, forecast: &Forecast) -> Vec<u64> {
    let is_uncounted = |job: &Job| {
        let judged = run.conditions.get(job.condition as usize);
        judged.is_some_and(|judged| {
            matches!(judged.state, ConditionState::NotNeeded | ConditionState::Predicted)
        })
    };
    (0..).zip(&forecast.jobs).filter(|(_, job)| is_uncounted(job)).map(|(place, _)| place).collect()
}

impl Left {
    /// Of a folder in which `done` jobs are done. `going_on`: a run is at work in it now. `run`: its judged conditions, where they are at
    /// hand: those not needed, or predicted, are not left. `to_come`: the jobs still to be done, where that is not all of them.
    ///
    /// # Errors
    /// Exit 74: the store or its plan cannot be read.
    pub fn of(
        reader: &StoreReader,
        meta: &Meta,
        size: &PlanSize,
        done: usize,
        going_on: bool,
        run: Option<&JudgedRun>,
        to_come: Option<&[PendingJob]>,
    ) -> Result<Left, Failure> {
        if size.jobs > MOST_ORDERED_JOBS {
            let share = 1.0 - done as f64 / size.jobs.max(1) as f64;
            return Ok(Left {
                done_hours: None,
                left_hours: size.bench_hours * share.max(0.0),
                finish: None,
                next: None,
                learned_from: None,
                given: None,
                foretold_jobs: None,
                most_hours: None,
            });
        }
        let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
            .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
        let mut forecast = Forecast::new(&file.plan, &[])?;
        let (earlier, tonight) = EarlierNights::so_far(reader, going_on)?;
        forecast.learned = earlier.learned(PRIOR_SD);
        // When the next run on a bench begins nobody knows: what is left is told from there on, as if hands came at any hour. A simulated run
        // goes on in the plan's own time.
        let is_bench = matches!(meta.target, Target::Bench(_));
        let unknown_begin = is_bench && !going_on && done > 0;
        if unknown_begin {
            forecast.calendar = Calendar::always();
        }
        let nights = walked_nights(reader, &forecast)?;
        let given = match going_on {
            true => Given::of(reader, &meta.target, (&file.plan, &forecast), &nights)?,
            false => None,
        };
        let mut clock = BenchClock::of_store(&file.plan, &forecast, reader)?.with_nights(nights);
        if let Some(night) = tonight {
            clock = clock.by_the_bench(night);
        }
        let not_needed: HashSet<u64> =
            run.map_or_else(HashSet::new, |run| uncounted(run, &forecast).into_iter().collect());
        if !not_needed.is_empty() {
            clock.leave_out(&not_needed.iter().copied().collect::<Vec<u64>>());
        }
        if let Some(to_come) = to_come {
            clock = clock.only(to_come.iter().map(|one| one.position));
        }
        let observed = clock.observed(if unknown_begin { Rest::AfterStop } else { Rest::InTurn })?;
        let chosen_h = run.and_then(|run| run.audit.predictions.as_ref()?.hours).map(|(_, done)| done);
        let done_min = match meta.target {
            Target::Simulated => {
                let done = clock.done()?;
                chosen_h.map_or(done.total() - done.waiting, |hours| 60.0 * hours)
            }
            // A bench has a clock of its own.
            Target::Bench(_) => {
                let hours = bench_hours(reader)?;
                60.0 * (hours.total - hours.waiting)
            }
        };
        if going_on && let Target::Bench(_) = meta.target {
            let of = (&file.plan, &forecast);
            let now = BenchNow::of(reader, meta, of, &not_needed)?;
            let (finish, next) = now.ahead(&forecast, &observed.learned)?;
            // A bench knows the clock on the wall.
            let words = dated_words;
            let wanted = HandsNow::of(reader)?.map(|wanted| {
                let until =
                    wanted.until.map_or_else(String::new, |until| format!(" (until {until} at the latest)"));
                (format!("now{until}"), wanted.mount)
            });
            return Ok(Left {
                // What goes on is recorded when it ends.
                done_hours: Some(done_min / 60.0).filter(|hours| now.measured || *hours > 0.0),
                left_hours: observed.left_min / 60.0,
                finish: finish.map(|range| Finish {
                    at: [range.p10_min, range.p50_min, range.p90_min]
                        .map(|at| on_the_wall(at, local_minutes())),
                    from: FinishFrom::Now,
                }),
                next: wanted.or_else(|| {
                    let next = next?;
                    let mounting = forecast.problem.mountings().get(next.mounting as usize)?;
                    let when =
                        next.hands_min.map_or_else(|| "as soon as the run asks for them".into(), words);
                    Some((when, setup_words(&file.plan, mounting)?))
                }),
                learned_from: earlier.words(PRIOR_SD),
                given,
                foretold_jobs: to_come.map(<[PendingJob]>::len),
                most_hours: None,
            });
        }
        let most_hours = file.plan.bench_limits.most_hours;
        let most_hours = most_hours.filter(|most| !going_on && observed.left_min > 60.0 * most);
        if is_bench
            && !going_on
            && let Some(attended) = &file.plan.attended
        {
            // It is told as if it went on now, by the clock on the wall.
            let own_hours = Beginning::of(reader)?.is_some_and(|beginning| beginning.own_hours);
            let now_min = local_minutes();
            let ahead = clock.from_now(&attended.calendar, &observed.learned, (now_min, false))?;
            let ahead = ahead.filter(|_| !own_hours && given.is_none() && most_hours.is_none());
            // What hours leave is chosen when the next run begins.
            let chosen_anew = HoursNote::of(reader)?.is_some();
            let hands = ahead.as_ref().and_then(|ahead| ahead.hands).filter(|_| !chosen_anew);
            let next = hands.and_then(|(at_min, mounting)| {
                let mounting = forecast.problem.mountings().get(mounting as usize)?;
                Some((dated_words(at_min), setup_words(&file.plan, mounting)?))
            });
            return Ok(Left {
                done_hours: Some(done_min / 60.0),
                left_hours: observed.left_min / 60.0,
                finish: ahead.map(|FromNow { finish, .. }| Finish {
                    at: [finish.p10_min, finish.p50_min, finish.p90_min].map(|at| on_the_wall(at, now_min)),
                    from: FinishFrom::Now,
                }),
                next,
                learned_from: earlier.words(PRIOR_SD),
                given,
                foretold_jobs: to_come.map(<[PendingJob]>::len),
                most_hours,
            });
        }
        // Where hours of the day matter, the end is a date of the plan.
        let by_date = going_on || done == 0 || (!is_bench && file.plan.attended.is_some());
        let from = match (going_on, by_date) {
            (true, _) => FinishFrom::Now,
            (false, true) if done == 0 => FinishFrom::Begin,
            _ => FinishFrom::NextRun,
        };
        let dated = file.plan.attended.as_ref().is_some_and(|attended| attended.dated);
        let end = |minutes: f64| {
            let hours = (minutes - observed.done.finish_min).max(0.0) / 60.0;
            let at_min = clock.end_min(&observed, minutes, done_min);
            match by_date {
                true => Moment {
                    words: forecast.clock(&file.plan, at_min),
                    hours,
                    date: dated.then(|| iso_words(at_min)),
                },
                false => Moment {
                    words: match hours > 0.0 {
                        true => format!("{} into the next run", duration(hours * 3600.0)),
                        false => "as the next run begins".into(),
                    },
                    hours,
                    date: None,
                },
            }
        };
        // Whoever goes on after a stop mounts what comes first, whatever was done of it.
        let moments = match !going_on && done > 0 {
            true => clock.observed(Rest::AfterStop)?.moments,
            false => observed.moments.clone(),
        };
        // What is chosen as the run goes on need not come in the plan's order.
        let first = to_come.and_then(|jobs| {
            let mut mountings =
                jobs.iter().map(|one| forecast.problem.mounting_of(scheduled(&forecast, one)));
            mountings.find(|mounting| moments.iter().any(|moment| Some(moment.mounting) == *mounting))?
        });
        // What hours leave is chosen when the next run begins.
        let chosen_anew = given.is_some() || HoursNote::of(reader)?.is_some();
        let next = moments.first().filter(|_| !chosen_anew).and_then(|moment| {
            let mounting = first.unwrap_or(moment.mounting);
            let setup = setup_words(&file.plan, forecast.problem.mountings().get(mounting as usize)?)?;
            Some((end(moment.start_min).words, setup))
        });
        Ok(Left {
            done_hours: Some(done_min / 60.0),
            left_hours: observed.left_min / 60.0,
            finish: Some(Finish {
                at: [observed.finish.p10_min, observed.finish.p50_min, observed.finish.p90_min].map(end),
                from,
            })
            .filter(|_| given.is_none() && most_hours.is_none()),
            next,
            learned_from: earlier.words(PRIOR_SD),
            given,
            foretold_jobs: to_come.map(<[PendingJob]>::len),
            most_hours,
        })
    }
}

//! When each job ran: clock time on a bench, composed bench time on the simulated target, which keeps no common clock.

use crate::forecast::Forecast;
use crate::forecast::walked_nights::WalkedNight;
use crate::store::{StoredJob, Target};
use judge::judged::{HandsMoment, TimelineStep};
use nightbench_core::results::JobOutcome;
use plan::expand::Job;
use plan::keys::{JobKeys, short_key};
use rayon::prelude::*;
use schedule::{Calendar, JobSeconds, Walk, change_overs};
use std::collections::{HashMap, HashSet};

/// What of a stored job the time line needs.
pub struct Ran {
    key: [u8; 32],
    condition: u32,
    setup: (u16, u16, u16, u16),
    from_s: f64,
    to_s: f64,
    spent_s: f64,
    set_degc: f64,
    achieved_degc: Option<f64>,
    fault: bool,
}

impl Ran {
    /// Keeps what is needed of a stored job.
    pub fn new(stored: &StoredJob, job: &Job, forecast: &Forecast) -> Ran {
        let setup = forecast.expansion.conditions[job.condition as usize].setup();
        Ran {
            key: stored.row.key,
            condition: job.condition,
            setup: (setup.0, setup.1, setup.2, job.mounting),
            from_s: stored.row.started_bench_s,
            to_s: stored.row.ended_bench_s,
            spent_s: stored.times.training_s + stored.times.measuring_s,
            set_degc: stored.row.temperature_set_degc,
            achieved_degc: stored.readback.as_ref().map(|readback| readback.temperature.0),
            fault: matches!(stored.outcome, JobOutcome::NotMeasured(_)),
        }
    }
}

/// How the runs of a simulated folder were done.
#[derive(Clone, Copy)]
pub enum Composed<'a> {
    /// In the plan's order.
    InTurn,
    /// In an order of its own: places in the plan's.
    Chosen(&'a [u64]),
    /// Runs of given hours, each with its own way out and home; what other runs did in the plan's order after them.
    Nights(&'a [WalkedNight]),
}

/// The jobs in the order they ran, and where the hours come from.
pub fn compose(
    mut ran: Vec<Ran>,
    target: &Target,
    forecast: &Forecast,
    keys: &JobKeys<'_>,
    composed: Composed<'_>,
) -> (Vec<TimelineStep>, String) {
    let step = |ran: &Ran, from_s: f64, begin_s: f64, end_s: f64, hands: Option<HandsMoment>| TimelineStep {
        condition: ran.condition as usize,
        key: short_key(&ran.key),
        from_h: from_s / 3600.0,
        begin_h: begin_s / 3600.0,
        end_h: end_s / 3600.0,
        hands,
        set_degc: ran.set_degc,
        achieved_degc: ran.achieved_degc,
        fault: ran.fault,
    };
    let mut steps = Vec::with_capacity(ran.len());
    if *target != Target::Simulated {
        ran.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
        let (mut last_s, mut fitted) = (0.0f64, None);
        for ran in &ran {
            // The job begins once what it needs is fitted and checked.
            let hands = (fitted != Some(ran.setup))
                .then_some(HandsMoment { hour_h: ran.from_s / 3600.0, chamber_degc: None });
            fitted = Some(ran.setup);
            // Training and measuring come last; before them the bench was switched, ramped and soaked.
            let begin_s = (ran.to_s - ran.spent_s).clamp(ran.from_s, ran.to_s);
            let begin_s = if ran.spent_s > 0.0 { begin_s } else { ran.from_s };
            steps.push(step(ran, last_s.min(ran.from_s), begin_s, ran.to_s, hands));
            last_s = ran.to_s;
        }
        return (steps, String::new());
    }
    let places: HashMap<[u8; 32], usize> = forecast
        .jobs
        .par_iter()
        .enumerate()
        .map(|(place, job)| (keys.key(&forecast.expansion.conditions[job.condition as usize], job), place))
        .collect();
    let place = |ran: &Ran| places.get(&ran.key).copied().unwrap_or(usize::MAX);
    let (mut now_s, mut of_nights) = (0.0, HashSet::new());
    if let Composed::Nights(nights) = composed {
        let by_place: HashMap<u64, &Ran> = ran.iter().map(|one| (place(one) as u64, one)).collect();
        // Waiting for attended hours is no work of the bench.
        let always = Calendar::always();
        for night in nights {
            let mut walk = Walk::new(&forecast.problem, night.begin, None, &always);
            let at_s = |min: f64| now_s + 60.0 * (min - night.begin.now_min);
            for number in &night.jobs {
                let job = usize::try_from(*number).ok().and_then(|at| forecast.schedule.sequence.get(at));
                let (Some(ran), Some(job)) = (by_place.get(number), job) else { continue };
                let (before, away) = (walk.clone(), walk.standing_at_home());
                let took = JobSeconds { measuring_s: ran.spent_s, training_s: 0.0 };
                if walk.take(*job, Some(took)).is_err() {
                    continue;
                }
                let end_s = at_s(walk.now_min());
                let mounts = before.standing().mounted != walk.standing().mounted;
                let hands = mounts.then(|| HandsMoment {
                    hour_h: at_s(away.now_min) / 3600.0,
                    chamber_degc: Some(away.chamber_c),
                });
                steps.push(step(ran, at_s(before.now_min()), end_s - ran.spent_s, end_s, hands));
                of_nights.insert(ran.key);
            }
            now_s = at_s(walk.home_min());
        }
    }
    ran.retain(|one| !of_nights.contains(&one.key));
    let chosen = match composed {
        Composed::Chosen(chosen) => Some(chosen),
        Composed::InTurn | Composed::Nights(_) => None,
    };
    let turns: Option<HashMap<u64, usize>> =
        chosen.map(|chosen| chosen.iter().enumerate().map(|(turn, place)| (*place, turn)).collect());
    ran.sort_by_key(|ran| match &turns {
        None => place(ran),
        Some(turns) => turns.get(&(place(ran) as u64)).copied().unwrap_or(usize::MAX),
    });
    let sequence: Vec<u32> = ran
        .iter()
        .map(|ran| forecast.schedule.sequence.get(place(ran)).copied().unwrap_or(u32::MAX))
        .collect();
    for (ran, change) in ran.iter().zip(change_overs(&forecast.problem, &sequence)) {
        let begin_s = now_s + 60.0 * change.minutes;
        let end_s = begin_s + ran.spent_s;
        let hands = change.hands.map(|hands| HandsMoment {
            hour_h: (now_s + 60.0 * hands.after_min) / 3600.0,
            chamber_degc: Some(hands.chamber_c),
        });
        steps.push(step(ran, now_s, begin_s, end_s, hands));
        now_s = end_s;
    }
    let order = match composed {
        Composed::InTurn => "the plan's order",
        Composed::Chosen(_) => "the order in which they were chosen",
        Composed::Nights(_) => "the order of its run, each run of given hours with its own way out and home",
    };
    let words = format!(
        "Hours are composed: each job's own bench time in {order}, with the change-overs of the plan's bench times between them."
    );
    (steps, words)
}

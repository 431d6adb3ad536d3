//! What to mount when, from a forecast: the values of the terminal's list and of the printable page.

use crate::console::exit::Failure;
use crate::console::terminal::duration;
use crate::forecast::Forecast;
use pages::setup_list::{ListedMounting, Segment, SegmentKind, SetupList, Timeline};
use plan::Plan;
use plan::attended::{day_and_clock, short_weekday};
use plan::expand::Condition;
use plan::matrix::Factor;
use schedule::Stretch;
use schedule::calendar::DAY_MIN;
use std::collections::HashMap;

/// Rows of the timeline at most: a year.
const MOST_DAYS: usize = 366;

/// Builds the list of a plan's forecast; `learned_from`: the nights that its range rests on, in words.
///
/// # Errors
/// Exit 2: attended hours that never come.
pub fn setup_list(
    plan: &Plan,
    forecast: &Forecast,
    learned_from: Option<&str>,
) -> Result<SetupList, Failure> {
    let clock = |t: f64| forecast.clock(plan, t);
    let finish = forecast.finish()?;
    let hours = forecast.schedule.hours();
    let (least, ratio) = (least_change_over_h(plan, forecast), change_over_ratio(plan, forecast));
    let facts = [
        ("jobs", forecast.jobs.len().to_string()),
        ("hands-on changes", forecast.schedule.cost.changes.to_string()),
        ("bench time", duration(hours.total * 3600.0)),
        ("measuring and training", duration((hours.measuring + hours.training) * 3600.0)),
        ("ramps, soak, settling", duration((hours.ramps + hours.soak + hours.settle) * 3600.0)),
        ("hands, mounting checks, boot", duration((hours.hands_on + hours.boot) * 3600.0)),
        ("waiting for hands", duration(hours.waiting * 3600.0)),
        ("ramps and hands", format!("{ratio:.3} x the least possible ({least:.1} h)")),
    ];
    Ok(SetupList {
        title: plan.title.clone(),
        purpose: plan.purpose.clone(),
        begin: clock(forecast.schedule.start_min),
        expected: clock(forecast.schedule.finish_min),
        finish: [finish.p10_min, finish.p50_min, finish.p90_min].map(clock),
        learned_from: learned_from.map(Into::into),
        facts: facts.into_iter().map(|(name, value)| (name.to_string(), value)).collect(),
        cautions: cautions(plan),
        mountings: mountings(plan, forecast),
        timeline: timeline(plan, forecast),
    })
}

/// Least ramps and hands, hours, of any order with no more hands-on changes than the forecast's: the larger of two proven bounds,
/// the one that knows of no price, and the priced one less the price of those changes.
pub fn least_change_over_h(plan: &Plan, forecast: &Forecast) -> f64 {
    let bound = &forecast.order.bound;
    let price = plan.times.price_min * f64::from(forecast.schedule.cost.changes);
    bound.ramps_and_hands_min.max(bound.change_over_min - price) / 60.0
}

/// Ramps and hands of the order over [`least_change_over_h`]; 1 where there is nothing to do.
pub fn change_over_ratio(plan: &Plan, forecast: &Forecast) -> f64 {
    let minutes = &forecast.schedule.cost.minutes;
    let least = least_change_over_h(plan, forecast) * 60.0;
    if least > 0.0 { (minutes.ramps() + minutes.hands_on) / least } else { 1.0 }
}

/// What to mind at every change; local rules come first.
pub fn cautions(plan: &Plan) -> Vec<String> {
    let times = &plan.times;
    vec![
        format!(
            "Supplies off, and the chamber between {} and {} °C: hot and cold parts burn.",
            times.touch_safe_lo_c, times.touch_safe_hi_c
        ),
        "Wrist strap on: modules and test chip are sensitive to static discharge.".into(),
        format!(
            "Stay until the mounting check is through (about {:.0} min after boot): it may ask for a re-seat.",
            (times.mounting_check_s / 60.0).ceil()
        ),
        "Local safety rules come before this list; software is no interlock.".into(),
    ]
}

/// The hands-on moments in order.
pub fn mountings(plan: &Plan, forecast: &Forecast) -> Vec<ListedMounting> {
    let schedule = &forecast.schedule;
    let stretches = forecast.stretches();
    // What is mounted as it begins needs no hands.
    let before = stretches.len().saturating_sub(schedule.moments.len());
    let module = |condition: &Condition| {
        let name = condition.module(plan).name.clone();
        if plan.matrix.chips.len() > 1 { format!("{name}, chip {}", condition.chip(plan).name) } else { name }
    };
    let setups: Vec<_> = stretches.iter().map(|stretch| forecast.condition(stretch.first).setup()).collect();
    schedule
        .moments
        .iter()
        .zip(stretches.iter().skip(before))
        .zip(relations(&stretches, &setups).into_iter().skip(before))
        .enumerate()
        .map(|(index, ((moment, stretch), relation))| {
            let condition = forecast.condition(stretch.first);
            let take_out =
                (index + before).checked_sub(1).map(|before| forecast.condition(stretches[before].first));
            ListedMounting {
                number: index + 1,
                when: forecast.clock(plan, moment.start_min),
                leave: brief(plan, forecast, moment.leave_min),
                hands_free_until: forecast.clock(plan, moment.hands_free_until_min),
                hands_free_for: duration((moment.hands_free_until_min - moment.leave_min) * 60.0),
                module: module(condition),
                channel: condition.channel(plan).name.clone(),
                channel_changes: moment.channel,
                take_out: take_out.map(|old| format!("{} on {}", module(old), old.channel(plan).name)),
                relation,
                jobs: stretch.end - stretch.first,
                temperatures: temperatures(plan, forecast, stretch.first, stretch.end),
                last: index + 1 == schedule.moments.len(),
            }
        })
        .collect()
}

/// How each mounting belongs together with others of its setup: the rest of one that the order cut in two (or a job measured again), or
/// a re-seat that the plan asks for.
fn relations(stretches: &[Stretch], setups: &[(u16, u16, u16)]) -> Vec<Option<String>> {
    let (mut part_of, mut first_of) = (HashMap::new(), HashMap::new());
    let earlier: Vec<(Option<usize>, Option<usize>)> = stretches
        .iter()
        .zip(setups)
        .enumerate()
        .map(|(index, (stretch, setup))| {
            let first = *first_of.entry(*setup).or_insert(index);
            (part_of.insert(stretch.mounting, index), (first < index).then_some(first))
        })
        .collect();
    let mut rest_of = HashMap::new();
    let mut words: Vec<Option<String>> = stretches
        .iter()
        .zip(earlier)
        .enumerate()
        .rev()
        .map(|(index, (stretch, (part, first)))| {
            let rest = rest_of.insert(stretch.mounting, index);
            match (part, first, rest) {
                (Some(part), ..) => Some(format!("goes on from number {}", part + 1)),
                (None, Some(first), _) => Some(format!("re-seat: first mounted as number {}", first + 1)),
                (None, None, Some(rest)) => Some(format!("goes on at number {}", rest + 1)),
                (None, None, None) => None,
            }
        })
        .collect();
    words.reverse();
    words
}

/// The time of day alone, or the time since the begin.
fn brief(plan: &Plan, forecast: &Forecast, t_min: f64) -> String {
    match plan.attended {
        Some(_) => day_and_clock(t_min).1,
        None => {
            forecast.clock(plan, t_min).rsplit_once(", ").map_or(String::new(), |(_, time)| time.to_string())
        }
    }
}

/// Temperatures in the order they come.
fn temperatures(plan: &Plan, forecast: &Forecast, first: usize, end: usize) -> String {
    let mut levels: Vec<usize> = Vec::new();
    for position in first..end {
        let level = forecast.condition(position).level(Factor::Temperature);
        if levels.last() != Some(&level) {
            levels.push(level);
        }
    }
    let more = levels.len().saturating_sub(12);
    levels.truncate(12);
    let names: Vec<String> =
        levels.iter().map(|level| plan.level_name(Factor::Temperature, *level)).collect();
    let rest = if more > 0 { format!(" and {more} more changes") } else { String::new() };
    format!("{} °C{rest}", names.join(", "))
}

fn timeline(plan: &Plan, forecast: &Forecast) -> Timeline {
    let schedule = &forecast.schedule;
    let first_min = match plan.attended {
        Some(_) => (schedule.start_min / DAY_MIN).floor() * DAY_MIN,
        None => schedule.start_min,
    };
    let days = (((schedule.finish_min - first_min) / DAY_MIN).ceil() as usize).clamp(1, MOST_DAYS);
    let rows = (0..days).map(|row| match &plan.attended {
        Some(attended) => {
            let day = (first_min / DAY_MIN) as i64 + row as i64;
            let words = attended.words(day as f64 * DAY_MIN);
            let date = words.rsplit_once(' ').map_or(words.as_str(), |(date, _)| date);
            if attended.dated { date.to_string() } else { format!("day {}, {}", row + 1, short_weekday(day)) }
        }
        None => format!("day {}", row + 1),
    });
    let attended = match &plan.attended {
        Some(attended) => (0..days as i64)
            .flat_map(|row| {
                let day = (first_min / DAY_MIN) as i64 + row;
                let at = day as f64 * DAY_MIN;
                let hours = attended.calendar.hours_on(day).to_vec();
                hours.into_iter().map(move |(from, to)| (at + f64::from(from), at + f64::from(to)))
            })
            .collect(),
        None => Vec::new(),
    };
    let mut segments = Vec::new();
    let mut add = |from_min: f64, to_min: f64, kind, number| {
        if to_min > from_min + 1e-6 {
            segments.push(Segment { from_min, to_min, kind, number });
        }
    };
    for (index, moment) in schedule.moments.iter().enumerate() {
        add(moment.ready_min, moment.start_min, SegmentKind::Waiting, index);
        add(moment.start_min, moment.leave_min, SegmentKind::Hands, index + 1);
        add(moment.leave_min, moment.hands_free_until_min, SegmentKind::Work, index + 1);
    }
    Timeline { first_min, rows: rows.collect(), attended, segments }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mountings_of_one_setup_name_each_other() {
        let stretch = |mounting| Stretch { mounting, first: 0, end: 1 };
        // One cut in two, another in three, a re-seat, and one alone.
        let stretches = [0, 1, 0, 2, 3, 2, 2].map(stretch);
        let setups = [(0, 0, 0), (0, 1, 0), (0, 0, 0), (0, 2, 0), (0, 1, 0), (0, 2, 0), (0, 2, 0)];
        let words = relations(&stretches, &setups);
        let said: Vec<&str> = words.iter().map(|words| words.as_deref().unwrap_or("")).collect();
        assert_eq!(
            said,
            [
                "goes on at number 3",
                "",
                "goes on from number 1",
                "goes on at number 6",
                "re-seat: first mounted as number 2",
                "goes on from number 4",
                "goes on from number 6"
            ]
        );
    }
}

//! When a previewed plan ends.

use crate::console::exit::Failure;
use crate::console::terminal::folded;
use crate::forecast::Forecast;
use plan::Plan;
use schedule::finish_bound;

/// The end in words; `learned_from`: the nights that its range rests on.
pub fn finish_words(plan: &Plan, forecast: &Forecast, learned_from: Option<&str>) -> Result<String, Failure> {
    let finish = forecast.finish()?;
    let clock = |t: f64| forecast.clock(plan, t);
    let mut text = String::from("\n");
    if let Some(attended) = &plan.attended {
        text.push_str(&format!("begins      {}\n", clock(forecast.schedule.start_min)));
        if !attended.dated {
            text.push_str("            (no `start` in [attended]: weeks are counted, not dates)\n");
        }
    }
    text.push_str(&format!(
        "ends  expected  {}  (everything takes its expected time)\n      P10       {}  (one run in ten is through by then)\n      \
         P50       {}  (every second one)\n      P90       {}  (nine in ten)\n",
        clock(forecast.schedule.finish_min),
        clock(finish.p10_min),
        clock(finish.p50_min),
        clock(finish.p90_min)
    ));
    if let Some(words) = learned_from {
        text.push_str(&folded(words, "", "  "));
    }
    if forecast.schedule.cost.changes > 1 {
        let earliest = finish_bound(&forecast.problem, &forecast.calendar, forecast.schedule.start_min)
            .map_err(|error| Failure::invalid(error.to_string()))?;
        text.push_str(&folded(
            &format!("no order could end before {} (everything as expected)", clock(earliest)),
            "",
            "  ",
        ));
    }
    Ok(text)
}

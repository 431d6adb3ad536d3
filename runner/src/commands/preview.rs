//! `preview`: what would run, in which order, and how long.

use crate::exit::{Exit, Outcome};
use crate::forecast::Forecast;
use crate::plan_file::PlanFile;
use crate::terminal::{Terminal, duration, table};
use plans::plan::Plan;
use plans::plan::release::obstacles;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::Path;

/// Prints the forecast of a plan.
pub fn preview(terminal: &Terminal, path: &Path, only: &[String], as_json: bool) -> Outcome {
    let file = PlanFile::read(path, terminal.colour_err)?;
    let plan = &file.plan;
    let forecast = Forecast::new(plan, only)?;
    if as_json {
        terminal.out(&machine(plan, &forecast).to_string());
    } else {
        terminal.out(&words(plan, &forecast));
    }
    Ok(Exit::Pass)
}

fn machine(plan: &Plan, forecast: &Forecast) -> serde_json::Value {
    let hours = forecast.order.hours();
    let price = plan.times.price_min;
    let setups: std::collections::BTreeSet<_> =
        forecast.expansion.conditions.iter().map(|condition| condition.setup()).collect();
    json!({
        "conditions": forecast.expansion.conditions.len(),
        "skipped": forecast.expansion.skipped.len(),
        "jobs": forecast.order.sequence.len(),
        "setups": setups.len(),
        "hands_on_changes": forecast.order.cost.changes,
        "hours": {
            "total": hours.total, "measuring": hours.measuring, "training": hours.training, "ramps": hours.ramps,
            "soak": hours.soak, "settle": hours.settle, "hands_on": hours.hands_on, "boot": hours.boot,
            "waiting": hours.waiting,
        },
        "bound": {
            "change_over_hours": forecast.order.bound.change_over_min / 60.0,
            "ratio": forecast.order.bound.ratio(&forecast.order.cost, price),
        },
        "release_impossible_because": obstacles(plan),
        "price_of_a_hands_on_change_min": price,
    })
}

fn words(plan: &Plan, forecast: &Forecast) -> String {
    let hours = forecast.order.hours();
    let order = &forecast.order;
    let mut text = format!(
        "{}\n\n{} conditions, {} jobs, {} left out; {} hands-on changes (the first fitting included).\n",
        plan.title,
        forecast.expansion.conditions.len(),
        order.sequence.len(),
        forecast.expansion.skipped.len(),
        order.cost.changes,
    );
    let mut reasons: BTreeMap<u32, usize> = BTreeMap::new();
    for skipped in &forecast.expansion.skipped {
        *reasons.entry(skipped.reason).or_default() += 1;
    }
    for (reason, count) in reasons {
        text.push_str(&format!("  left out {count}: {}\n", forecast.expansion.reasons[reason as usize]));
    }
    let rows: Vec<Vec<String>> = [
        ("measuring", hours.measuring),
        ("training", hours.training),
        ("ramps", hours.ramps),
        ("soak", hours.soak),
        ("settling, supply and rate changes", hours.settle),
        ("hands and fit checks", hours.hands_on),
        ("boot", hours.boot),
        ("waiting for attended hours", hours.waiting),
        ("total", hours.total),
    ]
    .iter()
    .map(|(kind, value)| vec![kind.to_string(), format!("{value:.2}"), duration(value * 3600.0)])
    .collect();
    text.push('\n');
    text.push_str(&table(&["bench time", "hours", ""], &rows, 1));
    text.push_str(&format!(
        "\n\nRamps, hands and price (of {} min a hands-on change): {:.2} h; no order can do with less than {:.2} h \
         (ratio {:.4}).\n",
        plan.times.price_min,
        order.cost.change_over_min(plan.times.price_min) / 60.0,
        order.bound.change_over_min / 60.0,
        order.bound.ratio(&order.cost, plan.times.price_min),
    ));
    text.push_str("\nOrder of fitting:\n");
    let rows: Vec<Vec<String>> = order
        .visits
        .iter()
        .enumerate()
        .map(|(index, visit)| {
            let condition = &forecast.expansion.conditions[forecast.jobs[visit.first].condition as usize];
            vec![
                format!("{}", index + 1),
                condition.module(plan).name.clone(),
                condition.channel(plan).name.clone(),
                format!("{}", visit.end - visit.first),
            ]
        })
        .collect();
    text.push_str(&table(&["", "module", "channel", "jobs"], &rows, 3));
    let obstacles = obstacles(plan);
    if !obstacles.is_empty() {
        text.push_str("\n\nThis plan cannot end in a release decision of \"yes\":");
        for reason in obstacles {
            text.push_str(&format!("\n  {reason}"));
        }
    }
    text.push_str(
        "\n\nTimes of the bench are defaults unless the plan's [bench_times] says otherwise: estimates.",
    );
    text
}

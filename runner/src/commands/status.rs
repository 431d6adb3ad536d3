//! `status`: how far a run is, from another terminal too.

use crate::bench_clock::{BenchClock, work_min};
use crate::exit::{Exit, Failure, Outcome};
use crate::forecast::Forecast;
use crate::plan_file::PlanFile;
use crate::run_folder::store_failure;
use crate::store::{Holder, Store, Target};
use crate::terminal::{Terminal, duration};
use serde_json::json;
use std::path::Path;

/// Shows how far a run is. Reads counts only: no eye is judged.
pub fn status(terminal: &Terminal, dir: &Path, as_json: bool) -> Outcome {
    let reader = Store::open_read_only(dir).map_err(|error| store_failure(&error))?;
    let meta = reader.meta().map_err(|error| store_failure(&error))?;
    let progress = reader.progress().map_err(|error| store_failure(&error))?;
    let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
        .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
    let forecast = Forecast::new(&file.plan, &[])?;
    let planned = forecast.jobs.len();
    let done = (progress.measured + progress.training_failed + progress.not_measured) as usize;
    let observed = BenchClock::of_store(&file.plan, &forecast, &reader)?.observed()?;
    let end = |t: f64| forecast.clock(&file.plan, t);
    let holder = Holder::named_in(dir);
    let target = match &meta.target {
        Target::Simulated => "simulated target".to_string(),
        Target::Bench(name) => name.clone(),
    };
    if as_json {
        terminal.out(
            &json!({
                "title": meta.title, "simulated": meta.target == Target::Simulated, "target": target,
                "jobs": planned, "done": done, "measured": progress.measured,
                "training_failed": progress.training_failed, "not_measured": progress.not_measured,
                "superseded": progress.superseded, "bench_hours": work_min(&observed) / 60.0,
                "bench_hours_left": observed.left_min / 60.0,
                "finish": {
                    "p10": end(observed.finish.p10_min), "p50": end(observed.finish.p50_min),
                    "p90": end(observed.finish.p90_min),
                },
                "running": holder.is_some(),
            })
            .to_string(),
        );
        return Ok(Exit::Pass);
    }
    let share = 100.0 * done as f64 / planned.max(1) as f64;
    let mut text = format!(
        "{}\n{target}, seed {}\n\n{done} of {planned} jobs done ({share:.0} %)",
        meta.title, meta.seed
    );
    if progress.training_failed > 0 {
        text.push_str(&format!("\n{} with failed training", progress.training_failed));
    }
    if progress.not_measured > 0 {
        text.push_str(&format!("\n{} not measured", progress.not_measured));
    }
    text.push_str(&format!("\n{} of bench time", duration(work_min(&observed) * 60.0)));
    if done < planned {
        let [p10, p50, p90] =
            [observed.finish.p10_min, observed.finish.p50_min, observed.finish.p90_min].map(end);
        text.push_str(&format!(", about {} left", duration(observed.left_min * 60.0)));
        text.push_str(&format!("\nends {p50} (one in ten before {p10}, nine in ten before {p90})"));
    }
    text.push_str(match holder {
        Some(_) => "\na run is going on",
        None if done < planned => "\nno run is going on; the same `run` command continues it",
        None => "\ncomplete",
    });
    terminal.out(&text);
    Ok(Exit::Pass)
}

//! `status`: how far a run is, from another terminal too.

use crate::bench_clock::{BenchClock, work_min};
use crate::exit::{Exit, Failure, Outcome};
use crate::folder_facts::PlanSize;
use crate::forecast::Forecast;
use crate::plan_file::PlanFile;
use crate::run_folder::store_failure;
use crate::store::{Holder, Meta, Store, StoreReader, Target};
use crate::terminal::{Terminal, duration};
use serde_json::json;
use std::path::Path;

/// Shows how far a run is. Reads counts only: no eye is judged.
pub fn status(terminal: &Terminal, dir: &Path, as_json: bool) -> Outcome {
    let reader = Store::open_read_only(dir).map_err(|error| store_failure(&error))?;
    let meta = reader.meta().map_err(|error| store_failure(&error))?;
    let progress = reader.progress().map_err(|error| store_failure(&error))?;
    let size = PlanSize::of(&reader, &meta)?;
    let planned = size.jobs as usize;
    let done = (progress.measured + progress.training_failed + progress.not_measured) as usize;
    let left = Left::of(&reader, &meta, &size, done)?;
    let holder = Holder::running_in(dir);
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
                "superseded": progress.superseded, "bench_hours": left.done_hours,
                "bench_hours_left": left.left_hours,
                "finish": left.finish.as_ref().map(|[p10, p50, p90]| json!({"p10": p10, "p50": p50, "p90": p90})),
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
    if let Some(hours) = left.done_hours {
        text.push_str(&format!("\n{} of bench time", duration(hours * 3600.0)));
    }
    if done < planned {
        text.push_str(&format!("\nabout {} of bench time left", duration(left.left_hours * 3600.0)));
        if let Some([p10, p50, p90]) = &left.finish {
            text.push_str(&format!("\nends {p50}\n  one in ten before {p10}\n  nine in ten before {p90}"));
        }
    }
    text.push_str(match holder {
        Some(_) => "\na run is going on",
        None if done < planned => "\nno run is going on; the same `run` command continues it",
        None => "\ncomplete",
    });
    terminal.out(&text);
    Ok(Exit::Pass)
}

/// Most jobs whose finish is worked out through the calendar; beyond it, ordering the plan again would make the
/// answer slow, and the size noted in the folder serves.
const MOST_ORDERED_JOBS: u64 = 10_000;

/// What is left of a run.
struct Left {
    /// Bench hours of what is done; unknown for very large plans.
    done_hours: Option<f64>,
    /// Bench hours still to come.
    left_hours: f64,
    /// P10, P50 and P90 of the finish; unknown for very large plans.
    finish: Option<[String; 3]>,
}

impl Left {
    fn of(reader: &StoreReader, meta: &Meta, size: &PlanSize, done: usize) -> Result<Left, Failure> {
        if size.jobs > MOST_ORDERED_JOBS {
            let share = 1.0 - done as f64 / size.jobs.max(1) as f64;
            return Ok(Left {
                done_hours: None,
                left_hours: size.bench_hours * share.max(0.0),
                finish: None,
            });
        }
        let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
            .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
        let forecast = Forecast::new(&file.plan, &[])?;
        let observed = BenchClock::of_store(&file.plan, &forecast, reader)?.observed()?;
        let end = |minutes: f64| forecast.clock(&file.plan, minutes);
        Ok(Left {
            done_hours: Some(work_min(&observed) / 60.0),
            left_hours: observed.left_min / 60.0,
            finish: Some(
                [observed.finish.p10_min, observed.finish.p50_min, observed.finish.p90_min].map(end),
            ),
        })
    }
}

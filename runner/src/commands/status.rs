//! `status`: how far a run is, from another terminal too.

use crate::exit::{Exit, Outcome};
use crate::folder_facts::PlanSize;
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
    let size = PlanSize::of(&reader, &meta)?;
    let planned = size.jobs as usize;
    let done = (progress.measured + progress.training_failed + progress.not_measured) as usize;
    let left_s = size.bench_hours * 3600.0 * (planned.saturating_sub(done)) as f64 / planned.max(1) as f64;
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
                "superseded": progress.superseded, "bench_hours_left": left_s / 3600.0,
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
    if done < planned {
        text.push_str(&format!("\nabout {} of bench time left", duration(left_s)));
    }
    text.push_str(match holder {
        Some(_) => "\na run is going on",
        None if done < planned => "\nno run is going on; the same `run` command continues it",
        None => "\ncomplete",
    });
    terminal.out(&text);
    Ok(Exit::Pass)
}

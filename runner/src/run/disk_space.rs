//! Room on the disk for the jobs to come, looked for before anything begins.

use crate::capture::visit_cost;
use crate::console::exit::{Exit, Failure};
use crate::forecast::expected_rim;
use crate::run::pending::PendingJob;
use crate::store::{StoredAmount, disk_space_estimate, free_disk_bytes};
use nightbench_core::capture_cost::{CapturePlan, predict_seconds};
use nightbench_core::devices::SweepRange;
use nightbench_core::results::Direction;
use plan::Plan;
use plan::expand::Condition;
use plan::matrix::FACTORS;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Refuses to begin when the jobs will not find room in the run folder's file system.
///
/// # Errors
/// Exit 74 with the room needed, the room there is, and what to do.
pub fn refuse_without_space(plan: &Plan, pending: &[PendingJob], dir: &Path) -> Result<(), Failure> {
    if pending.is_empty() {
        return Ok(());
    }
    let place = existing(dir);
    match free_disk_bytes(&place) {
        Some(free) => {
            let conditions = pending.iter().map(|one| &one.condition);
            enough(disk_space_estimate(amount(plan, conditions)), free, pending.len(), &place)
        }
        None => Ok(()),
    }
}

fn enough(need: u64, free: u64, jobs: usize, place: &Path) -> Result<(), Failure> {
    if need <= free {
        return Ok(());
    }
    Err(Failure::new(
        Exit::Store,
        format!(
            "{}: {} up to {} of disk space, {} are free; nothing was begun. Free some space, name \
             another folder with --into, or run part of the plan with --only",
            place.display(),
            if jobs == 1 { "1 job needs".into() } else { format!("{jobs} jobs need") },
            bytes_in_words(need),
            bytes_in_words(free)
        ),
    ))
}

/// What a whole plan needs of disk and memory at most, in words. `conditions`: that of each job.
pub fn estimate_in_words<'c>(plan: &Plan, conditions: impl Iterator<Item = &'c Condition>) -> String {
    let disk = disk_space_estimate(amount(plan, conditions));
    let sweep = |range: &SweepRange| u64::from(range.taps) * u64::from(range.vref_steps);
    let sweeps = Direction::ALL.map(|(_, direction)| sweep(plan.interface.sweep(direction)));
    let points = sweeps.into_iter().max().unwrap_or(0);
    let memory = points * u64::from(plan.interface.lanes) * BYTES_A_COUNT_IN_MEMORY;
    format!(
        "up to {} of disk space, {} of memory for a capture at hand",
        bytes_in_words(disk),
        bytes_in_words(memory)
    )
}

/// A count of errors, 8 bytes, held by the driver's answer and by the capture.
const BYTES_A_COUNT_IN_MEMORY: u64 = 16;

/// Mean amounts over the jobs, rounded up.
fn amount<'c>(plan: &Plan, conditions: impl Iterator<Item = &'c Condition>) -> StoredAmount {
    let mut of_levels: HashMap<[u16; FACTORS], [f64; 3]> = HashMap::new();
    let (mut jobs, mut captures, mut points, mut counts) = (0u64, 0.0, 0.0, 0.0);
    for condition in conditions {
        jobs += 1;
        let [c, p, n] = of_levels.entry(condition.levels).or_insert_with(|| {
            let eyes = simulator::target::expected_eyes(
                &plan.interface,
                condition.module(plan),
                condition.rate(plan),
                condition.supply(plan),
                &plan.capture.directions,
            );
            eyes.iter().fold([0.0; 3], |[captures, points, counts], eye| {
                let visits = predict_seconds(&CapturePlan {
                    mode: plan.capture.mode,
                    rule: plan.capture.rule,
                    taps: eye.grid.taps,
                    vref_steps: eye.grid.vref_steps,
                    lane_spread_taps: None,
                    rim: Some(expected_rim(eye, condition.module(plan))),
                    cost: visit_cost(eye),
                })
                .visits;
                [captures + 1.0, points + visits, counts + visits * f64::from(eye.lanes.len())]
            })
        });
        captures += *c;
        points += *p;
        counts += *n;
    }
    let mean = |sum: f64, over: f64| if over > 0.0 { (sum / over).ceil() as u64 } else { 0 };
    StoredAmount {
        jobs,
        captures_per_job: mean(captures, jobs as f64),
        points_per_capture: mean(points, captures),
        lanes: mean(counts, points),
    }
}

/// The folder itself or the nearest one above it that exists.
fn existing(dir: &Path) -> PathBuf {
    let mut place = dir.to_owned();
    while !place.exists() {
        match place.parent() {
            Some(above) if !above.as_os_str().is_empty() => place = above.to_owned(),
            _ => return PathBuf::from("."),
        }
    }
    place
}

fn bytes_in_words(bytes: u64) -> String {
    match bytes {
        0..10_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        10_000_000..10_000_000_000 => format!("{:.0} MB", bytes as f64 / 1e6),
        _ => format!("{:.1} GB", bytes as f64 / 1e9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_room_is_refused_with_both_figures() {
        assert!(enough(5, 5, 1, Path::new("x")).is_ok());
        let failure = enough(123_000_000_000, 4_500_000, 3000, Path::new("runs")).unwrap_err();
        assert_eq!(failure.exit, Exit::Store);
        let one = enough(2, 1, 1, Path::new("runs")).unwrap_err().words;
        assert!(one.starts_with("runs: 1 job needs up to "), "{one}");
        for words in ["runs: 3000 jobs need up to 123.0 GB", "4.5 MB are free", "nothing was begun", "--into"]
        {
            assert!(failure.words.contains(words), "{failure}");
        }
    }

    #[test]
    fn the_nearest_existing_folder_is_asked() {
        let there = std::env::temp_dir();
        assert_eq!(existing(&there.join("not/there/at/all-7261")), there);
        assert_eq!(existing(Path::new("neither-is-this-7261")), PathBuf::from("."));
    }
}

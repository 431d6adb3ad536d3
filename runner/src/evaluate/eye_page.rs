//! `report --eye`: one job's eyes on a page of their own, for those that the report leaves out.

use crate::console::exit::{Exit, Failure};
use crate::evaluate::judging::JudgedFolder;
use crate::folder::output::Output;
use crate::inputs::notes::find;
use crate::store::StoreReader;
use judge::judged::EyePicture;
use judge::{Judge, lane_pictures, picture};
use pages::report::{self, JobEye};
use plan::criteria::AcceptanceCriteria;
use plan::expand::expand;
use plan::keys::short_key;
use plan::limits::Metric;
use plan::selection::Selection;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Writes DIR/eye-KEY.html and returns its path and the job's key.
///
/// # Errors
/// Exit 2: no such job, several, or not yet run; exit 74: the store cannot be read or the page not written.
pub fn write(
    folder: &JudgedFolder,
    dir: &Path,
    reader: &StoreReader,
    given: &str,
) -> Result<(PathBuf, String), Failure> {
    let (html, short) = draw(folder, reader, given)?;
    let name = format!("eye-{short}.html");
    Output::page(dir, &name)?.put(&html)?;
    Ok((dir.join(name), short))
}

/// The page of a job's eyes, and the job's key.
///
/// # Errors
/// As [`write()`], but for what is written.
pub fn draw(folder: &JudgedFolder, reader: &StoreReader, given: &str) -> Result<(String, String), Failure> {
    let keys: BTreeMap<String, u32> =
        folder.jobs.iter().map(|(key, job)| (short_key(key), job.condition)).collect();
    let (short, _) = find(given, &keys, false).map_err(Failure::invalid)?;
    let Some((key, job)) = folder.jobs.iter().find(|(key, _)| short_key(key) == short) else {
        return Err(Failure::invalid(format!("no job {short} in this run")));
    };
    let Some(stored) = reader.job(key)? else {
        return Err(Failure::invalid(format!("job {short} has not been run yet: it has no eye")));
    };
    let result = reader.result(&stored)?;
    let index = job.condition as usize;
    let judged = &folder.run.conditions[index];
    let expansion = expand(&folder.file.plan, &Selection::default());
    let mut judge = Judge::new(&folder.file.plan, &expansion, folder.facts.simulated);
    judge.add_result(job, key, stored.row.plan_position, &result);
    judge.seal();
    let mut alone = judge.judge(&AcceptanceCriteria::of(&folder.file.plan));
    let own = alone.conditions.swap_remove(index);
    let mut pictures = Vec::with_capacity(result.captures.len());
    for capture in &result.captures {
        let of_eye = |metric: Metric| {
            judged.metrics.iter().find(|known| known.eye == capture.eye && known.metric == metric)
        };
        let half = |metric: Metric| of_eye(metric).map(|known| known.limit / 2.0);
        let lane = judged.worst_lane(capture.eye).or_else(|| capture.lanes.first().copied()).unwrap_or(0);
        let drawn = picture(capture, lane, half(Metric::Width).zip(half(Metric::Height)))
            .map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        let lanes = lane_pictures(capture).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
        pictures.push(JobEye { together: EyePicture { job: short.clone(), ..drawn }, lanes });
    }
    let Some(note) = own.jobs.first() else {
        return Err(Failure::new(Exit::Store, format!("job {short} left nothing behind")));
    };
    let html = report::build_job(&folder.run, &folder.facts, (index, note), own.lanes.clone(), pictures)
        .map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
    Ok((html, short))
}

//! The live page of a run that goes on: made from what is stored, by a thread of its own, and put in place whole. A fault of
//! it is nobody's: the run goes on without.

use crate::console::exit::Failure;
use crate::console::terminal::about;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::evaluate::left::{Finish, Left};
use crate::evaluate::pictures;
use crate::folder::eye_summaries::CacheUse;
use crate::folder::output::Output;
use crate::forecast::folder_facts::PlanSize;
use crate::run::progress::Doing;
use crate::store::{Reading, Store, StoreReader, utc_text};
use pages::report::{Live, LiveLine, build_live};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

/// Its name in a run folder.
pub const LIVE_PAGE: &str = "live.html";
/// The first page comes after this: a short run has none before its end.
const FIRST: Duration = Duration::from_secs(5);
/// Shortest time between two pages.
const EVERY: Duration = Duration::from_secs(10);
/// A page takes at most this share of the time.
const SHARE: u32 = 20;
/// Hours of bench time that the lines show.
const SHOWN_H: f64 = 12.0;
/// Most corners of a line; each interval keeps its least and its greatest.
const MOST_POINTS: usize = 400;
/// Lines of the log shown.
const SHOWN_EVENTS: usize = 12;

/// What a page tells of beside the store.
pub struct Told {
    /// What the run is doing.
    pub doing: Doing,
    /// Names of readings, with the lowest and the highest that is allowed.
    pub allowed: Vec<(String, f64, f64)>,
    /// Alarms that are latched now.
    pub alarms: Box<dyn Fn() -> Vec<String> + Send + Sync>,
}

struct Shared {
    dir: PathBuf,
    told: Told,
    over: Mutex<bool>,
    wake: Condvar,
}

/// Keeps the page while it lives.
pub struct LivePage {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl LivePage {
    /// Begins to keep the page of a run folder.
    pub fn start(dir: &Path, told: Told) -> LivePage {
        // That of an earlier run tells of nothing that is.
        let _ = std::fs::remove_file(dir.join(LIVE_PAGE));
        let shared =
            Arc::new(Shared { dir: dir.to_owned(), told, over: Mutex::new(false), wake: Condvar::new() });
        let own = Arc::clone(&shared);
        let thread = std::thread::Builder::new().name("live page".into()).spawn(move || own.keep()).ok();
        LivePage { shared, thread }
    }

    /// Writes the last page: what the run ended with, in words, and as it was judged.
    pub fn end(mut self, words: &str, folder: &JudgedFolder, reader: &StoreReader) {
        self.stop();
        self.shared.told.doing.set(words);
        let _ = self.shared.write(None, folder, reader);
    }

    /// Ends the thread; was it still there?
    fn stop(&mut self) -> bool {
        *self.shared.over.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.shared.wake.notify_all();
        self.thread.take().is_some_and(|thread| thread.join().is_ok())
    }
}

impl Drop for LivePage {
    /// Whatever ends without a last page leaves none that seems to go on.
    fn drop(&mut self) {
        if self.stop() && self.shared.dir.join(LIVE_PAGE).is_file() {
            self.shared.told.doing.set("Nothing is measured any more");
            let _ = self.shared.look(None);
        }
    }
}

impl Shared {
    fn keep(&self) {
        let mut wait = FIRST;
        loop {
            let over = self.over.lock().unwrap_or_else(PoisonError::into_inner);
            let waited = self.wake.wait_timeout_while(over, wait, |over| !*over);
            if *waited.unwrap_or_else(PoisonError::into_inner).0 {
                return;
            }
            let begin = Instant::now();
            let _ = self.look(Some(wait.max(EVERY).as_secs()));
            wait = EVERY.max(begin.elapsed() * SHARE);
        }
    }

    fn look(&self, refresh_s: Option<u64>) -> Result<(), Failure> {
        let reader = Store::open_read_only(&self.dir)?;
        let by = JudgedBy { instead: None, all_sets: false, cache: CacheUse::Look };
        let folder = JudgedFolder::read(&self.dir, &reader, by)?;
        self.write(refresh_s, &folder, &reader)
    }

    fn write(
        &self,
        refresh_s: Option<u64>,
        folder: &JudgedFolder,
        reader: &StoreReader,
    ) -> Result<(), Failure> {
        let dir = &self.dir;
        let meta = reader.meta()?;
        let size = PlanSize::of(reader, &meta)?;
        let progress = reader.progress()?;
        let stored = (progress.measured + progress.training_failed + progress.not_measured) as usize;
        let counts = folder.job_counts;
        let done = stored.saturating_sub(folder.run.outside_plan.jobs).min(counts.done);
        // What a search does not need, or what is predicted, is not planned any more.
        let planned = counts.done + counts.to_do;
        let running = refresh_s.is_some();
        let left = match running {
            true => Some(Left::of(reader, &meta, &size, done, true, Some(&folder.run), None)?),
            false => None,
        };
        let newest = match reader.newest_measured()? {
            Some(key) => pictures::of_job(folder, reader, &key)?,
            None => None,
        };
        let mut log = folder.facts.log.clone();
        log.reverse();
        log.truncate(SHOWN_EVENTS);
        let live = Live {
            written_utc: utc_text(SystemTime::now()),
            refresh_s,
            now: self.told.doing.words(),
            done,
            planned,
            left: left.as_ref().filter(|_| done < planned).map_or_else(String::new, |left| {
                let from = left.learned_from.as_ref().map_or_else(String::new, |words| format!(" {words}."));
                let tonight = left
                    .given
                    .as_ref()
                    .map_or_else(String::new, |given| format!(" This run: {}.", given.words()));
                format!("Bench time to come: {}.{from}{tonight}", about(left.left_hours * 3600.0))
            }),
            finish: left.as_ref().and_then(|left| left.finish.as_ref().map(Finish::words)),
            hands: left.and_then(|left| left.next),
            alarms: (self.told.alarms)(),
            log,
            lines: lines(reader, &self.told.allowed, progress.last_ended_bench_s)?,
            reported: !running && dir.join("report.html").is_file(),
        };
        let html = build_live(&folder.run, &folder.facts, &live, newest)
            .map_err(|error| Failure::invalid(error.to_string()))?;
        Output::page(dir, LIVE_PAGE)?.put(&html)
    }
}

/// The readings of the last hours, thinned.
fn lines(
    reader: &StoreReader,
    allowed: &[(String, f64, f64)],
    last_s: Option<f64>,
) -> Result<Vec<LiveLine>, Failure> {
    let since_s = last_s.unwrap_or(0.0) - SHOWN_H * 3600.0;
    let mut lines = Vec::new();
    for unit in ["degC", "V"] {
        let mut by_name: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
        for Reading { bench_s, name, value, .. } in reader.readings_since(since_s, unit)? {
            by_name.entry(name).or_default().push((bench_s / 3600.0, value));
        }
        for (name, points) in by_name {
            let known = allowed.iter().find(|(known, ..)| *known == name);
            let limits = known.map_or((None, None), |(_, low, high)| (Some(*low), Some(*high)));
            lines.push(LiveLine { points: thinned(points), unit: unit.into(), name, limits });
        }
    }
    Ok(lines)
}

/// Least and greatest of each stretch, in order: an excursion is never thinned away.
fn thinned(points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    if points.len() <= MOST_POINTS {
        return points;
    }
    let stretch = points.len().div_ceil(MOST_POINTS / 2);
    let mut kept = Vec::with_capacity(MOST_POINTS + 2);
    for part in points.chunks(stretch) {
        let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let ends = [part.iter().min_by(by_value), part.iter().max_by(by_value)];
        let mut ends: Vec<(f64, f64)> = ends.into_iter().flatten().copied().collect();
        ends.sort_by(|a, b| a.0.total_cmp(&b.0));
        kept.extend(ends);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_every_excursion_and_the_order() {
        let points: Vec<(f64, f64)> =
            (0..10_000).map(|i| (f64::from(i), if i == 7777 { 99.0 } else { f64::from(i % 7) })).collect();
        let kept = thinned(points.clone());
        assert!(kept.len() <= MOST_POINTS + 2, "{}", kept.len());
        assert!(kept.contains(&(7777.0, 99.0)));
        assert!(kept.is_sorted_by(|a, b| a.0 <= b.0));
        assert_eq!(thinned(points[..10].to_vec()), points[..10]);
    }
}

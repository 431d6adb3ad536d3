//! Merging run folders: shards of one simulated run, or parts of a plan measured on several benches.

mod extra_jobs;

use crate::console::exit::Failure;
use crate::folder::eye_summaries::take_over;
use crate::folder::run_folder::keys_of;
use crate::forecast::Forecast;
use crate::forecast::folder_facts::{PlanSize, shard_of};
use crate::forecast::merge_clock::MergedClock;
use crate::forecast::shard::{Shard, split};
use crate::inputs::plan_file::PlanFile;
use crate::run::prediction::note::{Kept, Marks, NotedVisit, take_over as take_over_notes};
use crate::store::{
    Attempts, JobKey, Meta, Reading, Store, StoreError, StoreReader, StoredJob, Target, hex, utc_text,
};
use extra_jobs::ExtraParts;
use nightbench_core::events::Event;
use nightbench_core::text::counted;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// A folder to be merged.
struct Part {
    dir: PathBuf,
    reader: StoreReader,
    meta: Meta,
    shard: Option<Shard>,
}

impl Part {
    /// Name and beginning of a run on a bench; `None` for a simulated one.
    fn bench(&self) -> Option<String> {
        match &self.meta.target {
            Target::Simulated => None,
            Target::Bench(name) => Some(format!("{name}, run of {}", self.meta.created_utc)),
        }
    }

    /// Last moment of the bench's own clock that anything was noted at, s.
    fn clock_end_s(&self) -> Result<f64, Failure> {
        let mut end_s = 0.0f64;
        for stored in self.reader.jobs(Attempts::All) {
            end_s = end_s.max(stored?.row.ended_bench_s);
        }
        let readings = self.reader.readings_between_jobs()?;
        Ok(readings.iter().map(|reading| reading.bench_s).fold(end_s, f64::max))
    }
}

/// What a merge came to.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Merged {
    /// Jobs taken over, superseded attempts included.
    pub taken: u64,
    /// Attempts that several folders (or the merged one already) held, with equal contents.
    pub duplicates: u64,
    /// Jobs of the plan that no folder holds.
    pub missing_jobs: u64,
    /// Shards that no folder holds whole, as I/N with the number of jobs missing; empty when the folders are no
    /// shards of one split.
    pub missing_shards: Vec<(Shard, u64)>,
    /// Folders named without results of a run in them: a shard that never began, or one without any job.
    pub without_results: Vec<PathBuf>,
    /// Extra jobs of `[diagnosis]` taken over.
    pub extra_jobs: u64,
}

/// Merges `parts` into the run folder `out`, which is created, or completed by the same command after a cut.
///
/// # Errors
/// Exit 2 when the folders do not belong together, naming what differs; exit 74 for the store.
pub fn merge(out: &Path, parts: &[PathBuf]) -> Result<(Store, Merged), Failure> {
    if parts.iter().any(|part| same_folder(out, part)) {
        return Err(Failure::invalid(format!(
            "{} is named both as a part and as the result; name another folder for the result",
            out.display()
        )));
    }
    let (parts, without) = open_parts(parts)?;
    let Some(first) = parts.first() else {
        return Err(Failure::invalid(format!(
            "nothing to merge: no results of a run in {}",
            without.iter().map(|dir| dir.display().to_string()).collect::<Vec<_>>().join(", ")
        )));
    };
    for part in &parts {
        refuse_foreign(first, part)?;
    }
    let chosen = choose(&parts)?;
    let extra = ExtraParts::open(out, parts.iter().map(|part| part.dir.as_path()))?;
    let mut store = open_out(out, &parts)?;
    let mut merged = Merged { duplicates: chosen.duplicates, without_results: without, ..Merged::default() };
    copy(&parts, &chosen, &mut store, &mut merged)?;
    for (index, part) in parts.iter().enumerate() {
        let mut wanted = Vec::new();
        for stored in part.reader.jobs(Attempts::All) {
            let stored = stored?;
            if chosen.source.get(&(stored.row.key, stored.attempt)) == Some(&index) {
                wanted.extend(stored.summary_sha256);
            }
        }
        take_over(&part.dir, out, wanted);
    }
    let file = PlanFile::from_text(first.meta.plan_text.clone(), "stored plan", false)?;
    let forecast = Forecast::new(&file.plan, &[])?;
    PlanSize::new(&first.meta.plan_text, &forecast).keep(&mut store)?;
    let marks = Marks::of(&file.text, &forecast.expansion, &keys_of(&file.plan, &first.meta.target)?);
    keep_predictions(&parts, &mut store, &marks)?;
    find_missing(&file, &forecast, &parts, &store, &mut merged)?;
    if let Some(extra) = extra {
        merged.extra_jobs = extra.merge()?;
    }
    Ok((store, merged))
}

/// What the parts keep of predictions: everything that one of them chose to measure, and the end of the choice where one came to it.
fn keep_predictions(parts: &[Part], store: &mut Store, marks: &Marks) -> Result<(), Failure> {
    let mut together: Option<Kept> = None;
    for part in parts {
        let Some(kept) = Kept::of(&part.reader, marks)? else { continue };
        match &mut together {
            None => together = Some(kept),
            Some(known) => {
                known.chosen.finished |= kept.chosen.finished;
                let new = |visit: &NotedVisit| !known.chosen.visits.contains(visit);
                let more: Vec<NotedVisit> = kept.chosen.visits.into_iter().filter(new).collect();
                known.chosen.visits.extend(more);
            }
        }
    }
    together.map_or(Ok(()), |kept| take_over_notes(store, &kept, marks))
}

/// Opens the folders that hold results, and lists those that do not.
fn open_parts(dirs: &[PathBuf]) -> Result<(Vec<Part>, Vec<PathBuf>), Failure> {
    let (mut parts, mut without) = (Vec::new(), Vec::new());
    for dir in dirs {
        let reader = match Store::open_read_only(dir) {
            Err(StoreError::Missing { .. }) => {
                without.push(dir.clone());
                continue;
            }
            other => other?,
        };
        reader.verify()?;
        let meta = reader.meta()?;
        let shard = shard_of(&reader)?.and_then(|text| text.parse().ok());
        parts.push(Part { dir: dir.clone(), reader, meta, shard });
    }
    // Benches in an order of their own, however they were named.
    parts.sort_by_key(Part::bench);
    Ok((parts, without))
}

fn refuse_foreign(first: &Part, part: &Part) -> Result<(), Failure> {
    let (a, b) = (first.dir.display(), part.dir.display());
    let refuse = |words: String| Err(Failure::invalid(words));
    if part.meta.plan_text != first.meta.plan_text {
        return refuse(format!(
            "{a} and {b} were run with different plan files (`{}` and `{}`); merge folders of one plan only: run \
             the older one once more with the newer file to bring it up to date",
            first.meta.title, part.meta.title
        ));
    }
    match (&first.meta.target, &part.meta.target) {
        (Target::Simulated, Target::Bench(bench)) | (Target::Bench(bench), Target::Simulated) => {
            return refuse(format!(
                "{a} and {b}: one is simulated, the other measured on the bench {bench}; they never mix"
            ));
        }
        _ => {}
    }
    if part.meta.seed != first.meta.seed {
        return refuse(format!(
            "{a} was run with seed {}, {b} with seed {}; merge folders of one seed only",
            first.meta.seed, part.meta.seed
        ));
    }
    if part.meta.tool_version != first.meta.tool_version {
        return refuse(format!(
            "{a} was made by version {}, {b} by version {}; merge folders of one version only",
            first.meta.tool_version, part.meta.tool_version
        ));
    }
    let versions = |part: &Part| -> Result<BTreeSet<String>, Failure> {
        let identities = part.reader.identities()?;
        Ok(identities.into_iter().map(|identity| identity.agent_version).filter(|v| !v.is_empty()).collect())
    };
    let (one, two) = (versions(first)?, versions(part)?);
    if first.meta.target == Target::Simulated && !one.is_empty() && !two.is_empty() && one != two {
        return refuse(format!("{a} and {b} were run on different versions of the simulated target"));
    }
    Ok(())
}

fn same_folder(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    }
}

/// Where each attempt is taken from.
struct Chosen {
    /// Part of each attempt, and whether it counts no more.
    source: HashMap<(JobKey, u32), usize>,
    duplicates: u64,
}

/// Every attempt once. An attempt that several folders hold must be the same in all; superseded in one, it is
/// superseded in the result.
fn choose(parts: &[Part]) -> Result<Chosen, Failure> {
    let mut source: HashMap<(JobKey, u32), (usize, bool)> = HashMap::new();
    let mut duplicates = 0;
    let mut counting: HashMap<JobKey, (u32, usize)> = HashMap::new();
    for (index, part) in parts.iter().enumerate() {
        for stored in part.reader.jobs(Attempts::All) {
            let stored = stored?;
            let key = (stored.row.key, stored.attempt);
            let superseded = stored.superseded.is_some();
            match source.get_mut(&key) {
                Some((earlier, given_up)) => {
                    duplicates += 1;
                    refuse_contradiction(&parts[*earlier], part, &stored)?;
                    if superseded && !*given_up {
                        (*earlier, *given_up) = (index, true);
                    }
                }
                None => {
                    source.insert(key, (index, superseded));
                }
            }
        }
    }
    for ((key, attempt), (index, superseded)) in &source {
        if *superseded {
            continue;
        }
        if let Some((other, part)) = counting.insert(*key, (*attempt, *index)) {
            return Err(Failure::invalid(format!(
                "job {} has attempt {attempt} in {} and attempt {other} in {}, and both count; measure it again in \
                 one of the folders so that one of them is superseded",
                hex(key),
                parts[*index].dir.display(),
                parts[part].dir.display()
            )));
        }
    }
    Ok(Chosen { source: source.into_iter().map(|(key, (index, _))| (key, index)).collect(), duplicates })
}

fn refuse_contradiction(earlier: &Part, part: &Part, stored: &StoredJob) -> Result<(), Failure> {
    for other in earlier.reader.attempts(&stored.row.key)? {
        if other.attempt != stored.attempt {
            continue;
        }
        let same = earlier.reader.result(&other)? == part.reader.result(stored)?
            && (&other.row.started_utc, &other.row.ended_utc)
                == (&stored.row.started_utc, &stored.row.ended_utc);
        if same {
            return Ok(());
        }
    }
    Err(Failure::invalid(format!(
        "{} and {} hold different results of job {}, attempt {}; merge only one of the two folders",
        earlier.dir.display(),
        part.dir.display(),
        hex(&stored.row.key),
        stored.attempt
    )))
}

fn open_out(out: &Path, parts: &[Part]) -> Result<Store, Failure> {
    let first = &parts[0];
    let target = match &first.meta.target {
        Target::Simulated => Target::Simulated,
        Target::Bench(_) => {
            let names: BTreeSet<&str> = parts
                .iter()
                .filter_map(|part| match &part.meta.target {
                    Target::Bench(name) => Some(name.as_str()),
                    Target::Simulated => None,
                })
                .collect();
            Target::Bench(names.into_iter().collect::<Vec<_>>().join(" + "))
        }
    };
    let meta = Meta { target, created_utc: utc_text(SystemTime::now()), ..first.meta.clone() };
    if Store::exists(out)? {
        let store = Store::open(out)?;
        if let Some(shard) = shard_of(store.reader())? {
            return Err(Failure::invalid(format!(
                "{} holds shard {shard} of a run: it is a part; name another folder for the result",
                out.display()
            )));
        }
        let there = store.reader().meta()?;
        let same = (&there.plan_text, there.seed, &there.target, &there.tool_version)
            == (&meta.plan_text, meta.seed, &meta.target, &meta.tool_version);
        if !same {
            return Err(Failure::invalid(format!(
                "{} already holds another run (`{}`, seed {}); name another folder for the result",
                out.display(),
                there.title,
                there.seed
            )));
        }
        return Ok(store);
    }
    let mut store = Store::create(out, &meta)?;
    for limits in first.reader.limit_sets()? {
        store.record_limits(&limits)?;
    }
    Ok(store)
}

fn copy(parts: &[Part], chosen: &Chosen, store: &mut Store, merged: &mut Merged) -> Result<(), Failure> {
    let there: HashMap<(JobKey, u32), bool> = store
        .reader()
        .jobs(Attempts::All)
        .map(|stored| stored.map(|stored| ((stored.row.key, stored.attempt), stored.superseded.is_some())))
        .collect::<Result<_, _>>()?;
    let mut words = Vec::new();
    let mut clocks = MergedClock::of(store.reader())?;
    for (index, part) in parts.iter().enumerate() {
        let mut from_here = 0;
        let bench = part.bench();
        if let Some(bench) = &bench
            && chosen.source.iter().any(|(key, source)| *source == index && !there.contains_key(key))
        {
            clocks.make_room(store, bench, part.clock_end_s()?)?;
        }
        for stored in part.reader.jobs(Attempts::All) {
            let stored = stored?;
            let key = (stored.row.key, stored.attempt);
            if chosen.source.get(&key) != Some(&index) {
                continue;
            }
            match (there.get(&key), &stored.superseded) {
                (None, _) => {
                    let mut packed = part.reader.packed(&stored)?;
                    if let Some(bench) = &bench {
                        packed.move_clock(clocks.offset_s(bench, stored.row.started_bench_s));
                    }
                    store.record_packed(packed)?;
                    from_here += 1;
                }
                (Some(false), Some(reason)) => {
                    store.supersede_all(&[stored.row.key], reason)?;
                    merged.duplicates += 1;
                }
                (Some(_), _) => merged.duplicates += 1,
            }
        }
        merged.taken += from_here;
        if from_here > 0 {
            let shard = part.shard.map(|shard| format!(", shard {shard}")).unwrap_or_default();
            let jobs = counted(from_here as usize, "job");
            words.push(format!("{}{shard}: {jobs}", part.dir.display()));
            copy_log(part, &clocks, store)?;
        }
    }
    if !words.is_empty() {
        let utc = utc_text(SystemTime::now());
        store.append_event(&utc, &Event::Merged { parts: words })?;
    }
    store.commit().map_err(Failure::from)
}

/// What a bench noted beside its jobs, marked with its name, each note once. A simulated run's log tells of its
/// processes only.
fn copy_log(part: &Part, clocks: &MergedClock, store: &mut Store) -> Result<(), Failure> {
    let (Target::Bench(bench), Some(run)) = (&part.meta.target, part.bench()) else { return Ok(()) };
    store.commit()?;
    let known = store.reader().events()?;
    let known: HashSet<_> = known.into_iter().map(|event| (event.utc, event.kind, event.text)).collect();
    for event in part.reader.events()? {
        let event = event.at_bench(bench);
        if !event.is_seal() && !known.contains(&(event.utc.clone(), event.kind.clone(), event.text.clone())) {
            store.copy_event(event)?;
        }
    }
    let known = store.reader().readings_between_jobs()?;
    let mark = |one: &Reading| (one.name.clone(), one.bench_s.to_bits(), one.value.to_bits());
    let known: HashSet<_> = known.iter().map(mark).collect();
    let mut marked = Vec::new();
    for reading in part.reader.readings_between_jobs()? {
        let bench_s = reading.bench_s + clocks.offset_s(&run, reading.bench_s);
        let reading = Reading { name: format!("{bench}: {}", reading.name), bench_s, ..reading };
        if !known.contains(&mark(&reading)) {
            marked.push(reading);
        }
    }
    if marked.is_empty() {
        return Ok(());
    }
    store.record_readings(marked).map_err(Failure::from)
}

fn find_missing(
    file: &PlanFile,
    forecast: &Forecast,
    parts: &[Part],
    store: &Store,
    merged: &mut Merged,
) -> Result<(), Failure> {
    let done = store.reader().done_keys()?;
    let target = store.reader().meta()?.target;
    let keys = keys_of(&file.plan, &target)?;
    let counts: BTreeSet<Option<u32>> =
        parts.iter().map(|part| part.shard.map(|shard| shard.count)).collect();
    let count = match counts.iter().collect::<Vec<_>>()[..] {
        [Some(count)] => Some(*count),
        _ => None,
    };
    let shards = count.map(|count| split(&file.plan, forecast, count));
    let mut missing: BTreeMap<u32, u64> = BTreeMap::new();
    for (position, job) in forecast.jobs.iter().enumerate() {
        let condition = &forecast.expansion.conditions[job.condition as usize];
        if !done.contains(&keys.key(condition, job)) {
            merged.missing_jobs += 1;
            if let Some(shard) = shards.as_ref().and_then(|shards| shards.get(position)) {
                *missing.entry(*shard).or_default() += 1;
            }
        }
    }
    merged.missing_shards =
        missing.into_iter().map(|(index, jobs)| (Shard { index, count: count.unwrap_or(1) }, jobs)).collect();
    Ok(())
}

//! The report beside its goals: 2,000 jobs of 72 lanes in at most 5 s, 5 MB and 25,000 nodes, and 100,000 captures in
//! at most 60 s and 1 GB.
//!
//! Run with `cargo bench -p runner --bench report`. A few jobs are simulated; their results fill the stores. With
//! KEEP=FOLDER the store of 2,000 jobs stays there, for `tests/report-baseline/figures.py`.

use contract::CancelToken;
use judge::eye_summary::JobSummary;
use nightbench_core::results::JobResult;
use plan::keys::JobKeys;
use runner::evaluate::judging::{JudgedBy, JudgedFolder};
use runner::folder::eye_summaries::{CacheUse, SummaryCache, SummaryDigest, packed};
use runner::folder::run_folder::open_whole;
use runner::forecast::Forecast;
use runner::inputs::plan_file::PlanFile;
use runner::run::execute::Executor;
use runner::run::pending::PendingJob;
use runner::store::{Durability, Meta, PackedJob, Store, Target};
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

/// Jobs that are really simulated; the others repeat their results.
const SIMULATED: usize = 40;

/// 5 channels x 5 rates x 16 temperatures x 5 supplies = 2,000 conditions of 72 lanes.
fn plan(directions: &str, repeats: u32) -> String {
    let channels: String = (0..5)
        .map(|k| {
            format!(
                "[[channel]]\nname = \"path {k}\"\nfits = [\"UDIMM\"]\nrisers = {}\nsecond_slot = \"{}\"\n",
                k % 4,
                ["none", "empty"][k / 4]
            )
        })
        .collect();
    let supplies: String = [1.18, 1.19, 1.2, 1.21, 1.22]
        .iter()
        .map(|volts| format!("[[supply]]\nname = \"{volts} V\"\nvddq_v = {volts}\nvdd_v = {volts}\n"))
        .collect();
    format!(
        "title = \"Two thousand conditions\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 72\n\
         [[chip]]\nname = \"K1\"\n\
         [[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\nranks = 1\ndevice_width = 8\nrated = 3200\n\
         {channels}{supplies}\
         [matrix]\nmost_conditions = 200000\nchip = [\"K1\"]\nmodule = [\"Amber\"]\n\
         channel = [\"path 0\", \"path 1\", \"path 2\", \"path 3\", \"path 4\"]\n\
         rate = [1600, 1866, 2133, 2400, 3200]\n\
         temperature_degc = [10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85]\n\
         supply = [\"1.18 V\", \"1.19 V\", \"1.2 V\", \"1.21 V\", \"1.22 V\"]\n\
         [capture]\ndirections = {directions}\nmode = \"exact\"\n\
         [repeats]\nrepeats = {repeats}\n\
         [[limit]]\nmetric = \"width\"\ndirection = \"read\"\nminimum = 0.2\nunit = \"UI\"\nsource = \"invented\"\n\
         [[limit]]\nmetric = \"height\"\ndirection = \"read\"\nminimum = 8\nunit = \"% VDDQ\"\nsource = \"invented\"\n"
    )
}

/// A filled store's jobs and the summaries that a run would have kept beside it.
struct Filled {
    jobs: usize,
    summaries: Vec<(Vec<u8>, SummaryDigest)>,
}

/// Fills a store with every job of the plan.
fn fill(dir: &Path, text: &str) -> Filled {
    let _ = std::fs::remove_dir_all(dir);
    let file = PlanFile::from_text(text.into(), "bench plan", false).unwrap_or_else(|failure| {
        eprintln!("{}", failure.words);
        std::process::exit(2)
    });
    let plan = &file.plan;
    let forecast = Forecast::new(plan, &[]).unwrap_or_else(|failure| {
        eprintln!("{}", failure.words);
        std::process::exit(2)
    });
    let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(plan, &forecast.expansion, &keys);
    let mut driver = SimulatedTarget::new(Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed: 1,
    }));
    let step = (forecast.jobs.len() / SIMULATED).max(1);
    let results: Vec<JobResult> = forecast
        .jobs
        .iter()
        .step_by(step)
        .filter_map(|job| executor.run(&mut driver, job, &CancelToken::new()).ok())
        .collect();
    let meta = Meta {
        tool_version: "0.1.0".into(),
        title: plan.title.clone(),
        plan_text: text.into(),
        seed: 1,
        target: Target::Simulated,
        created_utc: "2026-03-01T22:00:00.000Z".into(),
    };
    let summaries: Vec<_> = results
        .iter()
        .map(|result| packed(&JobSummary::of(&result.trainings, &result.captures, |_| Vec::new())))
        .collect();
    let mut store = Store::create(dir, &meta).expect("a new run folder");
    store.set_durability(Durability::Grouped).expect("nothing waits");
    for (position, job) in forecast.jobs.iter().enumerate() {
        let condition = forecast.expansion.conditions[job.condition as usize];
        let (key, position) = (keys.key(&condition, job), position as u64);
        let row = PendingJob { job: *job, condition, key, position, attempt: 1 }.row(plan);
        let which = (position as usize / step).min(results.len() - 1);
        let result = &results[which];
        let packed = PackedJob::new(&row, result, &[]).expect("a sound result");
        store.record_packed(packed.with_summary(summaries[which].1)).expect("room");
    }
    store.close().expect("room on the disk");
    Filled { jobs: forecast.jobs.len(), summaries }
}

/// Largest memory of this process so far, MB.
fn peak_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap_or_default();
    line.split_ascii_whitespace().nth(1).and_then(|kb| kb.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1024.0
}

fn build(name: &str, dir: &Path, captures: usize) {
    let began = Instant::now();
    // As `report` does: looked through for damage first.
    let reader = open_whole(dir).unwrap_or_else(|failure| {
        eprintln!("{}", failure.words);
        std::process::exit(74)
    });
    let folder = JudgedFolder::read(dir, &reader, JudgedBy::plan(CacheUse::Look)).unwrap_or_else(|failure| {
        eprintln!("{}", failure.words);
        std::process::exit(74)
    });
    let judged = began.elapsed().as_secs_f64();
    let path = folder.write_page(dir, &reader).unwrap_or_else(|failure| {
        eprintln!("{}", failure.words);
        std::process::exit(74)
    });
    let seconds = began.elapsed().as_secs_f64();
    let html = std::fs::read_to_string(&path).expect("the page");
    // Opening tags and the texts between tags, style and script left out: about what a browser keeps as nodes.
    let body = html.split("<body>").nth(1).unwrap_or_default().split("<script>").next().unwrap_or_default();
    let elements = body.matches('<').count() - body.matches("</").count();
    let texts =
        body.split('>').filter(|part| !part.split('<').next().unwrap_or_default().trim().is_empty()).count();
    let store = std::fs::metadata(dir.join("results.sqlite")).map_or(0, |data| data.len());
    println!(
        "{name}: {} jobs, {captures} captures, store {:.0} MB: judged in {judged:.2} s, page in {seconds:.2} s; \
         {:.2} MB, {} nodes; largest memory {:.0} MB",
        folder.run.jobs_done,
        store as f64 / 1e6,
        html.len() as f64 / 1e6,
        elements + texts,
        peak_mb()
    );
}

fn main() {
    // `cargo test --benches` only wants to know that it starts.
    if std::env::args().any(|word| word == "--test") {
        return;
    }
    let kept = std::env::var_os("KEEP").map(PathBuf::from);
    let scratch = std::env::temp_dir().join(format!("report-bench-{}", std::process::id()));
    let small = kept.clone().unwrap_or_else(|| scratch.join("small"));
    std::fs::create_dir_all(&scratch).expect("a folder for temporary files");
    let both = |name: &str, dir: &Path, text: &str, captures_a_job: usize| {
        let filled = fill(dir, text);
        let captures = captures_a_job * filled.jobs;
        build(&format!("{name}, every count fitted again"), dir, captures);
        let mut cache = SummaryCache::open(dir);
        for (bytes, digest) in &filled.summaries {
            cache.add(bytes, digest);
        }
        drop(cache);
        build(&format!("{name}, with the summaries that a run keeps"), dir, captures);
    };
    both("2,000 jobs x 72 lanes", &small, &plan("[\"read\"]", 1), 1);
    if std::env::var_os("SMALL").is_none() {
        both("100,000 captures", &scratch.join("large"), &plan("[\"read\", \"write\"]", 25), 2);
    }
    let _ = std::fs::remove_dir_all(&scratch);
}

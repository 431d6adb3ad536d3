//! Speed and memory of verdicts: a run folder of 100,800 captures of 72 lanes, judged with every statistic of the
//! report. Captures are stored as digests, the form `report` finds them in after a run.
//!
//! `cargo bench -p runner --bench verdicts -- FOLDER` keeps the folder, with its figures in `figures.json`, for
//! `tests/speed/verdicts.py FOLDER`, which works out the same figures with numpy, pandas and scipy and compares numbers
//! and times. Goal: 10 s, 500 MB, 5 times.

use judge::eye_summary::{EyeSummary, JobSummary, LaneSummary, packed_u};
use judge::judged::{JudgedMetric, JudgedRun};
use judge::{JobFacts, Judge};
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Direction, EyeName, Grid, Identity, JobOutcome, JobResult, JobTimes};
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::Job;
use plan::keys::JobKeys;
use plan::limits::Metric;
use runner::evaluate::judging::{JudgedBy, JudgedFolder};
use runner::folder::eye_summaries::{CacheUse, SummarisedFolder, SummaryCache, each_summary, packed};
use runner::folder::run_folder::{TOOL_VERSION, open_whole};
use runner::forecast::Forecast;
use runner::run::pending::PendingJob;
use runner::store::{Durability, JobRow, Meta, PackedJob, Store, Target};
use serde_json::json;
use simulator::target::MODEL_VERSION;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

const LANES: u16 = 72;

/// 8 modules x 5 channels x 7 rates x 36 temperatures x 10 supplies.
fn plan_text() -> String {
    let mut text = String::from("title = \"Speed\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 72\n");
    for module in 0..8 {
        text += &format!("[[module]]\nname = \"M{module}\"\nkind = \"UDIMM\"\nrated = 2666\n");
    }
    for channel in 0..5 {
        text +=
            &format!("[[channel]]\nname = \"C{channel}\"\nrisers = {}\nfits = [\"UDIMM\"]\n", channel % 4);
    }
    for supply in 0..10 {
        let volts = 1.16 + 0.008 * f64::from(supply);
        text += &format!("[[supply]]\nname = \"S{supply}\"\nvdd_v = {volts:.3}\nvddq_v = {volts:.3}\n");
    }
    let temperatures: Vec<String> = (0..36).map(|step| format!("{}", 2 * step)).collect();
    text + &format!(
        "[matrix]\nmost_conditions = 200000\nrate = [1600, 1866, 2133, 2400, 2666, 2933, 3200]\n\
         temperature_degc = [{}]\n[[limit]]\nmetric = \"width\"\nminimum = 0.3\nunit = \"UI\"\nsource = \"invented\"\n\
         [[limit]]\nmetric = \"height\"\nminimum = 20\nunit = \"% VDDQ\"\nsource = \"invented\"\n",
        temperatures.join(", ")
    )
}

/// Noise in -0.5..0.5 as a fixed function of its index.
fn noise(index: u64) -> f32 {
    SplitMix64::new(index).unit() as f32 - 0.5
}

fn capture(index: u64, ui_ps: f64) -> EyeSummary {
    let grid = Grid {
        taps: 128,
        vref_steps: 64,
        tap_step: Picoseconds(ui_ps / 64.0),
        vref_start: Millivolts(300.0),
        vref_step: Millivolts(10.0),
        ui: Picoseconds(ui_ps),
        vddq: Millivolts(1200.0),
    };
    let edges = (0..LANES)
        .map(|lane| {
            let n = |k: u64| noise(index * 1000 + u64::from(lane) * 8 + k);
            LaneSummary {
                reach: [16.0 + 3.0 * n(0), 15.0 + 3.0 * n(1), 14.0 + 4.0 * n(2), 14.5 + 4.0 * n(3)],
                u: [0.1 + 0.05 * n(4), 0.1 + 0.05 * n(5), 0.12 + 0.05 * n(6), 0.12 + 0.05 * n(7)]
                    .map(packed_u),
                ..LaneSummary::default()
            }
        })
        .collect();
    EyeSummary {
        eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
        mode: nightbench_core::results::CaptureMode::Exact,
        grid,
        lanes: (0..LANES).collect(),
        edges,
        masks: Vec::new(),
        slopes: Default::default(),
        spans: Vec::new(),
    }
}

fn build(dir: &Path) -> usize {
    let text = plan_text();
    let plan = Plan::read(&text).expect("the plan is sound");
    let forecast = Forecast::new(&plan, &[]).expect("jobs");
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let meta = Meta {
        tool_version: TOOL_VERSION.into(),
        title: plan.title.clone(),
        plan_text: text.clone(),
        seed: 1,
        target: Target::Simulated,
        created_utc: String::new(),
    };
    let mut store = Store::create(dir, &meta).expect("a store");
    store.set_durability(Durability::Grouped).expect("grouped");
    let identity = Identity {
        chip_serial: "chip".into(),
        firmware_build: "build".into(),
        firmware_hash: "0".into(),
        settings_hash: "0".into(),
        agent_version: MODEL_VERSION.into(),
    };
    let result = JobResult {
        outcome: JobOutcome::Measured,
        identity,
        readback: None,
        trainings: Vec::new(),
        captures: Vec::new(),
        times: JobTimes { training_s: 1.0, measuring_s: 10.0 },
    };
    let mut cache = SummaryCache::open(dir);
    for (position, job) in forecast.jobs.iter().enumerate() {
        let condition = forecast.expansion.conditions[job.condition as usize];
        let (key, position) = (keys.key(&condition, job), position as u64);
        let pending = PendingJob { job: *job, condition, key, position, attempt: 1 };
        // The script tells rates by their names.
        let row = JobRow { rate_mts: f64::from(condition.rate(&plan).nominal()), ..pending.row(&plan) };
        let eye = capture(u64::from(job.condition), condition.rate(&plan).ui().0);
        let (bytes, digest) = packed(&JobSummary { trainings: Vec::new(), captures: vec![Ok(eye)] });
        cache.add(&bytes, &digest);
        let job = PackedJob::new(&row, &result, &[]).expect("a sound result");
        store.record_packed(job.with_summary(digest)).expect("recorded");
    }
    store.close().expect("closed");
    forecast.jobs.len()
}

/// Largest memory the process ever held, MB.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1024.0)
}

/// Seconds that judging takes once every digest is in memory.
fn judging_alone(dir: &Path) -> f64 {
    let reader = Store::open_read_only(dir).expect("a store");
    let plan = Plan::read(&reader.meta().expect("meta").plan_text).expect("sound");
    let forecast = Forecast::new(&plan, &[]).expect("jobs");
    let expansion = &forecast.expansion;
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let key = |job: &Job| (keys.key(&expansion.conditions[job.condition as usize], job), *job);
    let jobs: HashMap<_, _> = forecast.jobs.iter().map(key).collect();
    let mut judge = Judge::new(&plan, expansion, true);
    let folder = SummarisedFolder {
        dir,
        reader: &reader,
        limits: &plan.limits,
        plan: &plan,
        expansion,
        cache_use: CacheUse::Look,
    };
    each_summary(
        &folder,
        |stored| jobs.get(&stored.row.key).copied(),
        |stored, job, digest| {
            let facts = JobFacts {
                position: stored.row.plan_position,
                outcome: &stored.outcome,
                identity: &stored.identity,
                readback: None,
                times: stored.times,
            };
            judge.add(job, &stored.row.key, &facts, digest);
        },
    )
    .expect("digests");
    judge.seal();
    let begun = Instant::now();
    let run = judge.judge(&AcceptanceCriteria::of(&plan));
    let seconds = begun.elapsed().as_secs_f64();
    assert_eq!(run.jobs_done, forecast.jobs.len());
    seconds
}

/// Sums over conditions, by metric and of the eyes' centres: every number has a say.
fn sums(run: &JudgedRun) -> serde_json::Value {
    let of = |metric: Metric| {
        let judged = run.conditions.iter().flat_map(|condition| &condition.metrics);
        let all: Vec<_> = judged.filter(|judged| judged.metric == metric).collect();
        let sum = |number: fn(&JudgedMetric) -> f64| all.iter().map(|judged| number(judged)).sum::<f64>();
        [
            sum(|judged| judged.value),
            sum(|judged| judged.margin),
            sum(|judged| judged.standard_uncertainty),
            sum(|judged| judged.guard_band),
            sum(|judged| judged.conformance_probability),
            sum(|judged| judged.wrong_decision_risk),
            sum(|judged| f64::from(judged.lane)),
        ]
    };
    let lanes = || run.conditions.iter().flat_map(|condition| &condition.lanes);
    let centre = [
        lanes().filter_map(|lanes| lanes.centre_ps.map(f64::from)).sum::<f64>(),
        lanes().filter_map(|lanes| lanes.centre_mv.map(f64::from)).sum::<f64>(),
    ];
    json!({ "width": of(Metric::Width), "height": of(Metric::Height), "centre": centre })
}

/// Everything from the folder, as `report` does; leaves the figures beside it.
fn judge_folder(dir: &Path, judging_s: f64) {
    let begun = Instant::now();
    let Ok(reader) = open_whole(dir) else { panic!("{} is damaged", dir.display()) };
    let folder = JudgedFolder::read(dir, &reader, JudgedBy::plan(CacheUse::Look)).expect("judged");
    let seconds = begun.elapsed().as_secs_f64();
    let peak = peak_mb().unwrap_or(f64::NAN);
    let run = &folder.run;
    println!(
        "{} captures x {LANES} lanes: {seconds:.2} s from the folder, {judging_s:.2} s of it judging; peak {peak:.0} MB; \
         {:?}",
        run.jobs_done, run.verdicts,
    );
    let figures = json!({
        "seconds": { "folder": seconds, "judging": judging_s },
        "verdicts": run.verdicts,
        "beyond_rating": run.beyond_rating,
        "sums": sums(run),
        "audit": run.audit,
        "budgets": run.budgets,
    });
    std::fs::write(dir.join("figures.json"), figures.to_string()).expect("written");
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    // Other processes judge, so that building does not count into their memory.
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["judging-alone", dir] => return println!("{}", judging_alone(Path::new(dir))),
        ["judge", dir, seconds] => return judge_folder(Path::new(dir), seconds.parse().expect("seconds")),
        _ => {}
    }
    let kept = arguments.first().map(PathBuf::from);
    let dir = kept
        .clone()
        .unwrap_or_else(|| std::env::temp_dir().join(format!("nightbench-verdicts-{}", std::process::id())));
    if !dir.join("figures.json").exists() {
        let _ = std::fs::remove_dir_all(&dir);
        let jobs = build(&dir);
        println!("built {jobs} jobs in {}", dir.display());
    }
    let this = std::env::current_exe().expect("this program");
    let again = || std::process::Command::new(&this);
    let alone = again().arg("judging-alone").arg(&dir).output().expect("another process");
    assert!(alone.status.success(), "{}", String::from_utf8_lossy(&alone.stderr));
    let seconds = String::from_utf8_lossy(&alone.stdout).trim().to_owned();
    let status = again().arg("judge").arg(&dir).arg(seconds).status();
    assert!(status.expect("another process").success());
    if kept.is_none() {
        let _ = std::fs::remove_dir_all(&dir);
    }
}

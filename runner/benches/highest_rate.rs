//! A search for the highest rates against every rate measured, and how often the bound of the rate that a margin holds to is broken.
//!
//! `cargo bench -p runner --bench highest_rate`; `-- seeds 10 from 100` the search alone, over so many seeds; `-- FOLDER...` replays
//! the search over run folders in which every rate was measured.

use contract::CancelToken;
use judge::Judge;
use judge::highest_rate::{Answer, next, start};
use judge::judged::JudgedRun;
use nightbench_core::results::EyeName;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, expand, jobs};
use plan::highest_rate::rate_series;
use plan::keys::JobKeys;
use plan::limits::Metric;
use plan::selection::Selection;
use rayon::prelude::*;
use runner::evaluate::judging::{JudgedBy, JudgedFolder};
use runner::folder::eye_summaries::CacheUse;
use runner::folder::run_folder::open_whole;
use runner::run::execute::Executor;
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use statistics::proportion::exact_interval;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

const LIBRARY: &str = include_str!("../../plans/library/highest-rate.toml");
/// Runs that the truth is the mean of, and runs that are held against it.
const TRUTH_SEEDS: u64 = 8;
const SEEDS: u64 = 12;
/// Invented chips, each with modules of its own.
const CHIPS: u64 = 12;

/// A plan of the library's kind with invented chips.
fn plan_text(chip: u64, rates: &str) -> String {
    LIBRARY
        .replace("Kestrel K1", &format!("Kestrel K{chip}"))
        .replace("Larch", &format!("Larch {chip}"))
        .replace("Maple", &format!("Maple {chip}"))
        .replace("rate = [1600, 1867, 2133, 2400, 2667, 2933, 3200]", &format!("rate = [{rates}]"))
        .replace(
            "temperature_degc = [0, 25, 85]",
            "temperature_degc = [25, 85]\nchannel = [\"three risers\"]",
        )
}

fn ddr5() -> String {
    LIBRARY
        .replace("generation = \"DDR4\"", "generation = \"DDR5\"")
        .replace("3200", "6400")
        .replace("2666", "5600")
        .replace(
            "rate = [1600, 1867, 2133, 2400, 2667, 2933, 6400]",
            "rate = [3200, 3600, 4000, 4400, 4800, 5200, 5600, 6000, 6400]",
        )
        .replace("at_least = 2133", "at_least = 3200")
        .replace("minimum = 0.35", "minimum = 0.3")
        .replace("device_width = 4", "device_width = 8")
}

fn options(plan: &Plan, seed: u64) -> Arc<SimulatedOptions> {
    Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed,
    })
}

/// Everything measured and judged; every condition's own answer beside it.
fn measured(plan: &Plan, expansion: &Expansion, seed: u64) -> (JudgedRun, Vec<Option<Answer>>) {
    let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(plan, expansion, &keys);
    let mut target = SimulatedTarget::new(options(plan, seed));
    let mut judge = Judge::new(plan, expansion, true);
    for (position, job) in (0..).zip(jobs(plan, expansion)) {
        let result = executor.run(&mut target, &job, &CancelToken::new()).expect("no stop");
        let key = keys.key(&expansion.conditions[job.condition as usize], &job);
        judge.add_result(&job, &key, position, &result);
    }
    judge.seal();
    let answers = (0..expansion.conditions.len() as u32).map(|index| judge.answer(index)).collect();
    (judge.judge(&AcceptanceCriteria::of(plan)), answers)
}

/// What a search over everything measured asks.
#[derive(Debug, Default, Clone, Copy)]
struct Replayed {
    conditions: usize,
    asked: usize,
    /// Of a search that begins at the answer of every series.
    least: usize,
    series: usize,
    /// Series whose answer is not that of every rate measured.
    wrong: usize,
}

/// Asks one series from a start, answers as measured.
fn search(every: &[Option<Answer>], first: usize) -> (Vec<Option<Answer>>, usize) {
    let mut answers = vec![None; every.len()];
    let mut asked = 0;
    loop {
        let places = next(&answers, first);
        if places.is_empty() {
            return (answers, asked);
        }
        for place in places {
            answers[place] = Some(every[place].unwrap_or(Answer::Doubtful));
            asked += 1;
        }
    }
}

fn replay(plan: &Plan, expansion: &Expansion, all: &[Option<Answer>]) -> Replayed {
    let series = rate_series(plan, expansion, 0..expansion.conditions.len() as u32);
    let mut found: Vec<Vec<Option<Answer>>> = Vec::new();
    let mut sums =
        Replayed { conditions: expansion.conditions.len(), series: series.len(), ..Replayed::default() };
    for one in &series {
        let before = one.follows.map(|before| (&series[before], &found[before][..]));
        let every: Vec<Option<Answer>> = one.conditions.iter().map(|index| all[*index as usize]).collect();
        let (answers, asked) = search(&every, start(plan, expansion, one, before));
        let passing = |answers: &[Option<Answer>]| answers.iter().rposition(|one| *one == Some(Answer::Pass));
        sums.asked += asked;
        sums.least += (0..every.len()).map(|first| search(&every, first).1).min().unwrap_or(0);
        sums.wrong += usize::from(passing(&answers) != passing(&every));
        found.push(answers);
    }
    sums
}

fn tell(name: &str, sums: Replayed) {
    let share = |asked: usize| asked as f64 / sums.conditions as f64;
    let wrong = exact_interval(sums.wrong as u64, sums.series as u64, 0.95).expect("counts");
    println!(
        "{name}: {} of {} conditions asked ({:.3}; {:.3} if every series began at its answer) in {} series, {} answers differ from \
         every rate (95 % interval up to {:.2} %)",
        sums.asked,
        sums.conditions,
        share(sums.asked),
        share(sums.least),
        sums.series,
        sums.wrong,
        100.0 * wrong.upper
    );
}

fn folders(folders: &[String]) {
    for folder in folders {
        let dir = Path::new(folder);
        let reader = open_whole(dir).unwrap_or_else(|failure| panic!("{failure}"));
        let by = JudgedBy { instead: None, all_sets: false, cache: CacheUse::Look };
        let judged = JudgedFolder::read(dir, &reader, by).unwrap_or_else(|failure| panic!("{failure}"));
        let expansion = expand(&judged.file.plan, &Selection::default());
        let answers: Vec<Option<Answer>> = judged.run.conditions.iter().map(Answer::of).collect();
        tell(folder, replay(&judged.file.plan, &expansion, &answers));
    }
}

/// Margin as a share of its limit, by condition, metric and eye.
type Margins = BTreeMap<(usize, Metric, EyeName), Vec<(f64, f64)>>;

/// Where the mean margins of each series first fall through zero, MT/s.
fn true_crossings(plan: &Plan, expansion: &Expansion) -> Vec<Option<f64>> {
    let runs: Vec<JudgedRun> =
        (0..TRUTH_SEEDS).into_par_iter().map(|seed| measured(plan, expansion, (1 << 40) + seed).0).collect();
    let series = rate_series(plan, expansion, 0..expansion.conditions.len() as u32);
    let mut margins: Margins = BTreeMap::new();
    for (number, one) in series.iter().enumerate() {
        for index in &one.conditions {
            let rate = expansion.conditions[*index as usize].rate(plan).mega_transfers();
            let mut sums: BTreeMap<(Metric, EyeName), (f64, f64)> = BTreeMap::new();
            for metric in runs.iter().flat_map(|run| &run.conditions[*index as usize].metrics) {
                let (sum, count) = sums.entry((metric.metric, metric.eye)).or_default();
                *sum += metric.margin / metric.limit;
                *count += 1.0;
            }
            for ((metric, eye), (sum, count)) in sums {
                margins.entry((number, metric, eye)).or_default().push((rate, sum / count));
            }
        }
    }
    let mut found = vec![None; series.len()];
    for ((number, ..), points) in margins {
        let fall = points.windows(2).find_map(|pair| {
            let ((r1, m1), (r2, m2)) = (pair[0], pair[1]);
            (m1 >= 0.0 && m2 < 0.0).then(|| r1 + (r2 - r1) * m1 / (m1 - m2))
        });
        let slot: &mut Option<f64> = &mut found[number];
        *slot = match (*slot, fall) {
            (Some(known), Some(fall)) => Some(known.min(fall)),
            (known, fall) => known.or(fall),
        };
    }
    found
}

/// How often the bound of a run lies above the true crossing, over steps of one and of two standard rates.
fn bounds() {
    const FINE: &str = "1600, 1867, 2133, 2400, 2667, 2933, 3200";
    let kinds = [("one step of rate", FINE), ("two steps", "1600, 2133, 2667, 3200")];
    let mut seen: [(u64, Vec<f64>); 2] = Default::default();
    for chip in 1..=CHIPS {
        let read = |rates: &str| Plan::read(&plan_text(chip, rates)).unwrap_or_else(|all| panic!("{all:?}"));
        let fine = read(FINE);
        let truth = true_crossings(&fine, &expand(&fine, &Selection::default()));
        for ((_, rates), (broken, off)) in kinds.iter().zip(&mut seen) {
            let plan = read(rates);
            let expansion = expand(&plan, &Selection::default());
            let runs: Vec<JudgedRun> =
                (0..SEEDS).into_par_iter().map(|seed| measured(&plan, &expansion, seed).0).collect();
            for run in &runs {
                for (note, truth) in run.audit.highest_rates.iter().zip(&truth) {
                    if let (Some(bound), Some(truth)) = (note.holds_to_mts, truth) {
                        *broken += u64::from(bound > *truth);
                        off.push(truth - bound);
                    }
                }
            }
        }
    }
    for ((name, _), (broken, mut off)) in kinds.into_iter().zip(seen) {
        off.sort_by(f64::total_cmp);
        let trials = off.len() as u64;
        let interval = exact_interval(broken, trials, 0.99).expect("counts");
        println!(
            "bound over {name}: broken in {broken} of {trials} ({:.1} %, 99 % interval {:.1} to {:.1}; 5 % at most claimed); median \
             {:.0} MT/s below the true crossing",
            100.0 * broken as f64 / trials.max(1) as f64,
            100.0 * interval.lower,
            100.0 * interval.upper,
            off.get(off.len() / 2).copied().unwrap_or(f64::NAN),
        );
    }
}

fn main() {
    let named: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let number = |after: &str| {
        let at = named.iter().position(|word| word == after)?;
        named.get(at + 1)?.parse().ok()
    };
    let seeds: Option<u64> = number("seeds");
    if !named.is_empty() && seeds.is_none() {
        return folders(&named);
    }
    let from = number("from").unwrap_or(1);
    for (name, text) in [("the library's plan", LIBRARY.to_string()), ("a plan of DDR5", ddr5())] {
        let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
        let expansion = expand(&plan, &Selection::default());
        let mut sums = Replayed::default();
        for seed in from..from + seeds.unwrap_or(3) {
            let one = replay(&plan, &expansion, &measured(&plan, &expansion, seed).1);
            sums = Replayed {
                conditions: sums.conditions + one.conditions,
                asked: sums.asked + one.asked,
                least: sums.least + one.least,
                series: sums.series + one.series,
                wrong: sums.wrong + one.wrong,
            };
        }
        tell(&format!("{name}, {} seeds from {from}", seeds.unwrap_or(3)), sums);
    }
    if seeds.is_none() {
        bounds();
    }
}

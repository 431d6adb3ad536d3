//! Do the promises of a go/no-go test come true? Derivations of fresh samples of the library's line, each held against units that
//! no derivation has seen and whose corners are measured; seconds of a test at 8 and 40 lanes; what this computer adds.
//!
//! `cargo bench -p runner --bench gonogo`: 20 derivations, 20,000 units; `-- 4 2000`: so many; `-- keep DIR`: units measured are
//! kept there, so that a later call need only judge them.

mod kept;

use contract::CancelToken;
use judge::gonogo::{
    Asked, CornerMetric, Derivation, LineTest, Sample, SampleUnit, SupplyReading, derive, readings,
};
use kept::{Known, known};
use nightbench_core::line::{ShortLook, UnitOutcome};
use runner::inputs::plan_file::PlanFile;
use runner::line::lot_folder::{Begin, Entry, LotFolder, Purpose, UnitEntry};
use runner::line::sample::sample_look;
use runner::line::setup::{Conditions, Corner, Line, Turn, Unit, UnitFactor};
use runner::line::station::{CallLimits, corner_value, measure, simulated_target};
use runner::run::execute::NO_LIMIT;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

const CALLS: CallLimits = CallLimits { call: NO_LIMIT, reach: NO_LIMIT };
const BITS: u64 = 100_000;
/// Seconds of a visit of the simulated target at 2,933 MT/s.
const VISIT_S: f64 = 0.5e-3 + 1e5 / (2.933e9 * 0.6);

fn line(lanes: u16) -> Line {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../plans/library/line-sample.toml");
    let text = std::fs::read_to_string(path).expect("the library");
    let text = text.replace("lanes = 8", &format!("lanes = {lanes}"));
    let plan = PlanFile::from_text(text, "line-sample.toml", false).expect("a sound plan").plan;
    let faulty = plan.modules.iter().filter(|module| module.fault.is_some()).count();
    let corner = |temperature_degc| Corner { temperature_degc, supply: "low".into() };
    let conditions = Conditions {
        units: UnitFactor::Module,
        stays: plan.chips[0].name.clone(),
        firmware: None,
        channel: plan.channels[0].name.clone(),
        rate: 2933,
        pattern: plan.matrix.patterns[0].name(),
        temperature_degc: 25.0,
        supplies: vec!["nominal".into(), "low".into()],
        corners: vec![corner(0.0), corner(95.0)],
        faulty_share: faulty as f64 / plan.modules.len() as f64,
    };
    Line::new(plan, conditions).expect("a line")
}

/// One unit: its corners, and what the line's look at every depth shows.
fn both(line: &Line, unit: &Unit, look: &ShortLook, limits: &[f64]) -> (f64, UnitOutcome) {
    let cancel = CancelToken::new();
    let mut driver = simulated_target(line, 1);
    let lab = Turn { mounting: 0, repeat: 0 };
    let corner =
        corner_value(&mut driver, line, (unit, lab), CornerMetric::Width, CALLS, &cancel).expect("corners");
    let turn = Turn { mounting: 1, repeat: 0 };
    let (outcome, _) =
        measure(&mut driver, line, (unit, turn), (look, limits), CALLS, &cancel).expect("a look");
    (corner, outcome)
}

/// A sample of its own: the plan's descriptions in the plan's proportions, under names of their own.
fn sample(line: &Line, seed: usize, keep: Option<&Path>) -> Sample {
    let (look, limits) = sample_look(BITS);
    let measure = |at: usize| {
        let mut module = line.plan.modules[at].clone();
        module.name = format!("sample {seed}, {}", module.name);
        let (name, fault) = (module.name.clone(), module.fault.clone());
        let chip = Arc::new(line.plan.chips[0].clone());
        let unit = Unit { serial: name.clone(), chip, module: Arc::new(module), fault: fault.clone() };
        let (corner, outcome) = both(line, &unit, &look, &limits);
        Known { name, fault, corner, outcome }
    };
    let units = known(keep, &format!("sample-{seed}"), line.plan.modules.len(), measure);
    let units = units.into_iter().map(|known| {
        let Known { name, fault, corner, outcome } = known;
        SampleUnit { name, fault, corner, room: Vec::new(), line: outcome }
    });
    Sample { units: units.collect(), look, gauge: Vec::new(), visit_s: VISIT_S }
}

/// A unit that no derivation saw: its corners and its readings at each depth.
struct Seen {
    corner: f64,
    readings: Vec<(f64, Option<Vec<SupplyReading>>)>,
}

fn unseen(line: &Line, count: usize, keep: Option<&Path>) -> Vec<Seen> {
    let (look, limits) = sample_look(BITS);
    let measure = |number: usize| {
        let unit = line.simulated_unit(&format!("unseen {number}"));
        let (corner, outcome) = both(line, &unit, &look, &limits);
        Known { name: unit.serial, fault: unit.fault, corner, outcome }
    };
    let seen = |unit: Known| {
        let at = |limit: f64| match &unit.outcome {
            UnitOutcome::Measured(counts) => readings(counts, &ShortLook { limit, ..look }),
            _ => None,
        };
        Seen { corner: unit.corner, readings: limits.iter().map(|limit| (*limit, at(*limit))).collect() }
    };
    known(keep, "unseen", count, measure).into_iter().map(seen).collect()
}

/// Shares of escapes, corner tests and good units rejected.
fn shares(test: &LineTest, units: &[Seen]) -> (f64, f64, f64) {
    let (mut escapes, mut sent, mut killed, mut good) = (0, 0, 0, 0);
    for unit in units {
        let bad = unit.corner < test.limit;
        good += usize::from(!bad);
        let read = unit
            .readings
            .iter()
            .find(|(limit, _)| *limit == test.look.limit)
            .and_then(|(_, read)| read.as_ref());
        let Some((read, predicted)) = read.and_then(|read| Some((read, test.predict(read)?))) else {
            killed += usize::from(!bad);
            continue;
        };
        if predicted < test.no_go_below {
            killed += usize::from(!bad);
        } else if predicted < test.go_from() || test.far_outside(read).is_some() {
            sent += 1;
        } else {
            escapes += usize::from(bad);
        }
    }
    let all = units.len() as f64;
    (escapes as f64 / all, sent as f64 / all, killed as f64 / good.max(1) as f64)
}

fn percent(share: f64) -> String {
    format!("{:.3} %", 100.0 * share)
}

/// Mean seconds of the frozen test over some units, and the median of what this computer adds to each: a disk that others use
/// shows in a few of them.
fn seconds(line: &Line, test: &LineTest, units: usize) -> (f64, f64) {
    let cancel = CancelToken::new();
    let dir = std::env::temp_dir().join(format!("nightbench-gonogo-{}", std::process::id()));
    let begin = Begin {
        lot: "bench".into(),
        test: String::new(),
        tool: String::new(),
        bench: None,
        seed: 1,
        draw: 0.0,
    };
    let mut folder = LotFolder::open(&dir, &begin).expect("a folder");
    let (mut test_s, mut added_s) = (0.0, Vec::new());
    for number in 0..units {
        let serial = format!("timed {number}");
        let unit = line.simulated_unit(&serial);
        let mut driver = simulated_target(line, 1);
        let turn = Turn { mounting: 0, repeat: 0 };
        let limits = [test.look.limit];
        let (outcome, times) =
            measure(&mut driver, line, (&unit, turn), (&test.look, &limits), CALLS, &cancel).expect("a look");
        test_s += times.test_s;
        // What is left of a unit beside the target's own work: judged, sealed and brought to disk.
        let begin = Instant::now();
        let judged = test.judge(&outcome);
        let entry = UnitEntry {
            serial,
            purpose: Purpose::Unit,
            mounting: 0,
            repeat: 0,
            outcome,
            times,
            decision: Some(judged.decision),
            predicted: judged.predicted,
            drawn: false,
            ended_utc: String::new(),
        };
        folder.add(vec![Entry::Unit(entry)]).expect("stored");
        added_s.push(begin.elapsed().as_secs_f64());
    }
    drop(folder);
    let _ = std::fs::remove_dir_all(&dir);
    added_s.sort_by(f64::total_cmp);
    (test_s / units as f64, added_s[units / 2])
}

fn main() {
    let words: Vec<String> = std::env::args().collect();
    let keep = words.iter().position(|word| word == "keep").and_then(|at| words.get(at + 1)).map(Path::new);
    if let Some(dir) = keep {
        std::fs::create_dir_all(dir).expect("a folder");
    }
    let numbers: Vec<usize> = words.iter().filter_map(|word| word.parse().ok()).collect();
    let (derivations, count) = match numbers.as_slice() {
        [derivations, units, ..] => (*derivations, *units),
        _ => (20, 20_000),
    };
    let eight = line(8);
    let limit = 0.215;
    let asked = Asked {
        metric: CornerMetric::Width,
        limit,
        escapes: 0.002,
        overkill: 0.01,
        sent_on: 0.2,
        costs: None,
        faulty_share: None,
    };
    let begin = Instant::now();
    let units = unseen(&eight, count, keep);
    let bad = units.iter().filter(|unit| unit.corner < limit).count();
    println!("{count} unseen units, {bad} bad at the corners ({:.0} s)", begin.elapsed().as_secs_f64());
    println!(
        "\nderivation  guard  stated escapes (95 %)                seen      to corner stated / seen  overkill seen"
    );
    let (mut within, mut derived, mut kept) = (0, 0, 0);
    let mut last: Option<Derivation> = None;
    for seed in 1..=derivations {
        let found = match derive(&sample(&eight, seed, keep), &asked) {
            Ok(found) => found,
            Err(refusal) => {
                println!("{seed:>10}  {}", refusal.words(&asked));
                continue;
            }
        };
        let point = found.curve[found.chosen];
        let (escapes, sent, killed) = shares(&found.test, &units);
        let inside = (point.escapes.lower..=point.escapes.upper).contains(&escapes);
        within += usize::from(inside);
        derived += usize::from(found.refusals.is_empty());
        kept += usize::from(escapes <= 0.002 && killed == 0.0 && sent <= 0.2);
        println!(
            "{seed:>10}  {:>4.2} s  {:>8} ({} to {})  {:>8}{} {:>8} / {:>8}  {:>8}{}",
            point.sds,
            percent(point.risk.escapes),
            percent(point.escapes.lower),
            percent(point.escapes.upper),
            percent(escapes),
            if inside { ' ' } else { '!' },
            percent(point.risk.sent_on),
            percent(sent),
            percent(killed),
            match (found.refusals.is_empty(), found.sure) {
                (false, _) => "  refused",
                (true, false) => "  by estimate",
                (true, true) => "",
            }
        );
        last = Some(found);
    }
    println!(
        "\nderived {derived} of {derivations}; seen escapes inside the stated interval: {within} (wanted: 18 of 20)"
    );
    println!("escapes at most 0.2 % at overkill 0 with at most 20 % to the corner: {kept} of {derivations}");
    let Some(found) = last else { return };
    let (at_8, added) = seconds(&eight, &found.test, 100);
    let (at_40, added_40) = seconds(&line(40), &found.test, 20);
    println!(
        "\ntest of a unit: {:.1} ms at 8 lanes (wanted: 60), {:.1} ms at 40 ({:.2} x; wanted: 1.5)",
        1e3 * at_8,
        1e3 * at_40,
        at_40 / at_8
    );
    println!(
        "this computer adds {:.2} ms at 8 lanes ({:.1} %; wanted: 10) and {:.2} ms at 40",
        1e3 * added,
        100.0 * added / at_8,
        1e3 * added_40
    );
}

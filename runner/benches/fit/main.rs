//! Does a fit find what is hidden, predict what it has not seen, and see when the model is wrong elsewhere? Hidden targets by seed, run as
//! `run` runs them and fitted as `fit` fits them.
//!
//! `cargo bench -p runner --bench fit` prints the table; `-- 3` takes so many seeds a row, `from 101` begins there, `only spread` takes one
//! row, `each` prints every figure and held-out margin. `speed` prints the time of a fit a point instead, and with numpy and scipy (`NIGHTBENCH_PYTHON`) that of tests/numpy/fit.py on
//! the same counts.

mod runs;
mod speed;

use judge::agreement::Agreement;
use judge::correlation::{Correlation, Finding};
use nightbench_core::results::Direction;
use plan::limits::Metric;
use runner::evaluate::fitting::gather;
use runs::{ALIKE, Random, file, measured, plan_text};
use statistics::proportion::exact_interval;
use std::time::Instant;

/// Figures that are fitted.
const FREE: [&str; 6] = ["dram_ron_ohm", "odt_rd_ohm", "conn_c_pf", "xt_conn_ps", "rj_ps", "v_dj_mv"];
const DEFAULTS: [f64; 6] = [34.3, 48.0, 0.75, 6.0, 4.5, 16.0];
/// Figures that are hidden as well in the misfit row, by up to these factors.
const OTHERS: [(&str, f64, f64); 4] =
    [("brd_z_ohm", 46.0, 0.12), ("tand_brd", 0.014, 0.5), ("dj_ps", 18.0, 0.5), ("ctl_cio_pf", 1.05, 0.25)];
const HOLD_OUT: [&str; 2] = ["rate=2667", "temperature=85"];

#[derive(Clone, Copy, PartialEq, Debug)]
enum Row {
    Alike,
    Spread,
    Misfit,
}

struct Outcome {
    seed: u64,
    hidden: Vec<f64>,
    found: Correlation,
    conditions: usize,
    /// Of every condition, as [`judge::correlation::Prediction`] counts them.
    names: Vec<String>,
    seconds: f64,
}

fn one(row: Row, seed: u64) -> Outcome {
    let mut random = Random::new(seed);
    let mut model: Vec<(String, f64)> = Vec::new();
    let hidden: Vec<f64> = FREE.iter().map(|_| random.between(-0.35, 0.35)).collect();
    for ((name, value), ln) in FREE.iter().zip(DEFAULTS).zip(&hidden) {
        model.push(((*name).into(), value * ln.exp()));
    }
    let mut lanes = 40;
    let mut told = Vec::new();
    if row == Row::Alike {
        lanes = 1;
        told.extend(ALIKE.iter().map(|(name, value)| ((*name).to_string(), *value)));
    }
    if row == Row::Misfit {
        lanes = 8;
        for (name, value, most) in OTHERS {
            let sign = if random.between(-1.0, 1.0) > 0.0 { 1.0 } else { -1.0 };
            model.push((name.into(), value * (sign * random.between(0.5, 1.0) * most).exp()));
        }
    }
    model.extend(told.clone());
    let lanes = lanes.max(8);
    let run = measured(&plan_text(lanes, &model), seed);
    let file = file(plan_text(lanes, &told));
    let gathered =
        gather(&file, vec![run], &HOLD_OUT.map(String::from)).unwrap_or_else(|f| panic!("{}", f.words));
    let begun = Instant::now();
    let found = gathered.fit(&FREE.map(String::from)).unwrap_or_else(|failure| panic!("{}", failure.words));
    let seconds = begun.elapsed().as_secs_f64();
    let names = gathered.conditions().iter().map(|condition| condition.name.clone()).collect();
    Outcome { seed, hidden, found, conditions: gathered.held_out, names, seconds }
}

fn rms(list: &[Agreement], metric: Metric) -> f64 {
    list.iter()
        .find(|agreement| (agreement.direction, agreement.metric) == (Direction::Read, metric))
        .map_or(f64::NAN, |agreement| agreement.rms_steps)
}

fn lanes_rms(found: &Correlation, height: bool) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for one in &found.held_out {
        let values = if height { &one.height } else { &one.width };
        if let Some(values) = values {
            sum += values.lanes_rms().powi(2) * values.lanes.len() as f64;
            n += values.lanes.len() as f64;
        }
    }
    (sum / n).sqrt()
}

fn tell(outcome: &Outcome, each: bool) {
    let found = &outcome.found;
    let errors: Vec<String> = found
        .figures
        .iter()
        .zip(&outcome.hidden)
        .zip(DEFAULTS)
        .map(|((fitted, ln), default)| {
            let truth = default * ln.exp();
            let covered = (fitted.interval.0..=fitted.interval.1).contains(&truth);
            format!("{:+.1}{}", 100.0 * (fitted.value / truth - 1.0), if covered { "" } else { "!" })
        })
        .collect();
    println!(
        "seed {}: {} %; held-out ({}) width {:.3} tap (lanes {:.3}), height {:.3} step (lanes {:.3}); chi {:.2}, {} points, {:.1} s; {:?}",
        outcome.seed,
        errors.join(" "),
        outcome.conditions,
        rms(&found.held_out_agreement, Metric::Width),
        lanes_rms(found, false),
        rms(&found.held_out_agreement, Metric::Height),
        lanes_rms(found, true),
        found.chi_square,
        found.points,
        outcome.seconds,
        found.finding
    );
    if each {
        for words in &found.reasons {
            println!("    {words}");
        }
        for left in found.left_out.iter().take(6) {
            println!(
                "    {} gain {:.1} to {:+.2} lanes {:?} {}",
                left.name, left.gain, left.change, left.lanes_say, left.told
            );
        }
        for agreement in found.agreement.iter().chain(&found.held_out_agreement) {
            println!("    {} within {:?}", agreement.words(), agreement.within);
        }
        println!("    {}", found.identified.weakest.words);
        for fixed in &found.identified.fixed {
            println!("    {}", fixed.words);
        }
        for residuals in &found.residuals {
            println!("    {} {:?}", residuals.condition, residuals.sides);
        }
        for one in &found.held_out {
            for (name, values) in [("width", &one.width), ("height", &one.height)] {
                let Some(values) = values else { continue };
                println!(
                    "    held out {} {name}: off {:+.3} steps, u {:.3}, ratio {:+.2}, lanes {:.3}",
                    outcome.names[one.condition],
                    (values.predicted - values.measured) / values.step,
                    values.u / values.step,
                    (values.predicted - values.measured) / values.u,
                    values.lanes_rms()
                );
            }
        }
    }
}

/// A share with its exact interval (95 %).
fn share((part, of): (usize, usize)) -> String {
    let limits = exact_interval(part as u64, of as u64, 0.95).map_or(String::new(), |found| {
        format!(" ({:.1} to {:.1} %)", 100.0 * found.lower, 100.0 * found.upper)
    });
    format!("{part} of {of}{limits}")
}

/// What a row comes to, beside what is wanted.
fn summary(row: Row, all: &[Outcome]) {
    let n = all.len() as f64;
    let rms_of =
        |of: &dyn Fn(&Outcome) -> f64| (all.iter().map(|one| of(one).powi(2)).sum::<f64>() / n).sqrt();
    let (mut within, mut covered, mut figures) = (0, 0, 0);
    let (mut widths, mut heights) = ((0, 0), (0, 0));
    for outcome in all {
        for ((fitted, ln), default) in outcome.found.figures.iter().zip(&outcome.hidden).zip(DEFAULTS) {
            let truth = default * ln.exp();
            figures += 1;
            within += usize::from((fitted.value / truth - 1.0).abs() <= 0.05);
            covered += usize::from((fitted.interval.0..=fitted.interval.1).contains(&truth));
        }
        for agreement in &outcome.found.held_out_agreement {
            let of = if agreement.metric == Metric::Width { &mut widths } else { &mut heights };
            *of = (of.0 + agreement.within.0, of.1 + agreement.within.1);
        }
    }
    let misfits = all.iter().filter(|one| one.found.finding == Finding::Misfit).count();
    let correlated = all.iter().filter(|one| one.found.finding == Finding::Correlated).count();
    println!(
        "{row:?}, {} seeds: {} figures within 5 %, {} in their intervals; held-out width {:.3} tap (lanes {:.3}), height {:.3} step (lanes {:.3}); {} widths and {} heights within U; {misfits} misfits, {correlated} correlated; {:.1} s a fit",
        all.len(),
        share((within, figures)),
        share((covered, figures)),
        rms_of(&|one| rms(&one.found.held_out_agreement, Metric::Width)),
        rms_of(&|one| lanes_rms(&one.found, false)),
        rms_of(&|one| rms(&one.found.held_out_agreement, Metric::Height)),
        rms_of(&|one| lanes_rms(&one.found, true)),
        share(widths),
        share(heights),
        all.iter().map(|one| one.seconds).sum::<f64>() / n
    );
    let wanted = match row {
        Row::Alike => "wanted: five of six figures within 5 %, width 0.3 tap",
        Row::Spread => "wanted: width 0.25 tap, height 0.5 step, 60 s on two cores",
        Row::Misfit => "wanted: every one a misfit",
    };
    println!("    {wanted}");
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let number: u64 = arguments.first().and_then(|word| word.parse().ok()).unwrap_or(10);
    let each = arguments.iter().any(|word| word == "each");
    if arguments.iter().any(|word| word == "speed") {
        speed::speed();
        return;
    }
    let after =
        |word: &str| arguments.iter().position(|known| known == word).and_then(|at| arguments.get(at + 1));
    let only = after("only");
    let from: u64 = after("from").and_then(|number| number.parse().ok()).unwrap_or(1);
    for row in [Row::Alike, Row::Spread, Row::Misfit] {
        if only.is_some_and(|name| !format!("{row:?}").eq_ignore_ascii_case(name)) {
            continue;
        }
        println!("{row:?}");
        let mut all = Vec::new();
        for seed in from..from + number {
            let outcome = one(row, seed);
            tell(&outcome, each);
            all.push(outcome);
        }
        summary(row, &all);
    }
}

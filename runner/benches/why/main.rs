//! Are causes named right? Setups nobody has seen, one lane of each made worse by a hidden change, its counts captured as a
//! run captures them and its causes named as `why` names them; beside it healthy lanes, and a model that is wrong for all.
//!
//! `cargo bench -p runner --bench why` prints the table (200 setups with one cause); `-- 20` takes so many, `-- 20 each` prints
//! every setup as well, `only single` takes one row, `from 5000` begins at another seed, `seed 4,7` takes these, `extra` measures the
//! extra jobs of `[diagnosis]`, too.

mod setups;

use judge::causes::{Cause, Finding, Job, LaneCauses, library};
use judge::why::lane_gains;
use rayon::prelude::*;
use setups::{Kind, Setup};
use std::collections::BTreeMap;
use std::time::Instant;

/// What came of one setup.
struct Outcome {
    setup: Setup,
    found: Option<LaneCauses>,
    /// Of the reference.
    words: String,
}

fn names(found: &LaneCauses) -> Vec<Cause> {
    let mut names = Vec::new();
    if matches!(found.finding, Finding::Named) {
        for blamed in &found.causes {
            names.push(blamed.cause);
            names.extend(blamed.or);
        }
    }
    names
}

fn run(kind: Kind, seed: u64, extra: bool) -> Option<Outcome> {
    let mut setup = Setup::new(kind, seed, extra)?;
    let captures = setup.captures();
    let views: Vec<_> = captures
        .iter()
        .map(|capture| eye::counts::CaptureView::new(capture).expect("sound counts"))
        .collect();
    let (capture, limits) = (&captures[0], setup.limits());
    let gains = lane_gains(std::slice::from_ref(capture), &limits, None).expect("sound counts");
    let best: Vec<f64> = capture
        .lanes
        .iter()
        .map(|lane| gains.iter().find(|gain| gain.lane == *lane).map_or(f64::NAN, |gain| gain.best))
        .collect();
    let begun = Instant::now();
    let jobs: Vec<Job<'_>> =
        views.iter().zip(setup.models()).map(|(view, model)| Job { view, model }).collect();
    let made = library(&jobs, &limits, &best, &[setup.lane]);
    let library_s = begun.elapsed().as_secs_f64();
    let (found, words) = match made {
        Ok(library) => {
            let words = format!("reference {:.2} over {} jobs", library.chi_square, library.jobs());
            (library.causes(&jobs, setup.lane, setup.trained), words)
        }
        Err(words) => (None, words),
    };
    let words = format!("{words}; {library_s:.2} s and {:.2} s", begun.elapsed().as_secs_f64() - library_s);
    drop(jobs);
    drop(views);
    Some(Outcome { setup, found, words })
}

fn percent(part: usize, of: usize) -> String {
    format!("{part}/{of} ({:.1} %)", 100.0 * part as f64 / of.max(1) as f64)
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let number: usize = arguments.first().and_then(|word| word.parse().ok()).unwrap_or(200);
    let each = arguments.iter().any(|word| word == "each");
    let extra = arguments.iter().any(|word| word == "extra");
    let from: u64 = arguments
        .iter()
        .position(|word| word == "from")
        .and_then(|at| arguments.get(at + 1))
        .map_or(0, |word| word.parse().expect("a seed"));
    let rows = [
        (Kind::Single, number),
        (Kind::Double, number.div_ceil(4)),
        (Kind::Healthy, number.div_ceil(2)),
        (Kind::WrongModel, number.div_ceil(4)),
        (Kind::WrongModelHealthy, number.div_ceil(2)),
    ];
    println!(
        "| setups | n | first name right | right among two | cannot tell | blamed | gains of accepted fits: bias, sd, U holds |"
    );
    println!("|---|---|---|---|---|---|---|");
    for (kind, wanted) in rows {
        if let Some(only) = arguments.iter().position(|word| word == "only")
            && arguments.get(only + 1).is_some_and(|name| !format!("{kind:?}").eq_ignore_ascii_case(name))
        {
            continue;
        }
        let begun = Instant::now();
        // Draws that make no strong cause are no setups; enough seeds are tried.
        let mut outcomes: Vec<Outcome> = Vec::new();
        let mut first = from;
        while outcomes.len() < wanted && first < from + 40 * wanted as u64 {
            if let Some(at) = arguments.iter().position(|word| word == "seed") {
                outcomes.extend(
                    arguments[at + 1]
                        .split(',')
                        .filter_map(|seed| run(kind, seed.parse().expect("a seed"), extra)),
                );
                break;
            }
            let batch: Vec<u64> = (first..first + wanted as u64).collect();
            first += wanted as u64;
            outcomes
                .extend(batch.into_par_iter().filter_map(|seed| run(kind, seed, extra)).collect::<Vec<_>>());
        }
        outcomes.truncate(wanted);
        let n = outcomes.len();
        let (mut right, mut two, mut lost, mut blamed) = (0, 0, 0, 0);
        let mut errors = Vec::new();
        let mut covered = 0;
        let mut confusion: BTreeMap<(Cause, Option<Cause>), usize> = BTreeMap::new();
        for outcome in &outcomes {
            let truth: Vec<Cause> = outcome.setup.hidden.iter().map(|hidden| hidden.cause).collect();
            let named = outcome.found.as_ref().map(names).unwrap_or_default();
            let hit = named.first().is_some_and(|first| truth.first() == Some(first));
            let hit_two = match kind {
                Kind::Double => truth.iter().all(|cause| named.iter().take(2).any(|named| named == cause)),
                _ => truth.first().is_some_and(|cause| named.iter().take(2).any(|named| named == cause)),
            };
            right += usize::from(hit);
            two += usize::from(hit_two);
            blamed += usize::from(!named.is_empty());
            lost += usize::from(named.is_empty());
            if let (Some(found), Some(hidden)) = (&outcome.found, outcome.setup.hidden.first()) {
                *confusion.entry((hidden.cause, named.first().copied())).or_default() += 1;
                let same = found.causes.iter().find(|blamed| blamed.cause == hidden.cause);
                if let Some(same) = same.filter(|_| found.accepted) {
                    errors.push(same.gain - hidden.gain);
                    covered += usize::from((same.gain - hidden.gain).abs() <= same.expanded_uncertainty);
                }
            }
            if each {
                let hidden: Vec<String> = outcome
                    .setup
                    .hidden
                    .iter()
                    .map(|h| format!("{:?} {} {:.2}", h.cause, h.words, h.gain))
                    .collect();
                let found = outcome.found.as_ref().map(|found| {
                    let causes: Vec<String> = found
                        .causes
                        .iter()
                        .map(|b| {
                            format!(
                                "{:?}{} {:.2}±{:.2}",
                                b.cause,
                                b.or.map_or(String::new(), |or| format!("/{or:?}")),
                                b.gain,
                                b.expanded_uncertainty
                            )
                        })
                        .collect();
                    format!(
                        "{:?} chi {:.1} {} [{}] now {:.2}",
                        found.finding,
                        found.chi_square,
                        found.accepted,
                        causes.join(", "),
                        found.trained
                    )
                });
                eprintln!(
                    "{} {} | {} | {} | {} | {}",
                    if hit {
                        "+"
                    } else if hit_two {
                        "2"
                    } else {
                        "-"
                    },
                    outcome.setup.seed,
                    outcome.setup.words,
                    hidden.join(", "),
                    found.unwrap_or_default(),
                    outcome.words
                );
            }
        }
        let mean = errors.iter().sum::<f64>() / errors.len().max(1) as f64;
        let sd = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (errors.len().max(2) - 1) as f64)
            .sqrt();
        let healthy = matches!(kind, Kind::Healthy | Kind::WrongModelHealthy);
        println!(
            "| {} | {n} | {} | {} | {} | {} | {} accepted: {mean:+.3}, {sd:.3}, {} |",
            kind.words(),
            if healthy { "-".into() } else { percent(right, n) },
            if healthy { "-".into() } else { percent(two, n) },
            percent(lost, n),
            percent(blamed, n),
            errors.len(),
            percent(covered, errors.len()),
        );
        for ((hidden, named), count) in
            confusion.iter().filter(|((hidden, named), _)| Some(*hidden) != *named)
        {
            eprintln!("    {hidden:?} named {named:?}: {count}");
        }
        eprintln!("{}: {:.0} s", kind.words(), begun.elapsed().as_secs_f64());
    }
}

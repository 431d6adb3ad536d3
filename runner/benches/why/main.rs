//! Are causes named right? Setups nobody has seen, one lane of each made worse by a hidden change, its counts captured as a
//! run captures them and its causes named as `why` names them; beside it healthy lanes, and a model that is wrong for all.
//!
//! `cargo bench -p runner --bench why` prints the table (200 setups with one cause); `-- 20` takes so many, `-- 20 each` prints
//! every setup as well, `only single` takes one row, `from 5000` begins at another seed, `seed 4,7` takes these. `extra` names the causes
//! of each setup once more with the extra jobs of `[diagnosis]` beside the same counts of the eye, `victim` with "victim only" as well:
//! what they change is told setup by setup. `seconds 200` stops in time, `keep FILE` adds what was found to a file of lines, where the
//! next call goes on, and prints the table of all of it.

mod setups;

use judge::causes::{Blamed, Cause, Finding, Job, LaneCauses, library};
use judge::why::lane_gains;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use setups::{Extra, Kind, Setup};
use statistics::proportion::exact_interval;
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::time::Instant;

/// What came of one seed.
#[derive(Serialize, Deserialize)]
struct Outcome {
    kind: Kind,
    seed: u64,
    /// Extra jobs beside the eye.
    #[serde(default)]
    extra: usize,
    /// The hidden causes with their exact gains; `None` where the draws made no setup.
    hidden: Option<Vec<(Cause, f64)>>,
    found: Option<LaneCauses>,
    /// Of the setup and its reference.
    words: String,
}

impl Outcome {
    /// Names of each cause blamed, costliest first: one, or two that cannot be told apart.
    fn blamed(&self) -> Vec<Vec<Cause>> {
        let named = self.found.iter().filter(|found| found.finding == Finding::Named);
        let names = |one: &Blamed| [Some(one.cause), one.or].into_iter().flatten().collect();
        named.flat_map(|found| &found.causes).map(names).collect()
    }

    fn named(&self) -> Vec<Cause> {
        self.blamed().into_iter().flatten().collect()
    }

    /// Is the first name right; and is it among the first two, or, of two causes, are both among the first two that are blamed (a pair
    /// counts as either of its names)?
    fn hits(&self) -> (bool, bool) {
        let hidden: Vec<Cause> = self.hidden.iter().flatten().map(|(cause, _)| *cause).collect();
        let (named, blamed) = (self.named(), self.blamed());
        let first = named.first().is_some_and(|first| hidden.first() == Some(first));
        let both = match hidden.as_slice() {
            [] => false,
            [one] => named.iter().take(2).any(|named| named == one),
            all => all.iter().all(|cause| blamed.iter().take(2).any(|names| names.contains(cause))),
        };
        (first, both)
    }

    /// Error and U of the gain of each hidden cause that is blamed, where the fit is accepted.
    fn errors(&self) -> Vec<(f64, f64)> {
        let Some(found) = self.found.as_ref().filter(|found| found.accepted) else { return Vec::new() };
        let of = |(cause, gain): &(Cause, f64)| {
            let same = found.causes.iter().find(|one| one.cause == *cause)?;
            Some((same.gain - gain, same.expanded_uncertainty))
        };
        self.hidden.iter().flatten().filter_map(of).collect()
    }

    fn line(&self) -> String {
        let mark = match self.hits() {
            (true, _) => "+",
            (_, true) => "2",
            _ => "-",
        };
        let found = self.found.as_ref().map_or("nothing".into(), |found| {
            let causes: Vec<String> = found
                .causes
                .iter()
                .map(|one| {
                    let or = one.or.map_or(String::new(), |or| format!("/{or:?}"));
                    format!("{:?}{or} {:.2}\u{b1}{:.2}", one.cause, one.gain, one.expanded_uncertainty)
                })
                .collect();
            format!(
                "{:?} chi {:.1} [{}] now {:.2}",
                found.finding,
                found.chi_square,
                causes.join(", "),
                found.trained
            )
        });
        let hidden: Vec<String> =
            self.hidden.iter().flatten().map(|(cause, gain)| format!("{cause:?} {gain:.2}")).collect();
        format!("{mark} {} | {} | {found} | {}", self.seed, hidden.join(", "), self.words)
    }
}

/// The causes of one seed's lane, from the eye alone and once more with its extra jobs where some are asked for.
fn run(kind: Kind, seed: u64, extra: Extra) -> Vec<Outcome> {
    let Some(mut setup) = Setup::new(kind, seed, extra) else {
        return vec![Outcome { kind, seed, extra: 0, hidden: None, found: None, words: String::new() }];
    };
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
    let jobs: Vec<Job<'_>> =
        views.iter().zip(setup.models()).map(|(view, model)| Job { view, model }).collect();
    let asked = |jobs: &[Job<'_>]| {
        let begun = Instant::now();
        let (found, words) = match library(jobs, &limits, &best, &[setup.lane]) {
            Ok(library) => {
                let words = format!("reference {:.2} over {} jobs", library.chi_square, library.jobs());
                (library.causes(jobs, setup.lane, setup.trained), words)
            }
            Err(words) => (None, words),
        };
        let hidden: Vec<(Cause, f64)> = setup.hidden.iter().map(|one| (one.cause, one.gain)).collect();
        let figures: Vec<&str> = setup.hidden.iter().map(|one| one.words.as_str()).collect();
        let took = begun.elapsed().as_secs_f64();
        let words = format!("{}, {}; {words}; {took:.1} s", setup.words, figures.join(", "));
        Outcome { kind, seed, extra: jobs.len() - 1, hidden: Some(hidden), found, words }
    };
    let mut outcomes = vec![asked(&jobs[..1])];
    if jobs.len() > 1 {
        outcomes.push(asked(&jobs));
    }
    outcomes
}

/// A share with its exact interval (95 %).
fn percent(part: usize, of: usize) -> String {
    let limits = exact_interval(part as u64, of as u64, 0.95).map_or(String::new(), |found| {
        format!(" [{:.0}, {:.0} %]", 100.0 * found.lower, 100.0 * found.upper)
    });
    format!("{part}/{of}{limits}")
}

/// One row of the table, and which causes were taken for which.
fn print(kind: Kind, extra: usize, outcomes: &[&Outcome]) {
    let n = outcomes.len();
    let count = |is: &dyn Fn(&Outcome) -> bool| percent(outcomes.iter().filter(|one| is(one)).count(), n);
    let healthy = matches!(kind, Kind::Healthy | Kind::WrongModelHealthy);
    let rate = |is: &dyn Fn(&Outcome) -> bool| if healthy { "-".into() } else { count(is) };
    let errors: Vec<(f64, f64)> = outcomes.iter().flat_map(|one| one.errors()).collect();
    let number = errors.len() as f64;
    let mean = errors.iter().map(|(error, _)| error).sum::<f64>() / number.max(1.0);
    let squares = errors.iter().map(|(error, _)| (error - mean).powi(2)).sum::<f64>();
    let sd = (squares / (number - 1.0).max(1.0)).sqrt();
    println!(
        "| {} | {n} | {} | {} | {} | {} | {}: {mean:+.3}, {sd:.3}, {} |",
        match extra {
            0 => kind.words().to_string(),
            _ => format!("{}, {extra} extra jobs", kind.words()),
        },
        rate(&|one| one.hits().0),
        rate(&|one| one.hits().1),
        count(&|one| one.named().is_empty()),
        count(&|one| !one.named().is_empty()),
        errors.len(),
        percent(errors.iter().filter(|(error, u)| error.abs() <= *u).count(), errors.len()),
    );
    let mut confusion: BTreeMap<(Cause, Option<Cause>), usize> = BTreeMap::new();
    for one in outcomes.iter().filter(|one| !one.hits().0) {
        if let Some((cause, _)) = one.hidden.iter().flatten().next() {
            *confusion.entry((*cause, one.named().first().copied())).or_default() += 1;
        }
    }
    for ((hidden, named), count) in confusion {
        eprintln!("    {hidden:?} named {named:?}: {count}");
    }
}

/// What extra jobs change, setup by setup.
fn print_change(kind: Kind, extra: usize, pairs: &[(&Outcome, &Outcome)]) {
    let count = |is: &dyn Fn(&Outcome, &Outcome) -> bool| pairs.iter().filter(|(a, b)| is(a, b)).count();
    let first = |one: &Outcome| one.hits().0;
    let accepted = |one: &Outcome| one.found.as_ref().is_some_and(|found| found.accepted);
    let errors: Vec<(f64, f64)> = pairs
        .iter()
        .filter(|(a, b)| a.errors().len() == b.errors().len())
        .flat_map(|(a, b)| a.errors().into_iter().zip(b.errors()))
        .map(|((without, _), (with, _))| (without, with))
        .collect();
    let rms = |of: &dyn Fn(&(f64, f64)) -> f64| {
        (errors.iter().map(|pair| of(pair).powi(2)).sum::<f64>() / errors.len().max(1) as f64).sqrt()
    };
    println!(
        "- {}, {} setups with and without {extra} extra jobs: first name right with them alone {}, without them alone {}; fit accepted \
         with them alone {}, without them alone {}; gains of both off by {:.3} with, {:.3} without (root mean square, n = {})",
        kind.words(),
        pairs.len(),
        count(&|a, b| !first(a) && first(b)),
        count(&|a, b| first(a) && !first(b)),
        count(&|a, b| !accepted(a) && accepted(b)),
        count(&|a, b| accepted(a) && !accepted(b)),
        rms(&|pair| pair.1),
        rms(&|pair| pair.0),
        errors.len(),
    );
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let has = |name: &str| arguments.iter().any(|word| word == name);
    let value = |name: &str| {
        arguments
            .iter()
            .position(|word| word == name)
            .and_then(|at| arguments.get(at + 1))
            .map(String::as_str)
    };
    let number: usize = arguments.first().and_then(|word| word.parse().ok()).unwrap_or(200);
    let from: u64 = value("from").map_or(0, |word| word.parse().expect("a seed"));
    let seconds: f64 = value("seconds").map_or(f64::INFINITY, |word| word.parse().expect("seconds"));
    let extra = match (has("victim"), has("extra")) {
        (true, _) => Extra::WithVictimOnly,
        (_, true) => Extra::Jobs,
        _ => Extra::None,
    };
    let begun = Instant::now();
    let mut outcomes: Vec<Outcome> = value("keep")
        .and_then(|file| std::fs::read_to_string(file).ok())
        .iter()
        .flat_map(|text| text.lines())
        .map(|line| serde_json::from_str(line).expect("a line of an earlier call"))
        .collect();
    let mut keep = value("keep")
        .map(|file| std::fs::File::options().append(true).create(true).open(file).expect("a file to write"));
    let rows = [
        (Kind::Single, number),
        (Kind::Double, number.div_ceil(4)),
        (Kind::Healthy, number.div_ceil(2)),
        (Kind::WrongModel, number.div_ceil(4)),
        (Kind::WrongModelHealthy, number.div_ceil(2)),
    ];
    for (kind, wanted) in rows {
        if value("only").is_some_and(|name| !format!("{kind:?}").eq_ignore_ascii_case(name)) {
            continue;
        }
        // Draws that make no strong cause are no setups; enough seeds are tried, few at a time: what is cut off is lost.
        let batch = 4 * rayon::current_num_threads() as u64;
        let mut next =
            outcomes.iter().filter(|one| one.kind == kind).map(|one| one.seed + 1).max().unwrap_or(from);
        let last = from + 40 * wanted as u64;
        let is_setup = |one: &&Outcome| one.kind == kind && one.extra == 0 && one.hidden.is_some();
        while outcomes.iter().filter(is_setup).count() < wanted
            && next < last
            && begun.elapsed().as_secs_f64() < seconds
        {
            let seeds: Vec<u64> = match value("seed") {
                Some(list) => list.split(',').map(|seed| seed.parse().expect("a seed")).collect(),
                None => (next..next + batch).collect(),
            };
            next = if has("seed") { last } else { next + batch };
            let found: Vec<Outcome> = seeds.into_par_iter().flat_map(|seed| run(kind, seed, extra)).collect();
            for one in found {
                if let Some(keep) = &mut keep {
                    writeln!(keep, "{}", serde_json::to_string(&one).expect("numbers")).expect("written");
                }
                if has("each") && one.hidden.is_some() {
                    eprintln!("{}", one.line());
                }
                outcomes.push(one);
            }
        }
    }
    println!(
        "| setups | n | first name right | right among two, or both of two | cannot tell | blamed | gains of accepted fits: bias, sd, U holds |"
    );
    println!("|---|---|---|---|---|---|---|");
    let mut changes = Vec::new();
    for (kind, wanted) in rows {
        let of = |extra: usize| -> Vec<&Outcome> {
            let those =
                outcomes.iter().filter(|one| one.kind == kind && one.extra == extra && one.hidden.is_some());
            those.take(wanted).collect()
        };
        let alone = of(0);
        let some: BTreeSet<usize> = outcomes.iter().map(|one| one.extra).filter(|extra| *extra > 0).collect();
        if !alone.is_empty() {
            print(kind, 0, &alone);
        }
        for extra in some {
            let with = of(extra);
            let pairs: Vec<(&Outcome, &Outcome)> = with
                .iter()
                .filter_map(|one| Some((*alone.iter().find(|other| other.seed == one.seed)?, *one)))
                .collect();
            if !pairs.is_empty() {
                print(kind, extra, &with);
                changes.push((kind, extra, pairs));
            }
        }
    }
    for (kind, extra, pairs) in changes {
        print_change(kind, extra, &pairs);
    }
    eprintln!("{:.0} s", begun.elapsed().as_secs_f64());
}

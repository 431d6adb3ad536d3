//! Predicted verdicts against whole simulated runs.

mod truth;
mod walks;

use judge::prediction::Terms;
use std::time::Instant;
use walks::{Depth, Held};

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let has = |word: &str| words.iter().any(|known| known == word);
    let number = |after: &str, default: f64| {
        let place = words.iter().position(|known| known == after);
        place.and_then(|place| words.get(place + 1)?.parse().ok()).unwrap_or(default)
    };
    if has("truth") {
        for case in truth::cases() {
            let right = truth::field(&case, false);
            let wrong = truth::field(&case, true);
            println!("{}: {} conditions, priors {:?} {:?}", case.name, right.points.len(), right.quantities, wrong.quantities.len());
        }
        for seed in [1, 2] {
            for case in truth::cases().into_iter().rev() {
                let all = truth::measured(&case, seed);
                println!("{} seed {seed}: {} of {}", case.name, all.len(), case.expansion.conditions.len());
            }
        }
        return;
    }
    let only = words.iter().find(|word| ["ddr5", "qualification"].contains(&word.as_str()));
    let price = number("price", 5.0);
    let seeds = number("seeds", 1.0) as u64;
    let from = number("from", 1.0) as u64;
    for case in truth::cases().iter().filter(|case| only.is_none_or(|name| name == case.name)) {
        let field = truth::field(case, !has("right"));
        let runs = [1, 2].map(|seed| truth::measured(case, seed));
        println!("{}: {} conditions, two whole runs differ in {}", case.name, field.points.len(), walks::differ(&field, &runs[0], &runs[1]));
        let depth = if has("deep") { Depth::Deep } else { Depth::Plan };
        let hours = walks::hours(case, &field, depth, has("attended"));
        println!("  full {:.1} h, all by row and column {:.1} h", hours.full, hours.all_lines);
        for (number, run) in runs.iter().enumerate() {
            let mut total = Held::default();
            for seed in from..from + seeds {
                let begin = Instant::now();
                let terms = Terms { price_hours: price, audit_share: 0.03, seed };
                let walked = walks::walk(&field, run, terms, &hours);
                let held = walks::held(&field, &walked.predictions, run);
                let again = walks::held(&field, &walked.predictions, &runs[1 - number]);
                total.add(&held);
                let p = &walked.predictions;
                println!(
                    "  run {} seed {seed}: {:.1} h ({:.2}), predicted {}, wrong {} ({} false passes; {} against the other run), sum {:.2}, within {:.3} \
                     {:.3}, near {:?} {:?}, factors {:?}, quarantined {}, measured {}, {:?}, audits {:?}; {:.1} s",
                    number + 1,
                    walked.hours,
                    walked.hours / hours.full,
                    held.predicted,
                    held.wrong,
                    held.false_passes,
                    again.wrong,
                    p.sum_p_wrong,
                    held.within[0].0 as f64 / held.within[0].1.max(1) as f64,
                    held.within[1].0 as f64 / held.within[1].1.max(1) as f64,
                    held.near[0],
                    held.near[1],
                    p.factors.iter().map(|one| (one.1 * 100.0).round() / 100.0).collect::<Vec<_>>(),
                    p.quarantined.len(),
                    walked.measured.len(),
                    walked.visits,
                    p.mandatory,
                    begin.elapsed().as_secs_f64(),
                );
            }
        }
    }
}

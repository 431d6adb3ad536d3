//! Predicted verdicts against whole simulated runs.

mod truth;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if words.iter().any(|word| word == "truth") {
        for case in truth::cases() {
            let right = truth::field(&case, false);
            let wrong = truth::field(&case, true);
            println!(
                "{}: {} conditions, priors {:?} {:?}",
                case.name,
                right.points.len(),
                right.quantities,
                wrong.quantities.len()
            );
        }
        for seed in [1, 2] {
            for case in truth::cases().into_iter().rev() {
                let all = truth::measured(&case, seed);
                println!("{} seed {seed}: {} of {}", case.name, all.len(), case.expansion.conditions.len());
            }
        }
    }
}

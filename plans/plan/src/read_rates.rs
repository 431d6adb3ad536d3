//! Reads lists of data rates.

use crate::section::{Placed, Section};
use nightbench_core::rates::{DataRate, Generation};

/// Reads a list of data rates by their standard names.
pub fn read_rates(section: &Section<'_>, key: &'static str, generation: Generation) -> Vec<Placed<DataRate>> {
    let mut rates: Vec<Placed<DataRate>> = Vec::new();
    for item in section.items(key).unwrap_or_default() {
        let words = item.value.words();
        match DataRate::parse(generation, &words) {
            Some(rate) if rates.iter().any(|known| known.value == rate) => section.mistakes().add(
                item.span,
                format!("`{key}` in {} names {rate} twice", section.title),
                Some("remove one of them".into()),
            ),
            Some(rate) => rates.push(Placed { value: rate, span: item.span }),
            None => {
                section.mistakes().add(
                    item.span,
                    format!("{words} MT/s is no {generation} data rate"),
                    Some(near_rates(generation, &words)),
                );
            }
        }
    }
    rates
}

/// The standard rates, and those that a number lies between.
fn near_rates(generation: Generation, words: &str) -> String {
    let names: Vec<String> = generation.rates().map(|rate| rate.to_string()).collect();
    let all = format!("{generation} rates: {}", names.join(", "));
    let Ok(wanted) = words.trim().parse::<f64>() else { return all };
    let below = generation.rates().filter(|rate| rate.mega_transfers() < wanted).last();
    let above = generation.rates().find(|rate| rate.mega_transfers() > wanted);
    match (below, above) {
        (Some(below), Some(above)) => format!("it lies between {below} and {above}; {all}"),
        _ => all,
    }
}

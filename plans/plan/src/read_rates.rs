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

/// Reads one data rate by its standard name.
pub fn read_rate(section: &Section<'_>, key: &'static str, generation: Generation) -> Option<DataRate> {
    let rates = read_rates(section, key, generation);
    if let [_, second, ..] = rates.as_slice() {
        let message = format!("`{key}` in {} names more than one rate", section.title);
        section.mistakes().add(second.span.clone(), message, Some("keep one of them".into()));
    }
    rates.first().map(|rate| rate.value)
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

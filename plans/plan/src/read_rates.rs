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
                let names: Vec<String> = generation.rates().map(|rate| rate.to_string()).collect();
                section.mistakes().add(
                    item.span,
                    format!("{words} MT/s is no {generation} data rate"),
                    Some(format!("{generation} rates: {}", names.join(", "))),
                );
            }
        }
    }
    rates
}

//! Shards of a simulated run: which part of a plan's jobs one of several processes runs.
//!
//! Whole mountings stay together, so that every shard sees the same silicon. The split is a function of the plan
//! and the number of shards alone: nothing is agreed between processes while they run.

use crate::forecast::{Expected, Forecast};
use plan::Plan;
use plan::matrix::FACTORS;
use std::collections::HashMap;
use std::fmt;
use std::str::FromStr;

/// Most shards of a run.
const MOST_SHARDS: u32 = 100_000;

/// One of several shards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Shard {
    /// Which, from 1.
    pub index: u32,
    /// Of how many.
    pub count: u32,
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Shard, String> {
        let wrong = || {
            format!(
                "`{text}` is no shard; write I/N with I from 1 to N and N up to {MOST_SHARDS}, such as 1/3"
            )
        };
        let (index, count) = text.split_once('/').ok_or_else(wrong)?;
        let number = |word: &str| word.trim().parse::<u32>().map_err(|_| wrong());
        let shard = Shard { index: number(index)?, count: number(count)? };
        if shard.index == 0 || shard.index > shard.count || shard.count > MOST_SHARDS {
            return Err(wrong());
        }
        Ok(shard)
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.index, self.count)
    }
}

/// The shard (from 1) of each of the forecast's jobs when they are split in `count`.
///
/// Mountings are dealt out by their expected seconds, longest first, each to the shard with the least so far
/// (Graham 1969: at most 4/3 of the best possible makespan).
pub fn split(plan: &Plan, forecast: &Forecast, count: u32) -> Vec<u32> {
    let expected = Expected::new(plan);
    let mut seconds_of: HashMap<[u16; FACTORS], f64> = HashMap::new();
    let mut numbers: HashMap<((u16, u16, u16), u16), usize> = HashMap::new();
    let mut loads: Vec<f64> = Vec::new();
    let mounting_of: Vec<usize> = forecast
        .jobs
        .iter()
        .map(|job| {
            let condition = &forecast.expansion.conditions[job.condition as usize];
            let seconds = *seconds_of.entry(condition.levels).or_insert_with(|| {
                let times = expected.of(condition);
                times.measuring_s + times.training_s
            });
            let number = *numbers.entry((condition.setup(), job.mounting)).or_insert_with(|| {
                loads.push(0.0);
                loads.len() - 1
            });
            loads[number] += seconds;
            number
        })
        .collect();
    let mut longest_first: Vec<usize> = (0..loads.len()).collect();
    longest_first.sort_by(|a, b| loads[*b].total_cmp(&loads[*a]).then(a.cmp(b)));
    let mut shard_of = vec![0; loads.len()];
    let mut totals = vec![0.0f64; (count as usize).min(loads.len()).max(1)];
    for mounting in longest_first {
        let least = (0..totals.len()).min_by(|a, b| totals[*a].total_cmp(&totals[*b])).unwrap_or(0);
        totals[least] += loads[mounting];
        shard_of[mounting] = least as u32 + 1;
    }
    mounting_of.into_iter().map(|mounting| shard_of[mounting]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shards_are_read_and_refused_in_words() {
        assert_eq!("2/3".parse(), Ok(Shard { index: 2, count: 3 }));
        for wrong in ["0/3", "4/3", "1", "a/2", "1/0", "1/100001", "-1/2", ""] {
            assert!(wrong.parse::<Shard>().unwrap_err().contains("no shard"), "{wrong}");
        }
    }
}

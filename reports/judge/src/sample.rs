//! Regular samples of the conditions of a matrix that meet every level of every factor.

use plan::Plan;

/// Step that leaves at most `most` of `count` conditions in the plan's order, 1 where all may stay.
///
/// The step has no divisor in common with the number of levels of any factor: in a full matrix one that has would meet
/// the same few levels again and again, and the sample would not be one of the whole.
pub fn step(count: usize, most: usize, plan: &Plan) -> usize {
    let names = plan.level_names();
    let levels = names.iter().map(Vec::len);
    // Eyes of a condition come in twos and fours.
    coprime(count.div_ceil(most.max(1)).max(1), levels.chain([2]))
}

fn coprime(least: usize, levels: impl Iterator<Item = usize> + Clone) -> usize {
    let fits = |step: &usize| levels.clone().all(|count| greatest_divisor(*step, count) == 1);
    if least == 1 { 1 } else { (least..).find(fits).unwrap_or(least) }
}

fn greatest_divisor(a: usize, b: usize) -> usize {
    if b == 0 { a } else { greatest_divisor(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// 8 x 5 x 7 x 36 x 10 conditions, every sixth of them: half of the supplies would never be met.
    #[test]
    fn a_sample_meets_every_level_and_every_pair_of_levels_alike() {
        let levels = [8, 5, 7, 36, 10];
        let count: usize = levels.iter().product();
        let step = coprime(count.div_ceil(20_000), levels.into_iter());
        assert!(step >= 6 && count.div_ceil(step) <= 20_000, "{step}");
        let mut met: BTreeMap<(usize, usize), usize> = BTreeMap::new();
        for index in (0..count).step_by(step) {
            let (temperature, supply) = (index / 10 % 36, index % 10);
            *met.entry((temperature, supply)).or_default() += 1;
        }
        assert_eq!(met.len(), 360);
        let (least, most) = (met.values().min(), met.values().max());
        assert!(most.zip(least).is_some_and(|(most, least)| most - least <= 1), "{least:?} to {most:?}");
        assert_eq!(coprime(1, levels.into_iter()), 1);
    }
}

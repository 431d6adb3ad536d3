//! Which conditions to run when not all are: one factor at a time from a baseline, or every t-wise
//! combination of levels.

use super::model::OrderError;
use nightbench_core::random::SplitMix64;
use std::collections::BTreeSet;

/// One level of each factor.
pub type Row = Vec<u16>;

/// A combination of levels of some factors: `(factor, level)` in ascending order of factors.
pub type Combination = Vec<(usize, u16)>;

/// Rows that cover, and the combinations that no allowed row holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coverage {
    /// Rows to run, sorted.
    pub rows: Vec<Row>,
    /// Combinations that cannot be covered because every row with them is forbidden, sorted.
    pub missing: Vec<Combination>,
}

const MOST_ROWS: usize = 4_000_000;
const MOST_TUPLES: usize = 4_000_000;

/// Checks the levels; gives the number of rows of the whole crossing.
fn check(levels: &[u16]) -> Result<usize, OrderError> {
    let bad = |s: String| Err(OrderError::Coverage(s));
    if let Some(k) = levels.iter().position(|&l| l == 0) {
        return bad(format!("factor {k} has no levels"));
    }
    let size = levels.iter().try_fold(1usize, |n, &l| n.checked_mul(usize::from(l)));
    match size {
        Some(n) if n <= MOST_ROWS => Ok(n),
        _ => bad(format!(
            "the whole crossing has more than {MOST_ROWS} conditions, so forbidden combinations cannot be checked: \
             drop factors or levels"
        )),
    }
}

fn row_of(mut index: usize, levels: &[u16]) -> Row {
    let mut row = vec![0; levels.len()];
    for k in (0..levels.len()).rev() {
        let n = usize::from(levels[k]);
        row[k] = (index % n) as u16;
        index /= n;
    }
    row
}

/// Every allowed row of the whole crossing, first factor outermost. Error: a factor without levels, or more
/// than four million rows.
pub fn full(levels: &[u16], forbidden: &dyn Fn(&[u16]) -> bool) -> Result<Vec<Row>, OrderError> {
    let size = check(levels)?;
    Ok((0..size).map(|i| row_of(i, levels)).filter(|r| !forbidden(r)).collect())
}

/// The baseline and every row that differs from it in one factor. Forbidden rows are left out and listed as
/// the level that is missing. Errors: a baseline that is not a row or is itself forbidden.
pub fn one_at_a_time(
    levels: &[u16],
    baseline: &[u16],
    forbidden: &dyn Fn(&[u16]) -> bool,
) -> Result<Coverage, OrderError> {
    if baseline.len() != levels.len() || baseline.iter().zip(levels).any(|(b, l)| b >= l) {
        return Err(OrderError::Coverage(format!(
            "the baseline {baseline:?} does not name one level of each of the {} factors",
            levels.len()
        )));
    }
    if forbidden(baseline) {
        return Err(OrderError::Coverage(format!("the baseline {baseline:?} is itself a skipped condition")));
    }
    let mut out = Coverage { rows: vec![baseline.to_vec()], missing: Vec::new() };
    for (k, &n) in levels.iter().enumerate() {
        for level in (0..n).filter(|&l| l != baseline[k]) {
            let mut row = baseline.to_vec();
            row[k] = level;
            if forbidden(&row) {
                out.missing.push(vec![(k, level)]);
            } else {
                out.rows.push(row);
            }
        }
    }
    out.rows.sort();
    Ok(out)
}

/// All t-combinations of factors with their levels, numbered.
struct Tuples {
    sets: Vec<Vec<usize>>,
    /// First number of each set.
    first: Vec<usize>,
    /// Sets that contain each factor.
    with: Vec<Vec<usize>>,
    count: usize,
}

impl Tuples {
    fn new(levels: &[u16], t: usize) -> Result<Tuples, OrderError> {
        let k = levels.len();
        if t == 0 || t > k || t > 6 {
            return Err(OrderError::Coverage(format!(
                "{t}-wise needs t between 1 and {} (and at most 6)",
                k.min(6)
            )));
        }
        let (mut sets, mut first, mut count) = (Vec::new(), Vec::new(), 0usize);
        let mut with = vec![Vec::new(); k];
        let mut set: Vec<usize> = (0..t).collect();
        loop {
            first.push(count);
            count += set.iter().map(|&f| usize::from(levels[f])).product::<usize>();
            if count > MOST_TUPLES {
                return Err(OrderError::Coverage(format!(
                    "{t}-wise coverage has more than {MOST_TUPLES} combinations: lower t"
                )));
            }
            set.iter().for_each(|&f| with[f].push(sets.len()));
            sets.push(set.clone());
            // Next combination in lexical order.
            let Some(i) = (0..t).rev().find(|&i| set[i] < k - t + i) else { break };
            set[i] += 1;
            for j in i + 1..t {
                set[j] = set[j - 1] + 1;
            }
        }
        Ok(Tuples { sets, first, with, count })
    }

    fn number(&self, set: usize, row: &[u16], levels: &[u16]) -> usize {
        self.first[set]
            + self.sets[set].iter().fold(0, |n, &f| n * usize::from(levels[f]) + usize::from(row[f]))
    }

    fn combination(&self, number: usize, levels: &[u16]) -> Combination {
        let set = self.first.partition_point(|&f| f <= number) - 1;
        let mut rest = number - self.first[set];
        let mut out: Combination = Vec::new();
        for &f in self.sets[set].iter().rev() {
            let n = usize::from(levels[f]);
            out.push((f, (rest % n) as u16));
            rest /= n;
        }
        out.reverse();
        out
    }
}

/// Rows that together hold every t-wise combination of levels that any allowed row holds, few of them: the
/// best of several greedy runs (source: Cohen, Dalal, Fredman, Patton, "The AETG system", IEEE Trans. Softw.
/// Eng. 23 (1997) 437-444) and, for pairs without forbidden rows, of known constructions: orthogonal arrays
/// over a prime, and for two levels k-independent sets (source: Kleitman and Spencer, "Families of
/// k-independent sets", Discrete Math. 6 (1973) 255-262). Rows that cover nothing of their own are dropped.
/// `forbidden` judges a whole row. Errors: a factor without levels, a t that does not fit, more than four
/// million conditions.
pub fn t_wise(
    levels: &[u16],
    t: usize,
    forbidden: &dyn Fn(&[u16]) -> bool,
    seed: u64,
) -> Result<Coverage, OrderError> {
    let size = check(levels)?;
    let tuples = Tuples::new(levels, t)?;
    // A combination can be covered if some allowed row holds it; remember one such row.
    let mut witness = vec![u32::MAX; tuples.count];
    let mut all_allowed = true;
    for i in 0..size {
        let row = row_of(i, levels);
        if forbidden(&row) {
            all_allowed = false;
            continue;
        }
        for s in 0..tuples.sets.len() {
            let w = &mut witness[tuples.number(s, &row, levels)];
            if *w == u32::MAX {
                *w = i as u32;
            }
        }
    }
    let mut missing: Vec<Combination> = (0..tuples.count)
        .filter(|&n| witness[n] == u32::MAX)
        .map(|n| tuples.combination(n, levels))
        .collect();
    let mut best: Option<Vec<Row>> = None;
    let keep = |best: &mut Option<Vec<Row>>, rows: Vec<Row>| {
        let rows = thin(rows, &tuples, levels);
        if best.as_ref().is_none_or(|b| rows.len() < b.len()) {
            *best = Some(rows);
        }
    };
    if all_allowed && t == 2 {
        keep(&mut best, prime_array(levels));
        keep(&mut best, two_level_array(levels));
    }
    let mut rng = SplitMix64::new(seed);
    // No array is shorter than the number of combinations that one set of factors can hold.
    let coverable = |s: usize| {
        let end = tuples.first.get(s + 1).copied().unwrap_or(tuples.count);
        witness[tuples.first[s]..end].iter().filter(|&&w| w != u32::MAX).count()
    };
    let least = (0..tuples.sets.len()).map(coverable).max().unwrap_or(0);
    let steps: usize = levels.iter().zip(&tuples.with).map(|(&l, sets)| usize::from(l) * sets.len()).sum();
    let runs = (300_000_000 / (least * 40 * steps).max(1)).clamp(1, 30);
    for _ in 0..runs {
        if best.as_ref().is_some_and(|rows| rows.len() <= least) {
            break;
        }
        keep(&mut best, greedy(levels, &tuples, &witness, forbidden, &mut rng));
    }
    let mut rows = best.unwrap_or_default();
    rows.sort();
    missing.sort();
    Ok(Coverage { rows, missing })
}

/// Drops rows, later ones first, whose combinations all occur in other rows.
fn thin(rows: Vec<Row>, tuples: &Tuples, levels: &[u16]) -> Vec<Row> {
    let mut times = vec![0u32; tuples.count];
    let sets = 0..tuples.sets.len();
    for r in &rows {
        sets.clone().for_each(|s| times[tuples.number(s, r, levels)] += 1);
    }
    let mut out = Vec::with_capacity(rows.len());
    for r in rows.into_iter().rev() {
        if sets.clone().all(|s| times[tuples.number(s, &r, levels)] > 1) {
            sets.clone().for_each(|s| times[tuples.number(s, &r, levels)] -= 1);
        } else {
            out.push(r);
        }
    }
    out
}

fn greedy(
    levels: &[u16],
    tuples: &Tuples,
    witness: &[u32],
    forbidden: &dyn Fn(&[u16]) -> bool,
    rng: &mut SplitMix64,
) -> Vec<Row> {
    let k = levels.len();
    let mut open: Vec<bool> = witness.iter().map(|&w| w != u32::MAX).collect();
    let mut left = open.iter().filter(|&&o| o).count();
    let mut at = 0;
    let mut rows = Vec::new();
    let gain = |row: &[u16], open: &[bool]| {
        (0..tuples.sets.len()).filter(|&s| open[tuples.number(s, row, levels)]).count()
    };
    while left > 0 {
        while at < open.len() && !open[at] {
            at += 1;
        }
        // The row that is known to hold the first open combination is the fallback and always makes progress.
        let mut best = row_of(witness[at] as usize, levels);
        let mut most = gain(&best, &open);
        for _ in 0..40 {
            if most == tuples.sets.len() {
                // No row can hold more.
                break;
            }
            // Start from a random open combination, then fix the other factors in random order, each at its
            // best level.
            let from = rng.below(open.len());
            let Some(n) = (from..open.len()).chain(0..from).find(|&n| open[n]) else { break };
            let mut row = row_of(witness[n] as usize, levels);
            let mut fixed = vec![false; k];
            for (f, l) in tuples.combination(n, levels) {
                fixed[f] = true;
                row[f] = l;
            }
            let mut order: Vec<usize> = (0..k).filter(|&f| !fixed[f]).collect();
            for i in (1..order.len()).rev() {
                order.swap(i, rng.below(i + 1));
            }
            for f in order {
                fixed[f] = true;
                let mut top = (0usize, 0usize);
                let mut pick = row[f];
                for level in 0..levels[f] {
                    let before = std::mem::replace(&mut row[f], level);
                    let new = tuples.with[f]
                        .iter()
                        .filter(|&&s| tuples.sets[s].iter().all(|&g| fixed[g]))
                        .filter(|&&s| open[tuples.number(s, &row, levels)])
                        .count();
                    let score = (new, rng.below(1 << 20));
                    // A level whose row would be forbidden as it stands is taken only if nothing else is
                    // left.
                    let score = if forbidden(&row) { (0, 0) } else { (score.0, score.1 + 1) };
                    if score > top {
                        top = score;
                        pick = level;
                    }
                    row[f] = before;
                }
                row[f] = pick;
            }
            if !forbidden(&row) {
                let g = gain(&row, &open);
                if g > most {
                    (most, best) = (g, row);
                }
            }
        }
        for s in 0..tuples.sets.len() {
            let n = tuples.number(s, &best, levels);
            if std::mem::replace(&mut open[n], false) {
                left -= 1;
            }
        }
        rows.push(best);
    }
    rows
}

/// Orthogonal array of strength 2 over the smallest prime q with q >= all levels and q + 1 >= factors: q^2
/// rows (i, j) -> j, i + c j. Levels beyond a factor's own are folded back.
fn prime_array(levels: &[u16]) -> Vec<Row> {
    let least = levels.iter().copied().max().unwrap_or(1).max(2).max((levels.len() as u16).saturating_sub(1));
    let prime = |q: u32| (2..).take_while(|d| d * d <= q).all(|d| !q.is_multiple_of(d));
    let q = (u32::from(least)..).find(|&q| prime(q)).unwrap_or(2);
    let mut rows = Vec::new();
    for i in 0..q {
        for j in 0..q {
            let symbol = |c: usize| if c == 0 { j } else { (i + (c as u32 - 1) * j) % q };
            rows.push(levels.iter().enumerate().map(|(c, &l)| (symbol(c) % u32::from(l)) as u16).collect());
        }
    }
    rows
}

/// Kleitman and Spencer: with n rows, columns that are all zero in the first row and hold exactly ceil(n / 2)
/// ones elsewhere are pairwise independent. Factors of one level are constant; with more than two levels the
/// array is not used.
fn two_level_array(levels: &[u16]) -> Vec<Row> {
    if levels.iter().any(|&l| l > 2) {
        return prime_array(levels);
    }
    let choose = |n: usize, r: usize| (0..r).fold(1u128, |c, i| c * (n - i) as u128 / (i + 1) as u128);
    let n = (4..200).find(|&n| choose(n - 1, n.div_ceil(2)) >= levels.len() as u128).unwrap_or(200);
    let ones = n.div_ceil(2);
    let mut rows = vec![vec![0u16; levels.len()]; n];
    let mut set: Vec<usize> = (0..ones).collect();
    for (c, &l) in levels.iter().enumerate() {
        if l == 2 {
            set.iter().for_each(|&r| rows[r + 1][c] = 1);
            if let Some(i) = (0..ones).rev().find(|&i| set[i] < n - 1 - ones + i) {
                set[i] += 1;
                for j in i + 1..ones {
                    set[j] = set[j - 1] + 1;
                }
            }
        }
    }
    rows
}

/// The combinations of `t` factors that none of the rows holds and some allowed row could: empty when the
/// rows cover. Independent of how the rows were found. Errors as [`t_wise`].
pub fn uncovered(
    levels: &[u16],
    t: usize,
    forbidden: &dyn Fn(&[u16]) -> bool,
    rows: &[Row],
) -> Result<Vec<Combination>, OrderError> {
    let tuples = Tuples::new(levels, t)?;
    let of = |row: &Row, set: &Vec<usize>| -> Combination { set.iter().map(|&f| (f, row[f])).collect() };
    let mut wanted = BTreeSet::new();
    for row in full(levels, forbidden)? {
        wanted.extend(tuples.sets.iter().map(|s| of(&row, s)));
    }
    for row in rows.iter().filter(|r| r.len() == levels.len()) {
        for s in &tuples.sets {
            wanted.remove(&of(row, s));
        }
    }
    Ok(wanted.into_iter().collect())
}

#[cfg(test)]
#[path = "covering_tests.rs"]
mod tests;

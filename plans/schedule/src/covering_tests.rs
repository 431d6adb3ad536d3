//! Covering arrays against known sizes, checked by a verifier of their own.

use super::*;
use proptest::prelude::*;
use std::collections::HashSet;

const NONE: &dyn Fn(&[u16]) -> bool = &|_| false;

/// Every pair, triple, ... of columns by brute force: independent of the module's numbering of combinations.
fn covers(levels: &[u16], t: usize, forbidden: &dyn Fn(&[u16]) -> bool, c: &Coverage) -> Result<(), String> {
    fn subsets(k: usize, t: usize) -> Vec<Vec<usize>> {
        (0u32..1 << k)
            .filter(|m| m.count_ones() as usize == t)
            .map(|m| (0..k).filter(|i| m >> i & 1 == 1).collect())
            .collect()
    }
    if c.rows.iter().any(|r| forbidden(r)) {
        return Err("a forbidden row".into());
    }
    let mut all: Vec<Vec<u16>> = vec![vec![]];
    for &l in levels {
        all = all.iter().flat_map(|r| (0..l).map(|v| [r.as_slice(), &[v]].concat())).collect();
    }
    for set in subsets(levels.len(), t) {
        let pick = |r: &Vec<u16>| set.iter().map(|&f| (f, r[f])).collect::<Vec<_>>();
        let have: HashSet<_> = c.rows.iter().map(pick).collect();
        let can: HashSet<_> = all.iter().filter(|r| !forbidden(r)).map(pick).collect();
        let every: HashSet<_> = all.iter().map(pick).collect();
        if have != can {
            return Err(format!("{set:?}: {} of {}", have.len(), can.len()));
        }
        for gone in every.difference(&can) {
            if !c.missing.contains(gone) {
                return Err(format!("{gone:?} not listed as missing"));
            }
        }
    }
    Ok(())
}

// Known sizes: CA(9; 2, 4, 3) is the orthogonal array L9; 2-wise 2^15 needs 7 rows or more (source: Kleitman
// and Spencer 1973).
#[test]
fn known_sizes_are_reached() {
    let three = t_wise(&[3; 4], 2, NONE, 1).unwrap();
    assert_eq!(three.rows.len(), 9);
    covers(&[3; 4], 2, NONE, &three).unwrap();
    let two = t_wise(&[2; 15], 2, NONE, 1).unwrap();
    assert!(two.rows.len() <= 10, "{}", two.rows.len());
    covers(&[2; 15], 2, NONE, &two).unwrap();
    eprintln!("2-wise 2^15: {} rows", two.rows.len());
    let five = t_wise(&[5, 4, 3, 3, 2, 2], 2, NONE, 1).unwrap();
    covers(&[5, 4, 3, 3, 2, 2], 2, NONE, &five).unwrap();
    eprintln!("2-wise 5 4 3 3 2 2: {} rows (at least 20)", five.rows.len());
    assert!((20..=24).contains(&five.rows.len()));
    let cube = t_wise(&[2; 4], 3, NONE, 1).unwrap();
    assert_eq!(cube.rows.len(), 8, "3-wise 2^4 is the even-weight code");
    covers(&[2; 4], 3, NONE, &cube).unwrap();
    let bits = t_wise(&[2; 5], 1, NONE, 1).unwrap();
    assert_eq!(bits.rows.len(), 2);
    assert!(t_wise(&[4, 3, 2], 3, NONE, 1).unwrap().rows.len() == 24);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn arrays_cover_within_constraints(
        levels in proptest::collection::vec(1u16..5, 2..6),
        t in 1usize..4,
        bad in proptest::collection::vec((0usize..6, 0u16..4, 0usize..6, 0u16..4), 0..5),
        seed in any::<u64>(),
    ) {
        let t = t.min(levels.len());
        let k = levels.len();
        let forbidden = |r: &[u16]| bad.iter().any(|&(a, x, b, y)| r[a % k] == x && r[b % k] == y);
        let c = t_wise(&levels, t, &forbidden, seed).unwrap();
        prop_assert_eq!(covers(&levels, t, &forbidden, &c), Ok(()));
        prop_assert!(uncovered(&levels, t, &forbidden, &c.rows).unwrap().is_empty());
        let mut fewer = c.rows.clone();
        if fewer.pop().is_some() {
            // No row is idle.
            prop_assert!(!uncovered(&levels, t, &forbidden, &fewer).unwrap().is_empty());
        }
    }
}

#[test]
fn one_at_a_time_starts_from_the_baseline() {
    let c = one_at_a_time(&[3, 2, 2], &[1, 0, 1], &|r| r[1] == 1).unwrap();
    assert_eq!(c.rows, vec![vec![0, 0, 1], vec![1, 0, 0], vec![1, 0, 1], vec![2, 0, 1]]);
    assert_eq!(c.missing, vec![vec![(1, 1)]]);
    assert!(one_at_a_time(&[3, 2], &[3, 0], NONE).is_err());
    assert!(one_at_a_time(&[3, 2], &[1, 0], &|_| true).is_err());
    assert_eq!(full(&[2, 2], &|r| r[0] == r[1]).unwrap(), vec![vec![0, 1], vec![1, 0]]);
}

#[test]
fn impossible_requests_are_refused() {
    assert!(t_wise(&[2, 2], 3, NONE, 1).is_err());
    assert!(t_wise(&[2, 0], 2, NONE, 1).is_err());
    assert!(t_wise(&[2, 2], 0, NONE, 1).is_err());
    assert!(t_wise(&[100; 8], 2, NONE, 1).is_err());
    let nothing = t_wise(&[2, 2], 2, &|_| true, 1).unwrap();
    assert!(nothing.rows.is_empty() && nothing.missing.len() == 4);
}

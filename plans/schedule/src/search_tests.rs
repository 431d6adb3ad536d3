//! The tour search against published optima and the exact method.

use super::*;
use crate::exact::shortest_tour;
use proptest::prelude::*;

/// Reads the matrix of a TSPLIB file (full matrix, asymmetric).
fn tsplib(text: &str) -> Distances {
    let n: usize =
        text.lines().find_map(|l| l.strip_prefix("DIMENSION:")).and_then(|v| v.trim().parse().ok()).unwrap();
    let body = text.split("EDGE_WEIGHT_SECTION").nth(1).unwrap();
    let v: Vec<f64> = body.split_whitespace().map_while(|w| w.parse().ok()).collect();
    assert_eq!(v.len(), n * n);
    Distances::new(n, |i, j| v[i * n + j])
}

fn reached(text: &str, kicks: usize, seed: u64) -> f64 {
    let d = tsplib(text);
    let start: Vec<u32> = (0..d.len() as u32).collect();
    let tour = improve_tour(&d, &start, &Before::default(), seed, kicks);
    let mut sorted = tour.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, start);
    d.tour_length(&tour)
}

// Optima (source: TSPLIB, G. Reinelt, ORSA Journal on Computing 3 (1991) 376-384).
#[test]
fn published_optima_of_asymmetric_instances_are_reached() {
    let cases = [
        ("br17", 39.0, include_str!("../../../tests/data/tsplib/br17.atsp")),
        ("ftv33", 1286.0, include_str!("../../../tests/data/tsplib/ftv33.atsp")),
        ("ft53", 6905.0, include_str!("../../../tests/data/tsplib/ft53.atsp")),
        ("ry48p", 14422.0, include_str!("../../../tests/data/tsplib/ry48p.atsp")),
        ("ftv64", 1839.0, include_str!("../../../tests/data/tsplib/ftv64.atsp")),
        ("kro124p", 36230.0, include_str!("../../../tests/data/tsplib/kro124p.atsp")),
    ];
    for (name, optimum, text) in cases {
        let found = reached(text, 40_000, 1);
        assert_eq!(found, optimum, "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]
    #[test]
    fn small_tours_are_optimal_and_keep_precedences(
        v in proptest::collection::vec(1u32..1000, 81),
        pairs in proptest::collection::vec((1u32..9, 1u32..9), 0..5),
    ) {
        let d = Distances::new(9, |i, j| f64::from(v[i * 9 + j]));
        let pairs: Vec<(u32, u32)> = pairs.into_iter().filter(|(a, b)| a < b).collect();
        let before = Before::new(9, &pairs);
        let start: Vec<u32> = (0..9).collect();
        let tour = improve_tour(&d, &start, &before, 7, 4000);
        prop_assert!(before.kept(&tour));
        let (best, exact) = shortest_tour(&d, &pairs).unwrap();
        prop_assert!(before.kept(&exact));
        prop_assert_eq!(d.tour_length(&exact), best);
        prop_assert!(d.tour_length(&tour) >= best);
        if pairs.is_empty() {
            prop_assert_eq!(d.tour_length(&tour), best);
        }
    }
}

#[test]
fn nonsense_comes_back_unchanged() {
    let d = Distances::new(5, |_, _| 1.0);
    assert_eq!(improve_tour(&d, &[0, 1, 1, 2, 3], &Before::default(), 1, 10), vec![0, 1, 1, 2, 3]);
    assert_eq!(improve_tour(&d, &[], &Before::default(), 1, 10), Vec::<u32>::new());
    assert_eq!(d.tour_length(&[]), 0.0);
}

// First outputs for seed 1234567, from the authors' reference implementation as commonly quoted (from
// memory).
#[test]
fn generator_matches_the_reference_sequence() {
    let mut g = SplitMix64::new(1234567);
    assert_eq!(g.next_u64(), 6457827717110365317);
    assert_eq!(g.next_u64(), 3203168211198807973);
}

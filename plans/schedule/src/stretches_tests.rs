//! Orders against the exact optimum, the bound and the loops as written.

use super::*;
use crate::bound::{bound_thinned, lower_bound};
use crate::model::{BenchTimes, JobInput, Rules};
use crate::nestings::nested;
use proptest::prelude::*;

pub(crate) fn jobs(cells: &[(u32, u32, u16)], rates: u16, supplies: u16, held: bool) -> Vec<JobInput> {
    let mut out = Vec::new();
    for &(module, channel, temperature) in cells {
        for rate in 0..rates {
            for supply in 0..supplies {
                out.push(JobInput {
                    module,
                    channel,
                    mounting_number: 0,
                    temperature,
                    supply,
                    rate,
                    measure_s: 60.0,
                    train_s: 5.0,
                    held,
                });
            }
        }
    }
    out
}

fn bench_strategy() -> impl Strategy<Value = BenchTimes> {
    (
        0.5f64..6.0,
        0.5f64..6.0,
        -10.0f64..30.0,
        0.0f64..40.0,
        0.0f64..10.0,
        0.0f64..10.0,
        0.0f64..20.0,
        -5.0f64..60.0,
    )
        .prop_map(|(up, down, lo, width, module, more, price, start)| BenchTimes {
            ramp_up_c_per_min: up,
            ramp_down_c_per_min: down,
            touch_safe_lo_c: lo,
            touch_safe_hi_c: lo + width,
            hands_module_min: module,
            hands_channel_min: module + more,
            price_min: price,
            start_c: start,
            ..BenchTimes::default()
        })
}

const TEMPS: [f64; 6] = [25.0, -40.0, 85.0, 0.0, 40.0, 105.0];

fn cells_strategy(most: usize) -> impl Strategy<Value = Vec<(u32, u32, u16)>> {
    proptest::collection::btree_set((0u32..3, 0u32..3, 0u16..6), 1..=most)
        .prop_map(|s| s.into_iter().collect())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    /// The bound is never above the exact optimum of its own objective over all sequences of cells, splits
    /// included.
    #[test]
    fn bound_is_below_the_exact_optimum(b in bench_strategy(), cells in cells_strategy(9), cold in any::<bool>()) {
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 1, 1, false)).unwrap();
        let p = p.with_rules(Rules { cold_first: cold, ..Default::default() }).unwrap();
        let layout = Layout::new(&p);
        let bound = lower_bound(&p);
        let (best, _) = cheapest_cells(&p, &layout, Count::ChangeOver).unwrap();
        prop_assert!(bound.change_over_min <= best + 1e-6, "{} > {best}", bound.change_over_min);
        prop_assert!(bound.ramps_and_hands_min <= bound.change_over_min + 1e-6);
        // With temperatures left out it is a bound still, and no better.
        for most in [1, 2, 4] {
            let thin = bound_thinned(&p, &layout, most);
            prop_assert!(thin.change_over_min <= best + 1e-6, "{most}: {} > {best}", thin.change_over_min);
        }
        // The exact method's own account agrees with the walk.
        let (whole, order) = cheapest_cells(&p, &layout, Count::Everything).unwrap();
        let cost = cost_of(&p, &emit_cells(&p, &layout, &order));
        let m = &cost.minutes;
        let per_change = (p.bench.supply_change_s + p.bench.rate_change_s) / 60.0 * f64::from(cost.changes);
        let walked = cost.objective_min(p.bench.price_min) - m.measuring - m.training - per_change;
        prop_assert!((walked - whole).abs() < 1e-6, "{walked} {whole}");
        prop_assert!(bound.total_min <= m.total() + 1e-6);
    }

    /// With a positive price the order equals the exact optimum on small matrices; the construction alone is
    /// never below it.
    #[test]
    fn small_orders_are_exactly_optimal(b in bench_strategy(), cells in cells_strategy(8)) {
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 1, 1, false)).unwrap();
        let layout = Layout::new(&p);
        let (best, exact) = cheapest_cells(&p, &layout, Count::Everything).unwrap();
        let price = p.bench.price_min;
        let exact = cost_of(&p, &emit_cells(&p, &layout, &exact)).objective_min(price);
        let order = plan_order(&p, Effort::default()).unwrap();
        prop_assert!(order.cost.objective_min(price) <= exact + 1e-6, "{best}");
        prop_assert!(order.cost.change_over_min(price) >= order.bound.change_over_min - 1e-6);
    }

    /// Construction and search alone find the exact optimum where changes cost enough that no mounting is
    /// split.
    #[test]
    fn construction_and_search_find_the_optimum(b in bench_strategy(), cells in cells_strategy(10), cold in any::<bool>()) {
        let b = BenchTimes { price_min: 120.0, ..b };
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 1, 1, false)).unwrap();
        let p = p.with_rules(Rules { cold_first: cold, ..Default::default() }).unwrap();
        let layout = Layout::new(&p);
        let (_, exact) = cheapest_cells(&p, &layout, Count::Everything).unwrap();
        let exact = cost_of(&p, &emit_cells(&p, &layout, &exact)).objective_min(120.0);
        let found = sequence_of(&p, &layout, &whole_pieces(&p, &layout), Effort::default());
        let found = cost_of(&p, &found).objective_min(120.0);
        prop_assert!((found - exact).abs() < 1e-6, "{found} {exact}");
    }

    /// Never worse than any nesting, on matrices large enough that the exact method is out of reach.
    #[test]
    fn never_worse_than_a_nesting(
        b in bench_strategy(),
        cells in proptest::collection::btree_set((0u32..5, 0u32..4, 0u16..6), 13..70),
        supply_s in 0.0f64..3000.0,
        soak_s in 0.0f64..900.0,
        held in any::<bool>(),
        cold_first in any::<bool>(),
    ) {
        let b = BenchTimes { supply_change_s: supply_s, soak_s, ..b };
        let cells: Vec<_> = cells.into_iter().collect();
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 2, 2, held)).unwrap();
        let p = p.with_rules(Rules { hold_temperature: Some(0), cold_first, ..Default::default() }).unwrap();
        let order = plan_order(&p, Effort { kicks: 200, ..Effort::default() }).unwrap();
        let price = p.bench.price_min;
        let have = order.cost.objective_min(price);
        prop_assert!(order.cost.change_over_min(price) >= order.bound.change_over_min - 1e-6);
        prop_assert!(order.cost.minutes.total() >= order.bound.total_min - 1e-6);
        prop_assert!(keeps_rules(&p, &order.sequence));
        let mut seen = order.sequence.clone();
        seen.sort_unstable();
        prop_assert!(seen.iter().copied().eq(0..p.jobs.len() as u32));
        use crate::nestings::Loop::*;
        for loops in [
            [Module, Channel, Temperature, Supply, Rate],
            [Supply, Channel, Module, Temperature, Rate],
            [Channel, Module, Supply, Temperature, Rate],
            [Temperature, Module, Channel, Rate, Supply],
            [Channel, Module, Rate, Temperature, Supply],
        ] {
            for alternating in [false, true] {
                let sequence = nested(&p, loops, alternating);
                if keeps_rules(&p, &sequence) {
                    prop_assert!(have <= cost_of(&p, &sequence).objective_min(price) + 1e-6, "{loops:?}");
                }
            }
        }
    }

    /// With temperatures left out the bound holds for orders that end with the baseline again, and for held
    /// training.
    #[test]
    fn thinned_bounds_hold_for_a_baseline_and_for_held_training(
        b in bench_strategy(),
        cells in cells_strategy(10),
        held in any::<bool>(),
    ) {
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 2, 1, held)).unwrap();
        let rules = Rules { hold_temperature: held.then_some(3), baseline: Some(0), ..Default::default() };
        let p = p.with_rules(rules).unwrap();
        let layout = Layout::new(&p);
        let cost = plan_order(&p, Effort::default()).unwrap().cost;
        for most in [1, 2, 3] {
            let bound = bound_thinned(&p, &layout, most);
            prop_assert!(bound.change_over_min <= cost.change_over_min(p.bench.price_min) + 1e-6, "{most}");
            prop_assert!(bound.ramps_and_hands_min <= cost.change_over_min(0.0) + 1e-6, "{most}");
        }
    }

    /// Any shuffled order of the jobs costs at least the bound (held training included).
    #[test]
    fn bound_is_below_any_sequence(
        b in bench_strategy(),
        cells in cells_strategy(10),
        held in any::<bool>(),
        seed in any::<u64>(),
        blocks in any::<bool>(),
    ) {
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 2, 1, held)).unwrap();
        let p = p.with_rules(Rules { hold_temperature: Some(3), ..Default::default() }).unwrap();
        let mut rng = nightbench_core::random::SplitMix64::new(seed);
        let mut seq: Vec<u32> = (0..p.jobs.len() as u32).collect();
        for k in (1..seq.len()).rev() {
            seq.swap(k, rng.below(k + 1));
        }
        if blocks {
            seq.sort_by_key(|&j| p.jobs[j as usize].mounting);
        }
        let bound = lower_bound(&p);
        let cost = cost_of(&p, &seq);
        prop_assert!(bound.change_over_min <= cost.change_over_min(p.bench.price_min) + 1e-6);
        prop_assert!(bound.ramps_and_hands_min <= cost.change_over_min(0.0) + 1e-6);
        prop_assert!(bound.total_min <= cost.minutes.total() + 1e-6);
        prop_assert!(bound.changes <= cost.changes);
    }
}

#[test]
fn rules_are_kept() {
    let mut cells = Vec::new();
    for m in 0..6 {
        for c in 0..3 {
            for t in 0..6 {
                if (m * 7 + c * 3 + u32::from(t)) % 4 != 0 {
                    cells.push((m, c, t));
                }
            }
        }
    }
    let p = Problem::new(BenchTimes::default(), TEMPS.to_vec(), &jobs(&cells, 3, 2, false)).unwrap();
    let rules = Rules {
        cold_first: true,
        baseline: Some(4),
        reference: Some((50, 40)),
        before: vec![(17, 0), (16, 1)],
        ..Default::default()
    };
    let p = p.with_rules(rules).unwrap();
    let order = plan_order(&p, Effort::default()).unwrap();
    let mounting = |j: u32| p.jobs[j as usize].mounting;
    assert_eq!(mounting(order.sequence[0]), 4);
    assert_eq!(order.sequence.last(), order.sequence.first(), "baseline measured again at the end");
    let pos = |m: u32, last: bool| {
        let mut it =
            order.sequence.iter().enumerate().filter(|&(_, &j)| mounting(j) == m && j != 50).map(|(k, _)| k);
        if last { it.next_back().unwrap() } else { it.next().unwrap() }
    };
    assert!(pos(17, true) < pos(0, false) && pos(16, true) < pos(1, false));
    let mut since = 0;
    for &j in &order.sequence {
        since = if j == 50 { 0 } else { since + 1 };
        assert!(since <= 40, "reference job too late");
    }
    let mut seen = order.sequence.clone();
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen.len(), p.job_count());
    assert!(order.cost.change_over_min(p.bench.price_min) >= order.bound.change_over_min);
    assert_eq!(order.stretches.last().unwrap().end, order.sequence.len());
}

#[test]
fn hours_add_up_and_an_empty_plan_is_an_order() {
    let p = Problem::new(BenchTimes::default(), TEMPS.to_vec(), &[]).unwrap();
    let order = plan_order(&p, Effort::default()).unwrap();
    assert!(order.sequence.is_empty() && order.hours().total == 0.0);
    let cells: Vec<_> = (0..4u32).flat_map(|m| (0..6u16).map(move |t| (m, 0, t))).collect();
    let p = Problem::new(BenchTimes::default(), TEMPS.to_vec(), &jobs(&cells, 3, 2, false)).unwrap();
    let order = plan_order(&p, Effort::default()).unwrap();
    let h = order.hours();
    let parts = h.measuring + h.training + h.ramps + h.soak + h.settle + h.hands_on + h.boot + h.waiting;
    assert_eq!(parts, h.total);
    assert!(h.soak > 0.0 && h.ramps > 0.0);
    assert_eq!(order.cost.changes, 4);
    assert_eq!(order.cost.channel_changes, 1);
}

/// On a fine grid little is lost by looking at few temperatures: 8 give the bound of 48 within 1e-4, and the
/// order is near it.
#[test]
fn a_fine_grid_has_a_tight_bound() {
    let temps: Vec<f64> = (0..500).map(|k| -20.0 + 0.2 * f64::from(k)).collect();
    let cells: Vec<_> = (0..4u32).flat_map(|m| (0..500u16).map(move |t| (m, m % 2, t))).collect();
    let p = Problem::new(BenchTimes::default(), temps, &jobs(&cells, 1, 1, false)).unwrap();
    let order = plan_order(&p, Effort::default()).unwrap();
    let ratio = order.bound.ratio(&order.cost, p.bench.price_min);
    assert!((1.0 - 1e-9..1.02).contains(&ratio), "{ratio}");
    let layout = Layout::new(&p);
    let (few, many) = (bound_thinned(&p, &layout, 8), bound_thinned(&p, &layout, 48));
    assert!((few.change_over_min / many.change_over_min - 1.0).abs() < 1e-4, "{few:?} {many:?}");
}

/// Temperature inside rate: every rate is trained once per mounting, at the hold temperature.
#[test]
fn held_training_is_once_a_rate() {
    let cells: Vec<_> = (0..4u32).flat_map(|m| (0..6u16).map(move |t| (m, m % 2, t))).collect();
    let p = Problem::new(BenchTimes::default(), TEMPS.to_vec(), &jobs(&cells, 3, 2, true)).unwrap();
    let p = p.with_rules(Rules { hold_temperature: Some(0), ..Default::default() }).unwrap();
    let order = plan_order(&p, Effort::default()).unwrap();
    assert!((order.cost.minutes.training - 4.0 * 3.0 * 5.0 / 60.0).abs() < 1e-9);
    let ratio = order.bound.ratio(&order.cost, p.bench.price_min);
    assert!((1.0 - 1e-9..1.01).contains(&ratio), "{ratio}");
}

// Optima of the flow model written out as a linear program (stretches by temperature range and positions, one
// plan per mounting, positions balanced) and solved by HiGHS through scipy.optimize.linprog, outside this
// crate.
#[test]
fn the_bound_is_the_optimum_of_its_linear_program() {
    let optima = [
        (15.0, 998.166_666_666_666_6),
        (0.0, 495.666_666_666_666_6),
        (15.0, 895.666_666_666_666_6),
        (0.0, 600.666_666_666_666_6),
        (15.0, 875.666_666_666_666_6),
        (0.0, 774.666_666_666_666_6),
    ];
    for (seed, (price_min, optimum)) in (0u64..).zip(optima) {
        let mut rng = nightbench_core::random::SplitMix64::new(seed);
        let mut cells = Vec::new();
        for m in 0..9u32 {
            for t in 0..6u16 {
                if rng.unit() < 0.5 {
                    cells.push((m, m % 2, t));
                }
            }
        }
        let b = BenchTimes { price_min, ..Default::default() };
        let p = Problem::new(b, TEMPS.to_vec(), &jobs(&cells, 1, 1, false)).unwrap();
        let have = lower_bound(&p).change_over_min;
        assert!(have <= optimum + 1e-9 && have > optimum - 1e-6, "{seed}: {have} {optimum}");
    }
}

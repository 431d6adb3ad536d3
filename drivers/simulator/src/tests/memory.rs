//! What a target keeps of conditions it has been at: memory of one set of surfaces, unless it is sent back and forth.

use super::{Bench, eye};
use contract::{Setting, StartKind};
use nightbench_core::results::{Direction, Point};

/// Counts that a bench finds at a condition after training there.
fn counts(bench: &mut Bench, setting: &Setting) -> Vec<Vec<f64>> {
    let result = bench.train(setting, StartKind::Retrain);
    let trained = eye(&result, Direction::Read).clone();
    let at = trained.settings[0];
    // Far from where training looked, so that rows are computed that it did not need.
    (0..6)
        .map(|step| bench.ratios(trained.eye, Point { tap: at.tap + 4 * step, vref: at.vref }, 16, 20_000))
        .collect()
}

#[test]
fn conditions_that_follow_each_other_share_the_memory_of_one() {
    let mut bench = Bench::new(str::to_string, &[Direction::Read]);
    let at = |bench: &Bench, degc| bench.setting("unbuffered", "direct", "2400", degc);
    let (cold, warm, hot) = (at(&bench, 0.0), at(&bench, 25.0), at(&bench, 95.0));
    let first = counts(&mut bench, &cold);
    let of_one = bench.target.kept_rows();
    assert!(of_one > 0);
    counts(&mut bench, &warm);
    counts(&mut bench, &hot);
    assert_eq!(bench.target.kept_rows(), of_one);

    // Sent back, it finds what it found; from then on two conditions keep theirs.
    let again = counts(&mut bench, &warm);
    assert_eq!(again, counts(&mut Bench::new(str::to_string, &[Direction::Read]), &warm));
    counts(&mut bench, &hot);
    assert_eq!(bench.target.kept_rows(), 2 * of_one);
    assert_eq!(counts(&mut bench, &cold), first);
    assert_eq!(bench.target.kept_rows(), 2 * of_one);
}

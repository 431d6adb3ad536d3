//! Times a piece of work for a benchmark: after one run to warm up, the median and the range of at least ten runs.

// Pure crates have no clock; their benchmarks need one.
#![allow(clippy::disallowed_types)]

use std::hint::black_box;
use std::time::{Duration, Instant};

/// Fewest runs.
const FEWEST: usize = 10;
/// Runs go on for so long.
const LONG: Duration = Duration::from_secs(2);

/// Prints how long `work` takes.
pub fn time<T>(name: &str, mut work: impl FnMut() -> T) {
    time_prepared(name, || (), |()| work());
}

/// Prints how long `work` takes on what `prepare` makes; the making is not timed.
pub fn time_prepared<I, T>(name: &str, mut prepare: impl FnMut() -> I, mut work: impl FnMut(I) -> T) {
    let mut once = || {
        let input = prepare();
        let begun = Instant::now();
        let output = black_box(work(black_box(input)));
        let took = begun.elapsed();
        drop(output);
        took
    };
    once();
    let begun = Instant::now();
    let mut times = Vec::new();
    while times.len() < FEWEST || begun.elapsed() < LONG {
        times.push(once());
    }
    times.sort_unstable();
    let (least, median, most) = (times[0], times[times.len() / 2], times[times.len() - 1]);
    println!("{name}: {median:.3?} ({least:.3?} to {most:.3?}, {} runs)", times.len());
}

//! Error ratio of one lane without jitter at one phase, one value for each threshold: what of the data and of the other lines closes the eye
//! there, and the noise behind it.

use super::data::Data;
use super::edges::{self, Seen};
use super::link::Shared;
use super::pulse::CURSORS;
use super::stateye::{self, BIN_V, FLOOR_BER, Interference, Mass, Tail};

/// Memory that the rows of a lane share.
#[derive(Clone)]
pub(super) struct Work {
    interference: Interference,
    pub terms: Vec<f64>,
    pub one: Mass,
    pub zero: Mass,
    tail_one: Tail,
    pub tail_zero: Tail,
}

impl Default for Work {
    fn default() -> Self {
        Work {
            interference: Interference::default(),
            terms: Vec::new(),
            one: Mass::new(BIN_V),
            zero: Mass::new(BIN_V),
            tail_one: Tail::default(),
            tail_zero: Tail::default(),
        }
    }
}

/// Fills a row for thresholds in V from the middle level.
pub(super) fn fill(
    shared: &Shared,
    arrived: &Seen<'_>,
    thresholds: &[f64],
    work: &mut Work,
    row: &mut [f64],
) {
    let Shared { effects, data, kernels, .. } = shared;
    if effects.any() {
        edges::row(effects, arrived, data, thresholds, kernels, work, row);
        for value in row {
            *value = value.clamp(FLOOR_BER, 1.0);
        }
        return;
    }
    let seen = &mut work.interference;
    seen.main = arrived.own(0);
    seen.own.clear();
    seen.coupled.clear();
    seen.coupled.push(arrived.coupled(0));
    for k in CURSORS.filter(|k| *k != 0) {
        seen.own.push(arrived.own(k));
        seen.coupled.push(arrived.coupled(k));
    }
    let (low, high) = thresholds.iter().fold((f64::MAX, f64::MIN), |(l, h), d| (l.min(*d), h.max(*d)));
    let main = seen.main;
    row.fill(0.0);
    match data {
        Data::Random { weights, .. } => {
            work.terms.clear();
            work.terms.extend_from_slice(&seen.own);
            let small = stateye::add_coupling(&mut work.terms, &seen.coupled, weights, BIN_V);
            stateye::fill_random(&mut work.zero, &mut work.terms);
            work.zero.add_variance(small);
            let reach = high.max(-low);
            work.tail_zero.fill(&work.zero, kernels, main - reach, main + reach);
            for sign in [-1.0, 1.0] {
                work.tail_zero.add(row, 0.5, thresholds, |d| main + sign * d);
            }
        }
        Data::Coded { events, ones, .. } => {
            stateye::fill_coded(&mut work.one, &mut work.zero, seen, events, *ones);
            work.tail_one.fill(&work.one, kernels, main - high, main - low);
            work.tail_zero.fill(&work.zero, kernels, main + low, main + high);
            work.tail_one.add(row, *ones, thresholds, |d| main - d);
            work.tail_zero.add(row, 1.0 - ones, thresholds, |d| main + d);
        }
        Data::Sequence(signs, weights) => {
            work.terms.clear();
            let small = stateye::add_coupling(&mut work.terms, &seen.coupled, weights, BIN_V);
            stateye::fill_random(&mut work.zero, &mut work.terms);
            work.zero.add_variance(small);
            work.terms.clear();
            work.terms.extend((0..signs.len()).map(|at| fixed_interference(seen, signs, 0.0, at)));
            let own: f64 = seen.own.iter().map(|term| term.abs()).sum();
            let reach = high.max(-low) + own;
            work.tail_zero.fill(&work.zero, kernels, main - reach, main + reach);
            let share = 1.0 / signs.len() as f64;
            for (sign, isi) in signs.iter().zip(&work.terms) {
                work.tail_zero.add(row, share, thresholds, |d| main + sign * (isi - d));
            }
        }
        Data::Fixed { signs, total, noise: noise_tail } => {
            work.terms.clear();
            work.terms.extend((0..signs.len()).map(|at| fixed_interference(seen, signs, *total, at)));
            let share = 1.0 / signs.len() as f64;
            for (out, d) in row.iter_mut().zip(thresholds) {
                let errors = signs
                    .iter()
                    .zip(&work.terms)
                    .map(|(sign, isi)| noise_tail.tail(main + sign * (isi - d)))
                    .sum::<f64>();
                *out = share * errors;
            }
        }
    }
    for value in row {
        *value = value.clamp(FLOOR_BER, 1.0);
    }
}

/// Interference on bit `at` of a repeated sequence, all lines sending the same, V.
fn fixed_interference(seen: &Interference, signs: &[f64], total: f64, at: usize) -> f64 {
    let length = signs.len() as isize;
    let sent = |cursor: isize| signs[(at as isize - cursor).rem_euclid(length) as usize];
    let mut sum = seen.coupled.first().map_or(0.0, |x| total * x * sent(0));
    let cursors = CURSORS.filter(|k| *k != 0);
    for (k, (own, coupled)) in cursors.zip(seen.own.iter().zip(seen.coupled.iter().skip(1))) {
        sum += (own + total * coupled) * sent(k);
    }
    sum
}

//! How a bench differs from the channel model: a Gaussian process over conditions, one for each quantity.
//!
//! A margin is what the model expects, off by an offset and a slope that all conditions share, by what the same module, channel and setup
//! share (each with its trend over rate, temperature and supply), and by a measurement's own scatter, which is larger where the eye's
//! crest is steep. Sizes far from the limit are cut off: how far a closed eye is closed tells nothing of open ones.

use super::field::{Asked, Field, Point, Quantity};
use super::measured::{Known, Measured};
use nightbench_core::random::SplitMix64;
use statistics::gaussian_process::{AmplitudePrior, Posterior, amplitudes};
use statistics::nonnegative::Symmetric;
use std::collections::BTreeMap;

/// Most conditions that amplitudes are fitted to, and that one setup is predicted from.
const MOST: usize = 180;
/// Of these, conditions that share nothing with the setup, where there are as many.
const OTHERS: usize = 30;
/// Sizes below and above these shares of the limit are cut off there.
pub(super) const FLOOR: f64 = 0.45;
pub(super) const CEILING: f64 = 3.0;
/// A residual of so many limits: sizes that are cut off as expected are heard beside it, or one eye that does not open where limits are
/// loose would speak for all of them.
const FAR: f64 = 1.0;
/// Length of the squared exponentials, in rates from slowest to fastest and in 70 K.
const LENGTH: f64 = 0.5;
/// Standard deviation of the logarithm of every amplitude's prior.
const LOG_SD: f64 = 0.8;

/// Parts of the covariance, each with the median of its amplitude as a share of the limit (estimates from the simulated target).
const PARTS: [f64; 26] = [
    // Offset, slope, and trends that all conditions share: rate, temperature, supply, bend over temperature, rate by temperature.
    0.15, 0.2, 0.05, 0.05, 0.03, 0.03, 0.03,
    // Module, channel, setup: offset, rate, temperature, supply each.
    0.08, 0.05, 0.04, 0.02, 0.08, 0.05, 0.04, 0.02, 0.05, 0.05, 0.03, 0.02,
    // Module: temperature by supply. Setup: bend over temperature, rate by temperature, rate by supply.
    0.015, 0.02, 0.03, 0.015, // Firmware and pattern.
    0.05,
    // A measurement's scatter, the same everywhere, and as a multiple of what training's scatter does at the crest.
    0.04, 1.0,
];

/// Of these the first hold for all conditions, and so many after them for what a module, a channel or a setup shares.
const COMMON: usize = 7;
const LEVELS: usize = 16;

/// One condition in one quantity.
#[derive(Debug, Clone, Copy)]
struct Place {
    module: u32,
    channel: u32,
    setup: u32,
    variant: u32,
    rate: f64,
    heat: f64,
    supply: f64,
    /// Expected margin, share of the limit.
    above: f64,
    /// What training's scatter does, share of the limit.
    scatter: f64,
}

fn place(field: &Field, condition: u32, asked: &Asked) -> Place {
    let point = &field.points[condition as usize];
    Place {
        module: point.module,
        channel: point.channel,
        setup: point.setup,
        variant: point.variant,
        rate: point.rate,
        heat: point.heat(),
        supply: point.supply,
        above: cut(asked.expected.share / asked.limit) - 1.0,
        // A crest that ends beside its middle is no slope.
        scatter: (asked.expected.scatter / asked.limit).min(0.2),
    }
}

/// A size as a share of its limit, cut off.
fn cut(share: f64) -> f64 {
    share.clamp(FLOOR, CEILING)
}

fn pair(a: &Place, b: &Place, same: bool) -> [f64; 26] {
    let squared = |difference: f64| (-0.5 * (difference / LENGTH).powi(2)).exp();
    let (r, q) = (squared(a.rate - b.rate), squared(a.heat - b.heat));
    let (t, v) = (a.heat * b.heat, a.supply * b.supply);
    let is = |same: bool| f64::from(u8::from(same));
    let (m, c, s) = (is(a.module == b.module), is(a.channel == b.channel), is(a.setup == b.setup));
    [
        1.0,
        a.above * b.above,
        r,
        t,
        v,
        q,
        r * t,
        m,
        m * r,
        m * t,
        m * v,
        c,
        c * r,
        c * t,
        c * v,
        s,
        s * r,
        s * t,
        s * v,
        m * t * v,
        s * q,
        s * r * t,
        s * r * v,
        is(a.variant == b.variant),
        is(same),
        if same { a.scatter * a.scatter } else { 0.0 },
    ]
}

/// A measured condition in one quantity: what was read less what was expected, share of the limit.
#[derive(Debug, Clone, Copy)]
struct Datum {
    condition: u32,
    residual: f64,
    place: Place,
    /// Its turn where not all can be taken.
    turn: u64,
}

/// One quantity.
#[derive(Debug, Clone)]
struct Series {
    quantity: Quantity,
    amplitudes: Vec<f64>,
    /// In the order of their turns.
    data: Vec<Datum>,
}

/// What the rest of a run says of a margin: middle and standard deviation, share of the limit. Part of that is `scatter`, by which
/// measurements of one condition differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Guess {
    pub condition: u32,
    pub quantity: Quantity,
    pub middle: f64,
    pub sd: f64,
    pub scatter: f64,
}

/// What was learnt from measured conditions.
#[derive(Debug, Clone)]
pub struct Model<'f> {
    pub(super) field: &'f Field,
    seed: u64,
    series: Vec<Series>,
}

impl<'f> Model<'f> {
    /// Learns from measured conditions. `seed` chooses among them where there are more than can be taken; their order does not matter.
    pub fn fit(field: &'f Field, measured: &Measured, seed: u64) -> Model<'f> {
        let start: Vec<f64> = PARTS.to_vec();
        let series = field.quantities.iter().map(|quantity| {
            let mut series = Series { quantity: *quantity, amplitudes: start.clone(), data: Vec::new() };
            series.data = data(field, measured, *quantity, seed);
            series.learn();
            series
        });
        Model { field, seed, series: series.collect() }
    }

    /// The same amplitudes with what has been measured by now.
    pub fn with(&self, measured: &Measured) -> Model<'f> {
        let mut model = self.clone();
        for series in &mut model.series {
            series.data = data(self.field, measured, series.quantity, self.seed);
        }
        model
    }

    /// Measured conditions that it rests on, in the quantity that has most of them.
    pub fn conditions(&self) -> usize {
        self.series.iter().map(|series| series.data.len()).max().unwrap_or(0)
    }

    /// The same with modules, channels and setups no further apart than they are before anything is measured: a fault widens
    /// what is learnt of them, and must not be held against that.
    pub(super) fn as_expected(&self) -> Model<'f> {
        let mut model = self.clone();
        for series in &mut model.series {
            for (amplitude, median) in
                series.amplitudes.iter_mut().zip(PARTS).take(COMMON + LEVELS).skip(COMMON)
            {
                *amplitude = amplitude.min(median);
            }
        }
        model
    }

    /// What it says of conditions.
    pub(super) fn guesses(&self, conditions: &[u32]) -> Vec<Guess> {
        let mut by_setup: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        for condition in conditions {
            by_setup.entry(self.field.points[*condition as usize].setup).or_default().push(*condition);
        }
        let of = |conditions: &Vec<u32>| self.rest(conditions[0], &|_| false).guesses(conditions);
        by_setup.values().flat_map(of).collect()
    }

    /// What was measured and is not named by `without`, to ask of the setup of a condition.
    pub(super) fn rest(&self, condition: u32, without: &dyn Fn(&Point) -> bool) -> Rest<'_> {
        let home = &self.field.points[condition as usize];
        let of = |series| Part::new(series, self.field, home, without);
        Rest { field: self.field, parts: self.series.iter().map(of).collect() }
    }
}

/// A part of what was measured, as far as it speaks of one setup.
pub(super) struct Rest<'m> {
    field: &'m Field,
    parts: Vec<Part<'m>>,
}

struct Part<'m> {
    series: &'m Series,
    chosen: Vec<&'m Datum>,
    /// `None` where it cannot be worked out.
    posterior: Option<Posterior>,
}

impl Rest<'_> {
    /// What it says of conditions of the setup; of those that cannot be predicted nothing.
    pub fn guesses(&self, conditions: &[u32]) -> Vec<Guess> {
        let mut guesses = Vec::new();
        for part in &self.parts {
            let quantity = part.series.quantity;
            for condition in conditions {
                if let Some((middle, sd)) = part.sum(self.field, &[(*condition, 1.0)]) {
                    let scatter = part.scatter(self.field, *condition).unwrap_or(0.0);
                    guesses.push(Guess { condition: *condition, quantity, middle, sd, scatter });
                }
            }
        }
        guesses
    }

    /// What it says of a sum over conditions of the setup, each with its weight: middle and standard deviation, share of the limit.
    pub fn sum(&self, quantity: Quantity, weights: &[(u32, f64)]) -> Option<(f64, f64)> {
        self.parts.iter().find(|part| part.series.quantity == quantity)?.sum(self.field, weights)
    }
}

/// What a quantity was read as, share of its limit, cut off; `None` where nothing is known of it. A training that fails says that the
/// smallest of a condition's sizes (`all`) is too small for it, and nothing of the others: told of all of them it was a height that collapsed
/// at once, a fault of everything around it.
pub(super) fn seen(known: &Known, asked: &Asked, all: &[Asked]) -> Option<f64> {
    let share = |one: &Asked| one.expected.share / one.limit;
    match known {
        Known::TrainingFailed => all.iter().all(|one| share(asked) <= share(one)).then_some(FLOOR),
        Known::Read(_) => {
            let reading = known.reading(asked.quantity)?;
            let share = reading.value / (asked.limit * asked.whole);
            if !share.is_finite() {
                return None;
            }
            // Of a lower bound only that it lies higher than expected.
            let least = if reading.at_least { asked.expected.share / asked.limit } else { share };
            Some(cut(share.max(least)))
        }
    }
}

fn data(field: &Field, measured: &Measured, quantity: Quantity, seed: u64) -> Vec<Datum> {
    let (mut data, mut cut_off) = (Vec::new(), Vec::new());
    for (condition, known) in measured {
        let Some(asked) = field.asked.get(*condition as usize) else { continue };
        let all = asked.as_slice();
        let Some(asked) = all.iter().find(|one| one.quantity == quantity) else { continue };
        let Some(seen) = seen(known, asked, all) else { continue };
        let place = place(field, *condition, asked);
        let expected = place.above + 1.0;
        let turn = SplitMix64::new(seed ^ (u64::from(*condition) << 20)).next_u64();
        let datum = Datum { condition: *condition, residual: seen - expected, place, turn };
        // Cut off at the same end: it says nothing.
        if seen == expected { cut_off.push(datum) } else { data.push(datum) }
    }
    if data.iter().any(|datum: &Datum| datum.residual.abs() > FAR) {
        data.append(&mut cut_off);
    }
    data.sort_by_key(|datum| (datum.turn, datum.condition));
    data
}

impl Series {
    fn learn(&mut self) {
        // In turn from every setup.
        let mut taken: BTreeMap<u32, usize> = BTreeMap::new();
        let mut order: Vec<(usize, usize)> = Vec::with_capacity(self.data.len());
        for (at, datum) in self.data.iter().enumerate() {
            let before = taken.entry(datum.place.setup).or_default();
            order.push((*before, at));
            *before += 1;
        }
        order.sort_unstable();
        let chosen: Vec<&Datum> = order.iter().take(MOST).map(|(_, at)| &self.data[*at]).collect();
        let n = chosen.len();
        if n < 3 {
            return;
        }
        let mut parts = vec![Symmetric::zero(n); PARTS.len()];
        for i in 0..n {
            for j in 0..=i {
                let values = pair(&chosen[i].place, &chosen[j].place, i == j);
                for (part, value) in parts.iter_mut().zip(values) {
                    part.entries[i * n + j] = value;
                    part.entries[j * n + i] = value;
                }
            }
        }
        let y: Vec<f64> = chosen.iter().map(|datum| datum.residual).collect();
        let priors = PARTS.map(|median| AmplitudePrior { median, log_sd: LOG_SD });
        // Where they cannot be learnt the priors' medians stand.
        if let Ok(found) = amplitudes(&parts, &y, &priors, &PARTS) {
            self.amplitudes = found;
        }
    }

    fn covariance(&self, a: &Place, b: &Place, same: bool) -> f64 {
        let values = pair(a, b, same);
        values.iter().zip(&self.amplitudes).map(|(value, amplitude)| value * amplitude * amplitude).sum()
    }
}

impl<'m> Part<'m> {
    fn new(series: &'m Series, field: &Field, home: &Point, without: &dyn Fn(&Point) -> bool) -> Part<'m> {
        let kind = |datum: &Datum| {
            let place = &datum.place;
            if place.setup == home.setup {
                0
            } else if place.module == home.module || place.channel == home.channel {
                1
            } else {
                2
            }
        };
        let mut kinds: [Vec<&Datum>; 3] = Default::default();
        for datum in series.data.iter().filter(|datum| !without(&field.points[datum.condition as usize])) {
            kinds[kind(datum)].push(datum);
        }
        let [own, near, far] = kinds;
        let others = far.len().min(OTHERS);
        let mut chosen: Vec<&Datum> = own.into_iter().take(MOST - others).collect();
        chosen.extend(near.into_iter().take(MOST - others - chosen.len()));
        chosen.extend(far.into_iter().take(MOST - chosen.len()));
        let n = chosen.len();
        let mut matrix = Symmetric::zero(n);
        for i in 0..n {
            for j in 0..=i {
                let value = series.covariance(&chosen[i].place, &chosen[j].place, i == j);
                matrix.entries[i * n + j] = value;
                matrix.entries[j * n + i] = value;
            }
        }
        let y: Vec<f64> = chosen.iter().map(|datum| datum.residual).collect();
        Part { series, posterior: Posterior::new(&matrix, &y).ok(), chosen }
    }

    fn place(&self, field: &Field, condition: u32) -> Option<Place> {
        let asked = field.asked.get(condition as usize)?;
        let asked = asked.iter().find(|one| one.quantity == self.series.quantity)?;
        Some(place(field, condition, asked))
    }

    /// By how much measurements of a condition differ: what it shares with itself alone.
    fn scatter(&self, field: &Field, condition: u32) -> Option<f64> {
        let place = self.place(field, condition)?;
        let [again, other] = [true, false].map(|same| self.series.covariance(&place, &place, same));
        Some((again - other).max(0.0).sqrt())
    }

    fn sum(&self, field: &Field, weights: &[(u32, f64)]) -> Option<(f64, f64)> {
        let of = |(condition, weight): &(u32, f64)| Some((self.place(field, *condition)?, *weight));
        let places: Vec<(Place, f64)> = weights.iter().map(of).collect::<Option<_>>()?;
        let mut own = 0.0;
        for (i, (a, by)) in places.iter().enumerate() {
            own += by * by * self.series.covariance(a, a, true);
            let others = places[..i].iter();
            own += others.map(|(b, and)| 2.0 * by * and * self.series.covariance(a, b, false)).sum::<f64>();
        }
        let cross = |datum: &&Datum| -> f64 {
            places.iter().map(|(here, by)| by * self.series.covariance(here, &datum.place, false)).sum()
        };
        let cross: Vec<f64> = self.chosen.iter().map(cross).collect();
        let (residual, variance) =
            self.posterior.as_ref().map_or((0.0, own), |posterior| posterior.predict(&cross, own));
        let expected: f64 = places.iter().map(|(here, by)| by * (here.above + 1.0)).sum();
        Some((expected + residual, variance.sqrt()))
    }
}

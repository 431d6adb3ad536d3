//! Effects that differ from edge to edge, or hang on how many of the byte's lines send a zero: supply noise from simultaneous
//! switching, jitter of the transmitter, rising edges unlike falling ones.
//!
//! The signal is a sum of steps, one at each change of the data: v = A sum_e (a_e - a_(e+1)) s(t_e), where edge e lies before
//! bit e (bit 1 is the one before the sampled bit 0). Three things happen to a step.
//!
//! * Supply noise: each zero of the byte draws I0 = VDDQ/(Ron + Rtt) through `pdn_z_ohm`, so that the other seven lines move
//!   the source of this one by -Z I0 (zeros - their mean) in that unit interval; the droop goes through the channel as the bit
//!   does. The lane's own share is part of the resistance that calibration sets. A driver is late by `pdn_ps_per_mv` times
//!   the droop.
//! * Jitter of the transmitter: each edge is moved by an independent normal time; what arrives is -A (a_e - a_(e+1)) e ds/dt.
//! * Rising edges have a response of their own: s + d against s - d for falling ones, which adds 2 A d at every change.
//!
//! The bits on either side of the sampled one decide its edges, so the eight triples are treated one by one; edges further
//! away enter with their mean and variance. A shift is taken to first order in time. Lines of other bytes are left out.

use super::channel::Setup;
use super::conditions::Drifted;
use super::data::Data;
use super::gauss::normal_plus_uniform_tail;
use super::kernels::Kernels;
use super::pulse::{CURSORS, Response};
use super::rows::Work;
use super::stateye::{self, Mass};
use nightbench_core::generations::Signalling;
use nightbench_core::results::Direction;

/// Sizes of the effects of one setup; all zero when none is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct EdgeEffects {
    /// Move of the source by each other line's bit, as a share of the amplitude; positive when a 1 lifts it.
    supply: f64,
    /// Lead of an edge by each other line's bit, unit intervals.
    supply_ui: f64,
    /// Random jitter of an edge, unit intervals rms.
    jitter_ui: f64,
    /// Rising and falling edges differ.
    uneven: bool,
}

impl EdgeEffects {
    pub fn new(setup: &Setup, drifted: &Drifted) -> Self {
        let p = &setup.parameters;
        // Command lines have figures of their own, and no byte that switches together.
        if setup.direction == Direction::Command {
            return EdgeEffects { supply: 0.0, supply_ui: 0.0, jitter_ui: 0.0, uneven: false };
        }
        // The level that draws current: a 0 where lines end at VDDQ, a 1 where they end at ground, a 1 through half of VDDQ.
        let drawn = match setup.signalling {
            Signalling::Pod => 1.0,
            Signalling::Lvstl => -1.0,
            Signalling::Sstl => -0.5,
        };
        let supply = drawn * p.pdn_z_ohm / (drifted.ron_ohm + drifted.rodt_ohm);
        let ui_s = setup.operating_point.unit_interval_s();
        let droop_mv = 0.5e3 * setup.operating_point.vddq_v * supply;
        EdgeEffects {
            supply,
            supply_ui: p.pdn_ps_per_mv * droop_mv * 1e-12 / ui_s,
            jitter_ui: p.tx_rj_ps * 1e-12 / ui_s,
            uneven: p.edge_skew != 0.0 || p.ron_skew != 0.0,
        }
    }

    pub fn any(&self) -> bool {
        self.supply != 0.0 || self.jitter_ui != 0.0 || self.uneven
    }
}

/// What arrives of one lane at one phase, V.
pub(super) struct Seen<'a> {
    pub response: &'a Response,
    pub amplitude: f64,
    pub feedback: &'a [f64; 4],
    pub phase: isize,
}

impl Seen<'_> {
    /// By the lane's own bit k, the DFE's feedback included.
    pub fn own(&self, k: isize) -> f64 {
        let tap = usize::try_from(k - 1).ok().and_then(|tap| self.feedback.get(tap));
        self.amplitude * self.response.pulse(self.phase, k) + tap.copied().unwrap_or(0.0)
    }

    /// By each other line's bit k, besides its coupling: the supply.
    fn supply(&self, effects: &EdgeEffects, k: isize) -> f64 {
        effects.supply * self.amplitude * self.response.pulse(self.phase, k)
    }

    /// By each other line's bit k, a weight of 1.
    pub fn coupled(&self, k: isize) -> f64 {
        self.amplitude * self.response.coupled(self.phase, k)
    }

    /// Change of the signal at the step before bit e, V a unit interval, when the data change by `change` (2, -2 or 0) there.
    fn slope(&self, e: isize, change: f64) -> f64 {
        if change == 0.0 {
            return 0.0;
        }
        let (rise, fall) = self.response.slopes(self.phase, e);
        self.amplitude * change * if change > 0.0 { rise } else { fall }
    }

    /// What a change before bit e adds to both kinds of steps.
    fn uneven(&self, e: isize) -> f64 {
        2.0 * self.amplitude * self.response.uneven(self.phase, e)
    }
}

/// Signs of the bit before, the sampled bit and the one after.
#[derive(Clone, Copy)]
struct Triple {
    before: f64,
    now: f64,
    after: f64,
}

impl Triple {
    fn all() -> impl Iterator<Item = Triple> {
        let sign = |set: bool| if set { 1.0 } else { -1.0 };
        (0..8u8).map(move |bits| Triple {
            now: sign(bits & 4 == 0),
            before: sign(bits & 2 == 0),
            after: sign(bits & 1 == 0),
        })
    }

    /// Sign of bit k, of those that are known.
    fn sign(self, k: isize) -> Option<f64> {
        match k {
            1 => Some(self.before),
            0 => Some(self.now),
            -1 => Some(self.after),
            _ => None,
        }
    }

    /// a_e - a_(e+1), of the edges of the sampled bit; 0 for others.
    fn change(self, e: isize) -> f64 {
        match e {
            0 => self.now - self.before,
            -1 => self.after - self.now,
            _ => 0.0,
        }
    }
}

/// Edges whose two bits lie inside the window.
fn edges() -> impl Iterator<Item = isize> {
    CURSORS.filter(|e| *e < *CURSORS.end())
}

/// Edges that no triple decides.
fn far_edges() -> impl Iterator<Item = isize> {
    edges().filter(|e| !(-1..=0).contains(e))
}

/// Error ratio without jitter at one phase, one value for each threshold (V from the middle).
pub(super) fn row(
    effects: &EdgeEffects,
    seen: &Seen<'_>,
    data: &Data,
    thresholds: &[f64],
    kernels: &Kernels,
    work: &mut Work,
    row: &mut [f64],
) {
    let one = Row { effects, seen, thresholds, kernels };
    row.fill(0.0);
    match data {
        Data::Random { weights, each } => one.random(weights, *each, work, row),
        Data::Coded { ones, apart, .. } => one.coded(apart, *ones, work, row),
        Data::Sequence(signs, weights) => one.sequence(signs, weights, work, row),
        Data::Fixed { signs, total, .. } => one.fixed(signs, *total, row),
    }
}

struct Row<'a> {
    effects: &'a EdgeEffects,
    seen: &'a Seen<'a>,
    thresholds: &'a [f64],
    kernels: &'a Kernels,
}

impl Row<'_> {
    /// By each other line's bit k: supply noise and, where the edge before bit k is the sampled bit's, the shift of it.
    fn other(&self, k: isize, triple: Triple) -> f64 {
        let shift = self.effects.supply_ui;
        self.seen.supply(self.effects, k)
            + if shift == 0.0 { 0.0 } else { shift * self.seen.slope(k, triple.change(k)) }
    }

    /// What a triple fixes where its bits are known: signal, and mean of the unevenness with changes as often as `changes`.
    fn known(&self, triple: Triple, changes: f64) -> f64 {
        let seen = self.seen;
        let signal = [1, 0, -1].iter().filter_map(|k| Some(triple.sign(*k)? * seen.own(*k))).sum::<f64>();
        if !self.effects.uneven {
            return signal;
        }
        let near = [0, -1].iter().map(|e| 0.5 * triple.change(*e).abs() * seen.uneven(*e)).sum::<f64>();
        // Edges 1 and -2 have one known bit; half of what they add goes with the unknown one, see `beside`.
        let half = 0.5 * (seen.uneven(1) + seen.uneven(-2));
        let far = far_edges().filter(|e| ![1, -2].contains(e)).map(|e| changes * seen.uneven(e)).sum::<f64>();
        signal + near + half + far
    }

    /// Bit k's own size for k = 2 and -2, whose edge towards the triple is uneven.
    fn beside(&self, k: isize, triple: Triple) -> f64 {
        let bend =
            if k > 0 { triple.before * self.seen.uneven(1) } else { triple.after * self.seen.uneven(-2) };
        self.seen.own(k) - if self.effects.uneven { 0.5 * bend } else { 0.0 }
    }

    /// Variance of the jitter of a triple's own edges.
    fn near_variance(&self, triple: Triple) -> f64 {
        let size = |e: isize| self.effects.jitter_ui * self.seen.slope(e, triple.change(e));
        size(0).powi(2) + size(-1).powi(2)
    }

    /// Variance that the other edges add, with changes as often as `changes` and `square` the mean square of the other
    /// lines' sum.
    fn far_variance(&self, changes: f64, square: f64) -> f64 {
        let time = self.effects.jitter_ui.powi(2) + square * self.effects.supply_ui.powi(2);
        if time == 0.0 {
            return 0.0;
        }
        let square = |e: isize, change: f64| self.seen.slope(e, change).powi(2);
        far_edges().map(|e| 0.5 * changes * time * (square(e, 2.0) + square(e, -2.0))).sum()
    }

    /// Adds what uneven far edges add about their mean.
    fn add_far_unevenness(&self, mass: &mut Mass, changes: f64) {
        if self.effects.uneven {
            let spread = (changes * (1.0 - changes)).sqrt();
            far_edges()
                .filter(|e| ![1, -2].contains(e))
                .for_each(|e| mass.add_pair(spread * self.seen.uneven(e)));
        }
    }

    fn extremes(&self) -> (f64, f64) {
        self.thresholds.iter().fold((f64::MAX, f64::MIN), |(l, h), d| (l.min(*d), h.max(*d)))
    }

    fn random(&self, weights: &[f64], each: f64, work: &mut Work, row: &mut [f64]) {
        let seen = self.seen;
        let shifting = self.effects.supply_ui != 0.0;
        let still = |k: isize| !shifting || !(-1..=0).contains(&k);
        let others = |k: isize, supply: f64| {
            let coupled = seen.coupled(k);
            weights.iter().map(move |w| w * coupled + each * supply)
        };
        let none = Triple { before: 0.0, now: 0.0, after: 0.0 };
        work.terms.clear();
        for k in CURSORS {
            if k.abs() > 2 || (!self.effects.uneven && k.abs() == 2) {
                work.terms.push(seen.own(k));
            }
            if still(k) {
                work.terms.extend(others(k, self.other(k, none)));
            }
        }
        stateye::fill_random(&mut work.one, &mut work.terms);
        self.add_far_unevenness(&mut work.one, 0.5);
        work.one.add_variance(self.far_variance(0.5, weights.len() as f64 * each * each));
        let (low, high) = self.extremes();
        // Where no edge knows which way it goes a triple and its mirror image are one.
        let alike = !self.effects.uneven && !shifting;
        for triple in Triple::all().filter(|triple| !alike || triple.now > 0.0) {
            work.zero.copy_from(&work.one);
            if shifting {
                for k in [-1, 0] {
                    others(k, self.other(k, triple)).for_each(|term| work.zero.add_pair(term));
                }
            }
            if self.effects.uneven {
                [-2, 2].iter().for_each(|k| work.zero.add_pair(self.beside(*k, triple)));
            }
            work.zero.add_variance(self.near_variance(triple));
            let known = triple.now * self.known(triple, 0.5);
            let tail = &mut work.tail_zero;
            if alike {
                let reach = high.max(-low);
                tail.fill(&work.zero, self.kernels, known - reach, known + reach);
                for sign in [-1.0, 1.0] {
                    tail.add(row, 0.125, self.thresholds, |d| known + sign * d);
                }
            } else {
                let ends = (triple.now * low, triple.now * high);
                let (least, most) = (ends.0.min(ends.1), ends.0.max(ends.1));
                tail.fill(&work.zero, self.kernels, known - most, known - least);
                tail.add(row, 0.125, self.thresholds, |d| known - triple.now * d);
            }
        }
    }

    fn coded(&self, events: &[super::pattern::CodedEvent], ones: f64, work: &mut Work, row: &mut [f64]) {
        let seen = self.seen;
        let changes = 2.0 * ones * (1.0 - ones);
        let square = events.iter().map(|e| e.probability * e.others * e.others).sum::<f64>();
        let none = Triple { before: 0.0, now: 0.0, after: 0.0 };
        work.one.reset();
        for k in CURSORS.filter(|k| k.abs() > 2) {
            let (own, coupled, supply) = (seen.own(k), seen.coupled(k), self.other(k, none));
            let value = |e: &super::pattern::CodedEvent| {
                (own * e.victim + coupled * e.coupled + supply * e.others, e.probability)
            };
            work.one.add_atoms(events.iter().map(value));
        }
        self.add_far_unevenness(&mut work.one, changes);
        work.one.add_variance(self.far_variance(changes, square));
        let (low, high) = self.extremes();
        let chance = |sign: f64| if sign > 0.0 { ones } else { 1.0 - ones };
        for triple in Triple::all() {
            work.zero.copy_from(&work.one);
            for k in -2..=2 {
                let (coupled, supply) = (seen.coupled(k), self.other(k, triple));
                let sign = triple.sign(k);
                let own = if sign.is_some() { 0.0 } else { self.beside(k, triple) };
                let given = sign.map_or(1.0, chance);
                let atoms = events.iter().filter(|e| sign.is_none_or(|sign| e.victim == sign));
                work.zero.add_atoms(atoms.map(|e| {
                    (own * e.victim + coupled * e.coupled + supply * e.others, e.probability / given)
                }));
            }
            work.zero.add_variance(self.near_variance(triple));
            // The tail is that of what closes the eye.
            if triple.now > 0.0 {
                work.zero.mirror();
            }
            let known = triple.now * self.known(triple, changes);
            let ends = (triple.now * low, triple.now * high);
            let (least, most) = (ends.0.min(ends.1), ends.0.max(ends.1));
            let tail = &mut work.tail_zero;
            tail.fill(&work.zero, self.kernels, known - most, known - least);
            let share = chance(triple.before) * chance(triple.now) * chance(triple.after);
            tail.add(row, share, self.thresholds, |d| known - triple.now * d);
        }
    }

    /// Signal at bit `at` of a repeated sequence.
    fn followed(&self, signs: &[f64], at: usize) -> f64 {
        let sent = |k: isize| sign_at(signs, at, k);
        let signal = CURSORS.map(|k| sent(k) * self.seen.own(k)).sum::<f64>();
        if !self.effects.uneven {
            return signal;
        }
        signal + edges().map(|e| 0.5 * (sent(e) - sent(e + 1)).abs() * self.seen.uneven(e)).sum::<f64>()
    }

    fn sequence(&self, signs: &[f64], weights: &[f64], work: &mut Work, row: &mut [f64]) {
        let seen = self.seen;
        work.terms.clear();
        work.terms.extend((0..signs.len()).map(|at| self.followed(signs, at)));
        let followed = std::mem::take(&mut work.terms);
        let count = signs.len() as f64;
        let changes = (0..signs.len()).filter(|at| sign_at(signs, *at, 0) != sign_at(signs, *at, 1)).count()
            as f64
            / count;
        let far = self.far_variance(changes, weights.len() as f64);
        let (low, high) = self.extremes();
        let most = followed.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
        for triple in Triple::all() {
            let here =
                |at: &usize| [1, 0, -1].iter().all(|k| Some(sign_at(signs, *at, *k)) == triple.sign(*k));
            if !(0..signs.len()).any(|at| here(&at)) {
                continue;
            }
            work.terms.clear();
            for k in CURSORS {
                let (coupled, supply) = (seen.coupled(k), self.other(k, triple));
                work.terms.extend(weights.iter().map(|w| w * coupled + supply));
            }
            stateye::fill_random(&mut work.zero, &mut work.terms);
            work.zero.add_variance(far + self.near_variance(triple));
            let reach = high.max(-low) + most;
            work.tail_zero.fill(&work.zero, self.kernels, -reach, reach);
            for at in (0..signs.len()).filter(here) {
                work.tail_zero.add(row, 1.0 / count, self.thresholds, |d| triple.now * (followed[at] - d));
            }
        }
        work.terms = followed;
    }

    /// All lines send the same: everything but the noise is known.
    fn fixed(&self, signs: &[f64], total: f64, row: &mut [f64]) {
        let seen = self.seen;
        let lines = 7.0;
        let share = 1.0 / signs.len() as f64;
        for at in 0..signs.len() {
            let sent = |k: isize| sign_at(signs, at, k);
            let change = |e: isize| sent(e) - sent(e + 1);
            let others = CURSORS
                .map(|k| sent(k) * (total * seen.coupled(k) + lines * seen.supply(self.effects, k)))
                .sum::<f64>();
            let (mut late, mut variance) = (0.0, self.kernels.noise_v().powi(2));
            for e in edges() {
                let slope = seen.slope(e, change(e));
                late += slope * self.effects.supply_ui * lines * sent(e);
                variance += (slope * self.effects.jitter_ui).powi(2);
            }
            let signal = self.followed(signs, at) + others + late;
            for (out, d) in row.iter_mut().zip(self.thresholds) {
                let u = sent(0) * (signal - d);
                *out += share * normal_plus_uniform_tail(u, variance.sqrt(), self.kernels.bounded_v());
            }
        }
    }
}

/// The bit that lies `k` before bit `at` of a repeated sequence.
fn sign_at(signs: &[f64], at: usize, k: isize) -> f64 {
    signs[(at as isize - k).rem_euclid(signs.len() as isize) as usize]
}

//! The effects of a bench (supply noise, jitter through the channel, uneven edges, a strobe that does not track, even and odd
//! bits, DFE) against bit-by-bit Monte Carlo that contains the same effect, made another way: a waveform summed from steps at
//! jittered times, decisions fed back one by one.

use super::super::channel::{Channel, Dfe, Setup};
use super::super::pattern::{self, Pattern};
use super::super::pulse::{self, CURSORS, LENGTH, SAMPLES_PER_UI, Shaper};
use super::super::training::train;
use super::super::variation::BitVariation;
use super::super::{LaneSurface, Link, timing};
use crate::effects_table::{direct, shared};
use nightbench_core::rates::Generation;
use nightbench_core::results::Direction;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal, StandardUniform};
use std::f64::consts::TAU;

/// Bits simulated at each point.
const BITS: usize = 120_000;
/// Steps in which the common jitter moves from strobe to data.
const WALK: usize = 8;

/// A step at the receiver, volts per volt of VDDQ, from `start` unit intervals after the source's bit centre on.
struct Step {
    start_ui: f64,
    values: Vec<f64>,
}

impl Step {
    /// Summed from the pulses of a line whose edges are all of one kind: s(t + 1/2) = sum of p(t - j).
    fn of(setup: &Setup, edge: f64, ron: f64, from_ui: f64) -> Step {
        let mut setup = setup.clone();
        let p = &mut setup.parameters;
        for value in [&mut p.dram_t2080_ps, &mut p.ctl_t2080_ps] {
            *value *= 1.0 + 0.5 * edge;
        }
        for value in [&mut p.dram_ron_ohm, &mut p.ctl_ron_ohm] {
            *value *= 1.0 + 0.5 * ron;
        }
        let channel = channel(&setup);
        let raw = Shaper::new(&channel).raw(&channel.transfer(&BitVariation::default()).unwrap());
        let first = (from_ui * SAMPLES_PER_UI as f64).round() as isize;
        let at = |n: isize| raw[(first + n).rem_euclid(LENGTH as isize) as usize].re;
        let mut values = vec![0.0; LENGTH];
        for n in 0..LENGTH {
            let before = n.checked_sub(SAMPLES_PER_UI).map_or(0.0, |before| values[before]);
            values[n] = before + at(n as isize);
        }
        Step { start_ui: first as f64 / SAMPLES_PER_UI as f64 + 0.5, values }
    }

    fn at(&self, t_ui: f64) -> f64 {
        let place = (t_ui - self.start_ui) * SAMPLES_PER_UI as f64;
        if place <= 0.0 {
            return 0.0;
        }
        let i = (place as usize).min(self.values.len() - 2);
        self.values[i] + (place - i as f64).min(1.0) * (self.values[i + 1] - self.values[i])
    }
}

fn channel(setup: &Setup) -> Channel {
    Channel::new(setup.clone(), &pulse::frequencies(setup.operating_point.data_rate_bps)).unwrap()
}

/// Bits of the lane and of the seven others.
fn lines(pattern: &Pattern, count: usize, rng: &mut ChaCha8Rng) -> Vec<Vec<f64>> {
    let sign = |one: bool| if one { 1.0 } else { -1.0 };
    let random =
        |rng: &mut ChaCha8Rng| -> Vec<f64> { (0..count).map(|_| sign(rng.next_u32() & 1 == 1)).collect() };
    let repeated =
        |bits: &[bool]| -> Vec<f64> { pattern::signs(bits).into_iter().cycle().take(count).collect() };
    match pattern {
        Pattern::Prbs => (0..8).map(|_| random(rng)).collect(),
        Pattern::VictimAggressor => {
            let (victim, other) = (random(rng), random(rng));
            std::iter::once(victim).chain((0..7).map(|_| other.clone())).collect()
        }
        // Quiet lines couple nothing; the steady level of their supply current is the mean, which is left out everywhere.
        Pattern::VictimOnly => std::iter::once(random(rng)).chain((0..7).map(|_| vec![0.0; count])).collect(),
        Pattern::Sequence(bits) => {
            let own = repeated(bits);
            std::iter::once(own).chain((0..7).map(|_| random(rng))).collect()
        }
        Pattern::Fixed(bits) => vec![repeated(bits); 8],
        Pattern::DataBusInversion => {
            let mut all = vec![Vec::new(); 8];
            for _ in 0..count {
                let byte = rng.next_u32() as u8;
                let sent = if byte.count_zeros() > 4 { !byte } else { byte };
                for (bit, line) in all.iter_mut().enumerate() {
                    line.push(sign(sent >> bit & 1 == 1));
                }
            }
            all
        }
    }
}

/// One lane of a setup, bit by bit.
#[derive(Clone, Copy)]
struct Stream<'a> {
    setup: &'a Setup,
    /// Its reference lies off by this much, V.
    offset_v: f64,
    feedback: [f64; 4],
    /// The DFE is fed what was decided, else what was sent.
    decided: bool,
    /// Seeds of the data and of everything else; one stream where they are equal.
    seeds: (u64, u64),
}

impl Stream<'_> {
    fn of<'a>(setup: &'a Setup, lane: &LaneSurface, seed: u64) -> Stream<'a> {
        let feedback = if setup.dfe == Dfe::FourTap { lane.feedback_v() } else { [0.0; 4] };
        Stream { setup, offset_v: 0.0, feedback, decided: false, seeds: (seed, seed) }
    }

    fn errors(self, place: (usize, usize)) -> u64 {
        self.wrong(place).into_iter().map(u64::from).sum()
    }

    /// Which of [`BITS`] bits are wrong at a tap and step.
    fn wrong(self, place: (usize, usize)) -> Vec<bool> {
        let Stream { setup, offset_v, feedback, decided, seeds } = self;
        let channel = channel(setup);
        let bit = BitVariation::default();
        let (p, at, drifted) = (&setup.parameters, &setup.operating_point, channel.drifted());
        let (ui, amplitude) = (at.unit_interval_s(), 0.5 * at.vddq_v);
        let response = Link::new(setup.clone()).unwrap().response(&bit).unwrap();
        let centre = response.delay_ui;
        let from = centre - 7.0;
        let (mut rise, fall) = (
            Step::of(setup, p.edge_skew, p.ron_skew, from),
            Step::of(setup, -p.edge_skew, -p.ron_skew, from),
        );
        let plain = Step::of(setup, 0.0, 0.0, from);
        // Lines that end at VDDQ have their swing from the pull-down: both kinds of steps end where it does.
        let end = |step: &Step| step.at(from + 31.0);
        let level = end(&fall) / end(&rise);
        rise.values.iter_mut().for_each(|value| *value *= level);
        let settled = end(&fall);
        let middle = timing::levels_v(setup.signalling, at.vddq_v, settled).1;
        let threshold = at.vddq_v * (p.vref_lo + place.1 as f64 * p.vref_step) + offset_v - middle;
        // A tap's instant by its definition, with everything that heat and supply make later: the delay line, and in a write the path of
        // the DRAM's strobe, which is behind its data by that much more.
        let (dt_k, dv_v) = (at.temperature_c - p.t_ref_c, at.vddq_v - p.vddq_nominal_v);
        let line_ps = p.dly_tc_ps_per_k * dt_k + p.dly_vc_ps_per_v * dv_v;
        let path_ps = match setup.direction {
            Direction::Write => p.dqs2dq_tc_ps_per_k * dt_k + p.dqs2dq_vc_ps_per_v * dv_v,
            _ => 0.0,
        };
        let behind_s = (p.strobe_delay_ps + path_ps) * 1e-12;
        let instant_ui = (place.0 as f64 - 0.5 * p.n_taps) / p.taps_per_ui + (line_ps + path_ps) * 1e-12 / ui;
        let noise_v = 1e-3
            * (1.0 + p.noise_tc_per_k * dt_k)
            * if setup.direction == Direction::Write { p.dram_rx_noise_mv } else { p.rx_noise_mv };
        let mut rng = ChaCha8Rng::seed_from_u64(seeds.0);
        let length = CURSORS.count();
        let lines = lines(&setup.pattern, BITS + length, &mut rng);
        if seeds.1 != seeds.0 {
            rng = ChaCha8Rng::seed_from_u64(seeds.1);
        }
        let weights = p.coupling_weights();
        let coupled: Vec<f64> = (0..BITS + length)
            .map(|n| weights.iter().zip(&lines[1..]).map(|(w, line)| w * line[n]).sum())
            .collect();
        // Droop of the supply by the other lines' zeros, V from its mean over random data, in each unit interval.
        let each_v = p.pdn_z_ohm * at.vddq_v / (drifted.ron_ohm + drifted.rodt_ohm);
        let zeros = |n: usize| lines[1..].iter().filter(|line| line[n] < 0.0).count() as f64;
        let droop: Vec<f64> = (0..BITS + length).map(|n| each_v * (zeros(n) - 3.5)).collect();
        let normal = |rng: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(rng) };
        let late: Vec<f64> = droop
            .iter()
            .map(|droop| (p.tx_rj_ps * normal(&mut rng) + p.pdn_ps_per_mv * droop * 1e3) * 1e-12 / ui)
            .collect();
        let stay = (-TAU * p.clk_jitter_mhz * 1e6 * behind_s.abs() / WALK as f64).exp();
        let mut history = [0.0; 4];
        let mut all = Vec::with_capacity(BITS);
        for start in 0..BITS {
            // Bit k of the window lies k before the sampled one.
            let here = start + CURSORS.end().unsigned_abs();
            let of = |k: isize| (here as isize - k) as usize;
            let uniform = |rng: &mut ChaCha8Rng| -> f64 { StandardUniform.sample(rng) };
            let duty = if p.compared_bits != 0.0 {
                // Even bits sit late, odd ones early; only one kind is compared.
                0.5 * p.compared_bits
            } else if uniform(&mut rng) < 0.5 {
                0.5
            } else {
                -0.5
            };
            let mut jitter_s = duty * p.dcd_ps * 1e-12
                + (uniform(&mut rng) - 0.5) * p.dj_ps * 1e-12
                + normal(&mut rng) * p.rj_ps * (1.0 + p.rj_tc_per_k * dt_k) * 1e-12;
            if p.clk_jitter_ps > 0.0 {
                // The common jitter as a process of its own, walked from the strobe's instant to the data's.
                let strobe = normal(&mut rng);
                let mut data = strobe;
                for _ in 0..WALK {
                    data = stay * data + (1.0 - stay * stay).sqrt() * normal(&mut rng);
                }
                jitter_s += p.clk_jitter_ps * 1e-12 * (data - strobe);
            }
            let t = instant_ui + jitter_s / ui;
            let mut signal = amplitude * lines[0][of(*CURSORS.end())] * settled;
            for e in CURSORS.filter(|e| e < CURSORS.end()) {
                let change = lines[0][of(e)] - lines[0][of(e + 1)];
                if change != 0.0 {
                    let step = if change > 0.0 { &rise } else { &fall };
                    signal += amplitude * change * step.at(centre + t + e as f64 + 0.5 - late[of(e)]);
                }
            }
            let phase = (t * SAMPLES_PER_UI as f64).clamp(-96.0, 95.0);
            let (base, part) = (phase.floor() as isize, phase - phase.floor());
            for k in CURSORS {
                let through = plain.at(centre + t + k as f64 + 0.5) - plain.at(centre + t + k as f64 - 0.5);
                let x = (1.0 - part) * response.coupled(base, k) + part * response.coupled(base + 1, k);
                signal += amplitude * x * coupled[of(k)] - droop[of(k)] * through;
            }
            signal += normal(&mut rng) * noise_v + (2.0 * uniform(&mut rng) - 1.0) * p.v_dj_mv * 1e-3;
            signal += feedback.iter().zip(&history).map(|(tap, bit)| tap * bit).sum::<f64>();
            let sent = lines[0][here];
            let found = if signal > threshold { 1.0 } else { -1.0 };
            history.rotate_right(1);
            history[0] = if decided { found } else { sent };
            all.push(start >= 4 && found != sent);
        }
        all
    }
}

fn lane(setup: &Setup) -> LaneSurface {
    Link::new(setup.clone()).unwrap().lane(&BitVariation::default()).unwrap()
}

/// The setup on an axis of a hundred and twenty-eighth of a unit interval and of a wide reference.
fn fine(mut setup: Setup) -> Setup {
    let p = &mut setup.parameters;
    (p.taps_per_ui, p.n_taps) = (128.0, 256.0);
    (p.vref_lo, p.vref_step, p.n_vref) = (0.30, 0.0065, 101.0);
    setup
}

/// Four places of a setup with an error ratio near 1e-3: early and late, on the trained row, above and below it.
fn places(lane: &mut LaneSurface) -> Vec<(usize, usize)> {
    let (taps, steps) = (lane.taps(), lane.vref_steps());
    let trained = train(taps, steps, 1e-6, |tap, step| lane.ber(tap, step)).unwrap();
    let rows =
        [(trained.vref, false), (trained.vref, true), (trained.vref + 6, true), (trained.vref - 6, false)];
    let places = rows.map(|(step, late)| {
        let range = if late { trained.tap..taps } else { 0..trained.tap };
        let off = |ber: f64| (ber / 1e-3).ln().abs();
        let tap = range.min_by(|a, b| off(lane.ber(*a, step)).total_cmp(&off(lane.ber(*b, step))));
        (tap.unwrap(), step)
    });
    places.to_vec()
}

/// Sum of (errors - expected)^2 / expected over the places of a setup, and the same sum where the expectation is that of
/// `without`.
fn chi_squares(name: &str, setup: &Setup, without: &Setup, seed: u64) -> (f64, f64) {
    let (mut full, mut bare) = (lane(setup), lane(without));
    let (mut sum, mut sum_without) = (0.0, 0.0);
    for (number, place) in places(&mut full).into_iter().enumerate() {
        let found = Stream::of(setup, &full, seed + number as u64).errors(place) as f64;
        let expected = full.ber(place.0, place.1) * BITS as f64;
        let wrong = bare.ber(place.0, place.1) * BITS as f64;
        println!("{name} at {place:?}: {found}, expected {expected:.1}, without the effect {wrong:.1}");
        sum += (found - expected).powi(2) / expected;
        sum_without += (found - wrong).powi(2) / wrong.max(1.0);
    }
    (sum, sum_without)
}

/// Figures of the model by name.
type Figures<'a> = &'a [(&'a str, f64)];

fn set(setup: &Setup, figures: Figures<'_>) -> Setup {
    let mut out = setup.clone();
    for (name, value) in figures {
        out.parameters.set(name, *value).unwrap();
    }
    out
}

/// Each effect by itself: a chi-square of four points, whose upper 0.01 % point is 23.5 (chi-square table), and the sum over all
/// setups against its upper 0.1 % point (mean and variance of chi-square, normal approximation: 4 n + 3.09 sqrt(8 n)). Without
/// the effect the same counts would be far off.
#[test]
fn each_effect_agrees_with_bit_by_bit_simulation() {
    let ddr4 = fine(direct(Generation::Ddr4, 3.2e9, Direction::Write, 0));
    let riser = fine(direct(Generation::Ddr4, 2.4e9, Direction::Read, 2));
    let ddr5 = fine(direct(Generation::Ddr5, 6.4e9, Direction::Write, 0));
    let coded = Setup { pattern: Pattern::DataBusInversion, ..ddr4.clone() };
    let together = Setup { pattern: Pattern::VictimAggressor, ..riser.clone() };
    let short = Setup { pattern: Pattern::Sequence(pattern::pseudo_random(7).unwrap()), ..ddr5.clone() };
    let noise = [("pdn_z_ohm", 0.9), ("pdn_ps_per_mv", 0.15)];
    let jitter = [("rj_ps", 1.5), ("tx_rj_ps", 4.0)];
    let uneven = [("edge_skew", 0.25), ("ron_skew", 0.2)];
    // A strobe path that heat and less supply make late by 75 ps, and by that much further behind its data.
    let mut hot = ddr5.clone();
    hot.operating_point.temperature_c = 95.0;
    hot.operating_point.vddq_v -= 0.05;
    let drift = [("dqs2dq_tc_ps_per_k", 0.6), ("dqs2dq_vc_ps_per_v", -660.0)];
    let behind =
        |delay_ps| [drift.as_slice(), &[("clk_jitter_ps", 7.0), ("strobe_delay_ps", delay_ps)]].concat();
    let (drifting, as_behind_as_before) = (behind(100.0), behind(25.0));
    let still = &drifting[2..];
    let all = [noise.as_slice(), &uneven, &[("rj_ps", 1.3), ("tx_rj_ps", 1.8)]].concat();
    let cases: [(&str, &Setup, Figures<'_>, Figures<'_>); 13] = [
        ("supply noise", &ddr4, &noise, &[]),
        ("supply noise under data-bus inversion", &coded, &noise, &[]),
        ("supply noise, aggressors together", &together, &[("pdn_z_ohm", 0.4), ("pdn_ps_per_mv", 0.1)], &[]),
        ("jitter of the transmitter", &ddr4, &jitter, &[("rj_ps", 1.5)]),
        ("jitter through risers", &riser, &[("rj_ps", 1.0), ("tx_rj_ps", 6.5)], &[("rj_ps", 1.0)]),
        ("uneven edges", &riser, &uneven, &[]),
        ("strobe", &ddr4, &[("clk_jitter_ps", 12.0), ("strobe_delay_ps", 250.0)], &[]),
        ("even bits", &ddr4, &[("dcd_ps", 24.0), ("compared_bits", 1.0)], &[("dcd_ps", 24.0)]),
        ("all, a short sequence", &short, &all, &[]),
        ("all, coded", &coded, &all, &[]),
        ("strobe that drifts", &hot, &drifting, still),
        ("strobe that drifts away from its data", &hot, &drifting, &as_behind_as_before),
        ("the DRAM's own receiver", &ddr4, &[("dram_rx_noise_mv", 11.0), ("dram_rx_ap_ps", 60.0)], &[]),
    ];
    let mut sum = 0.0;
    for (number, (name, base, figures, others)) in cases.iter().enumerate() {
        let (chi_square, without) =
            chi_squares(name, &set(base, figures), &set(base, others), 3000 + 10 * number as u64);
        println!("{name}: chi-square {chi_square:.1} over 4 points, {without:.0} without");
        assert!(chi_square < 23.5, "{name}: {chi_square:.1}");
        assert!(without > 45.0, "{name}: the test would see it missing: {without:.0}");
        sum += chi_square;
    }
    let n = cases.len() as f64;
    assert!(sum < 4.0 * n + 3.09 * (8.0 * n).sqrt(), "{sum:.1} over {} points", 4 * cases.len());
}

/// What is not addressed terminated by the table, beside one value for all of it: chi-squares as of the other effects, and the level that a long
/// one settles at, which is a divider of driver and all terminations side by side (Kirchhoff), figures of the table written out here.
#[test]
fn terminations_by_table_agree_as_well() {
    let ddr4 = Generation::Ddr4;
    // Direction, modules and ranks; ohms of the addressed end and of what is parked.
    let cases = [
        (Direction::Read, (1, 2), 48.0, 240.0),
        (Direction::Write, (1, 2), 80.0, 240.0),
        (Direction::Read, (2, 1), 60.0, 48.0),
        (Direction::Write, (2, 1), 120.0, 48.0),
    ];
    let mut sum = 0.0;
    for (number, (direction, fitted, addressed, other)) in cases.into_iter().enumerate() {
        let alone = fine(direct(ddr4, 8e9 / 3.0, direction, 0));
        let (fixed, table) = (shared(ddr4, &alone, fitted, false), shared(ddr4, &alone, fitted, true));
        let p = &table.parameters;
        let ron = if direction == Direction::Read { p.dram_ron_ohm } else { p.ctl_ron_ohm };
        let level = 1.0 / (1.0 + ron * (1.0 / addressed + 1.0 / other));
        let response = Link::new(table.clone()).unwrap().response(&BitVariation::default()).unwrap();
        println!("{direction:?} {fitted:?}: settles at {:.4}, expected {level:.4} and less", response.h0);
        // Series resistors and copper take a little of it.
        assert!((0.75 * level..1.02 * level).contains(&response.h0), "{} and {level}", response.h0);
        let name = format!("terminations {direction:?} {fitted:?}");
        let (chi_square, without) = chi_squares(&name, &table, &fixed, 3500 + 10 * number as u64);
        println!(
            "{name}: chi-square {chi_square:.1} over 4 points, {without:.0} with what is parked at one value"
        );
        assert!(chi_square < 23.5, "{name}: {chi_square:.1}");
        assert!(without > 45.0, "{name}: the test would see it missing: {without:.0}");
        sum += chi_square;
    }
    // Upper 0.1 % point of chi-square with 16 degrees of freedom (chi-square table).
    assert!(sum < 39.3, "{sum:.1}");
}

/// All lines send one sequence: every error ratio follows from sums over its bits alone.
#[test]
fn a_fixed_sequence_with_every_effect_agrees_as_well() {
    let bits: Vec<bool> = "0110100111000101".chars().map(|bit| bit == '1').collect();
    let mut setup = fine(direct(Generation::Ddr4, 3.2e9, Direction::Write, 0));
    setup.pattern = Pattern::Fixed(bits);
    // Random jitter well above the grid of phases (UI/64): with one pattern alone nothing else smooths an edge.
    setup.parameters.rj_ps = 9.0;
    let all =
        set(&setup, &[("pdn_z_ohm", 0.4), ("pdn_ps_per_mv", 0.1), ("edge_skew", 0.3), ("tx_rj_ps", 2.0)]);
    let (chi_square, without) = chi_squares("fixed", &all, &setup, 4000);
    assert!(chi_square < 23.5, "{chi_square:.1}");
    assert!(without > 40.0, "{without:.0}");
}

/// The DFE as it is: fed with what was decided. One error makes the next ones likelier; the model takes earlier decisions as
/// right. MODEL.md prints the largest factor, and what it moves an edge by. With ten times as many bits at 1e-4 the factors are 1.00 to 1.07.
#[test]
fn wrong_decisions_are_fed_back() {
    let mut short = direct(Generation::Ddr5, 5.6e9, Direction::Write, 1);
    short.parameters.riser_len_mm = 12.0;
    short.parameters.riser_z_ohm = 48.0;
    let setups = [
        ("short riser, write", short),
        ("direct, write", direct(Generation::Ddr5, 6.4e9, Direction::Write, 0)),
        ("riser, read", direct(Generation::Ddr5, 4.8e9, Direction::Read, 1)),
        ("two risers, write", direct(Generation::Ddr5, 4.8e9, Direction::Write, 2)),
    ];
    for (number, (name, setup)) in setups.into_iter().enumerate() {
        let setup = fine(Setup { dfe: Dfe::FourTap, ..setup });
        let mut equalized = lane(&setup);
        println!("{name}: feedback {:?} V", equalized.feedback_v());
        let (mut right, mut expected) = (0, 0.0);
        for (at, place) in places(&mut equalized).into_iter().enumerate() {
            let stream = Stream::of(&setup, &equalized, 5000 + (10 * number + at) as u64);
            let sent = stream.errors(place);
            let decided = Stream { decided: true, ..stream }.errors(place);
            let ber = equalized.ber(place.0, place.1);
            let further = equalized.ber(place.0 + 1, place.1).max(equalized.ber(place.0 - 1, place.1));
            let grown = decided as f64 / sent as f64;
            // A place is a quarter of a tap of 32 to a unit interval.
            let taps = 0.25 * grown.ln() / (further / ber).ln();
            println!(
                "  at {place:?}: {sent} with sent bits, {decided} with decided ones: {grown:.3}, {taps:.3} taps"
            );
            assert!((0.98..1.2).contains(&grown) && taps < 0.1, "{name}: {grown}, {taps} taps");
            right += sent;
            expected += ber * BITS as f64;
        }
        assert!((right as f64 - expected).abs() < 4.0 * expected.sqrt(), "{right}, expected {expected:.0}");
    }
}

/// A write is read back through the read path, at a place of its own: what is wrong in one of the two is counted, what is wrong in both is not. The
/// data are the same on both ways, so that hard patterns are hard twice; the model takes errors as independent.
#[test]
fn what_is_read_back_has_the_errors_of_both_ways() {
    let write = fine(direct(Generation::Ddr4, 3.2e9, Direction::Write, 0));
    let read = Setup { direction: Direction::Read, ..write.clone() };
    let (mut written, mut back) = (lane(&write), lane(&read));
    let way_back = places(&mut back)[0];
    let back_ratio = back.ber(way_back.0, way_back.1);
    let (mut sum, mut sum_without) = (0.0, 0.0);
    for (number, place) in places(&mut written).into_iter().enumerate() {
        let data = 6000 + number as u64;
        let there = Stream { seeds: (data, data + 50), ..Stream::of(&write, &written, data) }.wrong(place);
        let here = Stream { seeds: (data, data + 70), ..Stream::of(&read, &back, data) }.wrong(way_back);
        let found = there.iter().zip(&here).filter(|(there, here)| there != here).count() as f64;
        let alone = written.ber(place.0, place.1) * BITS as f64;
        written.set_read_back(back_ratio);
        let expected = written.ber(place.0, place.1) * BITS as f64;
        written.set_read_back(0.0);
        println!("at {place:?}: {found}, expected {expected:.1}, {alone:.1} without reading back");
        sum += (found - expected).powi(2) / expected;
        sum_without += (found - alone).powi(2) / alone;
    }
    // Upper 0.01 % point of chi-square with four degrees of freedom (chi-square table).
    assert!(sum < 23.5, "{sum:.1}");
    assert!(sum_without > 45.0, "{sum_without:.0}");
}

/// A lane whose receiver lies off the reference that a DRAM has for all of them.
#[test]
fn a_lane_off_a_shared_reference_agrees_as_well() {
    let setup = fine(direct(Generation::Ddr4, 3.2e9, Direction::Write, 0));
    let mut whole = lane(&setup);
    let bit = BitVariation { offset_v: 0.025, ..BitVariation::default() };
    let mut off = Link::new(setup.clone()).unwrap().lane(&bit).unwrap();
    let (mut sum, mut sum_without) = (0.0, 0.0);
    for (number, (tap, step)) in places(&mut whole).into_iter().enumerate() {
        let stream = Stream { offset_v: bit.offset_v, ..Stream::of(&setup, &whole, 7000 + number as u64) };
        let found = stream.errors((tap, step)) as f64;
        let (expected, middle) = (off.ber(tap, step) * BITS as f64, whole.ber(tap, step) * BITS as f64);
        println!("at {tap}, {step}: {found}, expected {expected:.1}, {middle:.1} on its own reference");
        sum += (found - expected).powi(2) / expected;
        sum_without += (found - middle).powi(2) / middle;
    }
    assert!(sum < 23.5, "{sum:.1}");
    assert!(sum_without > 45.0, "{sum_without:.0}");
}

/// J^2 = integral of S(f) 4 sin^2(pi f tau) df, summed over a spectrum with one pole, against the closed form in use.
#[test]
fn what_a_strobe_does_not_track_is_the_integral_of_the_spectrum() {
    let mut setup = direct(Generation::Ddr5, 6.4e9, Direction::Write, 0);
    for (delay_ps, corner_mhz) in [(0.0, 300.0), (80.0, 300.0), (700.0, 120.0)] {
        setup = set(
            &setup,
            &[
                ("rj_ps", 1.0),
                ("clk_jitter_ps", 4.0),
                ("strobe_delay_ps", delay_ps),
                ("clk_jitter_mhz", corner_mhz),
            ],
        );
        let (corner, delay) = (corner_mhz * 1e6, delay_ps * 1e-12);
        // One-sided: S(f) = (2/pi) s^2 / fc / (1 + (f/fc)^2); f = fc tan(x) makes the range finite.
        let steps = 400_000;
        let width = 0.25 * TAU / f64::from(steps);
        let integral: f64 = (0..steps)
            .map(|i| {
                let f = corner * ((f64::from(i) + 0.5) * width).tan();
                4.0 * (0.5 * TAU * f * delay).sin().powi(2)
            })
            .sum::<f64>()
            * width
            * (4.0 / TAU)
            * 16.0;
        let rj = channel(&setup).drifted().rj_s * 1e12;
        let expected = (1.0 + integral).sqrt();
        assert!((rj / expected - 1.0).abs() < 2e-3, "{delay_ps} ps: {rj} ps, expected {expected}");
    }
}

/// A strobe path that drifts with heat and supply takes the write eye along, by what its figures say, and no read eye.
#[test]
fn a_drifting_strobe_moves_write_eyes_alone() {
    let middle = |setup: &Setup| {
        let mut lane = lane(setup);
        let (mut sum, mut open) = (0.0, 0.0);
        for tap in 0..lane.taps() {
            for step in (0..lane.vref_steps()).step_by(4) {
                if lane.ber(tap, step) < 1e-4 {
                    sum += tap as f64;
                    open += 1.0;
                }
            }
        }
        assert!(open > 100.0, "{open}");
        sum / open
    };
    for direction in [Direction::Write, Direction::Read] {
        let mut still = fine(direct(Generation::Ddr5, 4.8e9, direction, 0));
        still.operating_point.temperature_c = 95.0;
        still.operating_point.vddq_v -= 0.05;
        // Late by 0.6 ps/K over 70 K and by 33 ps for 50 mV less: taps that are later by that read the eye that much earlier.
        let drifting = set(&still, &[("dqs2dq_tc_ps_per_k", 0.6), ("dqs2dq_vc_ps_per_v", -660.0)]);
        let expected = match direction {
            Direction::Write => -(0.6 * 70.0 + 33.0) * 4.8e-3 * 128.0,
            _ => 0.0,
        };
        let moved = middle(&drifting) - middle(&still);
        assert!((moved - expected).abs() < 0.3, "{direction:?}: {moved} taps, expected {expected}");
    }
}

/// Two thirds of the figures above are about one end; the DRAM's receiver is the write's alone, and its DFE, too.
#[test]
fn receivers_of_both_ends_have_figures_of_their_own() {
    let read = fine(direct(Generation::Ddr5, 6.4e9, Direction::Read, 0));
    let write = Setup { direction: Direction::Write, ..read.clone() };
    let worse = [("dram_rx_noise_mv", 12.0), ("dram_rx_ap_ps", 60.0), ("dfe1_min_mv", 0.0)];
    assert_eq!(lane(&set(&read, &worse)).surface(), lane(&read).surface());
    assert_ne!(lane(&set(&write, &worse)).surface(), lane(&write).surface());
    // Without values of its own the DRAM's receiver is the controller's.
    let both = set(&write, &[("rx_noise_mv", 9.0)]);
    assert_eq!(both.parameters.dram_rx_noise_mv, 9.0);
    let equalized = |setup: Setup| lane(&Setup { dfe: Dfe::FourTap, ..setup }).feedback_v();
    let limited = equalized(set(&write, &[("dfe1_min_mv", 0.0), ("dfe1_max_mv", 0.0)]));
    assert_eq!(limited[0], 0.0);
    let own = equalized(set(&read, &[("ctl_dfe1_min_mv", 0.0), ("ctl_dfe1_max_mv", 0.0)]));
    assert_eq!(own[0], 0.0);
    let unlike = set(&fine(direct(Generation::Ddr4, 3.2e9, Direction::Read, 0)), &[("compared_bits", -1.0)]);
    assert_ne!(lane(&unlike).surface(), lane(&set(&unlike, &[("compared_bits", 1.0)])).surface());
}

/// Even and odd bits together are all bits: their mean error ratio is that of the random mix.
#[test]
fn even_and_odd_eyes_add_up_to_the_whole() {
    let all = fine(direct(Generation::Ddr4, 3.2e9, Direction::Write, 0));
    let mut eyes =
        [0.0, 1.0, -1.0].map(|bits| lane(&set(&all, &[("dcd_ps", 30.0), ("compared_bits", bits)])));
    for tap in (20..236).step_by(9) {
        let [whole, even, odd] = eyes.each_mut().map(|eye| eye.ber(tap, 66));
        let mean = 0.5 * (even + odd);
        if mean < 1e-9 {
            continue;
        }
        assert!((whole / mean - 1.0).abs() < 2e-2, "tap {tap}: {whole:e} against {even:e} and {odd:e}");
    }
}

//! Where an edge crosses a limit when its tail may bend: a Gaussian tail whose slope changes on its way.
//!
//! BER = Q(z(x)) / 2, and the slope of z is a random walk along the line, so that z is a cubic smoothing spline (G. Wahba,
//! J. R. Stat. Soc. B 40, 1978, from memory). Counts near the limit then say where it is crossed, and those further out say as
//! little as the bends between them allow. How much a tail bends is not known: a few sizes are tried, each counts as far as it makes
//! the counts likely (Laplace's approximation of the evidence). One Gaussian through all counts put the edge 0.2 steps
//! off where two tails meet near the limit, and 0.07 too far inside where interference spreads a tail far out.

use crate::tail_fit::{Count, LN_HALF, LN_SQRT_TWO_PI, Position, TailFit, mills};
use statistics::special::normal_upper_quantile;

/// Changes of slope tried, along what the mean slope takes for one of z: standard deviation as a share of the slope there. From next
/// to none to any; further ones between and beyond change nothing.
const BENDS: [f64; 3] = [0.2, 1.0, 5.0];
/// Slopes that a bend is a share of, as shares of the mean one.
const FLATTEST: f64 = 0.1;
const STEEPEST: f64 = 3.0;
/// What is known beforehand at the straight tail's own crossing: z to this standard deviation, and its slope to as much as it is.
const LEVEL_SD: f64 = 5.0;
/// Places nearer to each other than this part of a unit of z are one.
const APART: f64 = 0.01;
/// How far inside of all counts a crossing is looked for, units of z.
const BEYOND: f64 = 3.5;
const STEPS: usize = 40;
/// Gain in the logarithm of the likelihood, twice over, that ends the search: the next step would move z by a hundredth of its deviation.
const ENOUGH: f64 = 1e-4;
/// Half the normal density at 0.
const HALF_DENSITY: f64 = 0.199_471_140_200_716_35;

type Pair = [f64; 2];
/// Rows of a 2 x 2 matrix.
type Square = [Pair; 2];

fn determinant(m: &Square) -> f64 {
    m[0][0] * m[1][1] - m[0][1] * m[1][0]
}

fn inverse(m: &Square) -> Square {
    let d = determinant(m);
    [[m[1][1] / d, -m[0][1] / d], [-m[1][0] / d, m[0][0] / d]]
}

fn times(m: &Square, v: Pair) -> Pair {
    [m[0][0] * v[0] + m[0][1] * v[1], m[1][0] * v[0] + m[1][1] * v[1]]
}

fn transposed(m: &Square) -> Square {
    [[m[0][0], m[1][0]], [m[0][1], m[1][1]]]
}

/// a' b a.
fn around(a: &Square, b: &Square) -> Square {
    let columns = [times(b, [a[0][0], a[1][0]]), times(b, [a[0][1], a[1][1]])];
    let t = transposed(a);
    transposed(&[times(&t, columns[0]), times(&t, columns[1])])
}

fn less(a: &Square, b: &Square) -> Square {
    [[a[0][0] - b[0][0], a[0][1] - b[0][1]], [a[1][0] - b[1][0], a[1][1] - b[1][1]]]
}

/// A place along the line: z and its slope are unknown there.
#[derive(Debug, Clone, Copy)]
struct Place {
    /// From the straight tail's crossing, in units of its z, growing into the eye.
    at: f64,
    bits: f64,
    errors: f64,
}

/// Places from outside inwards with what is known of z and slope beforehand: a precision in blocks, beside the diagonal those of
/// neighbours.
struct Walk {
    places: Vec<Place>,
    diagonal: Vec<Square>,
    beside: Vec<Square>,
    ln_determinant: f64,
    /// z at the limit.
    limit: f64,
}

/// A state (z and its slope at each place) and what is seen there.
#[derive(Default)]
struct Look {
    state: Vec<Pair>,
    /// From the straight tail, which is what is expected beforehand.
    away: Vec<Pair>,
    /// Logarithm of likelihood times prior, but for constants.
    value: f64,
    /// Its slope.
    slope: Vec<Pair>,
    /// Fisher's information of each z.
    information: Vec<f64>,
}

/// Memory that the searches of one edge share; what the last one found is `now`.
#[derive(Default)]
struct Search {
    now: Look,
    there: Look,
    step: Vec<Pair>,
    /// As [`Walk::forth`] leaves them.
    forth: Vec<(Square, Square)>,
}

impl Walk {
    fn new(places: Vec<Place>, limit: f64, bends: &[f64]) -> Walk {
        let n = places.len();
        let mut walk = Walk {
            diagonal: vec![[[0.0; 2]; 2]; n],
            beside: Vec::with_capacity(n),
            ln_determinant: -2.0 * LEVEL_SD.ln(),
            limit,
            places,
        };
        let anchor = (0..n).min_by(|a, b| walk.places[*a].at.abs().total_cmp(&walk.places[*b].at.abs()));
        if let Some(anchor) = anchor {
            walk.diagonal[anchor] = [[LEVEL_SD.powi(-2), 0.0], [0.0, 1.0]];
        }
        // Integrated Wiener process over d: variance of (z, slope) is bend^2 [[d^3/3, d^2/2], [d^2/2, d]].
        for at in 1..n {
            let d = walk.places[at].at - walk.places[at - 1].at;
            let q = bends[at - 1].powi(-2);
            let (a, b, c) = (12.0 * q / d.powi(3), 6.0 * q / (d * d), 4.0 * q / d);
            let before = &mut walk.diagonal[at - 1];
            *before = less(before, &[[-a, -b], [-b, -c]]);
            let here = &mut walk.diagonal[at];
            *here = less(here, &[[-a, b], [b, -c]]);
            walk.beside.push([[-a, b], [-b, 0.5 * c]]);
            walk.ln_determinant += (12.0 * q * q).ln() - 4.0 * d.ln();
        }
        walk
    }

    fn precision_times(&self, v: &[Pair], out: &mut Vec<Pair>) {
        out.clear();
        out.extend(self.diagonal.iter().zip(v).map(|(m, v)| times(m, *v)));
        for (at, m) in self.beside.iter().enumerate() {
            let (up, down) = (times(m, v[at + 1]), times(&transposed(m), v[at]));
            for part in 0..2 {
                out[at][part] += up[part];
                out[at + 1][part] += down[part];
            }
        }
    }

    /// Looks at the state of `there`.
    fn look(&self, there: &mut Look) {
        let Look { state, away, slope, information, value } = there;
        away.clear();
        away.extend(
            self.places
                .iter()
                .zip(&*state)
                .map(|(place, now)| [now[0] - self.limit - place.at, now[1] - 1.0]),
        );
        self.precision_times(away, slope);
        *value = -0.5 * away.iter().zip(&*slope).map(|(a, h)| a[0] * h[0] + a[1] * h[1]).sum::<f64>();
        slope.iter_mut().for_each(|held| *held = [-held[0], -held[1]]);
        information.clear();
        information.resize(self.places.len(), 0.0);
        for (at, place) in self.places.iter().enumerate().filter(|(_, place)| place.bits > 0.0) {
            let z = state[at][0].clamp(-4.0, 37.0);
            let ratio = mills(z);
            let density = (-0.5 * z * z).exp() * HALF_DENSITY;
            let mean = place.bits * density * ratio;
            if place.errors > 0.0 {
                *value += place.errors * (LN_HALF - 0.5 * z * z - LN_SQRT_TWO_PI + ratio.ln());
            }
            *value -= mean;
            slope[at][0] += (mean - place.errors) / ratio;
            information[at] = mean / (ratio * ratio);
        }
    }

    /// Blocks with the counts' information.
    fn blocks<'a>(&'a self, information: &'a [f64]) -> impl Iterator<Item = Square> + 'a {
        (self.diagonal.iter().zip(information)).map(|(m, w)| [[m[0][0] + w, m[0][1]], m[1]])
    }

    /// What is left of each block when the places before it are eliminated, with its inverse.
    fn forth(&self, information: &[f64], forth: &mut Vec<(Square, Square)>) {
        forth.clear();
        for (at, block) in self.blocks(information).enumerate() {
            let left = match (at.checked_sub(1).map(|before| &self.beside[before]), forth.last()) {
                (Some(beside), Some((_, inverse))) => less(&block, &around(beside, inverse)),
                _ => block,
            };
            forth.push((left, inverse(&left)));
        }
    }

    /// And when those behind it are.
    fn back(&self, information: &[f64]) -> Vec<Square> {
        let mut back: Vec<Square> = self.blocks(information).collect();
        for at in (1..back.len()).rev() {
            let to = &transposed(&self.beside[at - 1]);
            back[at - 1] = less(&back[at - 1], &around(to, &inverse(&back[at])));
        }
        back
    }

    /// The likeliest state, looked for from that of `now` on, and the logarithm of the evidence; `None` where the counts lead nowhere.
    fn settle(&self, Search { now, there, step, forth }: &mut Search) -> Option<f64> {
        self.look(now);
        self.forth(&now.information, forth);
        for _ in 0..STEPS {
            step.clone_from(&now.slope);
            for at in 1..step.len() {
                let passed = times(&transposed(&self.beside[at - 1]), times(&forth[at - 1].1, step[at - 1]));
                step[at] = [step[at][0] - passed[0], step[at][1] - passed[1]];
            }
            for at in (0..step.len()).rev() {
                if let Some(inner) = step.get(at + 1).copied() {
                    let passed = times(&self.beside[at], inner);
                    step[at] = [step[at][0] - passed[0], step[at][1] - passed[1]];
                }
                step[at] = times(&forth[at].1, step[at]);
            }
            let gain: f64 = step.iter().zip(&now.slope).map(|(s, g)| s[0] * g[0] + s[1] * g[1]).sum();
            if !gain.is_finite() {
                return None;
            }
            if gain < ENOUGH {
                break;
            }
            let reach = step.iter().fold(0.0, |most: f64, step| most.max(step[0].abs()));
            let mut share = if reach > 2.0 { 2.0 / reach } else { 1.0 };
            let better = (0..12).any(|_| {
                let moved = now.state.iter().zip(&*step);
                there.state.clear();
                there
                    .state
                    .extend(moved.map(|(now, step)| [now[0] + share * step[0], now[1] + share * step[1]]));
                share *= 0.5;
                self.look(there);
                there.value >= now.value
            });
            if !better {
                break;
            }
            std::mem::swap(now, there);
            self.forth(&now.information, forth);
        }
        let ln_posterior: f64 = forth.iter().map(|(block, _)| determinant(block).ln()).sum();
        let evidence = now.value + 0.5 * (self.ln_determinant - ln_posterior);
        evidence.is_finite().then_some(evidence)
    }

    /// The first crossing from outside inwards, and the slope of z there.
    fn crossing(&self, state: &[Pair]) -> Option<(f64, f64)> {
        for at in 1..self.places.len() {
            let (outer, inner) = (self.places[at - 1].at, self.places[at].at);
            let d = inner - outer;
            // Between two places the spline is the cubic of both values and slopes.
            let ([z0, s0], [z1, s1]) = (state[at - 1], state[at]);
            let cubic = |u: f64| {
                let (a, b) = (1.0 - u, u);
                a * a * ((1.0 + 2.0 * b) * z0 + b * d * s0) + b * b * ((1.0 + 2.0 * a) * z1 - a * d * s1)
            };
            if z0 < self.limit && z1 >= self.limit {
                let (mut low, mut high) = (0.0, 1.0);
                for _ in 0..40 {
                    let middle = 0.5 * (low + high);
                    *if cubic(middle) < self.limit { &mut low } else { &mut high } = middle;
                }
                let slope = (cubic(low + 1e-4) - cubic(low - 1e-4)) / (2e-4 * d);
                return (slope > 0.0).then_some((outer + low * d, slope));
            }
        }
        let (place, [z, slope]) = self.places.last().zip(state.last())?;
        let further = (self.limit - z) / slope;
        (*z < self.limit && *slope > 0.0 && place.at + further < BEYOND)
            .then_some((place.at + further, *slope))
    }
}

/// With one size of bends: where the limit is crossed, the standard uncertainty there, and the logarithm of the evidence. The search goes
/// on from where the one before ended.
fn with_bend(places: &[Place], limit: f64, bend: f64, search: &mut Search) -> Option<(f64, f64, f64)> {
    let mut bends = vec![bend; places.len() - 1];
    let mut walk = Walk::new(places.to_vec(), limit, &bends);
    walk.settle(search)?;
    // A bend is a share of the slope there, which the first pass shows.
    let state = &search.now.state;
    for (at, bend) in bends.iter_mut().enumerate() {
        let d = walk.places[at + 1].at - walk.places[at].at;
        *bend *= ((state[at + 1][0] - state[at][0]) / d).clamp(FLATTEST, STEEPEST);
    }
    walk = Walk::new(walk.places, limit, &bends);
    let evidence = walk.settle(search)?;
    let (at, slope) = walk.crossing(&search.now.state)?;
    // A place without counts at the crossing shows how well z is known there.
    let mut places = walk.places;
    let mut information = search.now.information.clone();
    let here = match places.iter().position(|place| (place.at - at).abs() < APART) {
        Some(here) => here,
        None => {
            let here = places.partition_point(|place| place.at < at);
            places.insert(here, Place { at, bits: 0.0, errors: 0.0 });
            information.insert(here, 0.0);
            let within = here.saturating_sub(1).min(bends.len() - 1);
            bends.insert(within, bends[within]);
            here
        }
    };
    let walk = Walk::new(places, limit, &bends);
    walk.forth(&information, &mut search.forth);
    let back = walk.back(&information);
    let own = walk.diagonal[here];
    let own = [[own[0][0] + information[here], own[0][1]], own[1]];
    let variance = inverse(&less(&search.forth[here].0, &less(&own, &back[here])))[0][0];
    (variance > 0.0 && variance.is_finite()).then(|| (at, variance.sqrt() / slope, evidence))
}

/// Slope of z from the outermost count with errors to the limit, per step.
fn mean_slope(points: &[Count], start: f64, limit: f64) -> Option<f64> {
    let outermost = points.iter().filter(|count| count.errors > 0.0).min_by(|a, b| a.x.total_cmp(&b.x))?;
    let z = normal_upper_quantile((2.0 * outermost.errors / outermost.bits).min(0.98)).ok()?;
    let (rise, steps) = (limit - z, start - outermost.x);
    (rise > 0.2 && steps > 0.3).then(|| rise / steps)
}

/// Where the error ratio crosses `ber`, on the counts' x axis; `straight` is one Gaussian tail through them, where the search begins.
/// `None` where no bend lets the counts cross it.
pub(crate) fn bent_edge(points: &[Count], straight: &TailFit, ber: f64) -> Option<Position> {
    let start = straight.edge(ber)?.position;
    let limit = normal_upper_quantile(2.0 * ber).ok()?;
    let per_step = mean_slope(points, start, limit).unwrap_or_else(|| 1.0 / straight.sigma());
    let mut places: Vec<Place> = points
        .iter()
        .map(|count| Place { at: (count.x - start) * per_step, bits: count.bits, errors: count.errors })
        .collect();
    places.sort_by(|a, b| a.at.total_cmp(&b.at));
    if places.iter().all(|place| place.at.abs() >= APART) {
        let here = places.partition_point(|place| place.at < 0.0);
        places.insert(here, Place { at: 0.0, bits: 0.0, errors: 0.0 });
    }
    let straight: Vec<Pair> = places.iter().map(|place| [limit + place.at, 1.0]).collect();
    let mut search = Search::default();
    search.now.state.clone_from(&straight);
    let mut with = |bend: &f64| {
        let found = with_bend(&places, limit, *bend, &mut search);
        if found.is_none() {
            search.now.state.clone_from(&straight);
        }
        found
    };
    let found: Vec<(f64, f64, f64)> = BENDS.iter().filter_map(&mut with).collect();
    let most = found.iter().fold(f64::NEG_INFINITY, |most, one| most.max(one.2));
    let (mut weights, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (at, u, evidence) in found {
        let weight = (evidence - most).exp();
        weights += weight;
        mean += weight * at;
        square += weight * (u * u + at * at);
    }
    let (mean, square) = (mean / weights, square / weights);
    let u = (square - mean * mean).max(0.0).sqrt();
    (mean.is_finite() && u.is_finite())
        .then(|| Position { position: start + mean / per_step, u: u / per_step })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tail_fit::{Amplitude, fit_tail};
    use statistics::special::normal_sf;

    /// The blocks are the inverse of the covariance in closed form: of an integrated Wiener process cov(z, z') = u^2 (3 v - u) / 6 with
    /// u < v (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, eq. 6.28), on both sides of a place where z and slope are
    /// known to a standard deviation.
    #[test]
    fn the_blocks_are_the_inverse_of_the_covariance() {
        let at = [-2.1, -0.8, 0.0, 0.5, 2.4];
        let bend = 0.7;
        let places = at.map(|at| Place { at, bits: 0.0, errors: 0.0 }).to_vec();
        let walk = Walk::new(places, 5.0, &[bend; 4]);
        let covariance = |t: f64, u: f64| -> Square {
            let (mut zz, mut zs, mut sz, mut ss) = (LEVEL_SD.powi(2) + t * u, t, u, 1.0);
            if t * u > 0.0 {
                let (a, b, q) = (t.abs(), u.abs(), bend * bend);
                let (low, high) = (a.min(b), a.max(b));
                let rising = |a: f64, b: f64| if a < b { a * b - 0.5 * a * a } else { 0.5 * b * b };
                zz += q * low * low * (3.0 * high - low) / 6.0;
                zs += q * u.signum() * rising(b, a);
                sz += q * t.signum() * rising(a, b);
                ss += q * low;
            }
            [[zz, zs], [sz, ss]]
        };
        for (column, u) in at.into_iter().enumerate() {
            for part in 0..2 {
                let vector: Vec<Pair> = at
                    .iter()
                    .map(|t| {
                        let block = covariance(*t, u);
                        [block[0][part], block[1][part]]
                    })
                    .collect();
                let mut product = Vec::new();
                walk.precision_times(&vector, &mut product);
                for (row, found) in product.into_iter().enumerate() {
                    for (other, found) in found.into_iter().enumerate() {
                        let expected = f64::from(u8::from((row, other) == (column, part)));
                        assert!((found - expected).abs() < 1e-8, "{row} {other} {column} {part}: {found}");
                    }
                }
            }
        }
        // And what is left of each place when all others are eliminated is its own covariance.
        let (mut forth, back) = (Vec::new(), walk.back(&[0.0; 5]));
        walk.forth(&[0.0; 5], &mut forth);
        for (place, t) in at.into_iter().enumerate() {
            let own = inverse(&less(&forth[place].0, &less(&walk.diagonal[place], &back[place])));
            for (own, known) in own.iter().flatten().zip(covariance(t, t).iter().flatten()) {
                assert!((own - known).abs() < 1e-9 * (1.0 + known.abs()), "{own} {known}");
            }
        }
    }

    fn counts(ber: impl Fn(f64) -> f64, bits: f64) -> Vec<Count> {
        let places = (0..30).rev().map(|x| (f64::from(x), ber(f64::from(x))));
        let near = places.filter(|(_, ber)| (2e-12..1e-2).contains(ber));
        let counted = |ber: f64| bits.min(100.0 / ber);
        near.map(|(x, ber)| Count { x, bits: counted(ber), errors: ber * counted(ber) }).collect()
    }

    /// Expected counts in place of drawn ones: of one tail, and of two whose knee lies near the limit. By construction.
    #[test]
    fn two_tails_are_crossed_where_they_are() {
        let one = |x: f64| 0.5 * normal_sf((x - 8.0) / 1.3);
        let two = |x: f64| one(x) + 0.5e-4 * normal_sf((x - 8.0) / 2.5);
        let knee = |x: f64| one(x) + 1.5e-7 * normal_sf((x - 8.0) / 4.0);
        let crossing = |ber: &dyn Fn(f64) -> f64, limit: f64| {
            let (mut low, mut high) = (0.0, 40.0);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                *if ber(middle) > limit { &mut low } else { &mut high } = middle;
            }
            low
        };
        let forms: [(&dyn Fn(f64) -> f64, f64); 3] = [(&one, 0.02), (&two, 0.2), (&knee, 0.2)];
        let (mut sum, mut sum_straight) = (0.0, 0.0);
        for (form, most) in forms {
            for limit in [1e-9, 1e-8, 1e-7, 1e-6] {
                let points = counts(form, 3.0 / limit);
                let straight = fit_tail(&points, Amplitude::Half).unwrap();
                let found = bent_edge(&points, &straight, limit).unwrap();
                let off = found.position - crossing(form, limit);
                let off_straight = straight.edge(limit).unwrap().position - crossing(form, limit);
                println!("{limit:e}: {off:+.3}, u {:.3}; one Gaussian {off_straight:+.3}", found.u);
                (sum, sum_straight) = (sum + off.abs(), sum_straight + off_straight.abs());
                assert!(off.abs() < most && off.abs() < 2.0 * found.u, "{limit:e}: {off} {}", found.u);
            }
        }
        assert!(sum < 0.5 * sum_straight, "{sum} against {sum_straight}");
    }

    /// Counts that hardly change along the line.
    #[test]
    fn counts_that_cross_nothing_have_no_edge_that_is_known() {
        let points: Vec<Count> =
            (0..6).rev().map(|x| Count { x: f64::from(x), bits: 1e6, errors: 40.0 - f64::from(x) }).collect();
        let straight = fit_tail(&counts(|x| 0.5 * normal_sf(x - 5.0), 3e9), Amplitude::Half).unwrap();
        let found = bent_edge(&points, &straight, 1e-9);
        assert!(found.is_none_or(|found| found.u > 10.0), "{found:?}");
    }
}

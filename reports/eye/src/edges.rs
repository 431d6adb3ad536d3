//! Sub-tap and sub-step edges of one pass run: the place where the BER crosses the limit, with its uncertainty.
//!
//! The same routine serves all four sides. Along a row the line runs over taps, along a column over Vref steps.

use crate::bent_tail::bent_edge;
use crate::counts::CaptureView;
use crate::map::{PassMap, Run};
use crate::tail_fit::{Amplitude, Count, Position, fit_tail};
use nightbench_core::results::Point;
use serde::{Deserialize, Serialize};

/// Highest observed BER that enters a fit: beyond it one Gaussian tail no longer describes the edge.
pub const HIGHEST_FITTED_BER: f64 = 1e-2;
/// Measured points taken into the fit on the passing side of the edge.
const INNER_POINTS: usize = 6;
/// Most measured points taken on the failing side.
const OUTER_POINTS: usize = 24;
/// Standard uncertainty in steps of an edge whose neighbours were inferred only: uniform over +-2 steps (a
/// lattice on every second tap and step; common practice, no source).
const U_INFERRED: f64 = 1.154_700_538_379_251_5;
/// Standard uncertainty of a value known to one step, 1 / sqrt(12) (GUM F.2.2.1).
pub(crate) const U_STEP: f64 = 0.288_675_134_594_812_9;

/// Side of an eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Towards tap 0.
    Early,
    /// Towards the last tap.
    Late,
    /// Towards Vref step 0.
    Lower,
    /// Towards the last Vref step.
    Upper,
}

impl Side {
    pub const ALL: [Side; 4] = [Side::Early, Side::Late, Side::Lower, Side::Upper];

    pub fn name(self) -> &'static str {
        match self {
            Side::Early => "early",
            Side::Late => "late",
            Side::Lower => "lower",
            Side::Upper => "upper",
        }
    }

    /// Does the line of this side run over taps?
    pub(crate) fn along_taps(self) -> bool {
        matches!(self, Side::Early | Side::Late)
    }

    /// Sign of the outward direction.
    pub(crate) fn outward(self) -> i32 {
        match self {
            Side::Early | Side::Lower => -1,
            Side::Late | Side::Upper => 1,
        }
    }
}

/// How an edge position was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EdgeMethod {
    /// Fitted on the line itself.
    Fit,
    /// Mean of the fits on the two neighbouring lines, the line itself being inferred.
    Beside,
    /// Middle of the interval between the last measured pass and the first measured fail.
    Interval,
    /// From inferred labels only.
    Inferred,
    /// The run reaches the border of the grid: the edge lies there or beyond.
    Border,
}

/// One edge of a pass run, in grid coordinates (taps or Vref steps).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Edge {
    /// Where the BER crosses the limit.
    pub position: f64,
    /// Standard uncertainty from counting and from the step, in grid steps; 0 on a border.
    pub u: f64,
    /// How it was found.
    pub method: EdgeMethod,
}

/// How far one Gaussian tail may be off the logarithm of an error ratio, for each factor e from the limit (estimate).
const MODEL_SHARE: f64 = 0.08;

/// Least factor by which error ratios fall a place into the eye where its edge is no notch's (estimate: tails that matter fall by a decade
/// over three places at most), and the chance below which errors are not taken for such a tail's.
const FLATTEST: f64 = 0.5;
const NO_CHANCE: f64 = 1e-3;

/// Chance of at least so many errors where so many are expected (Poisson).
pub(crate) fn at_least(errors: f64, mean: f64) -> f64 {
    if errors > mean + 12.0 * mean.sqrt() + 30.0 {
        return 0.0;
    }
    let (mut term, mut below) = ((-mean).exp(), 0.0);
    for k in 0..errors as u64 {
        below += term;
        term *= mean / (k + 1) as f64;
    }
    (1.0 - below).max(0.0)
}

/// Gives counts the weight 1 / (1 + k s^2): k errors tell the logarithm of a ratio to 1 / sqrt(k), the model holds to s
/// there. Without it thousands of errors far out decide where the fit of a bent tail begins.
fn weigh(counts: &mut [Count], ber: f64) {
    for count in counts.iter_mut().filter(|count| count.errors > 0.0) {
        let model = MODEL_SHARE * (count.errors / count.bits / ber).ln().max(0.0);
        let weight = 1.0 / (1.0 + count.errors * model * model);
        count.bits *= weight;
        count.errors *= weight;
    }
}

/// A line through the eye of one lane: a row (`along_taps`) or a column, seen towards one side.
#[derive(Debug, Clone, Copy)]
pub struct Line<'a> {
    /// The capture's counts.
    pub view: &'a CaptureView<'a>,
    /// Lane, as an index into the capture's lanes.
    pub lane: usize,
    /// The lane's labels.
    pub map: &'a PassMap,
    /// Pass run whose edge is wanted.
    pub run: Run,
    /// The other coordinate: the Vref step of a row, the tap of a column.
    pub fixed: u16,
    /// Which edge.
    pub side: Side,
}

impl Line<'_> {
    fn point(&self, at: u16) -> Point {
        if self.side.along_taps() {
            Point { tap: at, vref: self.fixed }
        } else {
            Point { tap: self.fixed, vref: at }
        }
    }

    fn length(&self) -> u16 {
        if self.side.along_taps() { self.map.taps() } else { self.map.vref_steps() }
    }

    /// Outermost passing place of the run on this side.
    fn rim(&self) -> u16 {
        if self.side.outward() < 0 { self.run.first } else { self.run.last }
    }

    fn on_border(&self) -> bool {
        if self.side.outward() < 0 { self.run.first == 0 } else { self.run.last + 1 >= self.length() }
    }

    /// Places from the rim's outer neighbour to the border.
    fn outwards(&self) -> impl Iterator<Item = u16> + use<> {
        let (rim, sign, length) = (i32::from(self.rim()), self.side.outward(), i32::from(self.length()));
        (1..=length)
            .map(move |n| rim + sign * n)
            .take_while(move |at| (0..length).contains(at))
            .map(|at| at as u16)
    }

    /// Places from the rim to the middle of the run.
    fn inwards(&self) -> impl Iterator<Item = u16> + use<> {
        let (rim, sign) = (i32::from(self.rim()), self.side.outward());
        (0..=i32::from(self.run.span()) / 2).map(move |n| (rim - sign * n) as u16)
    }

    /// Coordinate growing into the eye.
    fn inward_x(&self, at: u16) -> f64 {
        -f64::from(self.side.outward()) * f64::from(at)
    }

    fn count(&self, at: u16) -> Option<Count> {
        let (bits, errors) = self.view.count(self.lane, self.point(at))?;
        Some(Count { x: self.inward_x(at), bits: bits as f64, errors: errors as f64 })
    }

    /// The counts a fit rests on, from inside the eye outwards: up to six measured points of the run's half and,
    /// beyond the rim, those up to the first with an observed BER above [`HIGHEST_FITTED_BER`].
    pub fn counts(&self, into: &mut Vec<Count>) {
        into.clear();
        into.extend(self.inwards().filter_map(|at| self.count(at)).take(INNER_POINTS));
        into.reverse();
        into.extend(
            self.outwards()
                .filter_map(|at| self.count(at))
                .take_while(|count| count.errors <= HIGHEST_FITTED_BER * count.bits)
                .take(OUTER_POINTS),
        );
    }

    /// Edge by fit at `ber`, in grid coordinates, if the counts carry one and no count contradicts it.
    fn fitted(&self, ber: f64, scratch: &mut Vec<Count>) -> Option<Position> {
        self.counts(scratch);
        weigh(scratch, ber);
        let straight = [Amplitude::Half, Amplitude::Free]
            .into_iter()
            .find_map(|amplitude| fit_tail(scratch, amplitude).filter(|fit| fit.edge(ber).is_some()))?;
        self.counts(scratch);
        let found = bent_edge(scratch, &straight, ber)?;
        let rim = self.inward_x(self.rim());
        // Innermost place outside the run whose counts alone show a BER above the limit: k >= 2 errors where
        // fewer than k / 10 were allowed for. The edge lies inside of it, give or take half a step.
        let proven_fail = self
            .outwards()
            .filter_map(|at| self.count(at))
            .find(|count| count.errors >= 2.0 && count.bits * ber < 0.1 * count.errors)
            .map(|count| count.x);
        let credible = found.position <= rim + 1.0
            && proven_fail.is_none_or(|fail| found.position >= fail - 0.5)
            && found.u <= 2.0 + 0.5 * f64::from(self.run.span());
        credible.then(|| Position { position: -f64::from(self.side.outward()) * found.position, u: found.u })
    }

    /// The edge at a notch: places beside the run whose errors the tail found further out does not explain. The edge lies before them where one of
    /// them counts more than the limit makes; otherwise it is the tail's, and as far as it may be the other, that is counted in.
    fn before_a_notch(&self, tail: &Position, ber: f64) -> Option<Edge> {
        let sign = f64::from(self.side.outward());
        let (mut notch, mut above, mut below) = (false, false, 1.0);
        let within = |at: &u16| sign * (tail.position - f64::from(*at));
        for at in self.outwards().take_while(|at| within(at) > 0.5) {
            let Some(count) = self.count(at).filter(|count| count.errors >= 2.0) else { continue };
            let explained = count.bits * ber * FLATTEST.powf(within(&at));
            if at_least(count.errors, explained) < NO_CHANCE {
                notch = true;
                above |= count.errors > count.bits * ber;
                // Of a ratio whose logarithm may be anything k errors leave the probability to lie below the limit that the limit has to make k.
                below *= at_least(count.errors, count.bits * ber);
            }
        }
        // A place that failed by its second error may lie below the limit.
        let before = self.crossing(ber).unwrap_or(self.step_edge());
        let beyond = tail.position - before.position;
        let unsure = below * (1.0 - below) * beyond * beyond;
        let edge = |position, u: f64, method| Edge { position, u: (u * u + unsure).sqrt(), method };
        notch.then(|| {
            if above {
                edge(before.position, U_STEP, EdgeMethod::Interval)
            } else {
                edge(tail.position, tail.u, EdgeMethod::Fit)
            }
        })
    }

    /// The run through the same inner place on the neighbouring line `fixed + by`, seen from the same side.
    fn beside(&self, by: i16) -> Option<Self> {
        let fixed = self.fixed.checked_add_signed(by)?;
        let middle = self.run.first + self.run.span() / 2;
        let moved = Line { fixed, ..*self };
        let point = moved.point(middle);
        let run = if self.side.along_taps() {
            self.map.run_in_row(point)?
        } else {
            self.map.run_in_column(point)?
        };
        Some(Line { run, ..moved })
    }

    /// The edge at `ber`: by fit where the counts carry one; otherwise between the last measured pass and the
    /// first measured fail. Always finite.
    pub fn edge(&self, ber: f64, scratch: &mut Vec<Count>) -> Edge {
        let fitted = if self.on_border() { None } else { self.fitted(ber, scratch) };
        if let Some(edge) = fitted.and_then(|tail| self.before_a_notch(&tail, ber)) {
            return edge;
        }
        let fitted = fitted.map(|at| Edge { position: at.position, u: at.u, method: EdgeMethod::Fit });
        if let Some(edge) = fitted.or_else(|| self.crossing(ber)) {
            return edge;
        }
        let by_step = self.step_edge();
        if by_step.method != EdgeMethod::Inferred {
            return by_step;
        }
        let beside = [-1, 1].map(|by| {
            let line = self.beside(by).filter(|line| !line.on_border())?;
            line.fitted(ber, scratch)
        });
        if let [Some(below), Some(above)] = beside {
            let apart = below.position - above.position;
            // The contour's bend between the two lines is not seen: a quarter of their difference.
            let u = (0.25 * (below.u * below.u + above.u * above.u) + 0.0625 * apart * apart).sqrt();
            return Edge { position: 0.5 * (below.position + above.position), u, method: EdgeMethod::Beside };
        }
        let measured_fail = self
            .outwards()
            .find(|at| self.map.measured(self.point(*at)) && !self.map.passes(self.point(*at)))
            .map(f64::from);
        let measured_pass = self.inwards().find(|at| self.map.measured(self.point(*at))).map(f64::from);
        match measured_fail.zip(measured_pass) {
            Some((fail, pass)) => Edge {
                position: 0.5 * (fail + pass),
                u: (fail - pass).abs() * U_STEP,
                method: EdgeMethod::Interval,
            },
            None => by_step,
        }
    }

    /// Between the last place whose own counts lie below the limit and the next, where places that failed in doubt lie
    /// inside of it; straight on the logarithm of the ratio.
    fn crossing(&self, ber: f64) -> Option<Edge> {
        let ratio = |at: u16| {
            let count = self.count(at)?;
            (count.errors >= 1.0).then_some((f64::from(at), (count.errors / count.bits / ber).ln()))
        };
        let mut inside = None;
        for at in self.outwards() {
            let (place, above) = ratio(at)?;
            if above <= 0.0 {
                inside = Some((place, above));
                continue;
            }
            let (last, below) = inside?;
            let position = last + (place - last) * below / (below - above);
            return Some(Edge { position, u: U_STEP, method: EdgeMethod::Interval });
        }
        None
    }

    /// The edge from labels alone, half a step outside the last pass; costs next to nothing.
    pub(crate) fn step_edge(&self) -> Edge {
        let rim = f64::from(self.rim());
        if self.on_border() {
            return Edge { position: rim, u: 0.0, method: EdgeMethod::Border };
        }
        let outer = self.outwards().next().unwrap_or(self.rim());
        let sure = self.map.measured(self.point(self.rim())) && self.map.measured(self.point(outer));
        let position = rim + 0.5 * f64::from(self.side.outward());
        if sure {
            Edge { position, u: U_STEP, method: EdgeMethod::Interval }
        } else {
            Edge { position, u: U_INFERRED, method: EdgeMethod::Inferred }
        }
    }

    /// The edge at `ber` by both models, for extrapolation: (A = 0.5, A free). `None` where a model has too few
    /// points with errors, or the run touches the border.
    pub fn models(&self, ber: f64, scratch: &mut Vec<Count>) -> (Option<Position>, Option<Position>) {
        if self.on_border() {
            return (None, None);
        }
        self.counts(scratch);
        let outward = f64::from(self.side.outward());
        let at = |amplitude| {
            let found = fit_tail(scratch, amplitude)?.edge(ber)?;
            Some(Position { position: -outward * found.position, u: found.u })
        };
        (at(Amplitude::Half), at(Amplitude::Free))
    }
}

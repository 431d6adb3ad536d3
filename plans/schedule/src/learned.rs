//! How fast a bench is against its plan, by kind of work: what a night shows of it, what earlier nights teach about the next one,
//! and what the night itself adds.

use super::cost::Minutes;

/// Kinds of work that share a factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Work {
    /// Hands, mounting check and boot.
    Hands,
    /// Ramps upwards.
    Up,
    /// Ramps downwards.
    Down,
    /// Soak and settling.
    Soak,
    /// Measuring and training.
    Measure,
}

impl Work {
    pub const ALL: [Work; KINDS] = [Work::Hands, Work::Up, Work::Down, Work::Soak, Work::Measure];
}

pub(super) const KINDS: usize = 5;
/// Weight of what is known before, in observations.
const PRIOR_COUNT: f64 = 3.0;
/// Spread of single observations before any are known (relative), and its weight in observations (common
/// practice, no source).
const FIRST_NOISE: f64 = 0.10;
const NOISE_COUNT: f64 = 1.0;
/// Least standard deviation of a factor before anything was observed.
const LEAST_PRIOR_SD: f64 = 0.25;
/// How much the nights of one bench may differ, as shares of that deviation: equally likely each up to all of it, and beyond it the
/// less likely the further (estimates; counted in reports/AUDIT.md).
const NIGHTS_APART: [f64; 10] = [0.08, 0.113, 0.16, 0.226, 0.32, 0.453, 0.64, 0.905, 1.28, 1.81];
/// Least of a bench's own part in that deviation.
const LEAST_OF_BENCH: f64 = 0.4;
/// A bench may be far off its plan in a kind of work: how many such deviations, with its odds (estimates).
const FAR_OFF: [(f64, f64); 2] = [(0.0, 1.0), (4.0, 0.1)];

/// Of observed ones, logarithms of observed over predicted durations: number, sum and sum of squares.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sums {
    pub n: f64,
    pub sum: f64,
    pub square: f64,
}

impl Sums {
    fn mean(&self) -> f64 {
        self.sum / self.n.max(1.0)
    }

    /// Sum of squares about the mean.
    fn about_mean(&self) -> f64 {
        if self.n > 0.0 { (self.square - self.sum * self.sum / self.n).max(0.0) } else { 0.0 }
    }
}

/// What a night showed, by kind of work. Observe one total per stretch and kind, not every job: the jobs of a stretch err together.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Night {
    sums: [Sums; KINDS],
}

impl Night {
    /// Of sums by kind, in the order of [`Work::ALL`]; `None` where they are no sums of any durations.
    pub fn from_sums(sums: [Sums; KINDS]) -> Option<Night> {
        let sound = |sums: &Sums| {
            [sums.n, sums.sum, sums.square].iter().all(|one| one.is_finite())
                && sums.n >= 0.0
                && sums.square >= 0.0
        };
        sums.iter().all(sound).then_some(Night { sums })
    }

    pub fn sums(&self, kind: Work) -> Sums {
        self.sums[kind as usize]
    }

    /// Adds one observation, min. Durations that are not positive and finite teach nothing and are left out
    /// (`false`).
    pub fn observe(&mut self, kind: Work, predicted_min: f64, observed_min: f64) -> bool {
        let log = (observed_min / predicted_min).ln();
        if !(predicted_min > 0.0 && observed_min > 0.0 && log.is_finite()) {
            return false;
        }
        let sums = &mut self.sums[kind as usize];
        sums.n += 1.0;
        sums.sum += log;
        sums.square += log * log;
        true
    }

    /// Adds all kinds of one stretch, leaving out those it predicted nothing for.
    pub fn observe_stretch(&mut self, predicted: &Minutes, observed: &Minutes) {
        for (kind, p, o) in [
            (Work::Hands, predicted.hands_on + predicted.boot, observed.hands_on + observed.boot),
            (Work::Up, predicted.ramps_up, observed.ramps_up),
            (Work::Down, predicted.ramps_down, observed.ramps_down),
            (Work::Soak, predicted.soak + predicted.settle, observed.soak + observed.settle),
            (Work::Measure, predicted.measuring + predicted.training, observed.measuring + observed.training),
        ] {
            self.observe(kind, p, o);
        }
    }
}

/// One possible distribution of the logarithm of a night's factor: its probability, mean and standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Possible {
    pub weight: f64,
    pub mean: f64,
    pub sd: f64,
}

/// What is known of a kind before a night.
#[derive(Debug, Clone, PartialEq)]
struct Before {
    /// Distributions that are possible, their weights adding up to 1.
    possible: Vec<Possible>,
    /// Stretches of earlier nights about their night's mean: sum of squares and degrees of freedom.
    within: (f64, f64),
}

impl Before {
    fn mean(&self) -> f64 {
        self.possible.iter().map(|one| one.weight * one.mean).sum()
    }
}

/// Factors learned from predicted and observed durations.
///
/// The factor of a kind is exp((sum log(observed / predicted) + 3 m) / (n + 3)), m being what earlier nights say (0 without any): steady
/// from the first stretch on. That pull is known, so the range of the finish does not repeat it: there the logarithm of a factor has its
/// posterior distribution. Without earlier nights it is normal, from a prior with mean 0 and standard deviation of at least 0.25 and
/// the spread of the stretches as observed (`posterior`).
///
/// With earlier nights a night's factor is the bench's own and the night's part of it. Both together are as wide as that prior before
/// anything is known; how much of it is the night's, nobody knows beforehand: each share is weighed by what the nights so far show
/// (normal-normal model, marginal likelihood), so that few nights leave the long tails of Student's distribution, and many a narrow range
/// where the nights of a bench are alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    before: [Before; KINDS],
    night: Night,
    nights: usize,
}

impl Learned {
    /// Nothing observed yet. `prior_sd`: standard deviation of the logarithm of a factor before observations;
    /// at least 0.25 is used.
    pub fn new(prior_sd: f64) -> Learned {
        Learned::after(&[], prior_sd)
    }

    /// Before a night of a bench that had these nights.
    pub fn after(nights: &[Night], prior_sd: f64) -> Learned {
        let prior_sd =
            if prior_sd.is_finite() { prior_sd.clamp(LEAST_PRIOR_SD, 3.0) } else { LEAST_PRIOR_SD };
        let before = Work::ALL.map(|kind| {
            let known: Vec<Sums> =
                nights.iter().map(|night| night.sums(kind)).filter(|sums| sums.n > 0.0).collect();
            let within = known
                .iter()
                .map(|sums| (sums.about_mean(), sums.n - 1.0))
                .fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1.max(0.0)));
            Before { possible: after_nights(&known, noise(within), prior_sd), within }
        });
        Learned { before, night: Night::default(), nights: nights.len() }
    }

    /// Nights known before this one.
    pub fn earlier_nights(&self) -> usize {
        self.nights
    }

    /// What this night showed so far.
    pub fn night(&self) -> &Night {
        &self.night
    }

    /// See [`Night::observe`].
    pub fn observe(&mut self, kind: Work, predicted_min: f64, observed_min: f64) -> bool {
        self.night.observe(kind, predicted_min, observed_min)
    }

    /// See [`Night::observe_stretch`].
    pub fn observe_stretch(&mut self, predicted: &Minutes, observed: &Minutes) {
        self.night.observe_stretch(predicted, observed);
    }

    /// Everything that this night showed elsewhere.
    pub fn observe_night(&mut self, night: &Night) {
        for (sums, more) in self.night.sums.iter_mut().zip(&night.sums) {
            sums.n += more.n;
            sums.sum += more.sum;
            sums.square += more.square;
        }
    }

    /// The factor for predictions.
    pub fn factor(&self, kind: Work) -> f64 {
        let sums = self.night.sums(kind);
        ((sums.sum + PRIOR_COUNT * self.before[kind as usize].mean()) / (sums.n + PRIOR_COUNT)).exp()
    }

    /// Predicted minutes with the factor of each kind; waiting stays as it is.
    pub fn scaled(&self, predicted: &Minutes) -> Minutes {
        let (hands, soak, measure) =
            (self.factor(Work::Hands), self.factor(Work::Soak), self.factor(Work::Measure));
        Minutes {
            measuring: predicted.measuring * measure,
            training: predicted.training * measure,
            ramps_up: predicted.ramps_up * self.factor(Work::Up),
            ramps_down: predicted.ramps_down * self.factor(Work::Down),
            soak: predicted.soak * soak,
            settle: predicted.settle * soak,
            hands_on: predicted.hands_on * hands,
            boot: predicted.boot * hands,
            waiting: predicted.waiting,
        }
    }

    /// Distributions that the logarithm of the factor may have, given what was observed; their weights add up to 1.
    pub fn possible(&self, kind: Work) -> Vec<Possible> {
        let sums = self.night.sums(kind);
        let noise = self.noise(kind).powi(2);
        let before = &self.before[kind as usize].possible;
        let mut out: Vec<Possible> = before
            .iter()
            .map(|one| {
                let weight = sums.n + noise / (one.sd * one.sd);
                let mean = (sums.sum + one.mean * noise / (one.sd * one.sd)) / weight;
                let fits = if sums.n > 0.0 && before.len() > 1 {
                    ln_normal(sums.mean() - one.mean, one.sd * one.sd + noise / sums.n)
                } else {
                    0.0
                };
                Possible { weight: one.weight.ln() + fits, mean, sd: (noise / weight).sqrt() }
            })
            .collect();
        normalise(&mut out);
        out
    }

    /// Mean and standard deviation of the logarithm of the factor, given what was observed.
    pub fn posterior(&self, kind: Work) -> (f64, f64) {
        let possible = self.possible(kind);
        let mean: f64 = possible.iter().map(|one| one.weight * one.mean).sum();
        let square = possible
            .iter()
            .map(|one| one.weight * (one.sd * one.sd + (one.mean - mean).powi(2)))
            .sum::<f64>();
        (mean, square.sqrt())
    }

    /// Spread of a single stretch around the factor (standard deviation of the logarithm).
    pub fn noise(&self, kind: Work) -> f64 {
        let sums = self.night.sums(kind);
        let (square, freedom) = self.before[kind as usize].within;
        noise((square + sums.about_mean(), freedom + (sums.n - 1.0).max(0.0)))
    }
}

/// From a sum of squares with its degrees of freedom.
fn noise((square, freedom): (f64, f64)) -> f64 {
    ((square + NOISE_COUNT * FIRST_NOISE * FIRST_NOISE) / (freedom + NOISE_COUNT)).sqrt()
}

/// The next night's factor behind nights whose stretches scatter by `noise`.
fn after_nights(nights: &[Sums], noise: f64, prior_sd: f64) -> Vec<Possible> {
    if nights.is_empty() {
        return vec![Possible { weight: 1.0, mean: 0.0, sd: prior_sd }];
    }
    let possible = |share: f64, (off, odds): (f64, f64)| {
        let night = (share * prior_sd).powi(2);
        let own = (prior_sd * prior_sd - night).max((LEAST_OF_BENCH * prior_sd).powi(2));
        let bench = own.max((off * prior_sd).powi(2));
        let variance = |sums: &Sums| night + noise * noise / sums.n;
        let known: f64 = nights.iter().map(|sums| 1.0 / variance(sums)).sum();
        let mean = nights.iter().map(|sums| sums.mean() / variance(sums)).sum::<f64>() / known;
        let apart: f64 = nights.iter().map(|sums| ln_normal(sums.mean() - mean, variance(sums))).sum();
        let fits = apart - 0.5 * known.ln() + ln_normal(mean, bench + 1.0 / known);
        let left = 1.0 / (known + 1.0 / bench);
        let believed = (odds / (1.0 + share.powi(4))).ln();
        Possible { weight: believed + fits, mean: left * known * mean, sd: (left + night).sqrt() }
    };
    let mut out: Vec<Possible> =
        FAR_OFF.into_iter().flat_map(|far| NIGHTS_APART.map(|share| possible(share, far))).collect();
    normalise(&mut out);
    out
}

/// ln of a normal density about 0, but for a constant.
fn ln_normal(off: f64, variance: f64) -> f64 {
    -0.5 * (variance.ln() + off * off / variance)
}

/// Weights given by their logarithms.
fn normalise(all: &mut [Possible]) {
    let highest = all.iter().map(|one| one.weight).fold(f64::NEG_INFINITY, f64::max);
    all.iter_mut().for_each(|one| one.weight = (one.weight - highest).exp());
    let sum: f64 = all.iter().map(|one| one.weight).sum();
    all.iter_mut().for_each(|one| one.weight /= sum);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn night(logs: &[f64]) -> Night {
        let mut night = Night::default();
        for log in logs {
            assert!(night.observe(Work::Hands, 10.0, 10.0 * log.exp()));
        }
        night
    }

    #[test]
    fn factors_shrink_towards_one() {
        let mut l = Learned::new(0.1);
        assert_eq!(l.factor(Work::Hands), 1.0);
        assert!((l.posterior(Work::Hands).1 - 0.25).abs() < 1e-12);
        for _ in 0..3 {
            assert!(l.observe(Work::Hands, 10.0, 20.0));
        }
        // exp(3 ln 2 / 6) = sqrt(2)
        assert!((l.factor(Work::Hands) - 2f64.sqrt()).abs() < 1e-12);
        assert_eq!(l.factor(Work::Up), 1.0);
        let (mean, sd) = l.posterior(Work::Hands);
        assert!(mean > 0.9 * 2f64.ln() && mean < 2f64.ln() && sd < 0.1);
        assert!(!l.observe(Work::Hands, 0.0, 1.0) && !l.observe(Work::Hands, 1.0, f64::NAN));
    }

    /// Nights that are alike say where the next one lies, and that nearly as surely as they are alike; nights that differ do not; of one
    /// night alone nobody knows which. Kinds that no night had stay as they were.
    #[test]
    fn earlier_nights_are_believed_as_far_as_they_agree() {
        let of = |nights: &[Night]| Learned::after(nights, 0.25);
        let alike: Vec<Night> = (0..10).map(|at| night(&[0.3 + 0.01 * f64::from(at % 3); 8])).collect();
        let (mean, sd) = of(&alike).posterior(Work::Hands);
        assert!((mean - 0.31).abs() < 0.01 && sd < 0.05, "{mean} {sd}");
        assert!((of(&alike).factor(Work::Hands).ln() - mean).abs() < 1e-12);
        let apart: Vec<Night> = (0..10).map(|at| night(&[0.3 - 0.5 * f64::from(at % 2); 8])).collect();
        let (mean, sd) = of(&apart).posterior(Work::Hands);
        assert!((mean - 0.05).abs() < 0.03 && (0.22..0.4).contains(&sd), "{mean} {sd}");
        let (one_mean, one_sd) = of(&alike[..1]).posterior(Work::Hands);
        let (three_mean, three_sd) = of(&alike[..3]).posterior(Work::Hands);
        assert!(one_mean > 0.1 && one_mean < three_mean && three_mean < 0.31, "{one_mean} {three_mean}");
        assert!(three_sd < one_sd && one_sd < 0.25, "{three_sd} {one_sd}");
        assert_eq!(of(&alike).possible(Work::Up), Learned::new(0.25).possible(Work::Up));
        assert_eq!((of(&alike).earlier_nights(), Learned::new(0.25).earlier_nights()), (10, 0));
    }

    /// A bench that takes three times as long as planned is a slow bench, though it was seen for one night only.
    #[test]
    fn a_bench_far_off_its_plan_is_believed() {
        let (mean, sd) = Learned::after(&[night(&[1.1; 6])], 0.25).posterior(Work::Hands);
        assert!(mean > 0.85 && sd < 0.35, "{mean} {sd}");
    }

    /// The night itself corrects what earlier ones said.
    #[test]
    fn the_night_itself_counts_most() {
        let alike: Vec<Night> = (0..5).map(|_| night(&[0.3; 8])).collect();
        let mut learned = Learned::after(&alike, 0.25);
        (0..10).for_each(|_| {
            learned.observe(Work::Hands, 10.0, 10.0 * (-0.2f64).exp());
        });
        let (mean, _) = learned.posterior(Work::Hands);
        assert!((-0.21..-0.15).contains(&mean), "{mean}");
        assert!(learned.factor(Work::Hands) < 0.95);
    }

    /// Two nights by hand, with one share of the night's part: precision-weighted means (normal-normal model).
    #[test]
    fn a_share_by_hand() {
        let nights = [night(&[0.2; 4]), night(&[0.4; 4])].map(|night| night.sums(Work::Hands));
        let found = after_nights(&nights, 0.1, 0.25)[4];
        let (own, bench) = (0.08f64.powi(2) + 0.1f64.powi(2) / 4.0, 0.25f64.powi(2) - 0.08f64.powi(2));
        let known = 2.0 / own;
        assert!((found.mean - 0.3 * known / (known + 1.0 / bench)).abs() < 1e-12);
        assert!((found.sd.powi(2) - (1.0 / (known + 1.0 / bench) + 0.08f64.powi(2))).abs() < 1e-12);
    }

    #[test]
    fn sums_that_are_none_are_refused() {
        let sums = Work::ALL.map(|kind| night(&[0.2; 4]).sums(kind));
        assert_eq!(Night::from_sums(sums), Some(night(&[0.2; 4])));
        let mut wrong = sums;
        wrong[2].sum = f64::NAN;
        assert_eq!(Night::from_sums(wrong), None);
    }
}

//! Rates of events that come in clusters: the starts of one mounting share its contacts, so that twenty of them say less of the
//! next mounting than twenty independent ones.
//!
//! The model is the beta-binomial: each cluster has a rate of its own, drawn from a beta distribution of mean p; rho is the
//! correlation of two trials of a cluster (variance of a cluster's events: n p (1 - p) (1 + (n - 1) rho)). The interval is
//! Bayesian, by quadrature over both: p with Jeffreys's prior, which is close to its probability of coverage at every p
//! (Brown, Cai, DasGupta, Statist. Sci. 16 (2001) 101), rho with [`correlation_prior`].

use super::error::{Result, StatisticsError, check_probability, check_range};
use libm::lgamma as ln_gamma;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;

/// Events and trials of one cluster.
pub type Cluster = (u64, u64);

/// Places of the mean rate, and of the correlation.
const RATES: usize = 160;
const CORRELATIONS: usize = 32;
/// Weights below this part of the highest are left out.
const NOTHING: f64 = 1e-9;
/// Fewest arrangements from which a p of 5 % can come.
const FEWEST_ARRANGEMENTS: f64 = 20.0;
/// Parts of an event that sums of differences are kept in.
const PARTS: f64 = 1000.0;

/// A rate over clusters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusteredRate {
    /// Limits of the mean rate.
    pub lower: f64,
    /// See `lower`.
    pub upper: f64,
    /// Mean of the correlation within a cluster.
    pub correlation: f64,
}

/// Density of the correlation before anything was seen: 3 (1 - rho)^2, of mean 1/4 (estimate: starts of a mounting on the
/// simulated target have 0.1 to 0.3, by counting).
fn correlation_prior(rho: f64) -> f64 {
    3.0 * (1.0 - rho).powi(2)
}

/// ln of the probability of a cluster without its binomial coefficient.
fn ln_likelihood((events, trials): Cluster, p: f64, rho: f64) -> f64 {
    let scale = (1.0 - rho) / rho;
    let rising = |from: f64, by: u64| ln_gamma(from + by as f64) - ln_gamma(from);
    rising(p * scale, events) + rising((1.0 - p) * scale, trials - events) - rising(scale, trials)
}

/// ln of the probability of `events` in `trials` of a cluster (beta-binomial).
#[cfg(test)]
pub(crate) fn ln_beta_binomial(cluster: Cluster, p: f64, rho: f64) -> f64 {
    let (events, trials) = (cluster.0 as f64, cluster.1 as f64);
    let choose = ln_gamma(trials + 1.0) - ln_gamma(events + 1.0) - ln_gamma(trials - events + 1.0);
    choose + ln_likelihood(cluster, p, rho)
}

/// An even grid of one of the two parameters.
#[derive(Clone, Copy)]
struct Axis {
    from: f64,
    to: f64,
    places: usize,
}

impl Axis {
    fn step(self) -> f64 {
        (self.to - self.from) / self.places as f64
    }

    fn middles(self) -> Vec<f64> {
        (0..self.places).map(|at| self.from + (at as f64 + 0.5) * self.step()).collect()
    }

    /// Narrowed to where the weights are, where that halves it at least.
    fn narrowed(self, weights: &[f64]) -> Axis {
        let most = weights.iter().copied().fold(0.0, f64::max);
        let kept = |weight: &f64| *weight > NOTHING * most;
        let first = weights.iter().position(kept).unwrap_or(0);
        let last = weights.iter().rposition(kept).unwrap_or(self.places - 1);
        if last - first > self.places / 2 {
            return self;
        }
        let at = |place: usize| self.from + self.step() * place as f64;
        Axis { from: at(first.saturating_sub(1)), to: at((last + 2).min(self.places)), ..self }
    }
}

/// Two-sided interval of the mean rate over the clusters that could be drawn. Without any event its lower end is 0; with
/// events only its upper end is 1.
///
/// # Errors
/// No trial, more events than trials, or a confidence outside 0 to 1.
pub fn clustered_rate(clusters: &[Cluster], confidence: f64) -> Result<ClusteredRate> {
    check_probability("confidence", confidence)?;
    let mut kinds: BTreeMap<Cluster, f64> = BTreeMap::new();
    for (events, trials) in clusters {
        check_range("events", *events as f64, events <= trials, "no more than the trials")?;
        if *trials > 0 {
            *kinds.entry((*events, *trials)).or_default() += 1.0;
        }
    }
    if kinds.is_empty() {
        return Err(StatisticsError::TooFewValues { what: "rate over clusters", have: 0, need: 1 });
    }
    // Even steps of arcsin sqrt p are Jeffreys's prior.
    let mut rates = Axis { from: 0.0, to: FRAC_PI_2, places: RATES };
    let mut correlations = Axis { from: 0.0, to: 1.0, places: CORRELATIONS };
    let (mut of_rates, mut of_correlations);
    loop {
        let rhos = correlations.middles();
        let logs: Vec<Vec<f64>> = rates
            .middles()
            .iter()
            .map(|angle| {
                let p = angle.sin().powi(2);
                let of = |rho: &f64| {
                    let seen = kinds.iter().map(|(kind, count)| count * ln_likelihood(*kind, p, *rho));
                    seen.sum::<f64>() + correlation_prior(*rho).ln()
                };
                rhos.iter().map(of).collect()
            })
            .collect();
        let highest = logs.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
        of_rates = vec![0.0; RATES];
        of_correlations = vec![0.0; CORRELATIONS];
        for (row, of_rate) in logs.iter().zip(&mut of_rates) {
            for (ln, of_correlation) in row.iter().zip(&mut of_correlations) {
                let weight = (ln - highest).exp();
                *of_rate += weight;
                *of_correlation += weight;
            }
        }
        let next = (rates.narrowed(&of_rates), correlations.narrowed(&of_correlations));
        if next.0.to - next.0.from == rates.to - rates.from
            && next.1.to - next.1.from == correlations.to - correlations.from
        {
            break;
        }
        (rates, correlations) = next;
    }
    let total: f64 = of_rates.iter().sum();
    let mean =
        correlations.middles().iter().zip(&of_correlations).map(|(rho, weight)| rho * weight).sum::<f64>();
    let quantile = |share: f64| {
        let mut below = 0.0;
        for (at, weight) in of_rates.iter().enumerate() {
            let here = weight / total;
            if below + here >= share {
                let place = at as f64 + (share - below) / here;
                return (rates.from + place * rates.step()).sin().powi(2);
            }
            below += here;
        }
        rates.to.sin().powi(2)
    };
    let tail = 0.5 * (1.0 - confidence);
    let none = kinds.keys().all(|(events, _)| *events == 0);
    let every = kinds.keys().all(|(events, trials)| events == trials);
    // Of few clusters the prior of the correlation may speak louder than the counts: never against what was seen.
    let (events, trials) = kinds.iter().fold((0.0, 0.0), |sum, ((events, trials), count)| {
        (sum.0 + count * *events as f64, sum.1 + count * *trials as f64)
    });
    let seen: f64 = events / trials;
    Ok(ClusteredRate {
        lower: if none { 0.0 } else { quantile(tail).min(seen) },
        upper: if every { 1.0 } else { quantile(1.0 - tail).max(seen) },
        correlation: mean / total,
    })
}

/// Clusters of a stratum before and after.
pub type Stratum = (Vec<Cluster>, Vec<Cluster>);

/// One-sided p that the rate did not rise, whole clusters permuted between before and after within each stratum: at least so
/// many more events after than their share of the trials lets expect. `None` where the clusters have too few arrangements
/// for an answer.
pub fn permuted_rise(strata: &[Stratum]) -> Option<f64> {
    let mut sums: BTreeMap<i64, f64> = BTreeMap::from([(0, 1.0)]);
    let (mut seen, mut arrangements, mut used) = (0, 1.0, 0);
    for (before, after) in strata {
        let all = || before.iter().chain(after);
        let events: u64 = all().map(|cluster| cluster.0).sum();
        let trials: u64 = all().map(|cluster| cluster.1).sum();
        if before.is_empty() || after.is_empty() || trials == 0 {
            continue;
        }
        let rate = events as f64 / trials as f64;
        let value = |cluster: &Cluster| ((cluster.0 as f64 - rate * cluster.1 as f64) * PARTS).round() as i64;
        // Ways to choose so many clusters with such a sum.
        let mut ways: BTreeMap<(usize, i64), f64> = BTreeMap::from([((0, 0), 1.0)]);
        for cluster in all() {
            let here = value(cluster);
            for ((chosen, sum), count) in ways.clone() {
                if chosen < after.len() {
                    *ways.entry((chosen + 1, sum + here)).or_default() += count;
                }
            }
        }
        let whole: Vec<(i64, f64)> = ways
            .into_iter()
            .filter(|((chosen, _), _)| *chosen == after.len())
            .map(|((_, sum), count)| (sum, count))
            .collect();
        let count: f64 = whole.iter().map(|(_, count)| count).sum();
        let mut next: BTreeMap<i64, f64> = BTreeMap::new();
        for (sum, probability) in &sums {
            for (more, ways) in &whole {
                *next.entry(sum + more).or_default() += probability * ways / count;
            }
        }
        (sums, arrangements, used) = (next, arrangements * count, used + all().count() as i64);
        seen += after.iter().map(value).sum::<i64>();
    }
    if arrangements < FEWEST_ARRANGEMENTS {
        return None;
    }
    // Sums that are equal may differ by how they were rounded.
    Some(sums.range(seen - used..).map(|(_, probability)| probability).sum::<f64>().min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Boys among the first twelve children of 6115 families with thirteen (Saxony, 1876-1885; Geissler's counts, as the
    /// article "Beta-binomial distribution" of Wikipedia prints them).
    const SAXONY: [u64; 13] = [3, 24, 104, 286, 670, 1033, 1343, 1112, 829, 478, 181, 45, 7];

    fn families() -> Vec<Cluster> {
        let of = |(boys, count): (usize, &u64)| vec![(boys as u64, 12); *count as usize];
        SAXONY.iter().enumerate().flat_map(of).collect()
    }

    /// Maximum likelihood as published for these counts: alpha = 34.09558, beta = 31.5715, ln L = -12492.9 (the same article;
    /// read).
    #[test]
    fn a_published_set_has_its_published_fit() {
        let (alpha, beta) = (34.095_58, 31.571_5);
        let (p, rho) = (alpha / (alpha + beta), 1.0 / (1.0 + alpha + beta));
        let ln =
            |p: f64, rho: f64| families().iter().map(|family| ln_beta_binomial(*family, p, rho)).sum::<f64>();
        assert!((ln(p, rho) + 12_492.9).abs() < 0.05, "{}", ln(p, rho));
        for (dp, dr) in [(0.003, 0.0), (-0.003, 0.0), (0.0, 0.002), (0.0, -0.002)] {
            assert!(ln(p + dp, rho + dr) < ln(p, rho));
        }
        let found = clustered_rate(&families(), 0.95).unwrap();
        assert!((found.correlation - rho).abs() < 0.0005, "{found:?} {rho}");
        // 6115 x 12 children, design effect 1 + 11 rho.
        let half = 1.96 * (p * (1.0 - p) * (1.0 + 11.0 * rho) / (6115.0 * 12.0)).sqrt();
        assert!(
            (found.lower - (p - half)).abs() < 1e-4 && (found.upper - (p + half)).abs() < 1e-4,
            "{found:?}"
        );
    }

    #[test]
    fn clusters_widen_an_interval() {
        let even = clustered_rate(&[(2, 10); 8], 0.95).unwrap();
        let uneven =
            clustered_rate(&[(8, 10), (8, 10), (0, 10), (0, 10), (0, 10), (0, 10), (0, 10), (0, 10)], 0.95)
                .unwrap();
        assert!(even.correlation < 0.1 && uneven.correlation > 0.3, "{even:?} {uneven:?}");
        assert!(uneven.upper - uneven.lower > 1.5 * (even.upper - even.lower), "{even:?} {uneven:?}");
        let none = clustered_rate(&[(0, 10); 4], 0.95).unwrap();
        assert!(none.lower == 0.0 && none.upper > 0.05 && none.upper < 0.4, "{none:?}");
        assert_eq!(clustered_rate(&[(3, 3)], 0.95).unwrap().upper, 1.0);
        let rare = clustered_rate(&[(1, 1_000_000), (0, 1_000_000)], 0.95).unwrap();
        assert!(rare.lower > 0.0 && rare.lower <= 5e-7 && rare.upper < 0.3, "{rare:?}");
        assert!(clustered_rate(&[], 0.95).is_err() && clustered_rate(&[(2, 1)], 0.95).is_err());
    }

    /// Three mountings of five that all fail against three that all start: 1 of 20 arrangements.
    #[test]
    fn whole_clusters_are_permuted() {
        let strata = [(vec![(0, 5); 3], vec![(5, 5); 3])];
        assert!((permuted_rise(&strata).unwrap() - 0.05).abs() < 1e-12);
        let fall = [(vec![(5, 5); 3], vec![(0, 5); 3])];
        assert!((permuted_rise(&fall).unwrap() - 1.0).abs() < 1e-12);
        // One mounting each says nothing, however many starts it had.
        assert!(permuted_rise(&[(vec![(0, 500)], vec![(400, 500)])]).is_none());
        // Six setups of one mounting each: signs are changed, 2^6.
        let pairs: Vec<Stratum> = (0..6).map(|_| (vec![(0, 4)], vec![(3, 4)])).collect();
        assert!((permuted_rise(&pairs).unwrap() - 1.0 / 64.0).abs() < 1e-12);
        // Clusters of one trial each: Fisher's exact test (lady tasting tea, 17/70).
        let tea = [(vec![(1, 1), (0, 1), (0, 1), (0, 1)], vec![(1, 1), (1, 1), (1, 1), (0, 1)])];
        assert!((permuted_rise(&tea).unwrap() - 17.0 / 70.0).abs() < 1e-12);
    }
}

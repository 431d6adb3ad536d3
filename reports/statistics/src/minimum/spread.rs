//! How far true values lie apart, from samples of read ones: the posterior distribution of that deviation.

/// Nodes of the between-value deviation, equally weighted.
pub const NODES: usize = 5;
/// Places of the deviation's posterior distribution.
const FINE: usize = 200;

/// A sample of read values: degrees of freedom, variance seen between the values, and mean variance of a reading.
pub type Sample = (f64, f64, f64);

/// The standard deviation between true values, with what is known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Equally likely values of it.
    pub(super) nodes: [f64; NODES],
}

impl Spread {
    /// From samples of read values; `None` without any degree of freedom.
    ///
    /// Posterior density of the deviation t: 1 / (1 + (t / scale)^2) before anything was seen, times
    /// (t^2 + v)^(-d/2) exp(-d s^2 / (2 (t^2 + v))) for each sample.
    pub fn of(samples: &[Sample], scale: f64) -> Option<Spread> {
        let samples: Vec<_> = samples.iter().filter(|(freedom, ..)| *freedom > 0.0).collect();
        let freedom: f64 = samples.iter().map(|(freedom, ..)| freedom).sum();
        if freedom <= 0.0 {
            return None;
        }
        let seen = samples.iter().map(|(freedom, seen, _)| freedom * seen).sum::<f64>() / freedom;
        let noise = samples.iter().map(|(freedom, _, noise)| freedom * noise).sum::<f64>() / freedom;
        if seen + noise <= 0.0 || scale <= 0.0 {
            return Some(Spread { nodes: [0.0; NODES] });
        }
        // A chi-square of few degrees of freedom has a long tail: four standard deviations of its logarithm and more.
        let most = (seen + noise).sqrt() * (1.0 + 6.0 / freedom.sqrt());
        let places = (0..FINE).map(|at| most * (at as f64 + 0.5) / FINE as f64);
        let logs: Vec<f64> = places
            .clone()
            .map(|t| {
                let of = |(freedom, seen, noise): &&Sample| {
                    let total = (t * t + noise).max(1e-12 * (seen + noise));
                    -0.5 * freedom * (total.ln() + seen / total)
                };
                samples.iter().map(of).sum::<f64>() - (t / scale).powi(2).ln_1p()
            })
            .collect();
        let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = logs.iter().map(|log| (log - highest).exp()).collect();
        let sum: f64 = weights.iter().sum();
        let mut nodes = [most; NODES];
        let (mut at, mut below) = (0, 0.0);
        for (place, weight) in places.zip(weights) {
            below += weight / sum;
            while at < NODES && below >= (at as f64 + 0.5) / NODES as f64 {
                nodes[at] = place;
                at += 1;
            }
        }
        Some(Spread { nodes })
    }

    pub fn middle(&self) -> f64 {
        self.nodes[NODES / 2]
    }
}

//! The pattern, prepared: what the lane and the other lines of its byte send, as the error ratio needs it.

use super::gauss::normal_plus_uniform_tail;
use super::pattern::{self, CodedEvent, Pattern};

/// What is sent, by how the bits hang together.
pub(super) enum Data {
    /// Independent signs; one coupling term for each weight and cursor, `each` lines sending it together.
    Random { weights: Vec<f64>, each: f64 },
    /// Joint events of a coded byte, and the probability of a 1; `apart`: the same events, told apart by the number of ones too.
    Coded { events: Vec<CodedEvent>, ones: f64, apart: Vec<CodedEvent> },
    /// A repeated sequence (+-1), the sum of the coupling weights, and the noise tail.
    Fixed { signs: Vec<f64>, total: f64, noise: NoiseTable },
    /// A repeated sequence (+-1) on the lane, independent signs with these weights on the others.
    Sequence(Vec<f64>, Vec<f64>),
}

impl Data {
    /// `pattern` with the coupling weights of the byte's other lines, under receiver noise (V rms) and bounded noise (V).
    pub fn new(pattern: &Pattern, weights: &[f64; 7], noise_v: f64, bounded_v: f64) -> Data {
        let total: f64 = weights.iter().sum();
        match pattern {
            Pattern::Prbs => Data::Random { weights: weights.to_vec(), each: 1.0 },
            Pattern::Sequence(bits) => Data::Sequence(pattern::signs(bits), weights.to_vec()),
            Pattern::VictimAggressor => Data::Random { weights: vec![total], each: weights.len() as f64 },
            Pattern::VictimOnly => Data::Random { weights: Vec::new(), each: 0.0 },
            Pattern::DataBusInversion => {
                let events = pattern::data_bus_inversion_events(weights, false);
                let ones = events.iter().filter(|e| e.victim > 0.0).map(|e| e.probability).sum();
                Data::Coded { events, ones, apart: pattern::data_bus_inversion_events(weights, true) }
            }
            Pattern::Fixed(bits) => {
                Data::Fixed { signs: pattern::signs(bits), total, noise: NoiseTable::new(noise_v, bounded_v) }
            }
        }
    }
}

/// P(noise > u) of Gaussian plus bounded noise, tabulated: a fixed pattern needs it very often.
pub(super) struct NoiseTable {
    step: f64,
    reach: f64,
    values: Vec<f64>,
}

impl NoiseTable {
    fn new(sigma: f64, bounded: f64) -> Self {
        // A sixty-fourth of a deviation keeps straight-line interpolation within 0.1 % at 5 deviations.
        let (step, reach) = (sigma / 64.0, 9.0 * sigma + bounded);
        let count = (2.0 * reach / step).ceil() as usize + 2;
        let values =
            (0..count).map(|i| normal_plus_uniform_tail(i as f64 * step - reach, sigma, bounded)).collect();
        NoiseTable { step, reach, values }
    }

    pub fn tail(&self, u: f64) -> f64 {
        let place = (u + self.reach) / self.step;
        if place <= 0.0 {
            return 1.0;
        }
        let i = place as usize;
        match (self.values.get(i), self.values.get(i + 1)) {
            (Some(a), Some(b)) => a + (place - i as f64) * (b - a),
            _ => 0.0,
        }
    }
}

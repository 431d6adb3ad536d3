//! Keyed random numbers: every draw is a fixed function of names, never of the order of calls.

use rand_chacha::ChaCha8Rng;
use rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, StandardUniform};
use sha2::{Digest, Sha256};

/// A 32-byte key from a list of words; lists that differ anywhere give unrelated keys.
pub fn key(words: &[&[u8]]) -> [u8; 32] {
    let mut hash = Sha256::new();
    for word in words {
        hash.update((word.len() as u64).to_le_bytes());
        hash.update(word);
    }
    hash.finalize().into()
}

/// A stream of draws for a list of words.
pub struct Draws(ChaCha8Rng);

impl Draws {
    /// The stream that belongs to these words.
    pub fn of(words: &[&[u8]]) -> Draws {
        Draws(ChaCha8Rng::from_seed(key(words)))
    }
    /// A standard-normal draw.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    /// A uniform draw in 0..1.
    pub fn uniform(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }
}

//! Seeded chance for tests: what is drawn follows from the seed and a place, never from the order of calls.

use nightbench_core::random::SplitMix64;

/// Draws of one place.
#[derive(Debug, Clone)]
pub struct Chance(SplitMix64);

impl Chance {
    /// From a seed.
    pub fn new(seed: u64) -> Chance {
        Chance(SplitMix64::new(seed))
    }
    /// From a seed and a place.
    pub fn at(seed: u64, place: &[u8], number: u64) -> Chance {
        // FNV-1a, so that near places do not draw alike.
        let hash = place.iter().fold(0xcbf2_9ce4_8422_2325 ^ seed, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
        });
        let mut mixed = SplitMix64::new(hash ^ number.rotate_left(32));
        Chance(SplitMix64::new(mixed.next_u64()))
    }
    /// The next 64 bits.
    pub fn next(&mut self) -> u64 {
        self.0.next_u64()
    }
    /// A number below `end`.
    pub fn below(&mut self, end: u64) -> u64 {
        self.0.below(end.max(1) as usize) as u64
    }
    /// True in a share of all cases.
    pub fn happens(&mut self, share: f64) -> bool {
        self.0.unit() < share
    }
    /// One of several.
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }
}

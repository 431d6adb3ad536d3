//! Seeded chance for tests: what is drawn follows from the seed and a place, never from the order of calls.

/// SplitMix64 (Steele, Lea, Flood 2014).
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// From a seed.
    pub fn new(seed: u64) -> Chance {
        Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }
    /// From a seed and a place.
    pub fn at(seed: u64, place: &[u8], number: u64) -> Chance {
        let mut chance = Chance::new(seed ^ number.rotate_left(32));
        for byte in place {
            chance.0 = (chance.0 ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3).rotate_left(11);
        }
        chance.next();
        chance
    }
    /// The next 64 bits.
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// A number below `end`.
    pub fn below(&mut self, end: u64) -> u64 {
        self.next() % end.max(1)
    }
    /// True in a share of all cases.
    pub fn happens(&mut self, share: f64) -> bool {
        ((self.next() >> 11) as f64) < share * (1u64 << 53) as f64
    }
    /// One of several.
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }
}

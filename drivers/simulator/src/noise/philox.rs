//! Philox 4x32-10: random words as a function of a counter and a key, without any state.
//!
//! Source: Salmon, Moraes, Dror, Shaw, "Parallel Random Numbers: As Easy as 1, 2, 3", SC 2011.

const MULTIPLIERS: [u32; 2] = [0xd251_1f53, 0xcd9e_8d57];
const KEY_STEPS: [u32; 2] = [0x9e37_79b9, 0xbb67_ae85];
const ROUNDS: usize = 10;

/// The four words that belong to a counter under a key.
pub fn philox(mut counter: [u32; 4], mut key: [u32; 2]) -> [u32; 4] {
    for _ in 0..ROUNDS {
        let first = u64::from(MULTIPLIERS[0]) * u64::from(counter[0]);
        let second = u64::from(MULTIPLIERS[1]) * u64::from(counter[2]);
        counter = [
            (second >> 32) as u32 ^ counter[1] ^ key[0],
            second as u32,
            (first >> 32) as u32 ^ counter[3] ^ key[1],
            first as u32,
        ];
        key = [key[0].wrapping_add(KEY_STEPS[0]), key[1].wrapping_add(KEY_STEPS[1])];
    }
    counter
}

/// Counters evaluated side by side.
pub const BESIDE: usize = 8;

/// The words that belong to several counters under one key, on vectors. What comes first is the number of the word.
#[inline(always)]
pub fn philox_beside(counters: [[u32; BESIDE]; 4], mut key: [u32; 2]) -> [[u32; BESIDE]; 4] {
    const LOW: u64 = 0xffff_ffff;
    // Words stand in 64 bits: a product then needs no shuffling.
    let mut words = [[0u64; BESIDE]; 4];
    for (words, counters) in words.iter_mut().zip(&counters) {
        words.iter_mut().zip(counters).for_each(|(word, counter)| *word = u64::from(*counter));
    }
    for _ in 0..ROUNDS {
        let keys = [u64::from(key[0]), u64::from(key[1])];
        let mut next = [[0u64; BESIDE]; 4];
        for at in 0..BESIDE {
            let first = u64::from(MULTIPLIERS[0]) * (words[0][at] & LOW);
            let second = u64::from(MULTIPLIERS[1]) * (words[2][at] & LOW);
            next[0][at] = (second >> 32) ^ words[1][at] ^ keys[0];
            next[1][at] = second & LOW;
            next[2][at] = (first >> 32) ^ words[3][at] ^ keys[1];
            next[3][at] = first & LOW;
        }
        words = next;
        key = [key[0].wrapping_add(KEY_STEPS[0]), key[1].wrapping_add(KEY_STEPS[1])];
    }
    let mut out = [[0; BESIDE]; 4];
    for (out, words) in out.iter_mut().zip(&words) {
        out.iter_mut().zip(words).for_each(|(out, word)| *out = *word as u32);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::{BESIDE, philox, philox_beside};
    use crate::wide::wide;

    /// Side by side as one by one.
    #[test]
    fn words_side_by_side_are_those_of_each_counter() {
        let word = |factor: u32| std::array::from_fn(|at| 0x0f00_0000 + factor * at as u32);
        let (counters, key) = ([word(1), word(7), word(0x100), word(0x370_7344)], [0xa409_3822, 0x299f_31d0]);
        let beside = wide(
            #[inline(always)]
            || philox_beside(counters, key),
        );
        for at in 0..BESIDE {
            let one = philox(counters.map(|word| word[at]), key);
            assert_eq!(beside.map(|word| word[at]), one);
        }
    }

    /// Random123 1.14.0, tests/kat_vectors: the three lines of `philox4x32 10`.
    #[test]
    fn the_published_vectors_are_reproduced() {
        assert_eq!(philox([0; 4], [0; 2]), [0x6627_e8d5, 0xe169_c58d, 0xbc57_ac4c, 0x9b00_dbd8]);
        assert_eq!(
            philox([u32::MAX; 4], [u32::MAX; 2]),
            [0x408f_276d, 0x41c8_3b0e, 0xa20b_c7c6, 0x6d54_51fd]
        );
        assert_eq!(
            philox([0x243f_6a88, 0x85a3_08d3, 0x1319_8a2e, 0x0370_7344], [0xa409_3822, 0x299f_31d0]),
            [0xd16c_fe09, 0x94fd_cceb, 0x5001_e420, 0x2412_6ea1]
        );
    }
}

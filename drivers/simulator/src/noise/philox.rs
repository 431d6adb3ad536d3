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

#[cfg(test)]
mod tests {
    use super::philox;

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

//! Tests of the packing: nothing lost, small enough, safe against any bytes.

use super::super::generated::{binomial, raster};
use super::*;
use nightbench_core::random::SplitMix64;
use nightbench_core::units::{Millivolts, Picoseconds};
use proptest::prelude::*;

fn grid(taps: u16, vref_steps: u16) -> Grid {
    Grid {
        taps,
        vref_steps,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(500.0),
        vref_step: Millivolts(8.0),
        ui: Picoseconds(400.0),
        vddq: Millivolts(1200.0),
    }
}

fn kinds() -> impl Strategy<Value = VisitKind> {
    prop_oneof![Just(VisitKind::Measure), Just(VisitKind::Retest), Just(VisitKind::Drift)]
}

/// A grid, a number of lanes and valid visits with counts of every size.
fn captures() -> impl Strategy<Value = (Grid, usize, Vec<Visit>)> {
    (1..20_u16, 1..20_u16, 0..10_usize).prop_flat_map(|(taps, steps, lanes)| {
        let bits = prop_oneof![0..300_u64, 0..10_000_000_u64, any::<u64>()];
        let visit = (0..taps, 0..steps, kinds(), bits, prop::collection::vec(any::<(u8, u64)>(), lanes))
            .prop_map(|(tap, vref, kind, bits, counts)| {
                let errors = counts
                    .into_iter()
                    .map(|(how, number)| match how % 4 {
                        0 => 0,
                        1 => bits,
                        2 => (bits / 2).saturating_add(number % 3000).min(bits),
                        _ => (number >> (how / 4)).min(bits),
                    })
                    .collect();
                Visit { point: Point { tap, vref }, kind, bits, errors }
            });
        prop::collection::vec(visit, 0..60).prop_map(move |visits| (grid(taps, steps), lanes, visits))
    })
}

proptest! {
    #[test]
    fn unpacking_gives_back_what_was_packed((grid, lanes, visits) in captures()) {
        let packed = pack_visits(&grid, lanes, &visits).unwrap();
        prop_assert_eq!(unpack_visits(&grid, lanes, &packed).unwrap(), visits);
    }

    #[test]
    fn any_bytes_are_refused_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..300), lanes in 0..130_usize) {
        prop_assert!(unpack_visits(&grid(9, 7), lanes, &bytes).is_err());
        // With a right layout byte and checksum, so that the planes themselves are reached.
        let mut body = vec![LAYOUT, lanes as u8 & 0x7f];
        body.extend_from_slice(&bytes);
        let sum = adler32(&body);
        body.extend_from_slice(&sum.to_le_bytes());
        let _ = unpack_visits(&grid(9, 7), lanes, &body);
    }

    #[test]
    fn damage_behind_a_right_checksum_never_panics(
        (grid, lanes, visits) in captures(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut packed = pack_visits(&grid, lanes, &visits).unwrap();
        packed.truncate(packed.len() - 4);
        for (place, byte) in changes {
            let place = place.index(packed.len());
            packed[place] = byte;
        }
        packed.truncate(1 + cut.index(packed.len()));
        let sum = adler32(&packed);
        packed.extend_from_slice(&sum.to_le_bytes());
        if let Ok(visits) = unpack_visits(&grid, lanes, &packed) {
            prop_assert!(visits.iter().all(|visit| grid.contains(visit.point) && visit.errors.len() == lanes));
        }
    }
}

/// Bytes below which no lossless coder can go on average, even one that knew every error ratio: the sum of
/// the entropies of the counts, Binomial(8, 1/2) = 2.544 bits in the first burst and
/// 1/2 log2(2 pi e (n p (1 - p) + 1/12)) elsewhere (normal approximation; computed).
fn entropy_bytes(visits: &[Visit]) -> f64 {
    let noise = |visit: &Visit, errors: u64| {
        let (bits, errors) = (visit.bits as f64, errors as f64);
        let variance = errors * (1.0 - errors / bits) + 1.0 / 12.0;
        (0.5 * (2.0 * std::f64::consts::PI * std::f64::consts::E * variance).log2()).max(0.0)
    };
    let counts = visits.iter().flat_map(|visit| visit.errors.iter().map(move |&errors| (visit, errors)));
    counts.map(|(visit, errors)| if visit.bits == 8 { 2.544 } else { noise(visit, errors) }).sum::<f64>()
        / 8.0
}

/// The size asked for is at most 100 KB (100,000 bytes) for a 72-lane raster of 64 x 64 points. Where the
/// counts themselves hold more than that, the packing stays near their entropy.
#[test]
fn a_full_size_raster_is_packed_near_its_entropy() {
    for (open, skew, most) in
        [(0.8, 0.0, 95_000), (0.8, 0.5, 100_000), (0.6, 0.5, 108_000), (0.3, 1.5, 115_000)]
    {
        let capture = raster(1, 72, 64, open, skew);
        let packed = pack_visits(&capture.grid, 72, &capture.visits).unwrap();
        let entropy = entropy_bytes(&capture.visits);
        println!("open {open}, skew {skew}: {} bytes, entropy {entropy:.0} bytes", packed.len());
        assert!(packed.len() <= most, "open {open}, skew {skew}: {} bytes", packed.len());
        assert!((packed.len() as f64) < 1.4 * entropy, "{} bytes against {entropy}", packed.len());
        assert_eq!(unpack_visits(&capture.grid, 72, &packed).unwrap(), capture.visits);
    }
}

/// The worst case of the layout: every point of the grid fails after 8 bits at BER 1/2 in every lane
/// (entropy of Binomial(8, 1/2) = 2.544 bits x 294,912 counts = 93.8 kB; computed).
#[test]
fn a_closed_eye_of_pure_noise_still_fits() {
    let grid = grid(64, 64);
    let mut random = SplitMix64::new(5);
    let visits: Vec<Visit> = (0..grid.len())
        .map(|index| Visit {
            point: snake_point(&grid, index),
            kind: VisitKind::Measure,
            bits: 8,
            errors: (0..72).map(|_| binomial(&mut random, 8, 0.5)).collect(),
        })
        .collect();
    let packed = pack_visits(&grid, 72, &visits).unwrap();
    println!("{} bytes", packed.len());
    assert!(packed.len() <= 100_000 && packed.len() > 93_000, "{} bytes", packed.len());
}

/// RFC 1950 gives no test vector; "Wikipedia" -> 0x11E60398 is the widely printed one (from memory).
#[test]
fn the_checksum_is_adler_32() {
    assert_eq!(adler32(b"Wikipedia"), 0x11E6_0398);
    assert_eq!(adler32(b""), 1);
}

#[test]
fn one_changed_bit_is_noticed() {
    let capture = raster(1, 4, 8, 0.6, 1.5);
    let packed = pack_visits(&capture.grid, 4, &capture.visits).unwrap();
    for bit in 0..8 * packed.len() {
        let mut changed = packed.clone();
        changed[bit / 8] ^= 1 << (bit % 8);
        assert!(unpack_visits(&capture.grid, 4, &changed).is_err(), "bit {bit}");
    }
    for length in 0..packed.len() {
        assert!(unpack_visits(&capture.grid, 4, &packed[..length]).is_err(), "length {length}");
    }
}

/// Sixty bytes of zstd can claim gigabytes: the claim is refused before memory is taken.
#[test]
fn an_enormous_claim_is_refused() {
    let bomb = zstd::bulk::compress(&vec![0_u8; 1 << 26], 1).unwrap();
    let mut body = vec![LAYOUT, 1];
    write_varint(&mut body, 10);
    write_varint(&mut body, 1 << 26);
    write_varint(&mut body, bomb.len() as u64);
    body.extend_from_slice(&bomb);
    let sum = adler32(&body);
    body.extend_from_slice(&sum.to_le_bytes());
    let error = unpack_visits(&grid(4, 4), 1, &body).unwrap_err();
    assert!(error.to_string().contains("at most 100 fit"), "{error}");

    let mut body = vec![LAYOUT, 1];
    write_varint(&mut body, u64::MAX / 2);
    let sum = adler32(&body);
    body.extend_from_slice(&sum.to_le_bytes());
    assert!(matches!(unpack_visits(&grid(4, 4), 1, &body), Err(PackingError::TooMany { .. })));
}

/// What a plan may ask for can be stored: a raster comes back to a fifth of its points.
#[test]
fn the_largest_grid_of_a_plan_can_be_stored() {
    let (largest, lanes) = (grid(256, 512), 128);
    assert_eq!(largest.len() * lanes, GRID_COUNTS);
    assert!(check_size(&largest, lanes, largest.len() * 5 / 4).is_ok());
    assert!(check_size(&largest, lanes, largest.len() * 3).is_err());
}

#[test]
fn visits_that_break_the_rules_are_named() {
    let grid = grid(4, 4);
    let visit = |tap, bits, errors: &[u64]| Visit {
        point: Point { tap, vref: 0 },
        kind: VisitKind::Measure,
        bits,
        errors: errors.to_vec(),
    };
    for (bad, words) in [
        (visit(4, 8, &[1]), "off the grid of 4 x 4"),
        (visit(0, 8, &[1, 2]), "2 counts for 1 lanes"),
        (visit(0, 8, &[9]), "9 errors in 8 bits"),
    ] {
        let error = pack_visits(&grid, 1, &[visit(0, 8, &[1]), bad]).unwrap_err().to_string();
        assert!(error.contains(words) && error.contains("visit 1"), "{error}");
    }
    let error = pack_visits(&grid, 129, &[]).unwrap_err().to_string();
    assert!(error.contains("129 lanes") && error.contains("at most 128"), "{error}");
}

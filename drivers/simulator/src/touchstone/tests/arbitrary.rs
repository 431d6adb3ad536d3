//! Arbitrary and damaged files: never a panic, never a hang, never a number that is not one.

use super::super::{Format, MOST_PORTS, Matrix, check_data, check_through, read};
use super::{complex, grid, written};
use nightbench_core::devices::PortPairing;
use proptest::prelude::*;

/// Reads a file and, if it is taken, does with it all that can be done.
fn exercise(bytes: &[u8], ports: Option<usize>) {
    let Ok(data) = read(bytes, ports) else { return };
    assert!(data.frequency_hz.len() == data.scattering.len() && !data.frequency_hz.is_empty());
    assert!(data.scattering.iter().all(Matrix::is_finite));
    let _ = (check_data(&data), data.facts());
    for (_, pairing) in PortPairing::ALL {
        assert!(data.passes(pairing).is_finite());
        for line in 0..data.lines() {
            let through = data.through(pairing, line).expect("a line that is there");
            let _ = data.coupling(pairing, line, false).map(|found| found.map(|four| four.at(1.6e9)));
            let _ = check_through(&data, pairing, &through, 8.8e9).iter().map(ToString::to_string).count();
            let _ = through.facts(1.6e9);
        }
    }
}

/// Text made of the format's own words, so that the deeper parts of the reader are reached.
fn words() -> impl Strategy<Value = String> {
    let word = prop_oneof![
        4 => (-3.0..30.0f64).prop_map(|x| format!("{x:.3} ")),
        2 => (0u32..400).prop_map(|x| format!("{x} ")),
        1 => Just("\n".to_string()),
        1 => proptest::sample::select(vec![
            "# GHz S RI R 50\n", "#\n", "# Hz Z MA\n", "# DB H R 75\n", "! note\n", "[Version] 2.0\n", "[Number of Ports] 2\n",
            "[Number of Ports] 4\n", "[Two-Port Data Order] 12_21\n", "[Number of Frequencies] 2\n", "[Reference] 50 75\n",
            "[Matrix Format] Lower\n", "[Network Data]\n", "[Noise Data]\n", "[End]\n", "[", "]", "1e308 ", "-1e308 ", "1e-320 ",
            "nan ", "R ", "[Begin Information]\n", "[End Information]\n", "+", "e", ".",
        ]).prop_map(String::from),
    ];
    (any::<bool>(), proptest::collection::vec(word, 0..80)).prop_map(|(header, words)| {
        let start = if header { "# GHz S RI R 50\n" } else { "" };
        format!("{start}{}", words.concat())
    })
}

fn cells() -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(-2.0..2.0f64, 2 * MOST_PORTS * MOST_PORTS * 5)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    #[test]
    fn arbitrary_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..600), ports in proptest::option::of(0usize..6)) {
        exercise(&bytes, ports);
    }

    #[test]
    fn the_formats_own_words_in_any_order(text in words(), ports in 1usize..5) {
        exercise(text.as_bytes(), Some(ports));
    }

    /// Bytes of a good file replaced, taken out or doubled.
    #[test]
    fn damaged_files(
        cells in cells(),
        ports in 1usize..5,
        damage in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0u8..3), 1..5),
    ) {
        let frequency = grid(0.0, 1e9, 5);
        let matrices = matrices(&cells, ports);
        let mut bytes = written(&frequency, &matrices, Format::MagnitudeAngle).into_bytes();
        for (at, value, kind) in damage {
            if bytes.is_empty() {
                break;
            }
            let at = at.index(bytes.len());
            match kind {
                0 => bytes[at] = value,
                1 => { bytes.remove(at); }
                _ => bytes.truncate(at.max(1)),
            }
        }
        exercise(&bytes, Some(ports));
    }

    /// What is written is read back, in every format and port count.
    #[test]
    fn round_trip(cells in cells(), ports in 1usize..5, format in 0usize..3) {
        let format = [Format::RealImaginary, Format::MagnitudeAngle, Format::DecibelAngle][format];
        let frequency = grid(1e6, 0.37e9, 5);
        let matrices = matrices(&cells, ports);
        let text = written(&frequency, &matrices, format);
        let data = read(text.as_bytes(), Some(ports)).map_err(|e| TestCaseError::fail(e.to_string()))?;
        prop_assert_eq!(&data.frequency_hz, &frequency);
        for (read, wanted) in data.scattering.iter().zip(&matrices) {
            for (i, j) in (0..ports).flat_map(|i| (0..ports).map(move |j| (i, j))) {
                let difference = (read.at(i, j) - wanted.at(i, j)).norm();
                prop_assert!(difference < 1e-12, "S{}{} differs by {difference}", i + 1, j + 1);
            }
        }
    }
}

fn matrices(cells: &[f64], ports: usize) -> Vec<Matrix> {
    cells
        .chunks_exact(2 * MOST_PORTS * MOST_PORTS)
        .map(|c| {
            Matrix::from_fn(ports, |i, j| {
                let k = 2 * (i * MOST_PORTS + j);
                complex(c[k], c[k + 1])
            })
        })
        .collect()
}

/// Files that once were, or easily could be, trouble: kept in tests/corpus/touchstone.
#[test]
fn the_corpus() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/corpus/touchstone");
    let mut count = 0;
    for entry in std::fs::read_dir(&folder).expect("tests/corpus/touchstone") {
        let bytes = std::fs::read(entry.expect("an entry").path()).expect("a readable file");
        for ports in [None, Some(1), Some(2), Some(3), Some(4)] {
            exercise(&bytes, ports);
        }
        count += 1;
    }
    assert!(count >= 10, "{count} files");
}

/// The largest file that is taken by its counts ends in reasonable time and memory, the next larger is refused.
#[test]
fn many_points_are_read_and_too_many_refused() {
    let point = |i: usize| format!("{i} 0.5 0\n");
    let text: String = std::iter::once("# Hz S RI\n".to_string()).chain((0..200_000).map(point)).collect();
    let data = read(text.as_bytes(), Some(1)).expect("200000 points");
    assert_eq!(data.scattering.len(), 200_000);
    let text = text + &point(200_000);
    let error = read(text.as_bytes(), Some(1)).expect_err("one too many");
    assert_eq!(error.line, 200_002, "{error}");
}

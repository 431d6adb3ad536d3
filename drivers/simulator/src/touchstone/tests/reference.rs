//! Against scikit-rf: files that it wrote and read, and random cascades of the model's elements. The script is
//! tests/touchstone/make_reference.py, its outputs are in tests/data/touchstone.

use super::super::super::physics::line::Material;
use super::super::super::physics::twoport::Abcd;
use super::super::{ports_in_name, read};
use super::{close, complex};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/touchstone")
}

fn text_of(name: &str) -> String {
    std::fs::read_to_string(folder().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn numbers(line: &str) -> Vec<f64> {
    line.split_whitespace().map(|word| word.parse().expect("a number")).collect()
}

/// Every version, parameter, format, port count and reference: 1e-9 in each cell.
#[test]
fn files_of_scikit_rf_are_read_as_it_reads_them() {
    let expected = text_of("expected.txt");
    let mut files = 0;
    for part in expected.split("file ").skip(1) {
        let mut lines = part.lines();
        let name = lines.next().unwrap().trim();
        let data =
            read(text_of(name).as_bytes(), ports_in_name(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        let rows: Vec<Vec<f64>> = lines.map(numbers).collect();
        assert_eq!(rows.len(), data.frequency_hz.len(), "{name}");
        for (row, (frequency, s)) in rows.iter().zip(data.frequency_hz.iter().zip(&data.scattering)) {
            assert!((row[0] - frequency).abs() <= 1e-9 * row[0], "{name}");
            for (k, cell) in row[1..].chunks_exact(2).enumerate() {
                let (i, j) = (k / data.ports, k % data.ports);
                let wanted = complex(cell[0], cell[1]);
                assert!(
                    close(s.at(i, j), wanted, 1e-9),
                    "{name} {frequency} S{}{}: {}",
                    i + 1,
                    j + 1,
                    s.at(i, j)
                );
            }
        }
        files += 1;
    }
    assert!(files >= 30, "{files} files");
}

/// Copper at 25 degC and the laminate of one line, as the script has them.
fn material(er: f64, tand: f64, width_m: f64) -> Material {
    Material {
        er_reference: er,
        er,
        tand,
        width_m,
        thickness_m: 18e-6,
        resistivity: 1.72e-8 * (1.0 + 0.00393 * 5.0),
        roughness: 1.25,
    }
}

/// The chain matrix of one element, described as the script describes it.
fn element(description: &str, frequency: f64) -> Abcd {
    let (kind, rest) = description.split_once(' ').unwrap();
    let v = numbers(rest);
    let omega = TAU * frequency;
    let line = || material(v[1], v[2], v[3]).at(frequency).line(v[0], v[4]);
    let open = Complex64::new(0.0, 0.0);
    match kind {
        "line" => line(),
        "series" => Abcd::identity().then_rl(v[0], omega * v[1]),
        "shunt" => Abcd::identity().then_susceptance(omega * v[0]),
        "connector" => Abcd::connector(omega, v[0], v[1], v[2], 0.0),
        "stub" => Abcd::identity().then_shunt(line().input_admittance(open)),
        "loaded_stub" => Abcd::identity().then_shunt(line().input_admittance(Complex64::from(1.0 / v[5]))),
        other => panic!("{other}"),
    }
}

/// The line's R, L, G and C(f) are the model's own in both; cascade, stubs and the conversion to scattering parameters
/// are scikit-rf's.
#[test]
fn random_cascades_agree_with_scikit_rf() {
    let text = text_of("cascades.txt");
    let (mut cascades, mut worst) = (0, 0.0f64);
    for part in text.split("cascade ").skip(1) {
        let lines: Vec<&str> = part.lines().skip(1).collect();
        let elements: Vec<&&str> = lines.iter().filter(|line| !line.starts_with("at ")).collect();
        for row in lines.iter().filter_map(|line| line.strip_prefix("at ")).map(numbers) {
            let chain =
                elements.iter().fold(Abcd::identity(), |chain, part| chain.then(&element(part, row[0])));
            let s = chain.to_scattering(50.0);
            for (cell, pair) in [s.s11, s.s12, s.s21, s.s22].iter().zip(row[1..].chunks_exact(2)) {
                worst = worst.max((cell - complex(pair[0], pair[1])).norm());
            }
        }
        cascades += 1;
    }
    assert!(cascades >= 20, "{cascades} cascades");
    assert!(worst < 1e-9, "largest difference {worst:e}");
}

//! Lines taken out of a network, their way into the physics, and the warnings about the data.

use super::super::checks::{Warning, check_data, check_through};
use super::super::{Format, Matrix, Touchstone};
use super::{close, complex, grid, matched_line, read, written};
use nightbench_core::devices::PortPairing;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

fn fastest() -> f64 {
    3.2e9
}

fn file_of(frequency_hz: &[f64], scattering: &[Matrix]) -> Touchstone {
    let ports = scattering[0].size();
    read(&written(frequency_hz, scattering, Format::RealImaginary), ports)
}

fn warnings(data: &Touchstone) -> Vec<Warning> {
    let line = data.through(PortPairing::OneTwo, 0).unwrap();
    let mut all = check_data(data);
    all.extend(check_through(data, PortPairing::OneTwo, &line, fastest()));
    all
}

#[test]
fn a_good_line_draws_no_warning() {
    let f = grid(0.0, 20e6, 601);
    let data = file_of(&f, &matched_line(&f, 700e-12, 0.2));
    assert_eq!(warnings(&data), Vec::new());
    let line = data.through(PortPairing::OneTwo, 0).unwrap();
    // The loss adds its minimum phase to the delay of 700 ps.
    let delay = line.delay_s().unwrap();
    assert!(delay > 700e-12 && delay < 730e-12, "{delay}");
    let facts = line.facts(1.6e9).unwrap();
    assert!(
        facts
            .iter()
            .any(|(name, value)| *name == "loss at half the data rate" && value.ends_with("at 1.6 GHz"))
    );
}

#[test]
fn gain_direction_range_and_missing_direct_current() {
    let f = grid(10e6, 20e6, 300);
    let mut s = matched_line(&f, 500e-12, 0.001);
    s[7] = Matrix::from_fn(2, |i, j| if i == j { complex(0.0, 0.0) } else { complex(1.02, 0.0) });
    s[9] = Matrix::from_fn(2, |i, j| complex(if i > j { 0.9 } else { 0.0 }, 0.0));
    let found = warnings(&file_of(&f, &s));
    let at = |i: usize| f[i];
    assert!(
        found.iter().any(|w| matches!(w, Warning::NotPassive { gain, frequency_hz }
        if (gain - 1.02).abs() < 1e-9 && *frequency_hz == at(7))),
        "{found:?}"
    );
    assert!(
        found.iter().any(|w| matches!(w, Warning::NotReciprocal { difference, frequency_hz }
        if (difference - 0.9).abs() < 1e-9 && *frequency_hz == at(9))),
        "{found:?}"
    );
    assert!(found.iter().any(|w| matches!(w, Warning::NoDirectCurrent { lowest_hz } if *lowest_hz == 10e6)));
    assert!(
        found
            .iter()
            .any(|w| matches!(w, Warning::TooShort { wanted_hz, .. } if (*wanted_hz - 8e9).abs() < 1.0))
    );
    for warning in found {
        assert!(warning.to_string().len() > 30);
    }
}

#[test]
fn phase_steps_beyond_half_a_turn_are_found() {
    // 2 ns of delay at 200 MHz steps: 144 degrees, told; at 300 MHz: 216 degrees, not told; with one wide gap: neither.
    let of = |f: &[f64]| {
        let data = file_of(f, &matched_line(f, 2e-9, 0.05));
        warnings(&data).into_iter().any(|w| matches!(w, Warning::PhaseStep { .. }))
    };
    assert!(!of(&grid(0.0, 200e6, 60)));
    assert!(of(&grid(0.0, 300e6, 40)));
    let mut gap = grid(0.0, 50e6, 100);
    gap.extend(grid(6e9, 50e6, 100));
    assert!(of(&gap));
}

#[test]
fn time_advance_is_not_causal() {
    let f = grid(0.0, 20e6, 601);
    let found = warnings(&file_of(&f, &matched_line(&f, -1.5e-9, 0.2)));
    assert!(
        found.iter().any(|w| matches!(w, Warning::NotCausal { early_energy } if *early_energy > 0.9)),
        "{found:?}"
    );
}

/// Two uncoupled lines of different delay, ports 1-2 and 3-4, and the same wired 1-3 and 2-4.
fn two_lines(f: &[f64], wiring: [usize; 4]) -> Touchstone {
    let (a, b) = (matched_line(f, 300e-12, 0.1), matched_line(f, 500e-12, 0.1));
    let four: Vec<Matrix> = a
        .iter()
        .zip(&b)
        .map(|(a, b)| {
            Matrix::from_fn(4, |i, j| {
                let (i, j) = (wiring[i], wiring[j]);
                if i < 2 && j < 2 {
                    a.at(i, j)
                } else if i >= 2 && j >= 2 {
                    b.at(i - 2, j - 2)
                } else {
                    complex(0.0, 0.0)
                }
            })
        })
        .collect();
    file_of(f, &four)
}

#[test]
fn pairings_take_out_their_lines() {
    let f = grid(0.0, 20e6, 601);
    for (pairing, wiring) in [
        (PortPairing::OneTwo, [0, 1, 2, 3]),
        (PortPairing::OneThree, [0, 2, 1, 3]),
        (PortPairing::OneFour, [0, 2, 3, 1]),
    ] {
        let data = two_lines(&f, wiring);
        for (line, delay) in [(0, 300e-12), (1, 500e-12)] {
            let through = data.through(pairing, line).unwrap();
            assert!((through.delay_s().unwrap() - delay).abs() < 20e-12, "{}", pairing.name());
            assert_eq!(check_through(&data, pairing, &through, fastest()), Vec::new());
        }
        // A wrong pairing passes nothing: said, with what each passes, and refused by the physics.
        assert_eq!(data.best_pairing(), pairing);
        for (_, other) in PortPairing::ALL.into_iter().filter(|(_, other)| *other != pairing) {
            let wrong = data.through(other, 0).unwrap();
            let found = check_through(&data, other, &wrong, fastest());
            let said = found.iter().find(|w| matches!(w, Warning::Pairing { .. })).map(ToString::to_string);
            let said = said.unwrap_or_default();
            assert!(PortPairing::ALL.iter().all(|(name, _)| said.contains(name)), "{said}");
            assert!(wrong.to_measured().is_err());
        }
        assert_eq!(PortPairing::parse(pairing.name()), Some(pairing));
    }
    assert_eq!(PortPairing::parse("2-1/3-4"), None);
    let data = two_lines(&f, [0, 1, 2, 3]);
    assert!(data.through(PortPairing::OneTwo, 2).unwrap_err().message.contains("lines 0 to 1"));
    let one = read("# GHz\n1 0 0\n", 1);
    assert!(one.through(PortPairing::OneTwo, 0).unwrap_err().message.contains("one port"));
}

#[test]
fn a_line_can_be_turned_around() {
    let data = read("# GHz S RI\n1 .1 0 .7 0 .8 0 .2 0\n2 .1 0 .7 0 .8 0 .2 0\n", 2);
    let line = data.through(PortPairing::default(), 0).unwrap();
    let turned = line.clone().reversed();
    assert_eq!((turned.points[0].s11, turned.points[0].s21), (line.points[0].s22, line.points[0].s12));
    assert_eq!(turned.ports, (2, 1));
    assert_eq!(turned.reversed(), line);
}

/// The physics' interpolation of a file with 20 MHz steps, without a point at 0 Hz, against the line itself. The bound
/// is the error of linear interpolation of phase and magnitude at that step.
#[test]
fn the_physics_gets_the_line_back_between_points() {
    let f = grid(20e6, 20e6, 600);
    let measured = file_of(&f, &matched_line(&f, 700e-12, 0.2)).through(PortPairing::OneTwo, 0).unwrap();
    let measured = measured.to_measured().unwrap();
    for frequency in [33e6, 131e6, 1.601e9, 7.777e9] {
        let exact = matched_line(&[frequency], 700e-12, 0.2)[0].at(1, 0);
        assert!(
            close(measured.at(frequency).s21, exact, 2e-3),
            "{frequency}: {}",
            measured.at(frequency).s21
        );
    }
    // At 0 Hz the phase is 0 and the magnitude is on the straight line through the two lowest points.
    let start = measured.at(0.0).s21;
    assert!(start.im == 0.0 && start.re > 0.95 && start.re <= 1.0, "{start}");
}

/// Singular values of a unitary matrix are all 1, of a scaled rank-one matrix the product of its vectors' lengths.
#[test]
fn largest_singular_value_of_known_matrices() {
    let unitary = Matrix::from_fn(4, |i, j| Complex64::from_polar(0.5, TAU * (i * j) as f64 / 4.0));
    assert!((unitary.largest_singular_value() - 1.0).abs() < 1e-14);
    let rank_one = Matrix::from_fn(3, |i, j| complex((i + 1) as f64, 0.0) * complex(0.0, (j + 1) as f64));
    assert!((rank_one.largest_singular_value() - 14.0).abs() < 1e-12);
    assert_eq!(Matrix::zero(4).largest_singular_value(), 0.0);
}

#[test]
fn inverse_of_a_matrix_and_a_singular_one() {
    let m = Matrix::from_fn(4, |i, j| {
        complex((i * 7 + j * j * 3 % 5) as f64 + if i == j { 9.0 } else { 0.0 }, j as f64)
    });
    let product = m.times(&m.inverse().unwrap());
    for (i, j) in (0..4).flat_map(|i| (0..4).map(move |j| (i, j))) {
        assert!(close(product.at(i, j), Matrix::identity(4).at(i, j), 1e-12));
    }
    assert!(Matrix::from_fn(2, |_, _| complex(1.0, 0.0)).inverse().is_none());
}

//! Dielectric, lines, cascade and lattice against stored outside values.

use super::super::conditions::Materials;
use super::super::dielectric::permittivity;
use super::super::line::{Material, SPEED_OF_LIGHT};
use super::super::twoport::{Abcd, Complex, Scattering};
use super::super::{MeasuredCoupling, Parameters};
use super::{close, near};
use std::f64::consts::{PI, TAU};

fn copper(er: f64, tand: f64) -> Material {
    Material {
        er_reference: er,
        er,
        tand,
        width_m: 0.10e-3,
        thickness_m: 18e-6,
        resistivity: 1.72e-8 * (1.0 + 0.00393 * 5.0),
        roughness: 1.25,
    }
}

fn lossless(z0_ohm: f64, delay_s: f64, frequency_hz: f64) -> Abcd {
    let ideal = Material { tand: 0.0, resistivity: 0.0, ..copper(4.0, 0.0) };
    ideal.at(frequency_hz).line(z0_ohm, ideal.length_of_delay(delay_s))
}

/// Source: scikit-rf DefinedAEpTandZ0 (Djordjevic-Sarkar), stored values.
#[test]
fn dielectric_follows_djordjevic_and_sarkar() {
    let stored = [
        (1e6, 4.352033372, -0.080000000),
        (1e8, 4.117344449, -0.080045407),
        (1e9, 4.000000000, -0.080000000),
        (5e9, 3.917980344, -0.079796195),
        (1e10, 3.882658048182351, -0.07954140431611753),
        (2e10, 3.847341484, -0.079031905),
    ];
    for (f, re, im) in stored {
        let eps = permittivity(f, 4.0, 0.02);
        near("eps'", eps.re, re, 6e-10);
        near("eps''", eps.im, im, 6e-10);
    }
}

/// Source: the model's own equations in numpy, stored values (the loss law is not independently checked).
#[test]
fn line_constants_per_metre() {
    let stored = [
        (1e8, 33.62049597, 241.762218, 0.361348008, 4.57565243, 53.08585402, -3.15540321, 3.138629),
        (1e9, 104.23952265, 2199.628189, 1.446793305, 42.94621482, 51.24182258, -0.70095111, 12.566687),
        (5e9, 232.67794465, 10711.698965, 4.413248963, 209.71282495, 51.07866744, -0.03459525, 38.332993),
        (1e10, 328.98412492, 21287.290032, 7.479298659, 416.20348948, 51.14404008, 0.12863281, 64.964363),
    ];
    for (f, zr, zi, alpha, beta, cr, ci, loss_db) in stored {
        let (z, y) = copper(4.0, 0.02).at(f).per_metre(50.0);
        close("Re zs", z.re, zr, 1e-9);
        close("Im zs", z.im, zi, 2e-9);
        let gamma = (z * y).sqrt();
        let impedance = (z / y).sqrt();
        close("alpha", gamma.re, alpha, 2e-9);
        close("beta", gamma.im, beta, 2e-9);
        close("Re Zc", impedance.re, cr, 1e-9);
        near("Im Zc", impedance.im, ci, 1e-8);
        close("loss", 20.0 * gamma.re / 10f64.ln(), loss_db, 2e-7);
        let section = copper(4.0, 0.02).at(f).line(50.0, 0.03);
        near("determinant", (section.a * section.d - section.b * section.c - 1.0).norm(), 0.0, 1e-12);
    }
}

/// Check (a). Source: scikit-rf DistributedCircuit, stored values.
#[test]
fn cascade_with_stub_matches_scattering_parameters() {
    let stored = [
        (0.1, 0.884293628, -0.395659280, -0.003118513, -0.037238705),
        (1.0, -0.575289210, 0.573467549, 0.306067979, -0.128631634),
        (1.2, 0.000249343, 0.787749791, 0.117425946, -0.329914870),
        (1.6, 0.686841901, -0.061605756, -0.426498486, -0.094939902),
        (2.0, -0.107865293, -0.433607556, 0.101156156, 0.609597752),
        (2.4, -0.102243218, -0.007339032, 0.575639474, -0.430662266),
        (2.5, -0.049932582, -0.055890693, 0.282488919, -0.655525855),
        (3.2, -0.044936362, 0.541780263, -0.062763145, 0.472255086),
        (5.0, 0.326171516, 0.512336543, 0.275633470, 0.121901316),
        (10.0, -0.185907414, 0.163527097, -0.263092669, -0.243904794),
    ];
    for (ghz, s21_re, s21_im, s11_re, s11_im) in stored {
        let f = ghz * 1e9;
        let (first, second) = (copper(4.0, 0.02).at(f), copper(4.0, 0.018).at(f));
        let stub = first.line(50.0, 0.015).input_admittance(Complex::new(0.0, 0.0));
        let s = first
            .line(50.0, 0.050)
            .then_shunt(stub)
            .then_rl(0.0, TAU * f * 1.2e-9)
            .then_susceptance(TAU * f * 0.75e-12)
            .then(&second.line(42.0, 0.030))
            .to_scattering(50.0);
        near("Re S21", s.s21.re, s21_re, 6e-10);
        near("Im S21", s.s21.im, s21_im, 6e-10);
        near("Re S11", s.s11.re, s11_re, 6e-10);
        near("Im S11", s.s11.im, s11_im, 6e-10);
        near("reciprocity", (s.s12 - s.s21).norm(), 0.0, 1e-12);
        let back = s.to_abcd(50.0).unwrap().to_scattering(50.0);
        near("round trip", (back.s11 - s.s11).norm() + (back.s22 - s.s22).norm(), 0.0, 1e-12);
    }
}

/// Check (a), stubs. Source: quarter-wave formula f = c/(4 l sqrt er), textbook; the lossy notch: stored values.
#[test]
fn open_stub_notches_where_it_is_a_quarter_wave() {
    for (length_m, notch_hz) in [(15e-3, 2_498_270_483.333), (5e-3, 7_494_811_450.0)] {
        close("formula", SPEED_OF_LIGHT / (4.0 * length_m * 2.0), notch_hz, 1e-12);
        let delay = length_m * 2.0 / SPEED_OF_LIGHT;
        let y = lossless(50.0, delay, notch_hz).input_admittance(Complex::new(0.0, 0.0));
        assert!(y.norm() > 1e9, "a quarter-wave open stub is a short: {y}");
    }
    let depth_db = |f: f64| {
        let y = copper(4.0, 0.02).at(f).line(50.0, 0.015).input_admittance(Complex::new(0.0, 0.0));
        20.0 * Abcd::identity().then_shunt(y).to_scattering(50.0).s21.norm().log10()
    };
    let notch = 2_473_047_000.0;
    near("depth in dB", depth_db(notch), -22.45585, 6e-6);
    assert!(depth_db(notch) < depth_db(notch - 2e6) && depth_db(notch) < depth_db(notch + 2e6));
}

/// Load voltage of a unit-step source by chain matrix and Fourier series: a square wave of period `period_s` through
/// a Gaussian edge of 20 ps.
fn step_by_fourier(source: f64, rs: f64, z0: f64, rl: f64, t: f64) -> f64 {
    let (delay, period) = (1e-9, 64e-9);
    let mut sum = 0.5 * rl / (rs + rl);
    let mut n = 1;
    while n < 4000 {
        let f = f64::from(n) / period;
        let edge = (-0.5 * (TAU * f * 20e-12).powi(2)).exp();
        let h = lossless(z0, delay, f).transfer(rs, rl) * Complex::from_polar(1.0, TAU * f * t);
        sum += 2.0 / (PI * f64::from(n)) * edge * h.im;
        n += 2;
    }
    source * sum
}

/// Check (b). Source: bounce diagram (lattice), textbook; the sums are formed here and compared with the stored rows,
/// then with the chain matrix.
#[test]
fn step_response_follows_the_lattice() {
    let cases = [
        (
            1.0,
            25.0,
            50.0,
            100.0,
            [
                0.888888889,
                0.790123457,
                0.801097394,
                0.799878067,
                0.800013548,
                0.799998495,
                0.800000167,
                0.799999981,
            ],
            0.8,
            true,
        ),
        (
            1.0,
            10.0,
            50.0,
            1e6,
            [
                1.666583337,
                0.555638879,
                1.296194459,
                0.802540107,
                1.131610100,
                0.912252041,
                1.058476124,
                0.961003150,
            ],
            0.999990000,
            false,
        ),
        (
            -1.2,
            34.3,
            46.0,
            60.0,
            [
                -0.778213774,
                -0.763237927,
                -0.763526120,
                -0.763520574,
                -0.763520681,
                -0.763520679,
                -0.763520679,
                -0.763520679,
            ],
            -0.763520679,
            true,
        ),
    ];
    for (source, rs, z0, rl, stored, end, settles) in cases {
        let (gs, gl) = ((rs - z0) / (rs + z0), (rl - z0) / (rl + z0));
        let launched = source * z0 / (rs + z0);
        let mut at_load = 0.0;
        let mut wave = launched;
        for (bounce, want) in stored.iter().enumerate() {
            at_load += wave * (1.0 + gl);
            wave *= gl * gs;
            near("lattice", at_load, *want, 1.1e-9);
            if settles {
                let t = (2.0 + 2.0 * bounce as f64) * 1e-9;
                near("chain matrix", step_by_fourier(source, rs, z0, rl, t), *want, 2e-9);
            }
        }
        near("end value", source * rl / (rs + rl), end, 6e-10);
        near("direct current", source * lossless(z0, 1e-9, 0.0).transfer(rs, rl).re, end, 6e-10);
    }
}

/// Check (g). Source: skin-depth formula sqrt(rho/(pi f mu0)), textbook.
#[test]
fn skin_resistance_and_its_temperature() {
    for (rho, depth_um, sheet_mohm) in
        [(1.68e-8, 2.062883834, 8.143938947), (1.72e-8, 2.087297510, 8.240320278)]
    {
        let smooth = Material { resistivity: rho, roughness: 1.0, ..copper(4.0, 0.02) };
        let sheet = smooth.skin_coefficient() * smooth.width_m * 1e9f64.sqrt();
        close("Rs per square", sheet * 1e3, sheet_mohm, 1e-9);
        close("skin depth", rho / sheet * 1e6, depth_um, 1e-9);
    }
    let hot = Material { resistivity: 1.72e-8 * 1.294750, ..copper(4.0, 0.02) };
    let cold = Material { resistivity: 1.72e-8, ..copper(4.0, 0.02) };
    close("Rs at 95 degC over 20 degC", hot.skin_coefficient() / cold.skin_coefficient(), 1.137870819, 1e-9);
}

/// Check (g), geometry. Sources: Hammerstad and Jensen 1980 (thin microstrip) and IPC-2141, both textbook; stored values.
/// The model takes impedances, not geometries; what this shows is that its default lines can be built: a microstrip of
/// the default width has the default impedance over 0.03 mm (a thin build-up layer) to 0.3 mm of dielectric.
#[test]
fn default_lines_can_be_built() {
    let hammerstad_jensen = |u: f64, er: f64| {
        let a = 1.0
            + ((u.powi(4) + (u / 52.0).powi(2)) / (u.powi(4) + 0.432)).ln() / 49.0
            + (1.0 + (u / 18.1).powi(3)).ln() / 18.7;
        let b = 0.564 * ((er - 0.9) / (er + 3.0)).powf(0.053);
        let effective = 0.5 * (er + 1.0) + 0.5 * (er - 1.0) * (1.0 + 10.0 / u).powf(-a * b);
        let f = 6.0 + (TAU - 6.0) * (-(30.666 / u).powf(0.7528)).exp();
        let vacuum_ohm = 4e-7 * PI * SPEED_OF_LIGHT;
        let air = vacuum_ohm / TAU * (f / u + (1.0 + (2.0 / u).powi(2)).sqrt()).ln();
        (air / effective.sqrt(), effective)
    };
    for (u, er, z0, effective) in [
        (1.0, 4.2, 72.494147832, 3.041250756),
        (2.0, 4.2, 49.714029695, 3.207039990),
        (1.6, 4.0, 57.915079681, 3.015167822),
    ] {
        let found = hammerstad_jensen(u, er);
        close("Z0", found.0, z0, 1e-6);
        close("er_eff", found.1, effective, 1e-8);
    }
    let microstrip =
        |w: f64, h: f64, t: f64, er: f64| 87.0 / (er + 1.41).sqrt() * (5.98 * h / (0.8 * w + t)).ln();
    let stripline = |w: f64, b: f64, t: f64, er: f64| 60.0 / er.sqrt() * (1.9 * b / (0.8 * w + t)).ln();
    close("IPC-2141 microstrip", microstrip(0.2, 0.12, 0.035, 4.2), 47.857846976, 1e-9);
    close("IPC-2141 stripline", stripline(0.12, 0.3, 0.018, 4.0), 48.283137373, 1e-9);
    let p = Parameters::ddr4();
    for (name, width_mm, z0, er) in [
        ("module", p.mod_w_mm, p.mod_z_ohm, p.er_mod),
        ("board", p.brd_w_mm, p.brd_z_ohm, p.er_brd),
        ("riser", p.riser_w_mm, p.riser_z_ohm, p.er_mod),
        ("adapter", p.adapt_w_mm, p.adapt_z_ohm, p.er_mod),
    ] {
        let (mut thin, mut thick) = (0.01, 2.0);
        for _ in 0..60 {
            let middle = 0.5 * (thin + thick);
            let low = hammerstad_jensen(width_mm / middle, er).0 < z0;
            *if low { &mut thin } else { &mut thick } = middle;
        }
        assert!((0.03..0.3).contains(&thin), "{name}: {z0} ohm at {width_mm} mm needs {thin:.3} mm");
    }
}

/// Source: definition of the principal root.
#[test]
fn root_is_the_principal_one() {
    for z in [(3.0, 4.0), (-3.0, 4.0), (-3.0, -4.0), (2.0, 0.0), (0.0, 1e-9), (-1e6, 1e-3)] {
        let z = Complex::new(z.0, z.1);
        let r = super::super::line::root(z);
        assert!((r - z.sqrt()).norm() <= 1e-12 * z.norm().sqrt(), "{z}: {r}");
    }
}

/// Two lines beside each other are one line in the even mode and one in the odd mode (any text on coupled lines): a line's own
/// signal is half the sum, its neighbour's half the difference. So is what a measured four-port of them brings, between
/// modelled ends, whichever end drives.
#[test]
fn measured_coupling_agrees_with_even_and_odd_modes() {
    let p = Parameters::ddr4();
    let board = Materials::new(&p, 25.0).unwrap().board;
    let frequencies: Vec<f64> = (1..=800).map(|n| f64::from(n) * 10e6).collect();
    let modes = |f: f64| [board.at(f).line(58.0, 0.05), board.at(f).line(44.0, 0.0488)];
    let four = |f: f64| {
        let [even, odd] = modes(f).map(|mode| mode.to_scattering(50.0));
        let cells = |s: Scattering| [[s.s11, s.s12], [s.s21, s.s22]];
        let (even, odd) = (cells(even), cells(odd));
        std::array::from_fn(|i| {
            std::array::from_fn(|j| {
                let (e, o) = (even[i % 2][j % 2], odd[i % 2][j % 2]);
                if i / 2 == j / 2 { 0.5 * (e + o) } else { 0.5 * (e - o) }
            })
        })
    };
    let points = frequencies.iter().map(|f| four(*f)).collect();
    let measured = MeasuredCoupling::new(frequencies, points, 320e-12, 50.0).unwrap();
    let mut largest: f64 = 0.0;
    for f in [123.4e6, 1.0e9, 1.603e9, 3.2017e9, 7.777e9] {
        let omega = TAU * f;
        let front =
            Abcd::connector(omega, 1.2e-9, 0.75e-12, 0.3e-12, 0.0).then(&board.at(f).line(42.0, 0.03));
        let back = Abcd::identity().then_rl(5.0, omega * 0.7e-9).then_susceptance(omega * 1.0e-12);
        for write in [false, true] {
            let [even, odd] = modes(f).map(|mode| {
                let mode = if write { mode.reversed(Complex::from(1.0)) } else { mode };
                front.then(&mode).then(&back).transfer(34.0, 48.0)
            });
            let expected = 0.5 * (even - odd);
            let got = measured.transfer(f, write, (front, back), (34.0, 48.0));
            largest = largest.max(expected.norm());
            assert!((got - expected).norm() < 2e-4, "{f} {write}: {got}, expected {expected}");
        }
    }
    assert!(largest > 0.02, "{largest}");
    // Nothing couples at 0 Hz, and what is held above the last point stays a number.
    let still = measured.transfer(0.0, false, (Abcd::identity(), Abcd::identity()), (34.0, 48.0));
    assert!(still.norm() < 1e-9, "{still}");
    assert!(measured.at(3e10).iter().flatten().all(|cell| cell.re.is_finite()));
}

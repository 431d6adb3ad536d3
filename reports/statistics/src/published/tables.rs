//! Tables and examples of handbooks that the tool's own intervals hang on: quantiles, limits of counts, the least of normal
//! values, and regression.

use super::Mark::{M, R};
use super::Table;
use crate::minimum::{Minimum, Noisy};
use crate::regression::{Fit, correlation, least_squares};
use crate::special::{chi2_quantile, f_sf, t_quantile};
use crate::summary::{mean, standard_deviation};

pub fn rows(table: &mut Table) {
    quantiles(table);
    poisson_limits(table);
    least_of_normal_values(table);
    thermometer(table);
    correlated_inputs(table);
    norris(table);
    longley(table);
    wampler(table);
}

/// Critical values as tables print them (e-Handbook 1.3.6.7.2 to 1.3.6.7.4).
fn quantiles(table: &mut Table) {
    let mut s = table.section("e-Handbook 1.3.6.7.2, Student's t", M);
    let printed = [
        (1.0, [6.314, 12.706, 31.821, 63.657]),
        (2.0, [2.920, 4.303, 6.965, 9.925]),
        (3.0, [2.353, 3.182, 4.541, 5.841]),
        (4.0, [2.132, 2.776, 3.747, 4.604]),
        (5.0, [2.015, 2.571, 3.365, 4.032]),
        (6.0, [1.943, 2.447, 3.143, 3.707]),
        (7.0, [1.895, 2.365, 2.998, 3.499]),
        (8.0, [1.860, 2.306, 2.896, 3.355]),
        (9.0, [1.833, 2.262, 2.821, 3.250]),
        (10.0, [1.812, 2.228, 2.764, 3.169]),
        (15.0, [1.753, 2.131, 2.602, 2.947]),
        (20.0, [1.725, 2.086, 2.528, 2.845]),
        (30.0, [1.697, 2.042, 2.457, 2.750]),
    ];
    for (dof, values) in printed {
        for (p, value) in [0.95, 0.975, 0.99, 0.995].into_iter().zip(values) {
            // Some copies truncate the last digit.
            s.absolute(format!("{p}, {dof} dof"), t_quantile(p, dof).unwrap(), value, 1e-3);
        }
    }
    // Even degrees of freedom are those that counts of errors have (2 k + 2).
    let mut s = table.section("e-Handbook 1.3.6.7.4, chi-squared", M);
    let printed = [
        (2.0, [4.605, 5.991, 7.378, 9.210]),
        (4.0, [7.779, 9.488, 11.143, 13.277]),
        (6.0, [10.645, 12.592, 14.449, 16.812]),
        (8.0, [13.362, 15.507, 17.535, 20.090]),
        (10.0, [15.987, 18.307, 20.483, 23.209]),
        (20.0, [28.412, 31.410, 34.170, 37.566]),
        (30.0, [40.256, 43.773, 46.979, 50.892]),
        (50.0, [63.167, 67.505, 71.420, 76.154]),
        (100.0, [118.498, 124.342, 129.561, 135.807]),
    ];
    for (dof, values) in printed {
        for (p, value) in [0.90, 0.95, 0.975, 0.99].into_iter().zip(values) {
            s.absolute(format!("{p}, {dof} dof"), chi2_quantile(p, dof).unwrap(), value, 1e-3);
        }
    }
    let mut s = table.section("e-Handbook 1.3.6.7.3, F, 5 %", M);
    for (a, b, value) in [
        (1.0, 10.0, 4.965),
        (2.0, 10.0, 4.103),
        (3.0, 10.0, 3.708),
        (4.0, 10.0, 3.478),
        (5.0, 10.0, 3.326),
        (10.0, 10.0, 2.978),
        (1.0, 20.0, 4.351),
        (4.0, 20.0, 2.866),
        (5.0, 20.0, 2.711),
        (10.0, 20.0, 2.348),
        (1.0, 30.0, 4.171),
        (9.0, 40.0, 2.124),
    ] {
        s.absolute(format!("{a} and {b} dof"), f_sf(value, a, b).unwrap(), 0.05, 5e-5);
    }
}

/// Exact 95 % limits of a Poisson mean behind a count (Garwood 1936, as tables print them).
fn poisson_limits(table: &mut Table) {
    let mut s = table.section("Garwood's limits of a count", M);
    let printed = [
        (0.0, 3.689),
        (0.0253, 5.572),
        (0.2422, 7.225),
        (0.6187, 8.767),
        (1.0899, 10.242),
        (1.6235, 11.668),
        (2.2019, 13.059),
        (2.8144, 14.423),
        (3.4538, 15.763),
        (4.1154, 17.085),
        (4.7954, 18.390),
    ];
    for (count, (lower, upper)) in (0u32..).zip(printed) {
        let count = f64::from(count);
        if count > 0.0 {
            let found = 0.5 * chi2_quantile(0.025, 2.0 * count).unwrap();
            s.absolute(format!("{count}, lower"), found, lower, 1e-4);
        }
        let found = 0.5 * chi2_quantile(0.975, 2.0 * count + 2.0).unwrap();
        s.absolute(format!("{count}, upper"), found, upper, 1e-3);
    }
}

/// Expected least of n normal values (Harter, Biometrika 48 (1961) 151).
fn least_of_normal_values(table: &mut Table) {
    let mut s = table.section("Harter 1961, expected extremes", M);
    for (n, value) in [
        (2, 0.56419),
        (3, 0.84628),
        (4, 1.02938),
        (5, 1.16296),
        (6, 1.26721),
        (7, 1.35218),
        (8, 1.42360),
        (9, 1.48501),
        (10, 1.53875),
    ] {
        let values = vec![Noisy { value: 0.0, variance: 1.0, about: 0.0, group: 0, alone: true }; n];
        let found = Minimum::new(&values, None, 0.0, 0.0).unwrap();
        let of = |k: u32| found.quantile(f64::from(2 * k + 1) / 800.0).unwrap();
        let expected = (0..400).map(of).sum::<f64>() / 400.0;
        // The piece keeps 64 places.
        s.absolute(format!("{n} values"), -expected, value, 0.01);
    }
}

fn line(x: &[f64], y: &[f64]) -> Fit {
    let rows: Vec<Vec<f64>> = x.iter().map(|x| vec![*x]).collect();
    least_squares(&rows, y).unwrap()
}

/// GUM H.3: a thermometer's corrections, fitted about 20 degC.
fn thermometer(table: &mut Table) {
    let read = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let corrections =
        [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let about: Vec<f64> = read.iter().map(|t| t - 20.0).collect();
    let fit = line(&about, &corrections);
    let mut s = table.section("GUM H.3 thermometer", M);
    s.digits("y1", fit.intercept, -0.1712, 4);
    s.digits("y2", fit.coefficients[0], 0.00218, 5);
    s.digits("s", fit.residual_sd, 0.0035, 4);
    s.digits("b(30)", fit.predict(&[10.0]), -0.1494, 4);
    let printed =
        [-0.1679, -0.1668, -0.1657, -0.1646, -0.1635, -0.1625, -0.1614, -0.1603, -0.1592, -0.1581, -0.1570];
    for ((t, about), predicted) in read.iter().zip(&about).zip(printed) {
        s.digits(format!("b({t})"), fit.predict(&[*about]), predicted, 4);
    }
}

/// GUM H.2: resistance and reactance measured together.
fn correlated_inputs(table: &mut Table) {
    let volts = [5.007, 4.994, 5.005, 4.990, 4.999];
    let milliamperes = [19.663, 19.639, 19.640, 19.685, 19.678];
    let radians = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    let mut s = table.section("GUM H.2 correlated inputs", R);
    for (name, values, average, u, digits) in [
        ("V", &volts, 4.9990, 0.0032, 4),
        ("I", &milliamperes, 19.6610, 0.0095, 4),
        ("phi", &radians, 1.04446, 0.00075, 5),
    ] {
        s.digits(format!("mean of {name}"), mean(values).unwrap(), average, digits);
        s.digits(format!("u of {name}"), standard_deviation(values).unwrap() / 5f64.sqrt(), u, digits);
    }
    s.digits("r(V, I)", correlation(&volts, &milliamperes).unwrap(), -0.36, 2);
    s.digits("r(V, phi)", correlation(&volts, &radians).unwrap(), 0.86, 2);
    s.digits("r(I, phi)", correlation(&milliamperes, &radians).unwrap(), -0.65, 2);
}

/// NIST StRD Norris: ozone monitors. Data from memory; the certified digits come out of no other.
fn norris(table: &mut Table) {
    const PAIRS: [(f64, f64); 36] = [
        (0.1, 0.2),
        (338.8, 337.4),
        (118.1, 118.2),
        (888.0, 884.6),
        (9.2, 10.1),
        (228.1, 226.5),
        (668.5, 666.3),
        (998.5, 996.3),
        (449.1, 448.6),
        (778.9, 777.0),
        (559.2, 558.2),
        (0.3, 0.4),
        (0.1, 0.6),
        (778.1, 775.5),
        (668.8, 666.9),
        (339.3, 338.0),
        (448.9, 447.5),
        (10.8, 11.6),
        (557.7, 556.0),
        (228.3, 228.1),
        (998.0, 995.8),
        (888.8, 887.6),
        (119.6, 120.2),
        (0.3, 0.3),
        (0.6, 0.3),
        (557.6, 556.8),
        (339.3, 339.1),
        (888.0, 887.2),
        (998.5, 999.0),
        (778.9, 779.0),
        (10.2, 11.1),
        (117.6, 118.3),
        (228.9, 229.2),
        (668.4, 669.1),
        (449.2, 448.9),
        (0.2, 0.5),
    ];
    let (y, x): (Vec<f64>, Vec<f64>) = PAIRS.into_iter().unzip();
    let fit = line(&x, &y);
    let mut s = table.section("NIST StRD Norris", M);
    s.relative("B0", fit.intercept, -0.262323073774029, 1e-10);
    s.relative("B1", fit.coefficients[0], 1.00211681802045, 1e-12);
    s.relative("residual sd", fit.residual_sd, 0.884796396144373, 1e-12);
}

/// NIST StRD Longley: seven figures of nearly dependent columns. Data from memory.
fn longley(table: &mut Table) {
    const Y: [f64; 16] = [
        60323.0, 61122.0, 60171.0, 61187.0, 63221.0, 63639.0, 64989.0, 63761.0, 66019.0, 67857.0, 68169.0,
        66513.0, 68655.0, 69564.0, 69331.0, 70551.0,
    ];
    const X: [[f64; 5]; 16] = [
        [83.0, 234289.0, 2356.0, 1590.0, 107608.0],
        [88.5, 259426.0, 2325.0, 1456.0, 108632.0],
        [88.2, 258054.0, 3682.0, 1616.0, 109773.0],
        [89.5, 284599.0, 3351.0, 1650.0, 110929.0],
        [96.2, 328975.0, 2099.0, 3099.0, 112075.0],
        [98.1, 346999.0, 1932.0, 3594.0, 113270.0],
        [99.0, 365385.0, 1870.0, 3547.0, 115094.0],
        [100.0, 363112.0, 3578.0, 3350.0, 116219.0],
        [101.2, 397469.0, 2904.0, 3048.0, 117388.0],
        [104.6, 419180.0, 2822.0, 2857.0, 118734.0],
        [108.4, 442769.0, 2936.0, 2798.0, 120445.0],
        [110.8, 444546.0, 4681.0, 2637.0, 121950.0],
        [112.6, 482704.0, 3813.0, 2552.0, 123366.0],
        [114.2, 502601.0, 3931.0, 2514.0, 125368.0],
        [115.7, 518173.0, 4806.0, 2572.0, 127852.0],
        [116.9, 554894.0, 4007.0, 2827.0, 130081.0],
    ];
    let rows: Vec<Vec<f64>> =
        X.iter().zip(1947..).map(|(x, year)| x.iter().copied().chain([f64::from(year)]).collect()).collect();
    let fit = least_squares(&rows, &Y).unwrap();
    let mut s = table.section("NIST StRD Longley", M);
    s.relative("B0", fit.intercept, -3482258.63459582, 1e-8);
    let certified = [
        15.0618722713733,
        -0.0358191792925910,
        -2.02022980381683,
        -1.03322686717359,
        -0.0511041056535807,
        1829.15146461355,
    ];
    for (at, (found, expected)) in fit.coefficients.iter().zip(certified).enumerate() {
        s.relative(format!("B{}", at + 1), *found, expected, 1e-8);
    }
    s.relative("residual sd", fit.residual_sd, 304.854073561965, 1e-9);
}

/// NIST StRD Wampler1 to Wampler5: polynomials of the fifth degree, the last three with the same deviations, each a hundred
/// times those before. The values of Wampler3 from memory.
fn wampler(table: &mut Table) {
    const THIRD: [f64; 21] = [
        760.0, -2042.0, 2111.0, -1684.0, 3888.0, 1858.0, 11379.0, 17560.0, 39287.0, 64382.0, 113159.0,
        175108.0, 273291.0, 400186.0, 581243.0, 811568.0, 1121004.0, 1506550.0, 2002767.0, 2611612.0,
        3369180.0,
    ];
    let x: Vec<f64> = (0..21).map(f64::from).collect();
    let rows: Vec<Vec<f64>> = x.iter().map(|x| (1..=5).map(|power| x.powi(power)).collect()).collect();
    let sum = |factor: f64, x: f64| (0..=5).map(|power| (factor * x).powi(power)).sum::<f64>();
    let deviation = |at: usize| THIRD[at] - sum(1.0, x[at]);
    let sets: [(&str, f64, f64, f64, f64); 5] = [
        ("Wampler1", 1.0, 0.0, 0.0, 1e-8),
        ("Wampler2", 0.1, 0.0, 0.0, 1e-10),
        ("Wampler3", 1.0, 1.0, 2360.14502379268, 1e-8),
        ("Wampler4", 1.0, 100.0, 236014.502379268, 1e-6),
        ("Wampler5", 1.0, 10_000.0, 23601450.2379268, 1e-4),
    ];
    let mut s = table.section("NIST StRD Wampler", M);
    for (name, factor, scale, sd, tolerance) in sets {
        let y: Vec<f64> = (0..21).map(|at| sum(factor, x[at]) + scale * deviation(at)).collect();
        let fit = least_squares(&rows, &y).unwrap();
        s.absolute(format!("{name} B0"), fit.intercept, 1.0, 100.0 * tolerance);
        for (at, found) in fit.coefficients.iter().enumerate() {
            let expected = factor.powi(at as i32 + 1);
            s.relative(format!("{name} B{}", at + 1), *found, expected, 100.0 * tolerance);
        }
        s.absolute(format!("{name} residual sd"), fit.residual_sd, sd, (1e-9 * sd).max(1e-7));
    }
}

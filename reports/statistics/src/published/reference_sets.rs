//! NIST statistical reference data sets (StRD): univariate and analysis of variance.

use super::Mark::R;
use super::data::{ATMWTAG, LEW, LOTTERY, MAVRO, MICHELSO, SIRSTV, pi_digits};
use super::{Section, Table};
use crate::anova::one_way;
use crate::summary::{mean, standard_deviation};

pub fn rows(table: &mut Table) {
    univariate(table);
    analysis_of_variance(table);
}

/// Pi digits as distributed: digit 957 is a 3 there, an 8 in pi.
pub(crate) fn pi_digits_as_distributed() -> Vec<f64> {
    let mut digits = pi_digits(5000);
    digits[956] = 3;
    digits.into_iter().map(f64::from).collect()
}

/// NumAcc2..4: B.2, then 500 times (B.1, B.3).
pub(crate) fn numacc(base: f64) -> Vec<f64> {
    let mut v = vec![base + 0.2];
    for _ in 0..500 {
        v.extend([base + 0.1, base + 0.3]);
    }
    v
}

/// Relative tolerances of mean and sd.
fn compare(s: &mut Section<'_>, name: &str, values: &[f64], certified: [f64; 2], tolerance: [f64; 2]) {
    s.relative(format!("{name} mean"), mean(values).unwrap(), certified[0], tolerance[0]);
    s.relative(format!("{name} sd"), standard_deviation(values).unwrap(), certified[1], tolerance[1]);
}

fn univariate(table: &mut Table) {
    let mut s = table.section("NIST StRD univariate", R);
    let pi = pi_digits_as_distributed();
    compare(&mut s, "PiDigits", &pi, [4.5348, 2.86733906028871], [1e-14, 1e-14]);
    let lottery = LOTTERY.map(f64::from);
    compare(&mut s, "Lottery", &lottery, [518.958715596330, 291.699727470969], [1e-14, 1e-14]);
    let lew = LEW.map(f64::from);
    compare(&mut s, "Lew", &lew, [-177.435, 277.332168044316], [1e-14, 1e-14]);
    let mavro: Vec<f64> = MAVRO.iter().map(|x| 2.0 + f64::from(*x) * 1e-5).collect();
    compare(&mut s, "Mavro", &mavro, [2.001856, 0.000429123454003053], [1e-14, 1e-12]);
    let michelso: Vec<f64> = MICHELSO.iter().map(|x| 299.0 + f64::from(*x) / 100.0).collect();
    compare(&mut s, "Michelso", &michelso, [299.8524, 0.0790105478190518], [1e-14, 1e-13]);
    let numacc1 = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    compare(&mut s, "NumAcc1", &numacc1, [10_000_002.0, 1.0], [0.0, 0.0]);
    compare(&mut s, "NumAcc2", &numacc(1.0), [1.2, 0.1], [1e-14, 1e-14]);
    // The rounding of .1, .2, .3 at these offsets limits what is attainable.
    compare(&mut s, "NumAcc3", &numacc(1e6), [1_000_000.2, 0.1], [1e-14, 1e-9]);
    compare(&mut s, "NumAcc4", &numacc(1e7), [10_000_000.2, 0.1], [1e-14, 1e-8]);
}

/// Simon-Lesage sets: nine treatments of `repeats` values at a base.
fn smls(base: f64, repeats: usize) -> Vec<Vec<f64>> {
    [0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5]
        .into_iter()
        .map(|centre| {
            let mut cell = vec![base + centre];
            for _ in 0..(repeats - 1) / 2 {
                // Tenths written as such, so that each value is the nearest one to its decimal text.
                let tenths = (centre * 10.0_f64).round();
                cell.extend([base + (tenths - 1.0) / 10.0, base + (tenths + 1.0) / 10.0]);
            }
            cell
        })
        .collect()
}

fn analysis_of_variance(table: &mut Table) {
    let mut s = table.section("NIST StRD analysis of variance", R);
    let groups: Vec<&[f64]> = SIRSTV.iter().map(|g| g.as_slice()).collect();
    let a = one_way(&groups).unwrap();
    s.relative("SiRstv F", a.between.f, 1.18046237440255, 1e-11);
    s.relative("SiRstv R2", a.r_squared, 0.190999039051129, 1e-11);
    s.relative("SiRstv SS between", a.between.sum_of_squares, 5.11462616e-2, 1e-9);
    s.relative("SiRstv SS within", a.within.sum_of_squares, 2.16636560e-1, 1e-9);
    s.exact("SiRstv dof between", a.between.dof, 4.0);
    s.exact("SiRstv dof within", a.within.dof, 20.0);
    s.relative("SiRstv residual sd", a.residual_sd, 0.104076068334656, 1e-11);
    let silver: Vec<Vec<f64>> =
        ATMWTAG.iter().map(|g| g.iter().map(|x| 107.868 + f64::from(*x) * 1e-7).collect()).collect();
    let groups: Vec<&[f64]> = silver.iter().map(Vec::as_slice).collect();
    let a = one_way(&groups).unwrap();
    s.relative("AtmWtAg F", a.between.f, 15.9467335677930, 1e-8);
    s.relative("AtmWtAg R2", a.r_squared, 0.257426544538321, 1e-8);
    s.relative("AtmWtAg SS between", a.between.sum_of_squares, 3.638341875e-9, 1e-8);
    s.relative("AtmWtAg SS within", a.within.sum_of_squares, 1.04951729166667e-8, 1e-8);
    s.relative("AtmWtAg residual sd", a.residual_sd, 1.51048314446410e-5, 1e-8);
    // (repeats, F, R2, SS between, SS within)
    let certified = [
        (21, 21.0, 0.482758620689655, 1.68, 1.80),
        (201, 201.0, 0.471830985915493, 16.08, 18.0),
        (2001, 2001.0, 0.470712773465067, 160.08, 180.0),
    ];
    // Rounding of the data limits F to 7e-17, 3.7e-11, 3.9e-5 with 21 repeats.
    for (offset, base, tolerance) in [(0, 1.0, 1e-12), (3, 1e6, 1e-9), (6, 1e12, 2e-4)] {
        for (i, (repeats, f, r2, between, within)) in certified.into_iter().enumerate() {
            let cells = smls(base, repeats);
            let groups: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
            let a = one_way(&groups).unwrap();
            let name = format!("SmLs0{}", offset + i + 1);
            s.relative(format!("{name} F"), a.between.f, f, tolerance);
            s.relative(format!("{name} R2"), a.r_squared, r2, tolerance);
            s.relative(format!("{name} SS between"), a.between.sum_of_squares, between, tolerance);
            s.relative(format!("{name} SS within"), a.within.sum_of_squares, within, tolerance);
            s.relative(format!("{name} residual sd"), a.residual_sd, 0.1, tolerance);
        }
    }
}

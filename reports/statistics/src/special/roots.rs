//! Bracketed root finding: Brent's method, which cannot leave its bracket and always ends.

use crate::error::{Result, StatisticsError};

/// Finds x in [lo, hi] with f(x) = 0; f(lo) and f(hi) must have opposite signs (zero counts as either).
///
/// Stops at a bracket of about 4 ulp or `x_tolerance`. Source: R. P. Brent, Algorithms for Minimization Without
/// Derivatives, chapter 4. Errors with `NotDetermined` when there is no sign change.
pub(crate) fn find_root(
    what: &'static str,
    lo: f64,
    hi: f64,
    x_tolerance: f64,
    mut f: impl FnMut(f64) -> f64,
) -> Result<f64> {
    let (mut a, mut b) = (lo, hi);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa.is_nan() || fb.is_nan() || (fa > 0.0 && fb > 0.0) || (fa < 0.0 && fb < 0.0) {
        return Err(StatisticsError::NotDetermined {
            what,
            why: "no solution inside the search interval; check the inputs for extreme values",
        });
    }
    let (mut c, mut fc) = (a, fa);
    let mut d = b - a;
    let mut e = d;
    for _ in 0..300 {
        if (fb > 0.0) == (fc > 0.0) {
            c = a;
            fc = fa;
            d = b - a;
            e = d;
        }
        if fc.abs() < fb.abs() {
            a = b;
            b = c;
            c = a;
            fa = fb;
            fb = fc;
            fc = fa;
        }
        let tolerance = 2.0 * f64::EPSILON * b.abs() + 0.5 * x_tolerance;
        let half = 0.5 * (c - b);
        if half.abs() <= tolerance || fb == 0.0 {
            return Ok(b);
        }
        if e.abs() >= tolerance && fa.abs() > fb.abs() {
            let s = fb / fa;
            let (mut p, mut q) = if a == c {
                (2.0 * half * s, 1.0 - s)
            } else {
                let q = fa / fc;
                let r = fb / fc;
                (s * (2.0 * half * q * (q - r) - (b - a) * (r - 1.0)), (q - 1.0) * (r - 1.0) * (s - 1.0))
            };
            if p > 0.0 {
                q = -q;
            } else {
                p = -p;
            }
            if 2.0 * p < (3.0 * half * q - (tolerance * q).abs()).min((e * q).abs()) {
                e = d;
                d = p / q;
            } else {
                d = half;
                e = d;
            }
        } else {
            d = half;
            e = d;
        }
        a = b;
        fa = fb;
        b += if d.abs() > tolerance { d } else { tolerance.copysign(half) };
        fb = f(b);
    }
    Ok(b)
}

/// Widens [lo, hi] by a growing `step` until the increasing function `f` changes sign in it.
pub(crate) fn bracket_increasing(
    what: &'static str,
    start: f64,
    step: f64,
    mut f: impl FnMut(f64) -> f64,
) -> Result<(f64, f64)> {
    let value = f(start);
    let up = value < 0.0;
    let (mut near, mut width) = (start, step);
    for _ in 0..200 {
        let far = if up { near + width } else { near - width };
        let at_far = f(far);
        if (up && at_far >= 0.0) || (!up && at_far <= 0.0) {
            return Ok(if up { (near, far) } else { (far, near) });
        }
        near = far;
        width *= 2.0;
    }
    Err(StatisticsError::NotDetermined {
        what,
        why: "the search ran away; check the inputs for extreme values",
    })
}

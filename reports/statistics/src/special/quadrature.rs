//! Composite Gauss-Legendre integration with a fixed order: deterministic and without adaptive surprises.

use std::sync::OnceLock;

/// Points per panel.
const ORDER: usize = 16;

/// Nodes and weights on [-1, 1], computed once by Newton's method on the Legendre polynomial.
fn rule() -> &'static [(f64, f64); ORDER] {
    static RULE: OnceLock<[(f64, f64); ORDER]> = OnceLock::new();
    RULE.get_or_init(|| {
        let n = ORDER as f64;
        std::array::from_fn(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..50 {
                let (mut p0, mut p1) = (1.0, x);
                for k in 2..=ORDER {
                    let k = k as f64;
                    let next = ((2.0 * k - 1.0) * x * p1 - (k - 1.0) * p0) / k;
                    p0 = p1;
                    p1 = next;
                }
                slope = n * (x * p1 - p0) / (x * x - 1.0);
                let step = p1 / slope;
                x -= step;
                if step.abs() < 1e-16 {
                    break;
                }
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
    })
}

/// Integral of `f` over [lo, hi] with `panels` equal panels of 16 points.
pub(crate) fn integrate(lo: f64, hi: f64, panels: usize, mut f: impl FnMut(f64) -> f64) -> f64 {
    if hi <= lo {
        return 0.0;
    }
    let panels = panels.max(1);
    let half = 0.5 * (hi - lo) / panels as f64;
    let mut total = 0.0;
    for panel in 0..panels {
        let centre = lo + half * (2.0 * panel as f64 + 1.0);
        let sum: f64 = rule().iter().map(|&(x, weight)| weight * f(centre + half * x)).sum();
        total += sum * half;
    }
    total
}

/// Integral over [lo, hi] with extra resolution round `centre`, where the integrand changes over `width`.
pub(crate) fn integrate_with_step(
    lo: f64,
    hi: f64,
    panels: usize,
    centre: f64,
    width: f64,
    mut f: impl FnMut(f64) -> f64,
) -> f64 {
    let a = (centre - 10.0 * width).clamp(lo, hi);
    let b = (centre + 10.0 * width).clamp(lo, hi);
    if !(b - a).is_finite() || (b - a) * panels as f64 >= 10.0 * (hi - lo) {
        return integrate(lo, hi, panels, f);
    }
    integrate(lo, a, panels, &mut f) + integrate(a, b, 10, &mut f) + integrate(b, hi, panels, &mut f)
}

//! Derivative-free minimisation of a smooth function of a few parameters (Nelder and Mead, with restarts).

/// Minimises `f` from `start` with initial steps `steps`; returns the best point and its value.
///
/// Deterministic. Restarted from the best point until a restart no longer improves, which frees a collapsed simplex.
/// `f` may answer infinity outside its domain, but must be finite at `start`.
pub fn minimise<const N: usize>(
    start: [f64; N],
    steps: [f64; N],
    f: impl Fn(&[f64; N]) -> f64,
) -> ([f64; N], f64) {
    let mut best = (start, f(&start));
    let mut scale = 1.0;
    for _ in 0..12 {
        let next = descend(best.0, steps.map(|s| s * scale), &f);
        let gain = best.1 - next.1;
        if next.1 <= best.1 {
            best = next;
        }
        if gain.abs() < 1e-13 * best.1.abs().max(1.0) && scale < 0.5 {
            break;
        }
        scale *= 0.3;
    }
    best
}

fn descend<const N: usize>(
    start: [f64; N],
    steps: [f64; N],
    f: &impl Fn(&[f64; N]) -> f64,
) -> ([f64; N], f64) {
    let mut simplex: Vec<([f64; N], f64)> = vec![(start, f(&start))];
    for (axis, step) in steps.into_iter().enumerate() {
        let mut point = start;
        if let Some(coordinate) = point.get_mut(axis) {
            *coordinate += step;
        }
        simplex.push((point, f(&point)));
    }
    let blend = |a: &[f64; N], b: &[f64; N], t: f64| -> [f64; N] {
        let mut out = *a;
        for (o, v) in out.iter_mut().zip(b) {
            *o += t * (v - *o);
        }
        out
    };
    for _ in 0..4000 {
        simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (Some(best), Some(worst), Some(second)) =
            (simplex.first().copied(), simplex.last().copied(), simplex.iter().rev().nth(1).copied())
        else {
            return (start, f(&start));
        };
        let size = simplex
            .iter()
            .flat_map(|(p, _)| p.iter().zip(&best.0).map(|(a, b)| (a - b).abs() / (1.0 + b.abs())))
            .fold(0.0, f64::max);
        if size < 1e-11 {
            break;
        }
        let mut centre = [0.0; N];
        for (point, _) in simplex.iter().take(N) {
            for (c, v) in centre.iter_mut().zip(point) {
                *c += v / N as f64;
            }
        }
        let at = |t: f64| {
            let point = blend(&centre, &worst.0, t);
            (point, f(&point))
        };
        let reflected = at(-1.0);
        let replacement = if reflected.1 < best.1 {
            let expanded = at(-2.0);
            Some(if expanded.1 < reflected.1 { expanded } else { reflected })
        } else if reflected.1 < second.1 {
            Some(reflected)
        } else {
            let contracted = if reflected.1 < worst.1 { at(-0.5) } else { at(0.5) };
            (contracted.1 < worst.1.min(reflected.1)).then_some(contracted)
        };
        match (replacement, simplex.last_mut()) {
            (Some(point), Some(last)) => *last = point,
            _ => {
                for vertex in simplex.iter_mut().skip(1) {
                    vertex.0 = blend(&best.0, &vertex.0, 0.5);
                    vertex.1 = f(&vertex.0);
                }
            }
        }
    }
    simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
    simplex.first().copied().unwrap_or((start, f64::INFINITY))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_valley_of_a_banana() {
        // Rosenbrock's function, minimum 0 at (1, 1).
        let (p, v) =
            minimise([-1.2, 1.0], [0.5, 0.5], |[x, y]| (1.0 - x).powi(2) + 100.0 * (y - x * x).powi(2));
        assert!(v < 1e-14 && (p[0] - 1.0).abs() < 1e-6, "{p:?} {v}");
    }
}

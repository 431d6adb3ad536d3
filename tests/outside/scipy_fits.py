"""Writes reports/statistics/src/published/scipy_fits.rs: fits by scipy that the tests compare with.

    python3 -m venv venv && venv/bin/pip install scipy==1.17.1
    venv/bin/python scipy_fits.py > ../../reports/statistics/src/published/scipy_fits.rs && rustfmt ../../reports/statistics/src/published/scipy_fits.rs

No figure here is published: they are regressions against other people's code. All numbers are invented.
"""

import random

import numpy
import scipy
from scipy.optimize import minimize, nnls
from scipy.stats import norm, spearmanr

draw = random.Random(19)
print(f"//! Fits of scipy {scipy.__version__}, written by tests/outside/scipy_fits.py.")
print()


def row(values):
    return "&[" + ", ".join(repr(float(value)) for value in values) + "]"


print("/// See [`NONNEGATIVE`].")
print("pub type Solved = (usize, &'static [f64], &'static [f64], &'static [f64]);")
print("/// See [`SCORED`].")
print("pub type Scored = (&'static [f64], &'static [f64], &'static [f64], [f64; 3], f64);")
print()
print("/// scipy.optimize.nnls: columns, matrix row by row, right side, solution.")
print("pub const NONNEGATIVE: &[Solved] = &[")
for rows, columns in [(6, 3), (9, 5), (14, 8)]:
    matrix = numpy.array([[draw.gauss(0, 1) for _ in range(columns)] for _ in range(rows)])
    right = numpy.array([draw.gauss(0, 1) for _ in range(rows)])
    found, _ = nnls(matrix, right)
    print(f"    ({columns}, {row(matrix.flatten())}, {row(right)}, {row(found)}),")
print("];")
print()
print("/// scipy.optimize.minimize of the posterior of z = a + b x + c x^2, error ratio Q(z), c held at or above zero, priors N(0, 5):")
print("/// places, bits, errors, parameters, ln posterior less that of ratios of their own.")
print("pub const SCORED: &[Scored] = &[")
for bend in (0.5, -0.3):
    places = [0.25 * step for step in range(9)]
    bits = [10.0 ** draw.uniform(2, 6) for _ in places]
    ratios = [norm.sf(1.6 + 1.1 * x + bend * x * x) for x in places]
    bits = [float(round(min(n, 6.0 / ratio))) for n, ratio in zip(bits, ratios)]
    errors = [float(min(9, round(n * ratio * draw.uniform(0.5, 1.4)))) for n, ratio in zip(bits, ratios)]

    def loss(theta):
        a, b, c = theta
        value = -0.5 * sum((t / 5) ** 2 for t in theta)
        for x, n, k in zip(places, bits, errors):
            z = a + b * x + c * x * x
            value += k * norm.logsf(z) + (n - k) * norm.logcdf(z)
            value -= (k * numpy.log(k / n) + (n - k) * numpy.log1p(-k / n)) if k > 0 else 0.0
        return -value

    best = minimize(loss, [1.5, 1.0, 0.1], method="L-BFGS-B", bounds=[(None, None), (None, None), (0, None)],
                    options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 5000})
    best = minimize(loss, best.x, method="Nelder-Mead", bounds=[(None, None), (None, None), (0, None)],
                    options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000})
    print(f"    ({row(places)}, {row(bits)}, {row(errors)}, [{', '.join(repr(float(x)) for x in best.x)}], {float(-best.fun)!r}),")
print("];")
print()
print("/// See [`SPEARMAN`].")
print("pub type Ranked = (&'static [f64], &'static [f64], f64);")
print("/// See [`EIGEN`].")
print("pub type Decomposed = (usize, &'static [f64], &'static [f64]);")
print()
print("/// scipy.stats.spearmanr: two lists (the last two with ties), their correlation.")
print("pub const SPEARMAN: &[Ranked] = &[")
for number, parts in [(5, 0), (12, 0), (9, 3), (20, 4)]:
    one = [round(draw.gauss(0, 1) * parts) / parts if parts else draw.gauss(0, 1) for _ in range(number)]
    other = [0.6 * a + (round(draw.gauss(0, 1) * parts) / parts if parts else draw.gauss(0, 1)) for a in one]
    print(f"    ({row(one)}, {row(other)}, {float(spearmanr(one, other).statistic)!r}),")
print("];")
print()
print("/// numpy.linalg.eigvalsh: size, matrix row by row, eigenvalues in rising order.")
print("pub const EIGEN: &[Decomposed] = &[")
for size in (2, 5, 9):
    half = numpy.array([[draw.gauss(0, 1) for _ in range(size)] for _ in range(size)])
    matrix = half @ half.T + numpy.diag([10.0 ** draw.uniform(-3, 3) for _ in range(size)])
    print(f"    ({size}, {row(matrix.flatten())}, {row(numpy.linalg.eigvalsh(matrix))}),")
print("];")

"""Writes reports/statistics/src/published/gaussian_processes.rs: scikit-learn's answers that the tests compare with.

    python3 -m venv venv && venv/bin/pip install scikit-learn==1.7.2
    venv/bin/python gaussian_process.py > ../../reports/statistics/src/published/gaussian_processes.rs
    rustfmt ../../reports/statistics/src/published/gaussian_processes.rs

No figure here is published: they are regressions against other people's code. All numbers are invented.
"""

import random

import numpy
import sklearn
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct, WhiteKernel

draw = random.Random(20)
LENGTH = 0.5


def row(values):
    return "&[" + ", ".join(repr(float(value)) for value in values) + "]"


print(f"//! Gaussian processes of scikit-learn {sklearn.__version__}, written by tests/outside/gaussian_process.py.")
print()
print("/// One: places, values, amplitudes of offset, slope, squared exponential (length 0.5) and noise, new places, means and standard")
print("/// deviations there (the noise of a new value included), logarithm of the marginal likelihood, and its gradient by the logarithms")
print("/// of the amplitudes' squares.")
print("pub struct Process {")
for name, kind in [("x", "&'static [f64]"), ("y", "&'static [f64]"), ("amplitudes", "[f64; 4]"), ("new", "&'static [f64]"),
                   ("means", "&'static [f64]"), ("sds", "&'static [f64]"), ("log_likelihood", "f64"), ("gradient", "[f64; 4]")]:
    print(f"    pub {name}: {kind},")
print("}")
print()
print("pub const PROCESSES: &[Process] = &[")
for n, amplitudes in [(1, (0.3, 0.2, 0.4, 0.05)), (7, (0.5, 0.1, 0.2, 0.02)), (30, (0.05, 0.6, 0.3, 0.1))]:
    x = numpy.array([draw.uniform(-1, 1) for _ in range(n)])
    y = numpy.array([0.3 * numpy.sin(4 * at) + draw.gauss(0, 0.05) for at in x])
    new = numpy.array([draw.uniform(-1.5, 1.5) for _ in range(5)])
    a, b, c, d = amplitudes
    kernel = (ConstantKernel(a * a) + ConstantKernel(b * b) * DotProduct(sigma_0=0, sigma_0_bounds="fixed")
              + ConstantKernel(c * c) * RBF(LENGTH, length_scale_bounds="fixed") + WhiteKernel(d * d))
    process = GaussianProcessRegressor(kernel, alpha=0.0, optimizer=None).fit(x[:, None], y)
    means, sds = process.predict(new[:, None], return_std=True)
    likelihood, gradient = process.log_marginal_likelihood(process.kernel_.theta, eval_gradient=True)
    print(f"    Process {{ x: {row(x)}, y: {row(y)}, amplitudes: [{', '.join(map(repr, amplitudes))}], new: {row(new)}, "
          f"means: {row(means)}, sds: {row(sds)}, log_likelihood: {float(likelihood)!r}, "
          f"gradient: [{', '.join(repr(float(one)) for one in gradient)}] }},")
print("];")
print()
print("/// Split conformal quantiles by numpy's quantile at ceil((n + 1) (1 - alpha)) / n, method \"inverted_cdf\" (the definition in")
print("/// Angelopoulos, Bates, A Gentle Introduction to Conformal Prediction, 2021, from memory): scores, coverage, quantile.")
print("pub const CONFORMAL: &[(&[f64], f64, f64)] = &[")
for n, coverage in [(19, 0.95), (20, 0.95), (58, 0.95), (99, 0.9), (7, 0.8)]:
    scores = numpy.array([abs(draw.gauss(0, 1)) for _ in range(n)])
    level = numpy.ceil(round((n + 1) * coverage, 9)) / n
    print(f"    ({row(scores)}, {coverage}, {float(numpy.quantile(scores, level, method='inverted_cdf'))!r}),")
print("];")

"""Writes stored.rs: values of scipy and statsmodels that the tests compare with.

    python3 -m venv venv && venv/bin/pip install scipy==1.17.1 statsmodels==0.15.0
    venv/bin/python stored.py > stored.rs && rustfmt stored.rs

No figure here is published: they are regressions against other people's code. Samples are invented.
"""

import random

import scipy
import statsmodels
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestPower
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

draw = random.Random(20261129)
print(f"//! Values of scipy {scipy.__version__} and statsmodels {statsmodels.__version__}, written by stored.py.")
print()


def table(name, words, kind, rows):
    print(f"/// {words}")
    print(f"pub const {name}: &[{kind}] = &[")
    for row in rows:
        print("    " + written(row) + ",")
    print("];")
    print()


def written(value):
    if isinstance(value, tuple):
        return "(" + ", ".join(written(one) for one in value) + ")"
    if isinstance(value, list):
        return "&[" + ", ".join(written(one) for one in value) + "]"
    return repr(value) if isinstance(value, int) else repr(float(value))


rows = []
for n, alpha, beta in [(5, 0.4, 2.0), (12, 34.0, 31.5), (20, 1.0, 9.0), (20, 0.05, 0.2), (60, 7.5, 300.0)]:
    for k in sorted({0, 1, n // 3, n // 2, n}):
        rows.append((k, n, alpha, beta, float(stats.betabinom.pmf(k, n, alpha, beta))))
table("BETA_BINOMIAL", "scipy.stats.betabinom.pmf: k, n, alpha, beta, probability.", "(u64, u64, f64, f64, f64)", rows)

rows = []
for k, n in [(0, 7), (1, 20), (3, 50), (19, 20), (25, 96), (96, 960), (480, 960), (959, 960)]:
    for confidence in [0.90, 0.95, 0.99]:
        lower, upper = proportion_confint(k, n, alpha=1 - confidence, method="beta")
        rows.append((k, n, confidence, float(lower), float(upper)))
table(
    "EXACT_INTERVALS",
    "statsmodels proportion_confint, method beta: events, trials, confidence, lower, upper.",
    "(u64, u64, f64, f64, f64)",
    rows,
)

families = [[round(draw.random() ** 3, 6) for _ in range(count)] for count in (3, 6, 12)]
families.append([0.01, 0.04, 0.03, 0.005])
rows = []
for family in families:
    holm = [float(p) for p in multipletests(family, method="holm")[1]]
    hochberg = [float(p) for p in multipletests(family, method="fdr_bh")[1]]
    rows.append((family, holm, hochberg))
table(
    "ADJUSTED",
    "statsmodels multipletests: p values, Holm, Benjamini-Hochberg.",
    "(&[f64], &[f64], &[f64])",
    rows,
)

rows = []
for count, mean, deviation, allowed in [
    (8, -0.4, 1.0, 1.0),
    (8, 0.0, 0.3, 1.0),
    (16, -2.0, 1.5, 1.0),
    (72, 0.1, 2.0, 0.5),
    (4, -1.0, 0.2, 0.8),
    (8, -1.1, 1.0, 0.5),
]:
    sample = [round(draw.gauss(mean, deviation), 4) for _ in range(count)]
    both, (_, above, _), (_, below, _) = DescrStatsW(sample).ttost_mean(-allowed, allowed)
    rows.append((sample, allowed, float(above), float(below), float(both)))
table(
    "EQUIVALENCE",
    "statsmodels ttost_mean: sample, allowed, p of above -allowed, p of below allowed, p of both.",
    "(&[f64], f64, f64, f64, f64)",
    rows,
)

rows = []
for effect, count, alpha in [(0.5, 4, 0.05), (1.0, 4, 0.05), (2.0, 4, 0.05), (1.0, 8, 0.05), (0.6, 16, 0.01), (0.3, 72, 0.05), (3.0, 2, 0.05), (0.0, 8, 0.05)]:
    power = TTestPower().power(effect, count, alpha, alternative="larger")
    rows.append((effect, count, alpha, float(power)))
table(
    "POWER",
    "statsmodels TTestPower, one-sided: effect in standard deviations, values, level, power.",
    "(f64, u64, f64, f64)",
    rows,
)

rows = []
for dof in [1.0, 2.0, 4.0, 8.0, 30.0, 200.0]:
    for shift in [0.0, 0.7, 2.0, 5.0]:
        for t in [-1.0, 0.5, 2.5, 6.0]:
            rows.append((t, dof, shift, float(stats.nct.sf(t, dof, shift)) if shift else float(stats.t.sf(t, dof))))
table("NONCENTRAL", "scipy.stats.nct.sf: t, degrees of freedom, shift, upper tail.", "(f64, f64, f64, f64)", rows)

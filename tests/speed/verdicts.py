"""The figures of a report's verdicts with pandas and scipy, for a comparison of speed.

Reads the lanes that `cargo bench -p runner --bench verdicts -- FOLDER` leaves in FOLDER/lanes.f32 and works out, for width
and height: the combined uncertainty of each lane, the worst lane of each condition, guard band, conformance probability,
four-word verdict, global risks, fits (normal, Weibull, Gumbel), Anderson-Darling, Shapiro-Wilk, tolerance limit, and the
main effects of the factors. Usage: python3 verdicts.py FOLDER  (needs pandas and scipy).
"""

import sys
import time

import numpy as np
import pandas as pd
from scipy import stats

LANES = 72
LEVELS = (("module", 8), ("channel", 5), ("rate", 7), ("temperature", 36), ("supply", 10))

begun = time.perf_counter()
raw = np.fromfile(f"{sys.argv[1]}/lanes.f32", dtype="<f4").reshape(-1, 9).astype(float)
conditions = len(raw) // LANES
frame = pd.DataFrame(
    {"condition": np.repeat(np.arange(conditions), LANES), "lane": np.tile(np.arange(LANES), conditions), "ui": raw[:, 8]}
)
tap, step, vddq = frame["ui"] / 64, 10.0, 1200.0
frame["width"] = (raw[:, 0] + raw[:, 1]) * tap
frame["height"] = (raw[:, 2] + raw[:, 3]) * step
frame["width_u"] = np.hypot(raw[:, 4], raw[:, 5]) * tap
frame["height_u"] = np.hypot(raw[:, 6], raw[:, 7]) * step
third = 1 / np.sqrt(3)
verdicts = np.zeros(conditions, dtype=int)
design = np.unravel_index(np.arange(conditions), [count for _, count in LEVELS])
for metric in ("width", "height"):
    unit = tap if metric == "width" else step
    value = frame[metric]
    variance = frame[f"{metric}_u"] ** 2 + 2 * (0.05 * unit) ** 2 + (0.25 * unit) ** 2 + (0.2 * unit) ** 2
    variance += (0.0007 * third * value) ** 2 + (0.01 * 0.3 * third * value) ** 2
    if metric == "width":
        variance += (0.01 * third * value) ** 2 + 2 * (0.3 * third * unit) ** 2
        limit = 0.3 * frame["ui"]
    else:
        variance += 2 * (0.0015 * vddq * third) ** 2
        limit = pd.Series(0.2 * vddq, index=frame.index)
    frame["u"] = np.sqrt(variance)
    frame["margin"] = value - limit
    frame["score"] = frame["margin"] / frame["u"]
    worst = frame.loc[frame.groupby("condition")["score"].idxmin()].set_index("condition")
    k = stats.norm.ppf(0.975)
    guard = k * worst["u"]
    conform = stats.norm.cdf(worst["score"])
    word = np.select([worst["margin"] >= guard, worst["margin"] >= 0, worst["margin"] >= -guard], [0, 1, 2], 3)
    verdicts = np.maximum(verdicts, word)
    z = worst["score"].to_numpy()
    accept = stats.norm.cdf(z - k)
    consumer, producer = np.mean((z < 0) * accept), np.mean((z >= 0) * (1 - accept))
    sample = np.sort(worst["margin"].to_numpy())[:: max(1, -(-conditions // 5000))]
    fits = [stats.norm.fit(sample), stats.gumbel_l.fit(sample)]
    if (sample > 0).all():
        fits.append(stats.weibull_min.fit(sample, floc=0))
    stats.anderson(sample)
    stats.shapiro(sample)
    n = len(sample)
    factor = stats.nct.ppf(0.95, n - 1, stats.norm.ppf(0.95) * np.sqrt(n)) / np.sqrt(n)
    lower = sample.mean() - factor * sample.std(ddof=1)
    for (name, _), levels in zip(LEVELS, design):
        means = worst["margin"].groupby(levels).agg(["mean", "size"])
        squares = (means["size"] * (means["mean"] - worst["margin"].mean()) ** 2).sum()
    print(metric, f"consumer {consumer:.3g} producer {producer:.3g} lower {lower:.2f} mean conformance {conform.mean():.6f}")
print("verdicts", np.bincount(verdicts, minlength=4), f"{time.perf_counter() - begun:.2f} s")

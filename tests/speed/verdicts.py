"""The figures of a report's verdicts with numpy, pandas and scipy: a comparison of speed and of numbers.

`cargo bench -p runner --bench verdicts -- FOLDER` leaves a run folder and, in FOLDER/figures.json, what nightbench made of
it. This script reads the same folder (the jobs from the store, the lanes from digests.cache) and works out the same
figures, for width and height: the value of each lane, its combined uncertainty and coverage factor, the worst lane of each
condition, guard band, conformance probability, risk and four-word verdict; global risks; for each sample of the page fits
(normal, Weibull, Gumbel), Anderson-Darling, Shapiro-Wilk, tolerance limits, Cpk, Grubbs and generalised ESD; the analysis
of variance over the factors; rate headroom; the budget at the median. It ends with both times and with the largest
difference from nightbench's figures. Usage: python3 verdicts.py FOLDER  (needs pandas and scipy).
"""

import json
import resource
import sqlite3
import struct
import sys
import time

import numpy as np
import pandas as pd
from scipy import integrate, optimize, stats

FACTORS = ["module", "channel", "rate", "temperature", "supply"]
RATED, COVERAGE, NEAR, CERTAIN = 2666, 0.95, 1.05, 3.1
THIRD = 1 / np.sqrt(3)
CONTENT = CONFIDENCE = 0.95


def read(folder):
    """Jobs as a frame in the plan's order; reach, standard uncertainty, flags and grid of their lanes as arrays."""
    store = sqlite3.connect(f"file:{folder}/results.sqlite?mode=ro", uri=True)
    jobs = pd.read_sql_query(
        "SELECT job_key, module, channel, rate_mts AS rate, temperature_set_degc AS temperature, supply, outcome "
        "FROM jobs WHERE superseded = 0",
        store,
    )
    jobs = jobs.sort_values(FACTORS, kind="stable", ignore_index=True)
    assert (jobs["outcome"] == "measured").all()
    place = {key: index for index, key in enumerate(jobs["job_key"])}
    with open(f"{folder}/digests.cache", "rb") as file:
        data = file.read()
    lane = np.dtype([("reach", "<f4", 4), ("u", "<u2", 4), ("flags", "<u2")])
    lanes, grids = None, np.empty((len(jobs), 3))
    at = 12
    while at < len(data):
        key, _, size = struct.unpack_from("<32sII", data, at)
        entry = at + 48
        at = entry + size
        (words,) = struct.unpack_from("<I", data, entry)
        if words:
            json.loads(data[entry + 4 : entry + 4 + words])
        captures, whole = struct.unpack_from("<HB", data, entry + 4 + words)
        assert (captures, whole) == (1, 1)
        tap, _, step, ui, _, count = struct.unpack_from("<5dH", data, entry + words + 14)
        masks = data[entry + words + 56 + 2 * count]
        assert masks == 0
        if lanes is None:
            lanes = np.empty((len(jobs), count), dtype=lane)
        index = place[key]
        lanes[index] = np.frombuffer(data, lane, count, entry + words + 57 + 2 * count)
        grids[index] = tap, step, ui
    reach = lanes["reach"].astype(float)
    return jobs, reach, lanes["u"] / 1024, lanes["flags"], grids


def judge(value, sampling, unit, limit, fixed, relative):
    """Worst lane of each condition, as columns."""
    u = np.sqrt(fixed[:, None] + relative * value**2 + sampling)
    k = stats.norm.ppf(0.5 + COVERAGE / 2)  # no type A line: infinite degrees of freedom
    margin = value - limit[:, None]
    band = k * u
    tier = (margin >= -band / NEAR).astype(np.int8) + (margin >= 0) + (margin >= band * NEAR)
    sure = np.clip(margin / u, -CERTAIN, CERTAIN)
    sure[tier > tier.min(axis=1, keepdims=True)] = np.inf
    share = np.where(sure > sure.min(axis=1, keepdims=True), np.inf, margin / limit[:, None])
    lane = share.argmin(axis=1)
    rows = np.arange(len(value))
    pick = pd.DataFrame({"lane": lane, "value": value[rows, lane], "u": u[rows, lane], "edges": sampling[rows, lane]})
    pick["limit"], pick["k"] = limit, k
    pick["margin"] = pick["value"] - limit
    pick["guard"] = k * pick["u"]
    pick["conformance"] = stats.norm.cdf(pick["margin"] / pick["u"])
    pick["verdict"] = np.select(
        [pick["margin"] >= pick["guard"], pick["margin"] >= 0, pick["margin"] >= -pick["guard"]], [0, 1, 2], 3
    )
    pick["risk"] = np.where(pick["verdict"] <= 1, stats.norm.sf(pick["margin"] / pick["u"]), pick["conformance"])
    pick["badness"] = np.clip(pick["margin"] / pick["u"], -CERTAIN, CERTAIN)
    return pick


def risks(of, z, k):
    accept, bad = stats.norm.cdf(z - k), z < 0
    consumer, producer = accept[bad].sum() / len(z), stats.norm.cdf(k - z[~bad]).sum() / len(z)
    accepted = 1 - bad.mean() - producer + consumer
    return {"of": of, "conditions": len(z), "consumer": consumer, "producer": producer,
            "nonconforming_given_accepted": consumer / accepted}


def two_sided_factor(n):
    """Exact two-sided normal tolerance factor, by integrating over the mean."""
    def half_width(x):
        return optimize.brentq(lambda r: stats.norm.cdf(x + r) - stats.norm.cdf(x - r) - CONTENT, 0, x + 10)

    nodes, weights = np.polynomial.legendre.leggauss(48)
    v = 4.5 * (nodes + 1)
    r = np.array([half_width(x / np.sqrt(n)) for x in v])
    density = 2 * 4.5 * weights * stats.norm.pdf(v)
    return optimize.brentq(lambda k: density @ stats.chi2.sf((n - 1) * (r / k) ** 2, n - 1) - CONFIDENCE, 0.5, 30)


def anderson_p(x):
    n = len(x)
    z = (np.sort(x) - x.mean()) / x.std(ddof=1)
    a2 = -n - ((2 * np.arange(n) + 1) * (stats.norm.logcdf(z) + stats.norm.logsf(z[::-1]))).mean()
    a = a2 * (1 + 0.75 / n + 2.25 / n**2)
    if a >= 0.6:
        p = np.exp(1.2937 - 5.709 * min(a, 100) + 0.0186 * min(a, 100) ** 2)
    elif a > 0.34:
        p = np.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    elif a > 0.2:
        p = 1 - np.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    else:
        p = 1 - np.exp(-13.436 + 101.14 * a - 223.73 * a * a)
    return float(np.clip(p, 0, 1))


def critical(n, alpha):
    t = stats.t.ppf(1 - alpha, n - 2)
    return (n - 1) * t / np.sqrt(n * (n - 2 + t * t))


def describe(x, limit):
    x = np.asarray(x, dtype=float)
    n, mean, sd = len(x), x.mean(), x.std(ddof=1)
    fits = {}
    for name, model, fixed in [("normal", stats.norm, {}), ("Weibull", stats.weibull_min, {"floc": 0}),
                               ("Gumbel of minima", stats.gumbel_l, {})]:
        if name == "Weibull" and (x <= 0).any():
            continue
        found = model.fit(x, **fixed)
        fits[name] = (4 - 2 * model.logpdf(x, *found).sum(), model.ppf(1e-3, *found))
    one = stats.nct.ppf(CONFIDENCE, n - 1, stats.norm.ppf(CONTENT) * np.sqrt(n)) / np.sqrt(n)
    two = two_sided_factor(n)
    order = np.arange(1, n + 1)
    order = order[stats.binom.sf(order - 1, n, 1 - CONTENT) >= CONFIDENCE]
    cpk = (mean - limit) / (3 * sd)
    half = stats.norm.ppf(0.975) * np.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    low = (mean - x.min()) / sd > critical(n, 0.05 / n)
    left, found, most = x.copy(), 0, min(max(n // 5, 1), 10)
    for i in range(1, most + 1):
        off = np.abs(left - left.mean())
        far = off.argmax()
        if off[far] / left.std(ddof=1) > critical(len(left), 0.05 / (2 * len(left))):
            found = i
        left = np.delete(left, far)
    return {
        "n": n, "mean": mean, "standard_deviation": sd, "fits": fits,
        "normality_p": [anderson_p(x), stats.shapiro(x).pvalue],
        "tolerance_lower": mean - one * sd, "tolerance_interval": [mean - two * sd, mean + two * sd],
        "tolerance_lower_any": np.sort(x)[order[-1] - 1] if len(order) else None,
        "cpk": [cpk, cpk - half, cpk + half], "outliers": int(low) + found,
    }


def sample_step(count, most, jobs):
    """Least step to so many conditions that has no divisor in common with any number of levels."""
    levels = np.array([2] + [jobs[name].nunique() for name in FACTORS])
    least = -(-count // most)
    return next(step for step in range(least, least + 1000) if step == 1 or (np.gcd(step, levels) == 1).all())


def effects(jobs, margin):
    """Type II analysis of variance of the main effects on at most 20,000 conditions."""
    every = sample_step(len(margin), 20_000, jobs)
    y, some = margin[::every], jobs[::every]
    dummies = {name: pd.get_dummies(some[name], drop_first=True, dtype=float).to_numpy() for name in FACTORS}

    def residual(names):
        x = np.hstack([np.ones((len(y), 1))] + [dummies[name] for name in names])
        return np.square(y - x @ np.linalg.lstsq(x, y, rcond=None)[0]).sum()

    whole, total = residual(FACTORS), np.square(y - y.mean()).sum()
    free = len(y) - 1 - sum(part.shape[1] for part in dummies.values())
    lines = {}
    for name in FACTORS:
        dof = dummies[name].shape[1]
        squares = residual([other for other in FACTORS if other != name]) - whole
        f = squares / dof / (whole / free)
        omega = (squares - dof * whole / free) / (total + whole / free)
        lines[name] = (dof, f, stats.f.sf(f, dof, free), squares / total, omega)
    return {"conditions": len(y), "lines": lines, "r_squared": 1 - whole / total}


def budget(metric, pick, unit, every, fixed_rows, relative_rows):
    """Lines of the budget at the condition of median value of a regular sample."""
    sample = pick.assign(unit=unit)[::every].sort_values("value", kind="stable")
    at = sample.iloc[len(sample) // 2]
    rows = [row if metric == "height" else row * at["unit"] for row in fixed_rows]
    rows += [row * at["value"] for row in relative_rows]
    combined = np.sqrt(at["edges"] + np.square(rows).sum())
    return {"combined": combined, "k": at["k"], "expanded": at["k"] * combined}


def figures(jobs, reach, u, flags, grids):
    assert not flags.any()
    tap, step, ui = grids.T
    vddq, picks, out = 1200.0, {}, {"distributions": [], "effects": {}, "budgets": {}, "sums": {}}
    centre = ((reach[:, :, 1] - reach[:, :, 0]) / 2).mean(axis=1) * tap, ((reach[:, :, 3] - reach[:, :, 2]) / 2).mean(axis=1) * step
    out["sums"]["centre"] = [part.sum() for part in centre]
    for metric, sides, unit, limit in [("width", (0, 1), tap, 0.3 * ui), ("height", (2, 3), step, np.full(len(ui), 0.2 * vddq))]:
        value = (reach[:, :, sides[0]] + reach[:, :, sides[1]]) * unit[:, None]
        sampling = (u[:, :, sides[0]] ** 2 + u[:, :, sides[1]] ** 2) * unit[:, None] ** 2
        relative = [0.0007 * THIRD, 0.01 * 0.3 * THIRD]
        if metric == "width":
            rows = [np.sqrt(2) * 0.05, np.sqrt(2) * 0.3 * THIRD, 0.25, 0.2]
            fixed, relative = sum(np.square(rows)) * unit**2, [0.01 * THIRD, *relative]
        else:
            rows = [np.sqrt(2) * 0.05 * 10, np.sqrt(2) * 0.0015 * THIRD * vddq, 0.25 * 10, 0.2 * 10]
            fixed = np.full(len(ui), sum(np.square(rows)))
        pick = picks[metric] = judge(value, sampling, unit, limit, fixed, sum(np.square(relative)))
        out["sums"][metric] = [pick[name].sum() for name in ("value", "margin", "u", "guard", "conformance", "risk", "lane")]
        out["budgets"][metric] = budget(metric, pick, unit, sample_step(len(pick), 10_000, jobs), rows, relative)
        order = pick["margin"].sort_values(kind="stable")
        worst = order.index[0]
        out["distributions"].append(describe(value[worst].astype(np.float32), limit[worst]))
        out["distributions"].append(describe(order[:: max(1, -(-len(order) // 5000))], 0.0))
        out["effects"][metric] = effects(jobs, pick["margin"].to_numpy())
    # The deciding metric of a condition: worse verdict, then badness, then share of the limit.
    frame = pd.concat(picks, names=["metric", "condition"]).reset_index()
    frame["share"] = frame["margin"] / frame["limit"]
    frame = frame.sort_values(["condition", "verdict", "badness", "share"], ascending=[True, False, True, True])
    deciding = frame.groupby("condition").first()
    verdict = deciding["verdict"].to_numpy()
    counts = jobs["rate"] <= RATED
    out["verdicts"] = [np.bincount(verdict[part], minlength=4).tolist() for part in (counts, ~counts)]
    k = stats.norm.ppf(0.5 + COVERAGE / 2)
    out["risks"] = [risks(of, (part["margin"] / part["u"]).to_numpy(), k)
                    for of, part in [("all deciding metrics", deciding), *picks.items()]]
    passes = pd.Series(verdict == 0).groupby([jobs["module"], jobs["channel"], jobs["rate"]]).all()
    out["headroom"] = [part[part.cummin()].index.get_level_values("rate").max() for _, part in passes.groupby(level=[0, 1])]
    return out


def differences(own, theirs):
    """Relative differences, figure by figure."""
    def compare(name, ours, other):
        if ours is None or other is None or pd.isna(ours):
            assert other is None and (ours is None or pd.isna(ours)), (name, ours, other)
            return
        yield name, abs(ours - other) / max(abs(ours), abs(other), 1e-9)

    audit = theirs["audit"]
    for name in ("verdicts", "beyond_rating"):
        words = ["pass", "conditional_pass", "conditional_fail", "fail"]
        for word, count in zip(words, own["verdicts"][name == "beyond_rating"]):
            yield from compare(f"{name} {word}", count, theirs[name][word])
    for name, sums in own["sums"].items():
        for number, (one, other) in enumerate(zip(sums, theirs["sums"][name], strict=True)):
            yield from compare(f"sum {number} of {name}", float(one), other)
    for one, other in zip(own["risks"], audit["global_risks"], strict=True):
        assert one.pop("of") == other["of"]
        for name, value in one.items():
            yield from compare(f"{name} of {other['of']}", value, other[name])
    for one, other in zip(own["distributions"], audit["distributions"], strict=True):
        fits = {fit["model"]: (fit["aic"], fit["one_in_a_thousand"]) for fit in other["fits"]}
        assert fits.keys() == one["fits"].keys()
        pairs = [(one["fits"][name], fits[name]) for name in fits]
        pairs += [([one[name]], [other[name]]) for name in ("n", "mean", "standard_deviation", "tolerance_lower", "tolerance_lower_any")]
        pairs += [(one[name], other[name]) for name in ("tolerance_interval", "cpk")]
        pairs += [([one["outliers"]], [len(other["outliers"])]), (one["normality_p"], other["normality_p"])]
        for ours, others in pairs:
            for a, b in zip(ours, others, strict=True):
                yield from compare(other["sample"], a, b)
    for table in audit["effects"]:
        one = own["effects"][table["metric"]]
        yield from compare("effects", one["r_squared"], table["r_squared"])
        for line in table["lines"]:
            for a, b in zip(one["lines"][line["term"]], [line[name] for name in ("dof", "f", "p", "eta_squared", "omega_squared")]):
                yield from compare(f"effect of {line['term']} on {table['metric']}", a, b)
    for one, other in zip(own["headroom"], audit["headroom"], strict=True):
        yield from compare("headroom", one, other["passing_mts"])
    for other in theirs["budgets"]:
        for name, value in own["budgets"][other["metric"]].items():
            yield from compare(f"{name} of {other['metric']}", value, other[name])


begun = time.perf_counter()
everything = read(sys.argv[1])
middle = time.perf_counter()
own = figures(*everything)
end = time.perf_counter()
with open(f"{sys.argv[1]}/figures.json") as file:
    theirs = json.load(file)
found = list(differences(own, theirs))
worst = max(found, key=lambda pair: pair[1])
memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(f"script: reading {middle - begun:.2f} s, figures {end - middle:.2f} s, together {end - begun:.2f} s; peak {memory:.0f} MB")
print(f"{len(found)} figures compared; largest relative difference {worst[1]:.1e} ({worst[0]})")
ratios = (end - begun) / theirs["seconds"]["folder"], (end - middle) / theirs["seconds"]["judging"]
print(f"nightbench: {theirs['seconds']['folder']:.2f} s from the folder, {theirs['seconds']['judging']:.2f} s of it judging; "
      f"{ratios[0]:.1f} and {ratios[1]:.1f} times as fast")
if worst[1] > 1e-3:
    sys.exit(f"they differ: {sorted(found, key=lambda pair: -pair[1])[:10]}")

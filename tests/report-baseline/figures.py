"""The figures of the report, made from the same store as an engineer would with pandas and matplotlib.

Usage: figures.py RUN_FOLDER OUT_FOLDER. It is what the report's speed is measured against (`cargo bench -p runner
--bench report` says how long the program takes). The packed counts are read by the very function that runner/STORE.md
prints. Needs pandas, matplotlib and zstandard.
"""
import json
import pathlib
import re
import sqlite3
import sys
import time

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

BER_LIMIT = 1e-6
PICTURES = 24
OUTLINES = 200

folder, out = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
out.mkdir(parents=True, exist_ok=True)
began = time.monotonic()
described = (pathlib.Path(__file__).parents[2] / "runner" / "STORE.md").read_text()
scope = {}
exec(next(code for code in re.findall(r"```python\n(.*?)```", described, re.S) if "def unpack" in code), scope)

store = sqlite3.connect(f"file:{folder}/results.sqlite?mode=ro", uri=True)
jobs = pd.read_sql("SELECT * FROM job_list WHERE counts = 'yes' ORDER BY plan_position", store)
captures = pd.read_sql("SELECT * FROM captures ORDER BY id", store)


def grid_of(capture):
    """Worst bit error ratio and pass map of every lane; points not measured are nan."""
    lanes = len(json.loads(capture.lanes_json))
    ratio = np.full((lanes, capture.vref_steps, capture.taps), np.nan)
    for tap, vref, _kind, bits, errors in scope["unpack"](capture.visits_packed, capture.taps):
        ratio[:, vref, tap] = np.asarray(errors) / max(bits, 1)
    return ratio


def run_length(passes, at):
    """Length of the run of passing points that holds a place."""
    if not passes[at]:
        return 0
    low = high = at
    while low > 0 and passes[low - 1]:
        low -= 1
    while high + 1 < len(passes) and passes[high + 1]:
        high += 1
    return high - low + 1


rows, drawn = [], 0
for capture in captures.itertuples():
    ratio = grid_of(capture)
    operating = json.loads(capture.operating_json)
    # Points that were not measured count as their neighbours do: passing inside, failing outside.
    passes = np.where(np.isnan(ratio), False, ratio <= BER_LIMIT)
    for lane, (tap, vref) in enumerate(operating):
        rows.append((capture.job_id, lane, run_length(passes[lane, vref], tap) * capture.tap_step_ps,
                     run_length(passes[lane, :, tap], vref) * capture.vref_step_mv))
    if drawn < PICTURES + OUTLINES:
        figure, axes = plt.subplots(figsize=(3.6, 2.7))
        if drawn < PICTURES:
            axes.imshow(np.log10(np.nanmax(ratio, axis=0) + 1e-9), origin="lower", aspect="auto", cmap="viridis_r")
        for shape in (passes[0], passes.all(axis=0)):
            if shape.any() and not shape.all():
                axes.contour(shape.astype(float), levels=[0.5])
        axes.plot(*operating[0], "k+")
        axes.set_xlabel("delay, taps")
        axes.set_ylabel("Vref, steps")
        figure.savefig(out / f"eye-{drawn}.png", dpi=100)
        plt.close(figure)
        drawn += 1

lanes = pd.DataFrame(rows, columns=["job_id", "lane", "width_ps", "height_mv"])
worst = lanes.groupby("job_id")[["width_ps", "height_mv"]].min().reset_index().merge(jobs, on="job_id")
lanes.merge(jobs, on="job_id").to_csv(out / "lanes.csv", index=False)
for metric in ("width_ps", "height_mv"):
    values = np.sort(worst[metric])
    figure, (a, b, c) = plt.subplots(1, 3, figsize=(12, 3))
    a.hist(values, bins=30)
    a.twinx().step(values, np.arange(1, len(values) + 1) / len(values))
    b.plot(np.sort(np.random.default_rng(1).normal(size=len(values))), values, ".")
    worst.boxplot(metric, by="channel", ax=c)
    figure.savefig(out / f"spread-{metric}.png", dpi=100)
    plt.close(figure)
    for factor in ("rate", "temperature", "supply"):
        figure, axes = plt.subplots(figsize=(3.6, 2.7))
        worst.groupby(["channel", factor])[metric].min().unstack(0).plot(ax=axes)
        figure.savefig(out / f"trend-{metric}-{factor}.png", dpi=100)
        plt.close(figure)
    figure, axes = plt.subplots(figsize=(6, 3))
    lanes.groupby("lane")[metric].agg(["min", "median", "max"]).plot(ax=axes)
    figure.savefig(out / f"lanes-{metric}.png", dpi=100)
    plt.close(figure)
table = worst.pivot_table(index=["module", "channel", "temperature", "supply"], columns="rate", values="width_ps")
(out / "matrix.html").write_text(table.to_html())
print(f"{len(jobs)} jobs, {len(lanes)} lane values, {drawn} eyes drawn in {time.monotonic() - began:.1f} s")

#!/usr/bin/env python3
"""A fit of four figures of the channel model (driver, termination, random jitter, bounded noise) to the counts of one condition, in
straightforward numpy and scipy on the surfaces of surface.py: weighted binomial likelihood, Fisher scoring with a numeric Jacobian and
step halving, one thread. Prints the seconds it took, the points, and the figures.

Needs numpy and scipy from PyPI (written with numpy 2.4, scipy 1.17). The bench beside it, `cargo bench -p runner --bench fit -- speed`,
runs this script and the program on the same counts and prints the ratio of their times a point.

    OMP_NUM_THREADS=1 python3 tests/numpy/fit.py POINTS.csv

POINTS.csv: one line a point of a DDR4-3200 read eye on a direct channel: lane, tap, Vref step, bits, errors. All lanes are nominal; each has
a place of its own.
"""

import sys
import time

import numpy as np
import surface as model
from scipy.interpolate import RectBivariateSpline
from scipy.stats import norm

NAMES = ["RON", "RODT", "RJ", "V_DJ"]
SHARE, PRIOR = 0.03, 0.3


def spline(theta, start):
    """z over taps and steps of the nominal lane."""
    for name, value, ln in zip(NAMES, start, theta):
        setattr(model, name, value * np.exp(ln))
    weights, half = model.jitter_weights()
    z = norm.isf(np.clip(model.surface((1, 1, 0, 0, 0, 0), weights, half), 1e-90, 0.5))
    return RectBivariateSpline(np.arange(64), np.arange(64), np.where(z > 8, 8 + 4 * (1 - np.exp(-(z - 8) / 4)), z))


def likelihood(z, bits, errors, weight):
    own = np.where(errors > 0, errors / bits, 0.5)
    best = np.where(errors > 0, errors * np.log(own) + (bits - errors) * np.log1p(-np.minimum(own, 1 - 1e-12)), 0)
    return np.sum(weight * (errors * norm.logsf(z) + (bits - errors) * norm.logcdf(z) - best))


def main():
    model.INL = 0.0
    lane, tap, step, bits, errors = np.loadtxt(sys.argv[1], delimiter=",", ndmin=2).T
    lane = lane.astype(int)
    lanes = lane.max() + 1
    begin = time.perf_counter()
    start = [getattr(model, name) for name in NAMES]
    ratio = np.minimum(np.maximum(errors, 0.3) / bits, 0.499)
    # Points of open eyes only, and their weights, from the data.
    weight = 1 / (1 + bits * ratio / (1 - ratio) * SHARE**2)
    theta = np.zeros(len(NAMES))
    place = np.zeros((lanes, 2))

    def read(surface, place, derivative=(0, 0)):
        at = np.clip(tap - place[lane, 0], 0, 63), np.clip(step - place[lane, 1], 0, 63)
        return surface.ev(*at, dx=derivative[0], dy=derivative[1])

    def total(surface, theta, place):
        z = read(surface, place)
        return likelihood(z[used], bits[used], errors[used], weight[used]) - 0.5 * np.sum((theta / PRIOR) ** 2)

    base = spline(theta, start)
    used = np.ones(len(tap), bool)
    trials = [-4, -2, 0, 2, 4]
    best = max(trials, key=lambda by: total(base, theta, place + [by, 0]))
    place[:, 0] += best
    used = read(base, place) > 0.9
    value = total(base, theta, place)
    for _ in range(12):
        z = read(base, place)
        density, upper, lower = norm.pdf(z), norm.sf(z), norm.cdf(z)
        pull = weight * ((bits - errors) * density / lower - errors * density / np.maximum(upper, 1e-300))
        hold = weight * bits * density**2 / np.maximum(upper * lower, 1e-300)
        columns = []
        for at in range(len(NAMES)):
            there = theta.copy()
            there[at] += 0.02
            columns.append((read(spline(there, start), place) - z) / 0.02)
        along = -read(base, place, (1, 0)), -read(base, place, (0, 1))
        for number in range(lanes):
            for slope in along:
                columns.append(np.where(lane == number, slope, 0))
        jacobian = np.array(columns).T[used]
        prior = np.concatenate([np.full(len(NAMES), PRIOR**-2.0), np.tile([30.0**-2, 1.0], lanes)])
        now = np.concatenate([theta, place.ravel()])
        matrix = jacobian.T @ (hold[used, None] * jacobian) + np.diag(prior)
        move = np.linalg.solve(matrix, jacobian.T @ pull[used] - prior * now)
        # No further at a time than a figure is known beforehand.
        move *= min(1, PRIOR / np.max(np.abs(move[: len(NAMES)])))
        for share in (1, 0.5, 0.25, 0.1):
            there = now + share * move
            ahead, places = there[: len(NAMES)], there[len(NAMES) :].reshape(lanes, 2)
            surface = spline(ahead, start)
            reached = total(surface, ahead, places)
            if reached > value:
                break
        gained = reached - value
        if gained < 0.05:
            break
        theta, place, base, value = ahead, places, surface, reached
    print(f"seconds {time.perf_counter() - begin:.4f}")
    print(f"points {int(used.sum())}")
    for name, value, ln in zip(NAMES, start, theta):
        print(f"figure {name} {value * np.exp(ln):.6e}")


main()

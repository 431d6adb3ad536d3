#!/usr/bin/env python3
"""Error-ratio surfaces of 72 data lanes, 64 delay taps and 64 reference steps in straightforward numpy: the equations of
the channel model with arrays where numpy invites them, and no further tricks. One thread. Prints the seconds it took and
a few values to compare.

Needs numpy from PyPI (written with numpy 2.4). The bench beside it, `cargo bench -p simulator --bench against_numpy`, runs
this script and the model on the same lanes and prints the ratio of their times and the largest difference.

    OMP_NUM_THREADS=1 python3 tests/numpy/surface.py LANES.csv

LANES.csv: one line a lane: impedance factor, capacitance factor, extra length (m), skew (s), offset (V), phase (rad).
"""

import math
import sys
import time

import numpy as np

C0, MU0 = 299792458.0, 4e-7 * math.pi
RATE, T, VDDQ = 3.2e9, 25.0, 1.2
UI = 1 / RATE
WEIGHTS = [1, 1, 0.35, 0.35, 0.15, 0.15, 0.15]
DV, HALF = 2e-3, 640
NOISE, V_DJ = 4e-3, 16e-3
RJ, DCD, DJ = 4.5e-12, 14e-12, 18e-12
RON, RODT, T2080, APERTURE = 34.3, 48.0, 70e-12, 36e-12
TX = 2e-12 + 6e-12  # one connector
PER_UI, GRID = 64, 256
INL = 0.6

phi = np.vectorize(math.erfc)


def tail(z):
    """Upper tail of the standard normal distribution."""
    return 0.5 * phi(np.asarray(z) / math.sqrt(2))


def tail_with_box(x, sigma, half):
    """Upper tail of a Gaussian plus a uniform number of half width `half`."""
    x = np.asarray(x, dtype=float)
    g = lambda v: v * (1 - tail(v / sigma)) + sigma * np.exp(-0.5 * (v / sigma) ** 2) / math.sqrt(2 * math.pi)
    with np.errstate(under="ignore"):
        return np.maximum(1 - (g(x + half) - g(x - half)) / (2 * half), 0)


def permittivity(f, er, tand):
    ratio = lambda x: np.log((1e12 + 1j * x) / (1e3 + 1j * x))
    k = ratio(1e9)
    m = -er * tand / k.imag
    return er * (1 + tand * k.real / k.imag) + m * ratio(f)


def line(f, z0, er, tand, width, length):
    rho = 1.72e-8 * (1 + 3.93e-3 * (T - 20))
    rdc = rho / (width * 18e-6)
    rs = 1.25 * math.sqrt(math.pi * MU0 * rho) / width
    w = 2 * math.pi * f
    series = np.sqrt(rdc**2 + 2j * f * rs**2) + 1j * w * z0 * math.sqrt(er) / C0
    shunt = 1j * w * permittivity(f, er, tand) / (z0 * math.sqrt(er) * C0)
    with np.errstate(divide="ignore", invalid="ignore"):
        gamma, zc = np.sqrt(series * shunt), np.sqrt(series / shunt)
        a, b, c = np.cosh(gamma * length), zc * np.sinh(gamma * length), np.sinh(gamma * length) / zc
    a[0], b[0], c[0] = 1, rdc * length, 0
    return a, b, c, a


def shunt_c(f, farad):
    y = 2j * math.pi * f * farad
    one = np.ones_like(y)
    return one, 0 * y, y, one


def series_rl(f, ohm, henry):
    z = ohm + 2j * math.pi * f * henry
    one = np.ones_like(z)
    return one, z, 0 * z, one


def chain(parts):
    a, b, c, d = parts[0]
    for e, g, h, k in parts[1:]:
        a, b, c, d = a * e + b * h, a * g + b * k, c * e + d * h, c * g + d * k
    return a, b, c, d


def transfer(f, z, cap, extra):
    package = lambda z0, delay: line(f, z0 * z, 3.6, 0.012, 0.06e-3, delay * C0 / math.sqrt(3.6))
    a, b, c, d = chain([
        shunt_c(f, 0.80e-12 * cap), package(60, 28e-12), shunt_c(f, 0.32e-12),
        line(f, 42 * z, 4.0, 0.018, 0.10e-3, 30e-3), series_rl(f, 15, 0), shunt_c(f, 0.33e-12),
        shunt_c(f, 0.375e-12), series_rl(f, 0, 1.2e-9), shunt_c(f, 0.375e-12 + 0.32e-12),
        line(f, 46 * z, 3.8, 0.014, 0.11e-3, 80e-3 + extra),
        shunt_c(f, 0.125e-12), series_rl(f, 0, 0.7e-9), shunt_c(f, 0.125e-12),
        package(45, 45e-12), shunt_c(f, 1.05e-12 * cap),
    ])
    # source behind Ron, receiver on Rodt
    return 1 / (a + b / RODT + RON * (c + d / RODT))


def responses(z, cap, extra):
    f = np.arange(513) * RATE / 32
    h = transfer(f, z, cap, extra)
    shape = np.sinc(f * T2080 / 0.735) ** 2 * np.sinc(f * APERTURE) * np.sinc(f * UI)
    real = lambda s: np.fft.irfft(s, 2048) * 2048 / 32
    p = real(h * shape)
    top = int(np.argmax(p))
    before, at, after = p[top - 1], p[top], p[(top + 1) % 2048]
    advance = (top + 0.5 * (before - after) / (before - 2 * at + after)) / 64
    s = h * shape * np.exp(2j * np.pi * np.arange(513) * advance / 32)
    return real(s), real(s * 2j * np.pi * f * TX), h[0].real


def without_jitter(p, x, phase, thresholds):
    """Error ratio at one phase for all thresholds (less the middle level)."""
    cursors = lambda r: np.array([r[(phase + 64 * k) % 2048] for k in range(-4, 26)]) * 0.5 * VDDQ
    own, coupled = cursors(p), cursors(x)
    main = own[4]
    terms = np.concatenate([np.delete(own, 4), *[w * coupled for w in WEIGHTS]])
    terms = np.abs(terms)
    small = terms < DV / 2
    variance = NOISE**2 + float(np.sum(terms[small] ** 2))
    pmf = np.zeros(2 * HALF + 1)
    pmf[HALF] = 1
    for term in sorted(terms[~small], reverse=True):
        s = term / DV
        i = int(s)
        part = s - i
        variance -= part * (1 - part) * DV**2
        new = np.zeros_like(pmf)
        for shift, weight in ((i, (1 - part) / 2), (i + 1, part / 2)):
            if shift == 0:
                new += 2 * weight * pmf
            else:
                new[shift:] += weight * pmf[:-shift]
                new[:-shift] += weight * pmf[shift:]
        pmf = new
    sigma = math.sqrt(max(variance, NOISE**2 / 4))
    reach = int(math.ceil((9 * sigma + V_DJ) / DV))
    kernel = tail_with_box(-np.arange(-reach, reach + 1) * DV, sigma, V_DJ)
    # P(X + noise > u) on all bins: certain part beyond the kernel's reach, the rest by convolution
    upper = np.concatenate([np.cumsum(pmf[::-1])[::-1], np.zeros(reach + 1)])
    padded = np.concatenate([np.zeros(reach), pmf, np.zeros(reach)])
    logs = np.log(np.maximum(np.correlate(padded, kernel, "valid") + upper[reach + 1 : reach + 1 + len(pmf)], 1e-100))
    at = lambda u: np.exp(np.interp(u / DV + HALF, np.arange(len(pmf)), logs))
    return 0.5 * at(main - thresholds) + 0.5 * at(main + thresholds)


def jitter_weights():
    step = UI / GRID
    half = int(math.ceil((0.5 * (DCD + DJ) + 9 * RJ) / step))
    edges = (np.arange(-half, half + 2) - 0.5) * step
    cdf = 1 - 0.5 * (tail_with_box(edges - DCD / 2, RJ, DJ / 2) + tail_with_box(edges + DCD / 2, RJ, DJ / 2))
    return np.diff(cdf), half


def surface(lane, weights, half):
    z, cap, extra, skew, offset, turn = lane
    p, x, h0 = responses(z, cap, extra)
    middle = VDDQ * (1 - 0.5 * h0)
    thresholds = VDDQ * (0.50 + 0.0065 * np.arange(64)) + offset - middle
    phases = range(-96, 97)
    rows = np.array([without_jitter(p, x, phase, thresholds) for phase in phases])
    fine = np.arange(-384, 385)
    logs = np.log(np.maximum(rows, 1e-100))
    rows = np.exp(np.array([np.interp(fine / 4, list(phases), column) for column in logs.T])).T
    n = np.arange(64)
    inl = INL / 2 * np.sin(2 * np.pi * n / 19 + turn) + INL / 4 * np.sin(2 * np.pi * n / 5.3 + 2 * turn)
    place = np.clip(((n - 32 + inl) / 32 - skew / UI) * GRID, -384, 384)
    out = np.empty((64, 64))
    jittered = lambda g: weights @ rows[np.clip(np.arange(g - half, g + half + 1), -384, 384) + 384]
    for tap in range(64):
        base = int(math.floor(place[tap]))
        part = place[tap] - base
        low, high = np.log(np.maximum(jittered(base), 1e-100)), np.log(np.maximum(jittered(base + 1), 1e-100))
        out[tap] = np.exp(low + part * (high - low))
    return out


def main():
    lanes = np.loadtxt(sys.argv[1], delimiter=",", ndmin=2)
    weights, half = jitter_weights()
    begin = time.perf_counter()
    surfaces = [surface(lane, weights, half) for lane in lanes]
    print(f"seconds {time.perf_counter() - begin:.4f}")
    for number, values in enumerate(surfaces):
        for tap, step in ((20, 38), (26, 30), (32, 38), (40, 45), (44, 38)):
            print(f"value {number} {tap} {step} {values[tap, step]:.9e}")


if __name__ == "__main__":
    main()

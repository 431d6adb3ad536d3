#!/usr/bin/env python3
"""Writes small Touchstone files with scikit-rf, the scattering parameters of their networks on 50 ohm, and random
cascades of the channel model's elements with their scattering parameters.

Needs scikit-rf and numpy from PyPI (written with scikit-rf 2.2.0, numpy 2.4.6). Outputs, in tests/data/touchstone:

* NAME.sNp and expected.txt: `file NAME`, then a line per frequency: Hz and real and imaginary part of each cell, by rows
* cascades.txt: `cascade NUMBER`, a line per element in SI units, then `at` lines: Hz and S11 S12 S21 S22 on 50 ohm

    python3 tests/touchstone/make_reference.py
"""

import pathlib
import warnings

import numpy as np
import skrf as rf
from skrf.media import DefinedGammaZ0, DistributedCircuit

FOLDER = pathlib.Path(__file__).resolve().parent.parent / "data" / "touchstone"
C0, MU0 = 299792458.0, 4e-7 * np.pi
RHO = 1.72e-8 * (1 + 0.00393 * 5)  # copper at 25 degC, ohm m
THICKNESS, ROUGHNESS = 18e-6, 1.25


def permittivity(f, er, tand):
    """Wide-band Debye with corners 1 kHz and 1 THz, stated at 1 GHz."""
    ratio = lambda x: np.log((1e12 + 1j * x) / (1e3 + 1j * x))
    k = ratio(1e9)
    m = -er * tand / k.imag
    return er * (1 + tand * k.real / k.imag) + m * ratio(f)


def line_media(frequency, z0, er, tand, width):
    """A lossy line by its R, L, G and C at each frequency; the loss law is the model's own."""
    f = frequency.f
    w = 2 * np.pi * f
    skin = ROUGHNESS * np.sqrt(np.pi * MU0 * RHO) / width
    direct = RHO / (width * THICKNESS)
    internal = np.sqrt(direct**2 + 2j * f * skin**2)
    inductance = z0 * np.sqrt(er) / C0 + internal.imag / w
    shunt = 1j * w * permittivity(f, er, tand) / (z0 * np.sqrt(er) * C0)
    return DistributedCircuit(frequency, z0_port=50, R=internal.real, L=inductance, G=shunt.real, C=shunt.imag / w)


def random_cascades():
    random = np.random.default_rng(20240901)
    frequency = rf.Frequency.from_f(np.array([0.05, 0.4, 1.0, 1.2, 1.6, 2.4, 3.2, 5.0, 8.0, 12.0]), unit="ghz")
    plain = DefinedGammaZ0(frequency, z0=50, gamma=1j * 2 * np.pi * frequency.f / C0)
    text = []
    for number in range(24):
        network = plain.thru()
        text.append(f"cascade {number}")
        for _ in range(int(random.integers(3, 9))):
            kind = random.choice(["line", "series", "shunt", "stub", "connector", "loaded_stub"])
            z0, er, tand = random.uniform(35, 70), random.uniform(3.2, 4.4), random.uniform(0.005, 0.025)
            width, length = random.uniform(0.06e-3, 0.2e-3), random.uniform(1e-3, 80e-3)
            inductance, capacitance = random.uniform(0.1e-9, 2e-9), random.uniform(0.1e-12, 1.5e-12)
            ohm = random.uniform(0.5, 60)
            media = line_media(frequency, z0, er, tand, width)
            coil, plates = plain.inductor(inductance), plain.shunt_capacitor
            if kind == "line":
                values, part = (z0, er, tand, width, length), media.line(length, "m")
            elif kind == "series":
                values, part = (ohm, inductance), plain.resistor(ohm) ** coil
            elif kind == "shunt":
                values, part = (capacitance,), plates(capacitance)
            elif kind == "connector":
                board = random.uniform(0.1e-12, 0.5e-12)
                values = (inductance, capacitance, board)
                part = plates(capacitance / 2) ** coil ** plates(capacitance / 2 + board)
            elif kind == "stub":
                length = length / 4
                values = (z0, er, tand, width, length)
                part = plain.shunt(media.line(length, "m") ** plain.open())
            else:
                length, ohm = length / 4, ohm + 20
                values = (z0, er, tand, width, length, ohm)
                part = plain.shunt(media.line(length, "m") ** plain.resistor(ohm) ** plain.short())
            network = network**part
            text.append(" ".join([kind, *(repr(float(value)) for value in values)]))
        for f, s in zip(frequency.f, network.s):
            cells = [s[0, 0], s[0, 1], s[1, 0], s[1, 1]]
            text.append("at " + " ".join([repr(float(f)), *(f"{c.real:.17g} {c.imag:.17g}" for c in cells)]))
    (FOLDER / "cascades.txt").write_text("\n".join(text) + "\n")


def networks():
    """Networks of one to four ports: lossy lines, and two coupled by capacitors."""
    frequency = rf.Frequency.from_f(np.array([0.0001, 0.5, 1.0, 1.6, 2.4, 3.7, 5.0, 8.0]), unit="ghz")
    plain = DefinedGammaZ0(frequency, z0=50, gamma=1j * 2 * np.pi * frequency.f / C0)
    a = line_media(frequency, 46.0, 3.8, 0.014, 0.11e-3).line(0.08, "m")
    b = line_media(frequency, 62.0, 4.0, 0.018, 0.10e-3).line(0.03, "m")
    two = a ** plain.shunt_capacitor(0.7e-12) ** b ** plain.resistor(3.0)
    one = two ** plain.resistor(40.0) ** plain.short()
    three = rf.network.connect(rf.network.connect(plain.splitter(3), 0, a, 0), 1, b, 0)
    # Two lines side by side in an admittance sum: coupling capacitors between the near and the far ends.
    y = np.zeros((len(frequency), 4, 4), complex)
    y[:, :2, :2], y[:, 2:, 2:] = two.y, (a**b).y
    for near, far, c in ((0, 2, 0.08e-12), (1, 3, 0.05e-12)):
        coupling = 2j * np.pi * frequency.f * c
        y[:, near, near] += coupling
        y[:, far, far] += coupling
        y[:, near, far] -= coupling
        y[:, far, near] -= coupling
    four = rf.Network(frequency=frequency, s=rf.network.y2s(y, 50), z0=50)
    return {1: one, 2: two, 3: three, 4: four}


def files():
    """Name, ports, what scikit-rf is told, and the reference impedances of the ports."""
    for form in ("ri", "ma", "db"):
        for ports in (1, 2, 3, 4):
            yield f"s-{form}-v1", ports, {"form": form, "version": "1.0"}, [50]
            yield f"s-{form}-v2", ports, {"form": form, "version": "2.0"}, [50]
    for ports in (2, 4):
        yield "s-75ohm-v1", ports, {"form": "ri", "version": "1.0"}, [75]
        yield "s-mixed-v2", ports, {"form": "db", "version": "2.0"}, [75, 42.5, 50, 110][:ports]
        for parameter in "YZ":
            yield f"{parameter.lower()}-v2", ports, {"form": "ri", "version": "2.0", "parameter": parameter}, [50]
    for parameter in "GH":
        yield f"{parameter.lower()}-v2", 2, {"form": "ma", "version": "2.0", "parameter": parameter}, [50]
    for parameter in "ZYGH":
        yield f"{parameter.lower()}-v1", 2, {"form": "ri", "version": "1.0", "parameter": parameter}, [75]


def main():
    warnings.simplefilter("ignore")
    FOLDER.mkdir(parents=True, exist_ok=True)
    text = []
    made = networks()
    for name, ports, told, reference in files():
        network = made[ports].copy()
        network.renormalize(reference * ports if len(reference) == 1 else reference)
        network.name = f"{name}-{ports}port"
        path = FOLDER / f"{network.name}.s{ports}p"
        path.write_text(network.write_touchstone(return_string=True, skrf_comment=False, **told))
        # scikit-rf 2.2.0 writes normalised Y, G and H but multiplies all of them by the reference when it reads.
        if not (told["version"] == "1.0" and told.get("parameter", "S") in "YGH"):
            again = rf.Network(str(path))
            again.renormalize(50)
            assert np.abs(again.s - made[ports].s).max() < 1e-9, path.name
        text.append(f"file {path.name}")
        for f, s in zip(made[ports].f, made[ports].s):
            text.append(" ".join([repr(float(f)), *(f"{c.real:.17g} {c.imag:.17g}" for c in s.flatten())]))
    (FOLDER / "expected.txt").write_text("\n".join(text) + "\n")
    random_cascades()


if __name__ == "__main__":
    main()

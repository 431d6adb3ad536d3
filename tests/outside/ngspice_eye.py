"""An eye of the channel as a circuit: ngspice solves a ladder, its pulse is superposed over a pseudo-random sequence.

    python3 ngspice_eye.py < case.json

The case (ngspice.rs writes it) holds the elements of one line with their materials, driver, edge, termination, receiver and
jitter. Nothing of the model's equations is used: lines are sections of L and C with branches of R and L for the skin effect and
of R and C for the dielectric; the eye is counted bit by bit over the sequence. Prints {"width_taps": .., ...}.

    skin effect   sqrt(s + a) = (2/pi) integral of (s + a)/(s + a + x^2) dx: one R with an L across it for each step of ln x
    dielectric    wide-band Debye (Djordjevic, Sarkar): relaxations spread evenly over ln f: one R-C for each step of ln f
"""

import cmath
import json
import math
import os
import subprocess
import sys
import tempfile

LIGHT = 299792458.0
MU0 = 4e-7 * math.pi
SECTION_S = 4e-12  # delay of one L and C
LOSSY_EVERY = 5  # sections between two sets of loss branches
STEPS_UI = 64
WINDOW_UI = 26
BEFORE, AFTER = 4, 20  # bits of the superposition


class Ladder:
    def __init__(self):
        self.lines, self.nodes, self.parts = [], 0, 0

    def node(self):
        self.nodes += 1
        return f"n{self.nodes}"

    def part(self, kind, one, other, value):
        if value > 0.0:
            self.parts += 1
            self.lines.append(f"{kind}{self.parts} {one} {other} {value:.9e}")

    def series(self, at, ohm, henry):
        if ohm > 0.0:
            then = self.node()
            self.part("R", at, then, ohm)
            at = then
        if henry > 0.0:
            then = self.node()
            self.part("L", at, then, henry)
            at = then
        return at

    def line(self, at, spec, of_section):
        """A uniform line as sections; returns its far node."""
        er0, er, tand = spec["er_reference"], spec["er"], spec["tand"]
        width, z0, length = spec["width_m"], spec["z0_ohm"], spec["length_m"]
        henry = z0 * math.sqrt(er0) / LIGHT * length
        empty = 1.0 / (z0 * math.sqrt(er0) * LIGHT) * length  # capacitance by permittivity
        sections = max(2, math.ceil(length * math.sqrt(er) / LIGHT / of_section))
        sets = max(1, sections // LOSSY_EVERY)
        # Dielectric: er and tand hold at 1 GHz.
        low, high, at_hz = 1e3, 1e12, 1e9
        k = cmath.log(complex(high, at_hz) / complex(low, at_hz))
        spread = -er * tand / k.imag
        constant = er * (1.0 + tand * k.real / k.imag)
        branches, step = [], math.log(4.0)
        corner = low * math.exp(0.5 * step)
        while corner < high:
            if corner < 2e7:
                pass  # conducts like nothing within the window
            elif corner > 1e11:
                constant += spread * step
            else:
                branches.append((spread * step * empty, corner))
            corner *= math.exp(step)
        # Skin effect: Z = sqrt(Rdc^2 + 2 j f Rs^2) = Rs/sqrt(pi) sqrt(s + a).
        rs = spec["roughness"] * math.sqrt(math.pi * MU0 * spec["resistivity"]) / width * length
        rdc = spec["resistivity"] / (width * spec["thickness_m"]) * length
        scale = rs / math.sqrt(math.pi)
        a = (rdc / scale) ** 2
        direct, coils, ln = 0.0, [], math.log(2.0)
        x = math.sqrt(2.0 * math.pi * 1e6)
        # Below the first corner nothing but the direct part counts: its integral in closed form.
        edge = x * math.exp(-0.5 * ln)
        direct += 2.0 / math.pi * scale * math.sqrt(a) * math.atan(edge / math.sqrt(a))
        most = math.sqrt(2.0 * math.pi * 60e9)
        while x < most:
            weight = 2.0 / math.pi * scale * x * ln
            direct += weight * a / (a + x * x)
            ohm = weight * x * x / (a + x * x)
            coils.append((ohm, ohm / (a + x * x)))
            x *= math.exp(ln)
        henry += 2.0 / math.pi * scale / (x * math.exp(-0.5 * ln))
        for number in range(sections):
            self.part("C", at, "0", 0.5 * constant * empty / sections)
            if number % max(1, sections // sets) == 0 and number // max(1, sections // sets) < sets:
                at = self.series(at, direct / sets, 0.0)
                for ohm, coil in coils:
                    then = self.node()
                    self.part("R", at, then, ohm / sets)
                    self.part("L", at, then, coil / sets)
                    at = then
                for farad, corner in branches:
                    middle = self.node()
                    self.part("C", at, middle, farad / sets)
                    self.part("R", middle, "0", sets / (2.0 * math.pi * corner * farad))
            at = self.series(at, 0.0, henry / sections)
            self.part("C", at, "0", 0.5 * constant * empty / sections)
        return at

    def chain(self, at, elements):
        for element in elements:
            (kind, what), = element.items()
            if kind == "shunt":
                self.part("C", at, "0", what)
            elif kind == "series":
                at = self.series(at, what[0], what[1])
            elif kind == "line":
                at = self.line(at, what, SECTION_S)
            else:
                end = self.chain(self.stub(at), what["elements"])
                if what["siemens"] > 0.0:
                    self.part("R", end, "0", 1.0 / what["siemens"])
        return at

    def stub(self, at):
        then = self.node()
        self.part("R", at, then, 1e-6)
        return then


def pulse(case):
    """A pulse of one unit interval and 1 V at the receiver, every 1/64 UI from its begin; and where a step settles."""
    ladder, ui = Ladder(), case["ui_s"]
    out = ladder.node()
    ladder.part("R", "source", out, case["ron_ohm"])
    end = ladder.chain(out, case["elements"])
    ladder.part("R", end, "0", case["rodt_ohm"])
    # An S-shaped edge: two parabolas, 20 % to 80 % in t2080; begins at `begin`.
    half = case["t2080_s"] / 0.735
    begin = ui

    def edge(start, rising):
        points = []
        for n in range(25):
            part = n / 24.0
            share = 2.0 * part * part if part <= 0.5 else 1.0 - 2.0 * (1.0 - part) ** 2
            points.append((start + (part - 0.5) * 2.0 * half + half, share if rising else 1.0 - share))
        return points

    points = [(0.0, 0.0)] + edge(begin, True)
    last = points[-1][0]
    points += [(max(t, last + 1e-15 * (n + 1)), v) for n, (t, v) in enumerate(edge(begin + ui, False))]
    # Rise and fall may overlap where the edge is longer than the bit: then the pulse is their sum.
    if begin + ui < last:
        grid = [begin + n * (ui + 2.0 * half) / 240.0 for n in range(241)]

        def share(t, start):
            part = min(max((t - start) / (2.0 * half), 0.0), 1.0)
            return 2.0 * part * part if part <= 0.5 else 1.0 - 2.0 * (1.0 - part) ** 2

        points = [(0.0, 0.0)] + [(t, share(t, begin) - share(t, begin + ui)) for t in grid]
    shape = " ".join(f"{t:.9e} {v:.9e}" for t, v in points)
    step = ui / STEPS_UI
    stop = (WINDOW_UI + 2) * ui
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "pulse.txt")
        text = [
            "* a channel as a ladder",
            f"Vs source 0 PWL({shape})",
            *ladder.lines,
            f".tran {step:.9e} {stop:.9e} 0 {step / 2:.9e}",
            ".options reltol=1e-4",
            ".control",
            "set wr_singlescale",
            "run",
            f"linearize v({end})",
            f"wrdata {path} v({end})",
            ".endc",
            ".end",
        ]
        deck = os.path.join(folder, "deck.cir")
        with open(deck, "w", encoding="ascii") as file:
            file.write("\n".join(text) + "\n")
        done = subprocess.run(["ngspice", "-b", deck], capture_output=True, text=True, check=False, timeout=300)
        if not os.path.exists(path):
            sys.exit(done.stdout + done.stderr)
        with open(path, encoding="ascii") as file:
            values = [float(line.split()[1]) for line in file if line.strip()]
    # The aperture of the receiver: the mean over its window, from the integral of the waveform.
    reach = case["aperture_s"] / step / 2.0
    total = [0.0]
    for before, after in zip(values, values[1:]):
        total.append(total[-1] + 0.5 * (before + after))

    def integral(place):
        place = min(max(place, 0.0), len(values) - 1.0)
        i = min(int(place), len(values) - 2)
        part = place - i
        return total[i] + part * (values[i] + 0.5 * part * (values[i + 1] - values[i]))

    return [(integral(n + reach) - integral(n - reach)) / (2.0 * reach) for n in range(len(values))]


def prbs(order, other):
    state, bits = 1, []
    for _ in range((1 << order) - 1):
        new = (state >> (order - 1) ^ state >> (other - 1)) & 1
        state = (state << 1 | new) & ((1 << order) - 1)
        bits.append(1.0 if new else -1.0)
    return bits


def main():
    case = json.load(sys.stdin)
    shape = pulse(case)
    top = max(range(len(shape)), key=shape.__getitem__)
    settled = sum(shape[top % STEPS_UI :: STEPS_UI])  # a step is the sum of its pulses
    amplitude, vddq, ui = 0.5 * case["vddq_v"], case["vddq_v"], case["ui_s"]
    middle = vddq * (1.0 - 0.5 * settled)
    bits = prbs(11, 9)
    count = len(bits)
    rows = [[bits[(at + k) % count] for k in range(-AFTER, BEFORE + 1)] for at in range(count)]
    sigma, bounded = case["noise_v"], case["bounded_v"]
    root = 1.0 / (sigma * math.sqrt(2.0))
    noises = [(2.0 * n + 1.0 - 9.0) / 9.0 * bounded for n in range(9)]

    def tail(u):
        return sum(0.5 * math.erfc((u - noise) * root) for noise in noises) / len(noises)

    table_step = sigma / 16.0
    reach = 9.0 * sigma + bounded
    table = [tail(-reach + n * table_step) for n in range(int(2.0 * reach / table_step) + 2)]

    def errors(phase, threshold):
        weights = []
        for k in range(-AFTER, BEFORE + 1):
            place = top + phase - k * STEPS_UI
            weights.append(amplitude * shape[place] if 0 <= place < len(shape) else 0.0)
        total = 0.0
        for row in rows:
            signal = sum(map(float.__mul__, weights, row)) + middle - threshold
            place = (row[AFTER] * signal + reach) / table_step
            if place <= 0.0:
                total += 1.0
            elif place < len(table) - 1:
                i = int(place)
                total += table[i] + (place - i) * (table[i + 1] - table[i])
        return max(total / count, 1e-30)

    # Jitter: duty cycle on either side, bounded over its width, Gaussian; in steps of a phase.
    unit = ui / STEPS_UI
    spread = {}
    for duty in (-0.5, 0.5):
        for n in range(15):
            for m in range(-60, 61):
                z = m / 10.0
                t = duty * case["dcd_s"] + ((2.0 * n + 1.0) / 15.0 - 1.0) * 0.5 * case["dj_s"] + z * case["rj_s"]
                weight = math.exp(-0.5 * z * z)
                place = t / unit
                low = math.floor(place)
                spread[low] = spread.get(low, 0.0) + weight * (low + 1 - place)
                spread[low + 1] = spread.get(low + 1, 0.0) + weight * (place - low)
    whole = sum(spread.values())
    threshold = case["threshold_v"]
    still = {phase: errors(phase, threshold) for phase in range(-64, 65)}

    def with_jitter(phase):
        return sum(w * still[min(max(phase + shift, -64), 64)] for shift, w in spread.items()) / whole

    limit = math.log(case["pass_ber"])
    logs = {phase: math.log(with_jitter(phase)) - limit for phase in range(-48, 49)}
    passing = [phase for phase, log in logs.items() if log <= 0.0]
    if not passing:
        sys.exit("the circuit's eye is closed")

    def crossing(inside, outside):
        return inside + (outside - inside) * logs[inside] / (logs[inside] - logs[outside])

    left, right = min(passing), max(passing)
    ends = crossing(left, left - 1), crossing(right, right + 1)
    width = (ends[1] - ends[0]) / STEPS_UI * case["taps_per_ui"]
    print(json.dumps({"width_taps": width, "middle_v": middle, "main_v": amplitude * shape[top]}))


main()

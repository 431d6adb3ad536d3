#!/usr/bin/env python3
"""Reference agent: the agent protocol of drivers/bench/AGENT.md in plain Python, standard library only.

Copy it, and replace every method of `Device` that is marked FILL IN by calls to your own hardware. As it stands it
drives a small eye model, so that it can be tried without any:

    python3 reference_agent.py                 speaks over standard input and output
    python3 reference_agent.py --tcp 7000      listens on 127.0.0.1:7000

Standard output carries the protocol only; everything else goes to standard error.
"""

import json
import math
import random
import socketserver
import sys
import threading

PROTOCOL = 1
HEARTBEAT_S = 1.0
MOST_LINE = 4 << 20

# Error codes of the protocol (see AGENT.md).
WRONG_ORDER, OUT_OF_RANGE, UNSUPPORTED, INTERLOCK = -32001, -32002, -32003, -32004
DEVICE_SILENT, TRAINING_LOST, CANCELLED, WRONG_IDENTITY = -32005, -32006, -32007, -32008


class Fault(Exception):
    """An error answer: code and words."""

    def __init__(self, code, words):
        super().__init__(words)
        self.code, self.words = code, words


class Device:
    """The device under test. Here: an eye whose edges have Gaussian jitter."""

    TAPS, STEPS, UI_PS, VDDQ_MV = 64, 48, 416.7, 1200.0

    def __init__(self):
        self.powered = False
        self.asked = None
        self.trained = False
        self.cancel = threading.Event()

    # -- identity ------------------------------------------------------------------------------------------------
    def identify(self, _):
        # FILL IN: read chip, firmware and, where it can be read, the module's SPD.
        return {
            "protocol": PROTOCOL, "agent_version": "reference agent 1", "chip_serial": "MODEL-1",
            "firmware_build": "none", "firmware_hash": "0", "settings_hash": "0", "module_serial": None,
            "module_spd": None,
            "powered": self.powered,
        }

    # -- power and condition -------------------------------------------------------------------------------------
    def power(self, params):
        # FILL IN: start or stop the board's own sequencing. The supplies themselves are not the agent's business.
        self.powered = bool(params["on"])
        self.trained = False
        return {}

    def configure(self, params):
        if not self.powered:
            raise Fault(DEVICE_SILENT, "the device has no power")
        # FILL IN: load firmware if `firmware_image` differs, set rate, pattern and refresh.
        self.asked = params
        self.trained = False
        self.ui_ps = 1e6 / params["rate_mts"]
        lanes = params["module"]["lanes"]
        eye = {
            "eye": {"direction": "read", "rank": 0, "sub_channel": None},
            "taps": self.TAPS, "vref_steps": self.STEPS, "tap_step_ps": self.ui_ps / 32,
            "vref_start_mv": 0.45 * self.VDDQ_MV, "vref_step_mv": 0.01 * self.VDDQ_MV, "ui_ps": self.ui_ps,
            "vddq_mv": self.VDDQ_MV, "lanes": lanes, "compared_bits_per_second": 1e9,
            "visit_overhead_s": 5e-4, "vref_settle_s": 1e-4, "early_stop": False, "fewest_bits": 8,
        }
        return {"eyes": [eye], "restores_training": True, "power_cycle": True,
                "double_refresh": params["double_refresh"]}

    # -- training ------------------------------------------------------------------------------------------------
    def train(self, _):
        self.need_configured()
        # FILL IN: run the device's training and report what it found.
        lanes = self.asked["module"]["lanes"]
        found = [{"lane": lane, "delay_taps": 32.0, "width_taps": 20.0, "vref_step": 24.0, "height_steps": 20.0,
                  "end_stop": False, "passed": True} for lane in lanes]
        eye = {"direction": "read", "rank": 0, "sub_channel": None}
        self.trained = True
        return {
            "stages": [{"name": "read training", "eye": eye, "by_byte_lane": False, "lanes": found, "causes": []}],
            "eyes": [{"eye": eye, "lanes": lanes, "settings": [{"tap": 32, "vref": 24} for _ in lanes]}],
            "passed": True,
        }

    def restore(self, _):
        self.need_configured()
        # FILL IN: write the saved codes back.
        self.trained = True
        return {}

    # -- counting ------------------------------------------------------------------------------------------------
    def sample(self, params):
        self.need_configured()
        if not self.trained:
            raise Fault(TRAINING_LOST, "train first")
        lanes = len(self.asked["module"]["lanes"])
        counts = []
        for point in params["points"]:
            if self.cancel.is_set():
                raise Fault(CANCELLED, "cancelled")
            if not (0 <= point["tap"] < self.TAPS and 0 <= point["vref"] < self.STEPS):
                raise Fault(OUT_OF_RANGE, f"no point {point['tap']}, {point['vref']}")
            # FILL IN: move delay and Vref, compare bits, read the counters.
            bits = max(8, point["most_bits"] // 8 * 8)
            errors = [self.count(point, lane, bits) for lane in range(lanes)]
            counts.append({"bits": bits, "errors": errors})
        return {"counts": counts}

    def count(self, point, lane, bits):
        """Errors of the eye model: distance to the nearer edge in units of the jitter."""
        x = 10.5 - abs(point["tap"] - 32 - 0.1 * (lane % 4))
        y = 10.5 - abs(point["vref"] - 24)
        ber = 0.5 * math.erfc(min(x, y) / math.sqrt(2)) if min(x, y) > 0 else 0.5
        mean = bits * ber
        draw = random.Random(f"{point['tap']} {point['vref']} {lane} {point['bits_before']} {point['series']}")
        return max(0, min(bits, round(draw.gauss(mean, math.sqrt(mean * (1 - ber))))))

    # -- the rest ------------------------------------------------------------------------------------------------
    def temperature(self, _):
        # FILL IN: read the device's own sensors.
        return {"sensors_degc": {"chip": 25.0}}

    def log(self, _):
        return {"text": "reference agent: nothing to report"}

    def training_log(self, _):
        # FILL IN: what the device's training printed last.
        return {"text": ""}

    def registers(self, _):
        # FILL IN: the registers that tell what state the interface is in; asked for after a failure.
        return {"text": ""}

    def safe(self, _):
        # FILL IN: stop traffic, release the bus. Must work in any state and may be called twice.
        self.powered = self.trained = False
        self.cancel.set()
        return {}

    def need_configured(self):
        if self.asked is None or not self.powered:
            raise Fault(WRONG_ORDER, "configure first")


METHODS = ("identify", "power", "configure", "train", "restore", "sample", "temperature", "log", "training_log",
           "registers", "safe")


def error(number, code, words):
    return {"jsonrpc": "2.0", "id": number, "error": {"code": code, "message": words}}


class Conversation:
    """One connection: reads a JSON text a line, answers a JSON text a line."""

    def __init__(self, device, write):
        self.device, self.lock = device, threading.Lock()
        self.write_line = write

    def send(self, message):
        with self.lock:
            self.write_line(json.dumps(message, separators=(",", ":")) + "\n")

    def one(self, request):
        """The answer to one request; None for a notification."""
        if not isinstance(request, dict) or request.get("jsonrpc") != "2.0" or not isinstance(request.get("method"), str):
            return error(None, -32600, "no JSON-RPC 2.0 request")
        number, method = request.get("id"), request["method"]
        if "id" not in request:
            if method == "cancel":
                self.device.cancel.set()
            return None
        if method not in METHODS:
            return error(number, -32601, f"no method {method}")
        done = threading.Event()

        def beat():
            while not done.wait(HEARTBEAT_S):
                self.send({"jsonrpc": "2.0", "method": "heartbeat",
                           "params": {"call": number, **self.device.temperature({})}})

        beats = threading.Thread(target=beat, daemon=True)
        self.device.cancel.clear()
        beats.start()
        try:
            return {"jsonrpc": "2.0", "id": number, "result": getattr(self.device, method)(request.get("params") or {})}
        except Fault as fault:
            return error(number, fault.code, fault.words)
        except (KeyError, TypeError, ValueError) as fault:
            return error(number, -32602, f"wrong parameters: {fault!r}")
        finally:
            done.set()

    def line(self, text):
        try:
            request = json.loads(text)
        except ValueError:
            return self.send(error(None, -32700, "parse error"))
        if isinstance(request, list):
            if not request:
                return self.send(error(None, -32600, "an empty batch"))
            answers = [answer for answer in map(self.one, request) if answer is not None]
            return self.send(answers) if answers else None
        answer = self.one(request)
        return self.send(answer) if answer is not None else None


def main():
    device = Device()
    if len(sys.argv) == 3 and sys.argv[1] == "--tcp":
        class Handler(socketserver.StreamRequestHandler):
            def handle(self):
                talk = Conversation(device, lambda text: self.wfile.write(text.encode()))
                while text := self.rfile.readline(MOST_LINE):
                    talk.line(text.decode("utf-8", "replace"))

        socketserver.ThreadingTCPServer.allow_reuse_address = True
        with socketserver.ThreadingTCPServer(("127.0.0.1", int(sys.argv[2])), Handler) as server:
            print(f"listening on {server.server_address}", file=sys.stderr, flush=True)
            server.serve_forever()
        return

    def write(text):
        sys.stdout.write(text)
        sys.stdout.flush()

    # Requests are read on one thread and worked off on another, so that `cancel` is heard during a call.
    talk, waiting, ready = Conversation(device, write), [], threading.Condition()

    def work():
        while True:
            with ready:
                while not waiting:
                    ready.wait()
                text = waiting.pop(0)
            if text is None:
                return
            talk.line(text)

    worker = threading.Thread(target=work)
    worker.start()
    for text in sys.stdin:
        if '"cancel"' in text:
            talk.line(text)
            continue
        with ready:
            waiting.append(text)
            ready.notify()
    with ready:
        waiting.append(None)
        ready.notify()
    worker.join()


if __name__ == "__main__":
    main()

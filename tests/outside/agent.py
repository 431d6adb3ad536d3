"""The reference agent driven by an independent JSON-RPC client (PyPI: jsonrpcclient)."""

import json
import subprocess
import sys

from jsonrpcclient import Error, Ok, notification, parse, request

agent = subprocess.Popen([sys.executable, sys.argv[1]], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def call(method, params=None):
    agent.stdin.write(json.dumps(request(method, params=params or {})) + "\n")
    agent.stdin.flush()
    return parse(json.loads(agent.stdout.readline()))


def ok(method, params=None):
    answer = call(method, params)
    assert isinstance(answer, Ok), f"{method}: {answer}"
    return answer.result


assert ok("identify")["protocol"] == 1
early = call("sample", {"eye": {}, "points": []})
assert isinstance(early, Error) and early.code == -32001, early
ok("power", {"on": True})
lanes = [0, 1, 2, 3]
condition = {"module": {"lanes": lanes}, "rate_mts": 2400.0, "double_refresh": True}
eye = ok("configure", condition)["eyes"][0]
assert eye["lanes"] == lanes and abs(eye["ui_ps"] - 416.667) < 1e-3
untrained = call("sample", {"eye": eye["eye"], "points": []})
assert isinstance(untrained, Error) and untrained.code == -32006, untrained
trained = ok("train", {"start": "retrain"})
at = trained["eyes"][0]["settings"][0]
point = {"bits_before": 0, "errors_before": [], "most_bits": 4096, "series": 0}
counts = ok("sample", {"eye": eye["eye"], "points": [{**at, **point}, {"tap": 0, "vref": 0, **point}]})["counts"]
assert counts[0]["errors"] == [0, 0, 0, 0] and min(counts[1]["errors"]) > 1500, counts
agent.stdin.write(json.dumps(notification("cancel", params={"call": 1})) + "\n")
assert isinstance(call("no such method"), Error)
agent.stdin.write("[]\n{\n")
agent.stdin.flush()
assert json.loads(agent.stdout.readline())["error"]["code"] == -32600
assert json.loads(agent.stdout.readline())["error"]["code"] == -32700
ok("safe")
ok("safe")
agent.stdin.close()
assert agent.wait(5) == 0
print("the reference agent answers an independent client")

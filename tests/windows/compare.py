"""Two CSV exports of the same run, made on two systems: every text equal, every number to a part in 1e9.

The last bits may differ: exponentials and logarithms are those of each system's C library.
"""

import csv
import sys


def rows(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def same(a, b):
    if a == b:
        return True
    try:
        x, y = float(a), float(b)
    except ValueError:
        return False
    return abs(x - y) <= 1e-9 * max(abs(x), abs(y), 1e-12)


one, other = rows(sys.argv[1]), rows(sys.argv[2])
assert len(one) == len(other) > 0, (len(one), len(other))
for number, (a, b) in enumerate(zip(one, other), 2):
    for key, value in a.items():
        # The number of a report covers the last bits, too.
        if key != "report_id":
            assert same(value, b[key]), f"line {number}, {key}: {value} and {b[key]}"
print(f"{len(one)} rows agree")

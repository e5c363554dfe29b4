#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Compares the answers of differently compiled programs to the same photos.

agree.py FIRST OTHER...    files of JSON lines; exit status 1 when one differs from the first

Words and whole numbers must be the same.  Other numbers may differ by TOLERANCE of their
size or of the least that matters of their kind (LEAST): compilers fuse and order sums
differently, and a fit stops a step earlier or later.
"""
import json
import os
import sys

TOLERANCE = 0.02
LEAST = {"p_value": 0.005, "evidence": 0.5, "decoy_evidence": 0.5, "log_ratio": 0.5,
         "strength": 0.05, "turn_deg": 0.5, "noise": 0.5}
LEAST_ELSE = 0.05
# Times; and runners-up of the list, which change places when they weigh the same.
SKIPPED = ("ms", "stages", "others", "milliseconds", "decoy_evidence", "total_ms")


def difference(name, a, b):
    """Largest difference in units of the tolerance; None where nothing may differ and does."""
    if isinstance(a, dict) and isinstance(b, dict):
        keys = [key for key in a if not any(key.startswith(s) or key.endswith(s) for s in SKIPPED)]
        if set(a) != set(b):
            return None
        parts = [difference(key, a[key], b[key]) for key in keys]
        return None if None in parts else max(parts, default=0.0)
    if isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            return None
        if name in ("reasons", "limits"):  # sentences with rounded numbers in them
            return 0.0
        parts = [difference(name, x, y) for x, y in zip(a, b)]
        return None if None in parts else max(parts, default=0.0)
    if isinstance(a, float) or isinstance(b, float):
        size = max(abs(a), abs(b), LEAST.get(name, LEAST_ELSE))
        return abs(a - b) / size / TOLERANCE
    return 0.0 if a == b else None


def read(path):
    with open(path, encoding="utf-8") as lines:
        return [json.loads(line) for line in lines]


def main():
    first, failed = read(sys.argv[1]), 0
    if not first:
        print("no answers", file=sys.stderr)
        return 1
    for path in sys.argv[2:]:
        other, worst = read(path), 0.0
        if len(other) != len(first):
            print(f"{os.path.basename(path)}: {len(other)} answers, not {len(first)}")
            failed = 1
        for a, b in zip(first, other):
            for key in sorted(set(a) | set(b)):
                if any(key.startswith(s) or key.endswith(s) for s in SKIPPED):
                    continue
                d = difference(key, a.get(key), b.get(key))
                if d is None or d > 1.0:
                    print(f"{os.path.basename(path)}: {a['photo']}: {key}: "
                          f"{json.dumps(a.get(key))[:200]} and {json.dumps(b.get(key))[:200]}")
                    failed = 1
                worst = max(worst, d or 0.0)
        print(f"{os.path.basename(path)}: {len(other)} photos, largest difference "
              f"{worst * TOLERANCE:.2g} (allowed {TOLERANCE})")
    return failed


if __name__ == "__main__":
    sys.exit(main())

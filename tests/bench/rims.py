#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Rims of single coins against marks made by hand: rims.py COINS FOLDER MARKS

COINS is the bench program of that name.  MARKS has lines "name x y radius", px of the
photo as stored.  Every photo of FOLDER must show a coin; on those marked its middle and
its radius must lie within 3 % of the marked radius."""
import json
import math
import os
import subprocess
import sys

LIMIT = 0.03


def read_marks(path):
    marks = {}
    for line in open(path):
        if line.strip() and line[0] != "#":
            name, x, y, radius = line.split()
            marks[name] = (float(x), float(y), float(radius))
    return marks


def main():
    coins, folder, marks = sys.argv[1], sys.argv[2], read_marks(sys.argv[3])
    names = sorted(n for n in os.listdir(folder) if n.lower().endswith((".jpg", ".jpeg", ".png")))
    done = subprocess.run([coins] + [os.path.join(folder, n) for n in names], text=True,
                          stdout=subprocess.PIPE, check=True)
    found = {os.path.basename(r["photo"]): r for r in map(json.loads, done.stdout.splitlines())}
    sure = [n for n in names if found.get(n, {}).get("sure", 0) > 0]
    near, worst = [], [0.0, 0.0]
    for name, (x, y, radius) in marks.items():
        rims = found.get(name, {}).get("coins", [])
        if not rims:
            print("%s: no rim" % name)
            continue
        rim = rims[0]
        off = math.hypot(rim["centre"][0] - x, rim["centre"][1] - y) / radius
        wide = abs(math.sqrt(rim["semi"][0] * rim["semi"][1]) / radius - 1)
        worst = [max(worst[0], off), max(worst[1], wide)]
        if off <= LIMIT and wide <= LIMIT:
            near.append(name)
        else:
            print("%s: middle %.1f %% off, radius %.1f %%" % (name, 100 * off, 100 * wide))
    print("a coin for certain in %d of %d photos" % (len(sure), len(names)))
    print("middle and radius within %.0f %% in %d of %d marked; at most %.1f %% and %.1f %%" %
          (100 * LIMIT, len(near), len(marks), 100 * worst[0], 100 * worst[1]))
    return 0 if len(near) == len(marks) and len(sure) == len(names) else 1


if __name__ == "__main__":
    sys.exit(main())

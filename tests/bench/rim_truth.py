#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Rims of whole coins against the truth beside each photo: rim_truth.py COINS FOLDER

COINS is the bench program of that name.  FOLDER holds photos of one coin each with NAME.json
beside NAME.jpg or NAME.png, whose rim_px are points of the rim, px.  Prints the r.m.s. distance of
these points from the rim found, shares of its radius: over the photos its median, mean and most."""
import json
import math
import os
import statistics
import subprocess
import sys


def distances(rim, points):
    """Of each point from the rim along the ray from its middle, shares of the radius."""
    c, s = math.cos(rim["angle"]), math.sin(rim["angle"])
    out = []
    for x, y in points:
        x, y = x - rim["centre"][0], y - rim["centre"][1]
        out.append(math.hypot((c * x + s * y) / rim["semi"][0], (c * y - s * x) / rim["semi"][1]) - 1)
    return out


def main():
    coins, folder = sys.argv[1], sys.argv[2]
    truth = {}
    for name in sorted(os.listdir(folder)):
        base, kind = os.path.splitext(name)
        beside = os.path.join(folder, base + ".json")
        if kind in (".jpg", ".png") and os.path.exists(beside):
            with open(beside, encoding="utf-8") as file:
                truth[os.path.join(folder, name)] = json.load(file)["rim_px"]
    done = subprocess.run([coins, *truth], text=True, stdout=subprocess.PIPE,
                          stderr=subprocess.DEVNULL, check=True)
    rms, wide = [], []
    for told in map(json.loads, done.stdout.splitlines()):
        if not told["coins"]:
            print("%s: no rim" % os.path.basename(told["photo"]))
            continue
        off = distances(told["coins"][0], truth[told["photo"]])
        rms.append(math.sqrt(statistics.mean(d * d for d in off)))
        wide.append(statistics.mean(off))
    print("%d of %d coins; r.m.s. median %.2f %%, mean %.2f %%, most %.2f %%; radius too small by %.2f %%"
          % (len(rms), len(truth), 100 * statistics.median(rms), 100 * statistics.mean(rms),
             100 * max(rms), 100 * statistics.mean(wide)))


if __name__ == "__main__":
    main()

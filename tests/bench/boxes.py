#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Rims of several coins against boxes drawn by hand: boxes.py COINS FOLDER BOXES.csv

COINS is the bench program of that name.  BOXES has lines photo,x0,y0,x1,y1, px of the
photo as stored.  A box is met when a rim that is called certain has a bounding box whose
intersection with it is 0.8 of their union or more.  A rim is extra that lies wholly in the
photo, meets no box by 0.3, and whose middle is within the table: the circle around the middle
of the photo's boxes that holds them all; coins cut by the frame, and those that lie in the
background, have no boxes."""
import csv
import json
import math
import os
import subprocess
import sys

MET, TOUCHED = 0.8, 0.3


def read_boxes(path):
    boxes = {}
    with open(path, encoding="utf-8") as file:
        for row in csv.DictReader(file):
            boxes.setdefault(row["photo"], []).append([float(row[k]) for k in ("x0", "y0", "x1", "y1")])
    return boxes


def bounds(rim):
    c, s = math.cos(rim["angle"]), math.sin(rim["angle"])
    a, b = rim["semi"]
    half = math.hypot(a * c, b * s), math.hypot(a * s, b * c)
    x, y = rim["centre"]
    return [x - half[0], y - half[1], x + half[0], y + half[1]]


def clipped(box, size):
    """The part in the photo, which is what a hand draws a box around."""
    return [max(box[0], 0), max(box[1], 0), min(box[2], size[0]), min(box[3], size[1])]


def share(a, b):
    wide, high = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    size = lambda r: (r[2] - r[0]) * (r[3] - r[1])
    return wide * high / (size(a) + size(b) - wide * high)


def table_of(boxes):
    x = sum(b[0] + b[2] for b in boxes) / (2 * len(boxes))
    y = sum(b[1] + b[3] for b in boxes) / (2 * len(boxes))
    reach = max(math.hypot((b[0] + b[2]) / 2 - x, (b[1] + b[3]) / 2 - y) + (b[2] - b[0]) / 2
                for b in boxes)
    return x, y, reach


def main():
    coins, folder, boxes = sys.argv[1], sys.argv[2], read_boxes(sys.argv[3])
    done = subprocess.run([coins] + [os.path.join(folder, n) for n in sorted(boxes)], text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=True)
    met = extra = 0
    count = sum(map(len, boxes.values()))
    for told in map(json.loads, done.stdout.splitlines()):
        name = os.path.basename(told["photo"])
        rims = [bounds(r) for r in told["coins"][:told["sure"]]]
        seen = [clipped(r, told["size"]) for r in rims]
        hit = sum(max([share(b, r) for r in seen] or [0]) >= MET for b in boxes[name])
        x, y, reach = table_of(boxes[name])
        more = [r for r in rims
                if max(share(b, clipped(r, told["size"])) for b in boxes[name]) < TOUCHED
                and min(r[:2]) >= 0 and r[2] <= told["size"][0] and r[3] <= told["size"][1]
                and math.hypot((r[0] + r[2]) / 2 - x, (r[1] + r[3]) / 2 - y) < reach]
        met += hit
        extra += len(more)
        if hit < len(boxes[name]) or more:
            print("%s: %d of %d boxes met, %d extra" % (name, hit, len(boxes[name]), len(more)))
    print("%d of %d boxes met (%.3f), %d extra (%.3f)" % (met, count, met / count, extra, extra / count))
    return 0 if met >= 0.95 * count and extra <= 0.03 * count else 1


if __name__ == "__main__":
    sys.exit(main())

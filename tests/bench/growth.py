#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""How the processor time of a warm inspection grows: with the photo's size, the number of dates
and the number of digits. Exponents are slopes of log time over log size by least squares.

  growth.py SPEED UNDERDIGIT-TESTIMAGES REFERENCE

SPEED is the program tests/speed of a build; pictures are drawn on the spot."""
import json
import math
import os
import re
import subprocess
import sys
import tempfile


def spent(speed, reference, photo):
    text = subprocess.run([speed, "--rounds", "3", reference, photo], check=True,
                          stdout=subprocess.PIPE).stdout.decode()
    return float(re.search(r"^inspect cpu +\d+ +([\d.]+)", text, re.M).group(1))


def exponent(points):
    x = [math.log(a) for a, _ in points]
    y = [math.log(b) for _, b in points]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y)) / sum((a - mx) ** 2 for a in x)


def tell(what, points):
    print("%-28s %s  exponent %.2f" %
          (what, ", ".join("%g: %.0f ms" % p for p in points), exponent(points)))


def main():
    speed, draw, path = sys.argv[1:4]
    reference = json.load(open(path))
    folder = tempfile.mkdtemp()

    def picture(name, pixels, of):
        subprocess.run([draw, "--reference", of, "--output", folder, "--class", "clean", "--date",
                        reference["dates"][0]["date"], "--seed", "5", "--name", name,
                        "--digit-px", "%d:%d" % (pixels, pixels)], check=True,
                       stdout=subprocess.DEVNULL)
        return os.path.join(folder, name + "-0000.jpg")

    def variant(name, dates, digits):
        made = dict(reference)
        made["digits"] = {k: reference["digits"][k] for k in digits}
        made["dates"] = dates
        for key in ("markers", "dies", "expected", "design"):
            made.pop(key, None)
        out = os.path.join(folder, name + ".json")
        json.dump(made, open(out, "w"))
        return out

    first = reference["dates"][0]
    one = variant("one", [first], reference["digits"])
    heights = (30, 60, 120, 240)
    tell("digit height, px", [(h, spent(speed, one, picture("h%d" % h, h, path)))
                              for h in heights])
    photo = picture("photo", 60, path)
    text = first["date"]
    dates = [first]
    for last in [d for d in reference["digits"] if d != text[-1]][:3]:
        other = json.loads(json.dumps(first))
        other["date"] = text[:-1] + last
        other["places"][-1]["digit"] = last
        dates.append(other)
    tell("dates", [(n, spent(speed, variant("dates%d" % n, dates[:n], reference["digits"]), photo))
                   for n in (1, 2, 4)])
    needed = sorted(set(text))
    others = [d for d in sorted(reference["digits"]) if d not in needed]
    counts = []
    for n in range(len(needed), len(reference["digits"]) + 1, 2):
        of = variant("digits%d" % n, [first], needed + others[:n - len(needed)])
        counts.append((n, spent(speed, of, photo)))
    tell("expected digits", counts)


main()

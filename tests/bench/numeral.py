#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Learns one side of real coins from half of a folder and screens the other half, and
the reverse.

  numeral.py COMMAND PLANT FOLDER LIST DATE FIRST_A=X,Y,W,H FIRST_B=X,Y,W,H
             [--digits FILE] [--diameter MM] [--marks FILE] [--sides FILE] [--strength S]
             [--keep DIR]

COMMAND is `underdigit`, PLANT the bench program of that name.  LIST names the photos of
FOLDER that show the side with the numeral, one a line; the others must come out
`undecided`.  SIDES has lines "name numeral" or "name other" where the list does not tell
what a photo shows: those are counted by themselves.  Every second name belongs to the first half; FIRST_A and FIRST_B are the
photos that the box is on, one of each half.  Marks: lines "name ax ay bx by", two points
of the coin's design in px, the same two on each photo; what they are does not matter:
where they lie on the date's plane is the median over the photos of a half.  Place and
turn are right within 8 % of the numeral's height and 5 degrees of what the marks say.
Prints shares by brightness and glare."""
import cmath
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile


def options(argv):
    named, plain = {}, []
    rest = iter(argv)
    for a in rest:
        if a.startswith("--"):
            named[a[2:]] = next(rest)
        else:
            plain.append(a)
    return plain, named


def read_marks(path):
    marks = {}
    for line in open(path) if path else []:
        if line.strip() and line[0] != "#":
            name, *numbers = line.split()
            ax, ay, bx, by = map(float, numbers)
            marks[name] = (complex(ax, ay), complex(bx, by))
    return marks


def read_sides(path):
    lines = [line.split() for line in open(path) if line.strip() and line[0] != "#"] if path else []
    return dict(lines)


def apply(h, z):
    w = h[6] * z.real + h[7] * z.imag + h[8]
    return complex((h[0] * z.real + h[1] * z.imag + h[2]) / w,
                   (h[3] * z.real + h[4] * z.imag + h[5]) / w)


def inverse(h):
    a, b, c, d, e, f, g, i, k = h
    return (e * k - f * i, c * i - b * k, b * f - c * e, f * g - d * k, a * k - c * g,
            c * d - a * f, d * i - e * g, b * g - a * i, a * e - b * d)


def middle(points):
    return complex(statistics.median(z.real for z in points),
                   statistics.median(z.imag for z in points))


def tell_marked(seen, marks):
    """By name: (distance in numeral heights, turn in degrees) from what the marks say."""
    told = {}
    for first in {r["first"] for r in seen}:
        rows = [r for r in seen if r["first"] == first and r["name"] in marks]
        found = [r for r in rows if r["found"]]
        plane = [[apply(inverse(r["date_to_photo"]), marks[r["name"]][k]) for r in found]
                 for k in (0, 1)]
        for r in rows:
            if not r["found"]:
                told[r["name"]] = (math.inf, math.inf)
                continue
            a, b = marks[r["name"]]
            low, high = middle(plane[0]), middle(plane[1])
            similarity = (b - a) / (high - low)
            here = inverse(r["date_to_photo"])
            centre = apply(here, complex(r["x"], r["y"]))
            marked = a + similarity * (centre - low)
            away = abs(marked - complex(r["x"], r["y"])) / r["height_px"]
            lain = apply(r["date_to_photo"], high) - apply(r["date_to_photo"], low)
            told[r["name"]] = (away, abs(angle(math.degrees(cmath.phase(lain / (b - a))))))
    return told


def angle(a):
    return (a + 180) % 360 - 180


def share(name, rows, good):
    n = len(rows)
    print("  %-34s %s" % (name, "%d of %d (%.2f)" % (sum(map(good, rows)), n,
                                                    sum(map(good, rows)) / n) if n else "none"))


def bands(rows, good):
    """By brightness of the date, then by glare."""
    edges = (0, 80, 120, 160, 256)
    for low, high in zip(edges, edges[1:]):
        share("brightness %d to %d" % (low, high),
              [r for r in rows if low <= r["brightness"] < high], good)
    share("no glare", [r for r in rows if r["clipped"] < 0.005], good)
    share("glare on the date", [r for r in rows if r["clipped"] >= 0.005], good)


def main():
    plain, named = options(sys.argv[1:])
    command, plant, folder, listing, date, first_a, first_b = plain
    side = [line.strip() for line in open(listing) if line.strip()]
    others = sorted(f for f in os.listdir(folder)
                    if f.lower().endswith((".jpg", ".jpeg", ".png")) and f not in side)
    marks, sides = read_marks(named.get("marks")), read_sides(named.get("sides"))
    keep = named.get("keep") or tempfile.mkdtemp(prefix="underdigit-numeral-")
    rows = []
    for half, first in ((0, first_a), (1, first_b)):
        name, box = first.split("=")
        learn = [name] + [n for i, n in enumerate(side) if i % 2 == half and n != name]
        screen = [n for i, n in enumerate(side) if i % 2 != half] + others
        output = os.path.join(keep, "half-%d.json" % half)
        line = [command, "learn", "--box", box, "--date", date, "--output", output]
        for option in ("diameter",):
            line += ["--" + option, named[option]] if option in named else []
        line += ["--reference", named["digits"]] if "digits" in named else []
        done = subprocess.run(line + [os.path.join(folder, n) for n in learn], text=True,
                              stdout=subprocess.PIPE)
        print(done.stdout)
        assert done.returncode in (0, 1), done.returncode
        done = subprocess.run([plant, output, named.get("strength", "0.5")] +
                              [os.path.join(folder, n) for n in screen], text=True,
                              stdout=subprocess.PIPE, check=True)
        for text in done.stdout.splitlines():
            r = json.loads(text)
            r["name"], r["first"] = os.path.basename(r["photo"]), name
            rows.append(r)
    seen = [r for r in rows if r["name"] in side and "planted" not in r]
    wrong = [r for r in rows if r["name"] not in side and "planted" not in r]
    planted = [r for r in rows if r["name"] in side and "planted" in r]
    marked = [r for r in seen if r["name"] in marks]
    told = tell_marked(seen, marks)
    for name, (away, turn) in sorted(told.items()):
        print("  %s: %.3f heights and %.1f degrees from the marks" % (name, away, turn))

    def placed(r):
        return told[r["name"]][0] < 0.08 and told[r["name"]][1] < 5

    flags = sum(r["verdict"] == "underdigit" for r in seen)
    evidence = sorted((r["evidence"] for r in seen if r["judged"]), reverse=True)
    allowed = int(0.02 * len(evidence))
    level = evidence[allowed] if evidence else 0.0
    print("numeral side")
    share("date found", seen, lambda r: r["found"])
    share("turn and place as marked", marked, placed)
    share("false flags", seen, lambda r: r["verdict"] == "underdigit")
    print("not on the list")
    share("undecided", wrong, lambda r: not r["judged"])
    other = [r for r in wrong if sides.get(r["name"]) != "numeral"]
    unlisted = [r for r in wrong if sides.get(r["name"]) == "numeral"]
    other += [r for r in seen if sides.get(r["name"]) == "other"]
    share("the other side, undecided", other, lambda r: not r["judged"])
    share("the numeral after all, found", unlisted, lambda r: r["found"])
    share("false flags among those", unlisted, lambda r: r["verdict"] == "underdigit")
    print("planted traces of strength %s" % named.get("strength", "0.5"))
    share("flagged", planted, lambda r: r["verdict"] == "underdigit")
    above = lambda r: r["judged"] and r["evidence"] > level
    right = lambda r: r["digit"] == r["planted"]["digit"] and r["place"] == r["planted"]["place"]
    share("strongest hypothesis is the digit", planted, right)
    share("evidence above %.2f (%d plain above)" % (level, allowed), planted,
          above)
    bands(planted, above)
    return 0 if flags <= 0.02 * len(seen) else 1


if __name__ == "__main__":
    sys.exit(main())

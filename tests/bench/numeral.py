#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Learns one side of real coins from half of a folder and screens the other half, and
the reverse.

  numeral.py COMMAND PLANT FOLDER LIST DATE FIRST_A=X,Y,W,H FIRST_B=X,Y,W,H
             [--digits FILE] [--diameter MM] [--marks FILE] [--strength S] [--keep DIR]

COMMAND is `underdigit`, PLANT the bench program of that name.  LIST names the photos of
FOLDER that show the side with the numeral, one a line; the others must come out
`undecided`.  Every second name belongs to the first half; FIRST_A and FIRST_B are the
photos that the box is on, one of each half.  Marks: lines "name x y turn", the numeral's
centre in px and its turn in degrees clockwise against upright; where one of both halves'
first photos is marked, turns are told from it.  Prints shares by brightness and glare."""
import json
import math
import os
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
            name, x, y, turn = line.split()
            marks[name] = (float(x), float(y), float(turn))
    return marks


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
    marks = read_marks(named.get("marks"))
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

    def placed(r):
        x, y, turn = marks[r["name"]]
        zero = marks[r["first"]][2] if r["first"] in marks else 0.0
        near = math.hypot(r["x"] - x, r["y"] - y) < 0.08 * r["height_px"]
        return r["found"] and near and abs(angle(r["turn_deg"] - turn + zero)) < 5

    flags = sum(r["verdict"] == "underdigit" for r in seen)
    evidence = sorted((r["evidence"] for r in seen if r["judged"]), reverse=True)
    allowed = int(0.02 * len(evidence))
    level = evidence[allowed] if evidence else 0.0
    print("numeral side")
    share("date found", seen, lambda r: r["found"])
    share("turn and place as marked", marked, placed)
    share("false flags", seen, lambda r: r["verdict"] == "underdigit")
    print("the other side")
    share("undecided", wrong, lambda r: not r["judged"])
    print("planted traces of strength %s" % named.get("strength", "0.5"))
    share("flagged", planted, lambda r: r["verdict"] == "underdigit")
    right = lambda r: r["digit"] == r["planted"]["digit"] and r["place"] == r["planted"]["place"]
    share("strongest hypothesis is the digit", planted, right)
    share("evidence above %.2f (%d plain above)" % (level, allowed), planted,
          lambda r: r["evidence"] > level)
    bands(planted, lambda r: r["evidence"] > level)
    return 0 if flags <= 0.02 * len(seen) else 1


if __name__ == "__main__":
    sys.exit(main())

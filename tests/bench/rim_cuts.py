#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Cuts across the rim's teeth, told present or absent: rim_cuts.py PROGRAM PHOTOS REFERENCES

PHOTOS holds NAME.jpg and NAME.json with the fields type.name, type.date, coin_px and rim_cut.clock
(testimages/README.md); REFERENCES a file for each type, found by its own name or its file's.
A line is asked for at each of the twelve hours of every coin, so that each photo has eleven or
twelve positions without. Prints AUC and false answers for coins from --least px on.

Where a cut lies and how large it is, one measures in a photo of one coin (docs/known-dies.md);
shares of the coin's radius here."""
import argparse
import glob
import json
import os
import subprocess
import sys
import tempfile


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("program")
    parser.add_argument("photos")
    parser.add_argument("references")
    parser.add_argument("--least", type=float, default=600, help="px of diameter (600)")
    parser.add_argument("--radius", type=float, default=0.915, help="of the cut's middle (0.915)")
    parser.add_argument("--length", type=float, default=0.1, help="(0.1)")
    parser.add_argument("--width", type=float, default=0.032, help="(0.032)")
    parser.add_argument("--keep", help="write a line for each position into this file")
    return parser.parse_args()


def references(folder):
    found = {}
    for path in glob.glob(os.path.join(folder, "*.json")):
        reference = json.load(open(path, encoding="utf-8"))
        for name in (reference["name"], os.path.splitext(os.path.basename(path))[0]):
            found[name] = reference, folder
    return found


def with_cuts(reference, date, args):
    """The reference with one known die of that date, which has a line at every hour."""
    reference = dict(reference)
    radius = reference["coin"]["diameter_mm"] / 2
    place = max(i for i, digit in enumerate(date) if i > 0 and "1" <= digit)
    below = [d for d in map(str, range(int(date[place]))) if d in reference.get("digits", {})]
    reference["expected"] = [{
        "id": "rim", "date": date, "place": place + 1, "earlier": below[-1],
        "markers": [{"id": str(hour), "kind": "line", "clock": hour, "radius_mm": args.radius * radius,
                     "length_mm": args.length * radius, "width_mm": args.width * radius}
                    for hour in range(1, 13)]}]
    return reference


def look(args, photo, truth, known, scratch):
    """(log ratio, answer) by hour; nothing where the date was not found."""
    reference, folder = known[truth["type"]["name"]]
    date = truth["type"]["date"]
    # Beside the original, where its font or sidecar may lie.
    path = os.path.join(scratch, "reference.json")
    for name in os.listdir(folder):
        link = os.path.join(scratch, name)
        if not os.path.exists(link):
            os.symlink(os.path.join(os.path.abspath(folder), name), link)
    if os.path.exists(path):
        os.unlink(path)
    json.dump(with_cuts(reference, date, args), open(path, "w", encoding="utf-8"))
    run = subprocess.run([args.program, "inspect", photo, "--json", "--date", date, "--reference", path],
                         capture_output=True, text=True)
    if run.returncode > 1:
        sys.exit(f"{photo}: {run.stderr}")
    result = json.loads(run.stdout)
    return {int(m["id"]): (m["log_ratio"], m["answer"]) for m in result.get("markers", [])}


def auc(there, other):
    pairs = sum((a > b) + 0.5 * (a == b) for a in there for b in other)
    return pairs / (len(there) * len(other)) if there and other else float("nan")


def main():
    args = arguments()
    known = references(args.references)
    there, other, answers = [], [], {}
    coins = lost = 0
    keep = open(args.keep, "w", encoding="utf-8") if args.keep else None
    with tempfile.TemporaryDirectory() as scratch:
        for photo in sorted(glob.glob(os.path.join(args.photos, "*.jpg"))):
            truth = json.load(open(os.path.splitext(photo)[0] + ".json", encoding="utf-8"))
            if "rim_px" not in truth or truth.get("coin_px", 0) < args.least:
                continue
            found = look(args, photo, truth, known, scratch)
            cut = truth.get("rim_cut") or {}
            coins += 1
            lost += not found
            for hour in range(1, 13):
                ratio, answer = found.get(hour, (0.0, "cannot tell"))
                is_cut = bool(cut) and round(cut["clock"]) % 12 == hour % 12
                (there if is_cut else other).append(ratio)
                answers[is_cut, answer] = answers.get((is_cut, answer), 0) + 1
                if keep:
                    print(os.path.basename(photo), hour, int(is_cut), ratio, answer, sep="\t", file=keep)
    print(f"coins {coins}, date not found on {lost}")
    print(f"positions with a cut {len(there)}, without {len(other)}, AUC {auc(there, other):.3f}")
    for is_cut, name in ((True, "with"), (False, "without")):
        print(f"{name}:", ", ".join(f"{answers.get((is_cut, a), 0)} {a}"
                                    for a in ("present", "absent", "cannot tell")))


if __name__ == "__main__":
    main()

#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Tables of docs/accuracy.md from a set with truth and the results of `inspect --json` over it.

  tables.py SET RESULTS.jsonl [FRAGMENTS]

FRAGMENTS (tests/bench/marks/fragments.txt for the development close-ups) names the photographs in
which a fragment can be seen, where the truth does not tell which part of the digit was kept.
SET holds NAME.jpg and NAME.json (what underdigit-testimages writes). A photo that was not judged
counts as the least evidence of all. Thresholds for the recall at 1 % false flags are those of the
whole set. Needs nothing beyond Python 3."""
import json
import math
import os
import sys

CLASSES = ["clean", "repunched", "doubled", "crack", "chip", "scratch", "fragment", "underdigit"]
VERDICTS = ["plain", "repunched", "doubled", "stray", "fragment", "undecided", "underdigit"]


def effective(t):
    return t["under"]["strength"] - 0.6 * t["under"]["polish"]


def auc(own, rest):
    if not own or not rest:
        return float("nan")
    wins = sum((a > b) + 0.5 * (a == b) for a in own for b in rest)
    return wins / (len(own) * len(rest))


def load(folder, results):
    photos = []
    for line in open(results, encoding="utf-8"):
        r = json.loads(line)
        name = os.path.splitext(os.path.basename(r["photo"]))[0]
        with open(os.path.join(folder, name + ".json"), encoding="utf-8") as file:
            t = json.load(file)
        value = r.get("evidence")
        r["value"] = -math.inf if value is None else value
        t["name"] = name
        photos.append((t, r))
    return photos


def right(t, r):
    f = r.get("finding") or {}
    return f.get("place") == t["under"]["pos"] + 1 and f.get("digit") == t["under"]["digit"]


def detection(photos, limit, groups):
    print("| | underdigits | others | AUC | recall at 1 % |\n|---|---|---|---|---|")
    for name, belongs in groups:
        own = [r["value"] for t, r in photos if t["cls"] == "underdigit" and belongs(t)]
        rest = [r["value"] for t, r in photos if t["cls"] != "underdigit" and belongs(t)]
        recall = sum(v > limit for v in own) / len(own) if own else float("nan")
        print("| %s | %d | %d | %.3f | %.2f |" % (name, len(own), len(rest), auc(own, rest), recall))
    print()


def strengths(photos, limit):
    rest = [r["value"] for t, r in photos if t["cls"] != "underdigit"]
    print("| strength | underdigits | AUC against all others | recall at 1 % | called underdigit |"
          "\n|---|---|---|---|---|")
    for name, low, high in (("strong, from 0.5", 0.5, 9), ("middle, from 0.3", 0.3, 0.5),
                            ("weak", -9, 0.3), ("all", -9, 9)):
        own = [r for t, r in photos if t["cls"] == "underdigit" and low <= effective(t) < high]
        if own:
            print("| %s | %d | %.3f | %.2f | %.2f |" % (
                name, len(own), auc([r["value"] for r in own], rest),
                sum(r["value"] > limit for r in own) / len(own),
                sum(r["verdict"] == "underdigit" for r in own) / len(own)))
    print()


def classes(photos):
    print("| truth | " + " | ".join(VERDICTS) + " |\n|---" * 1 + "|---" * len(VERDICTS) + "|")
    for name in CLASSES:
        own = [r for t, r in photos if t["cls"] == name]
        if own:
            print("| %s (%d) | " % (name, len(own))
                  + " | ".join(str(sum(r["verdict"] == v for r in own)) for v in VERDICTS) + " |")
    print()


SAME = {"clean": "plain", "crack": "stray", "scratch": "stray", "chip": "stray"}
LEAST_PX = 2.0  # a shift or a knob is seen from two pixels on, as the sampling theorem has it
LEAST_OPEN = 0.2  # share of a digit's trace that the present digits leave open
LEAST_LINE = 0.5  # of a line, digit heights in the photo
LEAST_PART = 0.5  # of a fragment's points, share in the photo
RELIEF = 0.1
SEEN = None  # photographs in which a fragment can be seen, where a list says so


def share_in_photo(t, points):
    """Of points in mm of the date plane, the share that lies in the photo."""
    m = t["homography_mm_to_px"]
    wide, high = t["size"]
    inside = 0
    for x, y in points:
        w = m[6] * x + m[7] * y + m[8]
        u, v = (m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w
        inside += 0 <= u <= wide and 0 <= v <= high
    return inside / len(points)


def mark_in_reach(t, mark):
    height, px_per_mm = t["type"]["height"], t["digit_px"] / t["type"]["height"]
    if mark["h"] <= RELIEF:
        return False
    if mark["kind"] == "chip":
        return mark["r"] * px_per_mm >= LEAST_PX and share_in_photo(t, [(mark["x"], mark["y"])]) > 0
    along = [(k / 20 - 0.5) * mark["length"] for k in range(21)]
    points = [(mark["x"] + s * math.cos(mark["ang"]), mark["y"] + s * math.sin(mark["ang"]))
              for s in along]
    return (mark["width"] * px_per_mm >= 1
            and share_in_photo(t, points) * mark["length"] >= LEAST_LINE * height)


def fragment_in_reach(t):
    if SEEN is not None:
        return t["name"] in SEEN
    f, height = t["fragment"], t["type"]["height"]
    if f["strength"] <= RELIEF:
        return False
    if "r" in f:  # the middle and the radius of what was kept of the digit
        points = [(f["x"] + f["r"] * math.cos(a), f["y"] + f["r"] * math.sin(a)) for a in range(6)]
    else:  # the digit's foot: which part was kept is not told
        points = [(f["x"] + height * (u * math.cos(f["rot"]) + v * math.sin(f["rot"])),
                   f["y"] + height * (u * math.sin(f["rot"]) - v * math.cos(f["rot"])))
                  for u in (-0.25, 0, 0.25) for v in (0, 0.25, 0.5, 0.75, 1)]
    return share_in_photo(t, points) >= LEAST_PART


def in_reach(t):
    """The mark is more than a tenth of the relief, and the photo can show it."""
    px_per_mm = t["digit_px"] / t["type"]["height"]
    if t["cls"] in ("underdigit", "repunched"):
        under, own = t["under"], t["digits"][t["under"]["pos"]]
        off = math.hypot(under["dx"] - own["dx"], under["dy"] - own["dy"])
        return (effective(t) > RELIEF and off * px_per_mm >= LEAST_PX
                and t["visible_fraction"] >= LEAST_OPEN)
    if t["cls"] == "doubled":
        off = math.hypot(t["doubling"]["dx"], t["doubling"]["dy"])
        return t["doubling"]["strength"] > RELIEF and off * px_per_mm >= LEAST_PX
    if t["cls"] == "fragment":
        return fragment_in_reach(t)
    return t["cls"] == "clean" or any(mark_in_reach(t, m) for m in t["marks"])


def told_apart(photos):
    print("Told apart. In reach: more than %g of the present digit's relief, and: earlier or same "
          "digit, %g of it open and %g px off; doubled, %g px off; line, %g digit heights of it in "
          "the photo and 1 px wide; chip, its middle in the photo and %g px of radius; fragment, "
          "%s.\n" % (RELIEF, LEAST_OPEN, LEAST_PX, LEAST_PX, LEAST_LINE, LEAST_PX,
                    "%g of it in the photo" % LEAST_PART if SEEN is None else "seen by eye"))
    print("| class | photos | right | in reach | right of these | called underdigit |\n"
          "|---|---|---|---|---|---|")
    for name in CLASSES:
        own = [(t, r["verdict"]) for t, r in photos if t["cls"] == name]
        seen = [v for t, v in own if in_reach(t)]
        if own:
            same = SAME.get(name, name)
            print("| %s | %d | %.2f | %d | %.2f | %.3f |" % (
                name, len(own), sum(v == same for _, v in own) / len(own), len(seen),
                sum(v == same for v in seen) / max(len(seen), 1),
                sum(v == "underdigit" for _, v in own) / len(own)))
    print()


def honesty(photos):
    null = [r["p_value"] for t, r in photos
            if t["cls"] != "underdigit" and r.get("evidence") is not None]
    print("p-values without an underdigit (%d photos): below 0.1 in %.1f %%, below 0.01 in %.1f %%"
          % (len(null), 100 * sum(p < 0.1 for p in null) / len(null),
             100 * sum(p < 0.01 for p in null) / len(null)))
    held = [r["finding"]["strength_interval"] + [effective(t)] for t, r in photos
            if t["cls"] == "underdigit" and r.get("finding") and right(t, r)]
    if held:
        print("strength's 90 %% interval holds the truth in %.1f %% of %d traces named right"
              % (100 * sum(low <= s <= high for low, high, s in held) / len(held), len(held)))
        powers(photos)


def powers(photos):
    """Power for each trace's own strength, from the two that are told: log odds in ln strength."""
    told = []
    for t, r in photos:
        strong, weak = r["adequacy"]["power_strong"], r["adequacy"]["power_weak"]
        if t["cls"] != "underdigit" or not 0 < strong < 1:
            continue
        z = [math.log(p / (1 - p)) for p in (strong, weak)]
        slope = (z[0] - z[1]) / math.log(0.65 / 0.25)
        own = z[0] + slope * math.log(max(effective(t), 0.02) / 0.65)
        told.append((1 / (1 + math.exp(-own)), r["verdict"] == "underdigit" and right(t, r)))
    told.sort()
    bins = [told[len(told) * i // 5:len(told) * (i + 1) // 5] for i in range(5)]
    x = [sum(p for p, _ in b) / len(b) for b in bins]
    y = [sum(ok for _, ok in b) / len(b) for b in bins]
    mean_x, mean_y = sum(x) / 5, sum(y) / 5
    slope = (sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y))
             / sum((a - mean_x) ** 2 for a in x))
    print("power predicted %s, detected %s, slope %.2f" % (
        " ".join("%.2f" % v for v in x), " ".join("%.2f" % v for v in y), slope))


def main():
    global SEEN
    if len(sys.argv) > 3:
        with open(sys.argv[3], encoding="utf-8") as file:
            SEEN = {line.split()[0] for line in file if line.strip() and line[0] != "#"}
    photos = load(sys.argv[1], sys.argv[2])
    rest = sorted((r["value"] for t, r in photos if t["cls"] != "underdigit"), reverse=True)
    limit = rest[int(0.01 * len(rest))]
    strengths(photos, limit)
    classes(photos)
    told_apart(photos)
    heights = [("below 40 px", 0, 40), ("40-60 px", 40, 60), ("60-100 px", 60, 100),
               ("100 px and more", 100, 1e9)]
    detection(photos, limit, [(n, lambda t, a=a, b=b: a <= t["digit_px"] < b)
                              for n, a, b in heights])
    lamps = ["one lamp", "two lamps", "three lamps"]
    detection(photos, limit, [(n, lambda t, k=k: len(t["lights"]) == k)
                              for k, n in enumerate(lamps, 1)])
    honesty(photos)


main()

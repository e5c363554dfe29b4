#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Writes ../references/tehlin.json: a coinage whose legend is known by outlines, with two known
dies and every kind of marker; its later date is part of the hub."""
import json
import math
import os

from draw_digits import draw
from make_references import places

CAP, STROKE, RADIUS = 1.35, 0.3, 9.2


def bar(x0, y0, x1, y1):
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def letters():
    """Plain capitals of straight strokes, origin in the middle, y down."""
    h, w, s = CAP / 2, 0.45, STROKE
    m = s / 2
    e = [(-w, -h), (w, -h), (w, -h + s), (-w + s, -h + s), (-w + s, -m), (w * 0.7, -m), (w * 0.7, m), (-w + s, m),
         (-w + s, h - s), (w, h - s), (w, h), (-w, h)]
    v = [(-w, -h), (-w + s, -h), (0, h - 1.2 * s), (w - s, -h), (w, -h), (m, h), (-m, h)]
    return {
        "T": [(-w, -h), (w, -h), (w, -h + s), (m, -h + s), (m, h), (-m, h), (-m, -h + s), (-w, -h + s)],
        "E": e,
        "H": [(-w, -h), (-w + s, -h), (-w + s, -m), (w - s, -m), (w - s, -h), (w, -h), (w, h), (w - s, h), (w - s, m),
              (-w + s, m), (-w + s, h), (-w, h)],
        "L": [(-w, -h), (-w + s, -h), (-w + s, h - s), (w, h - s), (w, h), (-w, h)],
        "I": bar(-m, -h, m, h),
        "N": [(-w, -h), (-w + s, -h), (w - s, h - 1.6 * s), (w - s, -h), (w, -h), (w, h), (w - s, h), (-w + s, -h + 1.6 * s),
              (-w + s, h), (-w, h)],
        "V": v,
        "A": [(x, -y) for x, y in reversed(v)],
    }


def path(points):
    return "M" + "L".join("%.4f %.4f" % p for p in points) + "Z"


def main():
    folder = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "references")
    shapes, text, design, seen = letters(), "TEHLIN VALE", [], {}
    step = 18.0
    for i, c in enumerate(text):
        if c == " ":
            continue
        seen[c] = seen.get(c, 0) + 1
        clock = ((i - (len(text) - 1) / 2) * step / 30) % 12 or 12
        design.append(dict(id="%s%d" % (c, seen[c]), region="TEHLIN" if i < 6 else "VALE", outline=path(shapes[c]),
                           clock=round(clock, 3), radius_mm=RADIUS))
    digits = draw("beacon", 1.6, 0.8)
    widths = {d: w for d, (p, w) in digits.items()}
    dates = [dict(date=t, height_mm=1.6, places=places(t, widths, 1.6, 0.3, 0.0), slack_mm=0.03, slack_deg=0.8)
             for t in ("1843", "1862")]
    e2 = next(d for d in design if d["id"] == "E2")
    a = math.radians(e2["clock"] * 30)
    up, right = (math.sin(a), -math.cos(a)), (math.cos(a), math.sin(a))

    def on_e2(x, y):
        """A point of the second E, x to its right, y downwards, in the date plane."""
        ox, oy = RADIUS * up[0], RADIUS * up[1] - 9.4
        return [round(ox + x * right[0] - y * up[0], 4), round(oy + x * right[1] - y * up[1], 4)]

    markers = [
        dict(id="rim-cut", kind="line", clock=2, radius_mm=10.45, length_mm=1.2, width_mm=0.34),
        dict(id="spot", kind="spot", state="early", at_mm=[-0.75, -2.15], size_mm=0.4),
        dict(id="corner", kind="corner", at_mm=[2.1, -2.2], size_mm=0.55, turn_deg=20),
        dict(id="dash", kind="dash", at_mm=[-3.9, -0.8], length_mm=0.9, width_mm=0.3),
        dict(id="crack", kind="line", state="late", clock=4.4, radius_mm=7.2, length_mm=2.2, width_mm=0.26, turn_deg=15),
        dict(id="foot-of-1", kind="digit_part", digit="1", clock=9.3, radius_mm=6.4, turn_deg=-70,
             part_mm=[0, 0.5], part_radius_mm=0.55),
        dict(id="vale-doubled", kind="doubled", of=["V1", "A1", "L2"], shift_mm=[0.17, 0.1], relief=0.6),
        dict(id="broken-e", kind="missing", of=["E2"], at_mm=on_e2(0.3, -0.525), turn_deg=round(math.degrees(a), 3),
             outline=path(bar(-0.17, -0.16, 0.17, 0.16))),
        dict(id="spur-on-t", kind="extra", of=["T1"], clock=design[0]["clock"], radius_mm=RADIUS - 0.45,
             turn_deg=0, outline=path(bar(0.1, -0.15, 0.62, 0.15))),
    ]
    reference = dict(
        format="underdigit-reference/1", name="Tehlin Vale mill token",
        coin=dict(diameter_mm=23.0, date_origin_mm=[0.0, 9.4], date_in_hub_since=1860),
        relief=dict(height_mm=0.085, bevel_mm=0.15),
        digits={d: dict(outline=p) for d, (p, w) in digits.items()}, dates=dates, design=design,
        expected=[
            dict(id="1843-over-2", date="1843", place=4, earlier="2", offset_mm=[0.1, -0.16], tolerance_mm=0.12,
                 usual_strike="weak", markers=markers),
            dict(id="1862-over-1", date="1862", place=4, earlier="1", markers=[
                dict(id="dash-right", kind="dash", at_mm=[3.9, -0.7], length_mm=0.8, width_mm=0.3, turn_deg=-10)]),
        ])
    with open(os.path.join(folder, "tehlin.json"), "w") as f:
        json.dump(reference, f, indent=1)
        f.write("\n")


if __name__ == "__main__":
    main()

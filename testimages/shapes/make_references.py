#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Writes ../references/*.json: three invented coinages with our own digits."""
import json
import math
import os

from draw_digits import draw

COINS = [
    dict(file="vellacombe.json", name="Vellacombe Bay tidemark", style="ledger", height=1.5, condense=0.92, gap=0.26,
         coin=dict(diameter_mm=22.4, date_origin_mm=[0.0, 9.2], date_in_hub_since=1912),
         relief=dict(height_mm=0.08, bevel_mm=0.15), slack_mm=0.035, slack_deg=0.9, arc_mm=0.0,
         dates=["1867", "1868"],
         expected=[("1867", 4, "2", (0.10, -0.14), 0.12), ("1867", 3, "5", (-0.12, 0.10), 0.12), ("1867", 4, "3", (0.0, 0.2), 0.15),
                   ("1868", 4, "7", (0.08, 0.12), 0.12), ("1868", 3, "5", (-0.15, -0.05), 0.15)]),
    dict(file="karrow.json", name="High Karrow toll piece", style="beacon", height=1.7, condense=0.86, gap=0.32,
         coin=dict(diameter_mm=24.0, date_origin_mm=[0.0, 9.8]),
         relief=dict(height_mm=0.09, bevel_mm=0.17), slack_mm=0.015, slack_deg=0.3, arc_mm=0.0,
         dates=["1924", "1930"],
         expected=[("1924", 4, "3", (-0.10, -0.12), 0.12), ("1924", 3, "1", (0.16, 0.0), 0.12),
                   ("1930", 3, "2", (0.12, -0.10), 0.12), ("1930", 4, "8", (0.0, 0.18), 0.12)]),
    dict(file="ostermere.json", name="Ostermere pilot crown", style="quill", height=1.3, condense=0.95, gap=0.30,
         coin=dict(diameter_mm=20.5, date_origin_mm=[0.0, 8.4], date_in_hub_since=1930),
         relief=dict(height_mm=0.065, bevel_mm=0.11), slack_mm=0.03, slack_deg=0.8, arc_mm=8.4,
         dates=["1955", "1906"],
         expected=[("1955", 4, "3", (0.10, -0.08), 0.08), ("1955", 3, "4", (-0.10, 0.06), 0.08),
                   ("1906", 4, "5", (0.10, 0.12), 0.12), ("1906", 4, "1", (-0.08, 0.14), 0.12)]),
]


def places(date, widths, height, gap, arc):
    """Digits side by side; with `arc` on a circle of that radius about the coin's centre."""
    total = sum(widths[d] for d in date) + gap * (len(date) - 1)
    out, x = [], -total / 2
    for d in date:
        s = x + widths[d] / 2
        x += widths[d] + gap
        if arc:
            # Baseline on the circle; centre half a height inwards; the foot points outwards.
            a, r = s / arc, arc - height / 2
            out.append(dict(digit=d, centre_mm=[round(r * math.sin(a), 4), round(r * math.cos(a) - arc, 4)],
                            turn_deg=round(-math.degrees(a), 3)))
        else:
            out.append(dict(digit=d, centre_mm=[round(s, 4), round(-height / 2, 4)], turn_deg=0.0))
    return out


def main():
    folder = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "references")
    os.makedirs(folder, exist_ok=True)
    for c in COINS:
        ds = draw(c["style"], c["height"], c["condense"])
        widths = {d: w for d, (p, w) in ds.items()}
        ref = dict(format="underdigit-reference/1", name=c["name"], coin=c["coin"], relief=c["relief"],
                   digits={d: dict(outline=p) for d, (p, w) in ds.items()},
                   dates=[dict(date=t, height_mm=c["height"], places=places(t, widths, c["height"], c["gap"], c["arc_mm"]),
                               slack_mm=c["slack_mm"], slack_deg=c["slack_deg"]) for t in c["dates"]],
                   expected=[dict(id="%s-%d-over-%s" % (t, k, e), date=t, place=k, earlier=e,
                                  offset_mm=list(o), tolerance_mm=tol) for t, k, e, o, tol in c["expected"]])
        with open(os.path.join(folder, c["file"]), "w") as f:
            json.dump(ref, f, indent=1)
            f.write("\n")


main()

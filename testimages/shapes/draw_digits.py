#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Draws the digits of our invented coinages and prints them as SVG path data.

  draw_digits.py STYLE HEIGHT_MM [--condense F] [--proof OUT.png]

A digit is a handful of pen strokes.  A stroke runs through nodes (x, y, heading in
degrees, pen width), y up, the digit one unit high; between nodes the centre line is the
cubic whose handles J. D. Hobby gives (Smooth, easy to compute interpolating splines,
Discrete Comput. Geom. 1, 1986), and the width goes over smoothly.  The union of the
strokes is taken on a fine grid, its border traced and fitted with cubics (least squares
with chord-length parameters and Newton steps, splitting where it does not fit)."""
import argparse
import json
import math

import cv2
import numpy as np
from skimage import measure

GRID = 1200  # cells a digit's height: 0.0013 mm at 1.6 mm
MARGIN = 200


def hobby_handles(p0, a0, p1, a1):
    d = p1 - p0
    chord = math.hypot(*d)
    base = math.atan2(d[1], d[0])
    theta, phi = a0 - base, base - a1
    theta = (theta + math.pi) % (2 * math.pi) - math.pi
    phi = (phi + math.pi) % (2 * math.pi) - math.pi
    st, ct, sp, cp = math.sin(theta), math.cos(theta), math.sin(phi), math.cos(phi)
    alpha = math.sqrt(2) * (st - sp / 16) * (sp - st / 16) * (ct - cp)
    c = (3 - math.sqrt(5)) / 2
    rho = (2 + alpha) / (1 + (1 - c) * ct + c * cp)
    sigma = (2 - alpha) / (1 + (1 - c) * cp + c * ct)
    h0 = p0 + rho * chord / 3 * np.array([math.cos(a0), math.sin(a0)])
    h1 = p1 - sigma * chord / 3 * np.array([math.cos(a1), math.sin(a1)])
    return h0, h1


def stroke_polygons(nodes, closed):
    """Quadrilaterals along the stroke: union-safe whatever the curvature."""
    nodes = list(nodes) + ([nodes[0]] if closed else [])
    left, right = [], []
    for (x0, y0, a0, w0), (x1, y1, a1, w1) in zip(nodes, nodes[1:]):
        p0, p1 = np.array([x0, y0]), np.array([x1, y1])
        h0, h1 = hobby_handles(p0, math.radians(a0), p1, math.radians(a1))
        for t in np.linspace(0, 1, 60):
            u = 1 - t
            p = u**3 * p0 + 3 * u * u * t * h0 + 3 * u * t * t * h1 + t**3 * p1
            v = 3 * (u * u * (h0 - p0) + 2 * u * t * (h1 - h0) + t * t * (p1 - h1))
            n = np.array([-v[1], v[0]]) / max(math.hypot(*v), 1e-9)
            w = w0 + (w1 - w0) * t * t * (3 - 2 * t)
            left.append(p + n * w / 2)
            right.append(p - n * w / 2)
    return [np.array([left[i], left[i + 1], right[i + 1], right[i]]) for i in range(len(left) - 1)]


class Pen:
    def __init__(self):
        self.polygons = []

    def stroke(self, *nodes, closed=False):
        self.polygons += stroke_polygons(nodes, closed)

    def line(self, x0, y0, x1, y1, w0, w1=None):
        a = math.degrees(math.atan2(y1 - y0, x1 - x0))
        self.stroke((x0, y0, a, w0), (x1, y1, a, w0 if w1 is None else w1))

    def ball(self, x, y, r):
        a = np.linspace(0, 2 * math.pi, 90)
        self.polygons.append(np.stack([x + r * np.cos(a), y + r * np.sin(a)], 1))

    def shape(self, *points):
        self.polygons.append(np.array(points, float))

    def foot(self, x, half, thin, stem):
        """Bracketed serif on the baseline under a stem."""
        self.shape((x - half, 0), (x + half, 0), (x + half, thin), (x - half, thin))
        for s in (-1, 1):
            pts = [(x + s * stem * 0.3, 0)]
            for k in range(13):  # quarter of an ellipse, hollow side outwards
                a = math.pi / 2 * k / 12
                pts.append((x + s * (half * 0.9 - (half * 0.9 - stem / 2) * math.sin(a)),
                            thin * 0.9 + 0.10 * (1 - math.cos(a))))
            pts.append((x + s * stem * 0.3, thin * 0.9 + 0.10))
            self.shape(*pts)

    def turned(self, about):
        """The same digit turned by half a circle."""
        other = Pen()
        other.polygons = [2 * np.array(about) - p for p in self.polygons]
        return other


def ledger(d):
    """Serifed, thick and thin, ball terminals."""
    T, t, b = 0.175, 0.062, 0.082
    p = Pen()
    if d == "0":
        p.stroke((.31, 1.0 - t / 2, 180, t), (T / 2, .5, 270, T), (.31, t / 2, 0, t), (.62 - T / 2, .5, 90, T), closed=True)
    elif d == "1":
        p.line(.25, 0.0, .25, 1.0, T)
        p.shape((.25, 1.0), (.25 + T / 2, 1.0), (.25 + T / 2, .8), (.17, .82), (.03, .80), (.02, .85), (.13, .89))
        p.foot(.25, .24, t, T)
    elif d == "2":
        p.ball(.115, .735, b)
        p.stroke((.045, .735, 90, .05), (.29, 1.0 - t / 2, 0, t), (.505, .735, 270, T), (.30, .36, 228, T * .62), (.06, .08, 225, t))
        p.stroke((.02, .075, 20, .11), (.19, .085, 0, .15), (.42, .075, 350, .15), (.555, .20, 82, .045))
        p.line(.555, .19, .56, .26, .05)
    elif d == "3":
        p.ball(.115, .77, b)
        p.stroke((.045, .77, 90, .05), (.285, 1.0 - t / 2, 0, t), (.49, .765, 270, T * .92), (.24, .535, 180, t))
        p.stroke((.20, .535, 0, t), (.525, .275, 270, T), (.28, t / 2, 180, t), (.035, .24, 90, .05))
        p.ball(.11, .235, b)
    elif d == "4":
        p.line(.44, .985, .025, .285, t, t * 1.15)
        p.line(.0, .285, .64, .285, t * 1.2)
        p.shape((.64, .255), (.64, .36), (.615, .36), (.58, .30))
        p.line(.435, 0.0, .435, 1.0, T)
        p.foot(.435, .20, t, T)
    elif d == "5":
        p.stroke((.10, .955, 0, .09), (.30, .915, 352, .155), (.53, .955, 20, .07))
        p.line(.10, 1.0, .10, .50, t)
        p.stroke((.085, .49, 48, t), (.30, .615, 0, t), (.53, .315, 270, T), (.28, t / 2, 180, t), (.035, .225, 90, .05))
        p.ball(.11, .225, b)
    elif d in "69":
        p.ball(.505, .80, b)
        p.stroke((.575, .80, 90, .05), (.375, 1.0 - t / 2, 180, t), (T / 2, .43, 270, T), (.315, t / 2, 0, t),
                 (.62 - T / 2, .315, 90, T * .95), (.32, .60, 180, t), (.13, .44, 248, t))
        if d == "9":
            p = p.turned((.31, .5))
    elif d == "7":
        p.stroke((.03, .93, 340, .10), (.20, .93, 0, .14), (.40, .905, 352, .15), (.60, .955, 30, .07))
        p.line(.035, 1.0, .03, .72, .055)
        p.stroke((.585, .95, 238, t), (.335, .42, 250, T * .85), (.27, .085, 268, T * 1.2))
        p.ball(.27, T * .55, T * .55)
    elif d == "8":
        p.stroke((.305, 1.0 - t / 2, 180, t), (.125, .775, 270, T * .72), (.32, .51, 322, T), (.525, .255, 270, T * .75),
                 (.305, t / 2, 180, t), (.08, .245, 90, T * .62), (.27, .49, 40, t), (.475, .78, 90, T * .55), closed=True)
    return p


def beacon(d, W=0.165, w=0.145, flare=1.0):
    """Upright sans; `flare` widens the ends of the strokes."""
    e = W * flare
    p = Pen()
    if d == "0":
        p.stroke((.30, 1.0 - w / 2, 180, w), (W / 2, .63, 270, W), (W / 2, .37, 270, W), (.30, w / 2, 0, w),
                 (.60 - W / 2, .37, 90, W), (.60 - W / 2, .63, 90, W), closed=True)
    elif d == "1":
        p.stroke((.22, 0, 90, e), (.22, .5, 90, W), (.22, 1.0, 90, W))
        p.stroke((.0, .76, 30, w * flare), (.15, .865, 40, w), (.24, .94, 45, w * .9))
        p.shape((.22 - W / 2, .8), (.22 + W / 2, .8), (.22 + W / 2, 1), (.22 - W * .35, 1))
    elif d == "2":
        p.stroke((.06, .70, 80, e), (.29, 1.0 - w / 2, 0, w), (.545 - W / 2, .735, 270, W), (.40, .47, 233, W * .95), (.115, .11, 230, W))
        p.shape((.02, 0), (.2, 0), (.2, w), (.10, .16), (.02, .10))
        p.stroke((.02, w / 2, 0, w), (.3, w / 2, 0, w), (.57, w / 2, 0, w * flare))
    elif d == "3":
        p.stroke((.06, .76, 75, e), (.28, 1.0 - w / 2, 0, w), (.535 - W / 2, .76, 270, W), (.25, .53, 180, w * .95))
        p.stroke((.20, .53, 0, w * .95), (.57 - W / 2, .275, 270, W), (.28, w / 2, 180, w), (.05, .25, 105, e))
    elif d == "4":
        p.stroke((.43, 0, 90, e), (.43, .4, 90, W), (.43, 1.0, 90, W))
        p.line(.41, .94, .06, .30, W * .85)
        p.shape((.0, .215), (.12, .215), (.16, .36), (.0, .285))
        p.stroke((.0, .225 + w / 2 - .01, 0, w), (.4, .225 + w / 2 - .01, 0, w), (.63, .225 + w / 2 - .01, 0, w * flare))
        p.shape((.32, .83), (.43, .83), (.43 + W / 2, 1), (.43 - W * .35, 1))
    elif d == "5":
        p.stroke((.07, 1.0 - w / 2, 0, w), (.3, 1.0 - w / 2, 0, w), (.53, 1.0 - w / 2, 0, w * flare))
        p.line(.07 + W / 2, .99, .05 + W / 2, .475, W * .95)
        p.stroke((.125, .545, 30, w * .8), (.30, .60, 0, w), (.57 - W / 2, .325, 270, W), (.27, w / 2, 180, w), (.04, .21, 115, e))
    elif d in "69":
        p.stroke((.545, .80, 100, e), (.35, 1.0 - w / 2, 180, w), (W / 2, .44, 270, W), (.30, w / 2, 0, w),
                 (.60 - W / 2, .31, 90, W), (.31, .61 - w / 2 + .03, 180, w), (.10, .42, 245, w * .8))
        if d == "9":
            p = p.turned((.30, .5))
    elif d == "7":
        p.stroke((.0, 1.0 - w / 2, 0, w * flare), (.25, 1.0 - w / 2, 0, w), (.57, 1.0 - w / 2, 0, w))
        p.stroke((.49, .94, 250, W * .95), (.31, .45, 250, W), (.21, .0, 262, e))
        p.shape((.40, 1 - w), (.57, 1), (.57, 1 - w), (.52, .80), (.42, .82))
    elif d == "8":
        p.stroke((.29, 1.0 - w / 2, 180, w), (.04 + W / 2, .765, 270, W * .95), (.29, .53, 0, w * .95), (.54 - W / 2, .765, 90, W * .95), closed=True)
        p.stroke((.29, .53, 180, w * .95), (W / 2, .275, 270, W), (.29, w / 2, 0, w), (.58 - W / 2, .275, 90, W), closed=True)
    return p


def quill(d):
    """Narrow, flared strokes, as cut with a graver."""
    return beacon(d, 0.125, 0.105, 1.55)


STYLES = {"ledger": ledger, "beacon": beacon, "quill": quill}


def contours(pen):
    lo = min(p[:, 0].min() for p in pen.polygons)
    hi = max(p[:, 0].max() for p in pen.polygons)
    size = (int(GRID * 1.1) + 2 * MARGIN, int(GRID * (hi - lo)) + 2 * MARGIN)
    mask = np.zeros(size, np.uint8)
    for p in pen.polygons:
        q = np.stack([(p[:, 0] - lo) * GRID + MARGIN, (1 - p[:, 1]) * GRID + MARGIN], 1)
        cv2.fillPoly(mask, [np.round(q * 16).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=4)
    # Rounds corners to about 0.01 mm, as the edge of a punch is.
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 5)
    out = []
    for c in measure.find_contours(soft, 0.5):
        if len(c) > 60:
            out.append(np.stack([c[:, 1] - MARGIN, c[:, 0] - MARGIN], 1) / GRID)
    return out


def corners(c):
    """Indices where the border turns sharply within 9 cells."""
    n, k = len(c), 9
    v1 = c - np.roll(c, k, 0)
    v2 = np.roll(c, -k, 0) - c
    turn = np.abs(np.arctan2(v1[:, 0] * v2[:, 1] - v1[:, 1] * v2[:, 0], (v1 * v2).sum(1)))
    peak = [i for i in range(n) if turn[i] > 0.6 and turn[i] == max(turn[(i + j) % n] for j in range(-k, k + 1))]
    kept = []
    for i in peak:
        if not kept or i - kept[-1] > k:
            kept.append(i)
    return kept or [0, n // 2]


def bezier(q, t):
    u = 1 - t
    return (u**3)[:, None] * q[0] + (3 * u * u * t)[:, None] * q[1] + (3 * u * t * t)[:, None] * q[2] + (t**3)[:, None] * q[3]


def fit(points, tan0, tan1, error, out):
    n = len(points)
    chord = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if n < 5 or chord[-1] < 1e-6:
        d = chord[-1] / 3
        out.append((points[0], points[0] + tan0 * d, points[-1] + tan1 * d, points[-1]))
        return
    t = chord / chord[-1]
    worst, where = 1e9, n // 2
    for _ in range(6):
        u = 1 - t
        b1, b2 = 3 * u * u * t, 3 * u * t * t
        fixed = (u**3 + b1)[:, None] * points[0] + (b2 + t**3)[:, None] * points[-1]
        A1, A2 = b1[:, None] * tan0, b2[:, None] * tan1
        C = np.array([[(A1 * A1).sum(), (A1 * A2).sum()], [(A1 * A2).sum(), (A2 * A2).sum()]])
        X = np.array([(A1 * (points - fixed)).sum(), (A2 * (points - fixed)).sum()])
        try:
            a = np.linalg.solve(C, X)
        except np.linalg.LinAlgError:
            a = np.array([-1.0, -1.0])
        if a.min() < 1e-4 * chord[-1]:
            a = np.full(2, chord[-1] / 3)
        q = np.array([points[0], points[0] + tan0 * a[0], points[-1] + tan1 * a[1], points[-1]])
        r = bezier(q, t) - points
        dist = np.hypot(*r.T)
        worst, where = dist.max(), int(dist.argmax())
        if worst < error:
            out.append(tuple(q))
            return
        d1 = 3 * np.diff(q, axis=0)
        d2 = 2 * np.diff(d1, axis=0)
        v = (u * u)[:, None] * d1[0] + (2 * u * t)[:, None] * d1[1] + (t * t)[:, None] * d1[2]
        acc = u[:, None] * d2[0] + t[:, None] * d2[1]
        den = (v * v).sum(1) + (r * acc).sum(1)
        t = np.clip(t - np.where(np.abs(den) > 1e-12, (r * v).sum(1) / den, 0), 0, 1)
    where = min(max(where, 2), n - 3)
    k = min(8, where, n - 1 - where)
    mid = points[where - k] - points[where + k]
    mid = mid / max(math.hypot(*mid), 1e-12)
    fit(points[: where + 1], tan0, mid, error, out)
    fit(points[where:], -mid, tan1, error, out)


def path(cs, height, condense):
    xs = np.concatenate([c[:, 0] for c in cs])
    mid = (xs.min() + xs.max()) / 2
    text = ""
    for c in cs:
        c = c[:-1]
        at = corners(c)
        pieces = []
        for i, a in enumerate(at):
            b = at[(i + 1) % len(at)]
            idx = np.arange(a, b + 1 if b > a else b + len(c) + 1) % len(c)
            pts = c[idx]
            k = min(6, len(pts) - 1)
            t0, t1 = pts[k] - pts[0], pts[-1 - k] - pts[-1]
            fit(pts, t0 / math.hypot(*t0), t1 / math.hypot(*t1), 0.0011, pieces)
        f = lambda p: "%.4f %.4f" % ((p[0] - mid) * height * condense, (p[1] - 0.5) * height)
        text += "M" + f(pieces[0][0]) + "".join("C" + " ".join(f(p) for p in q[1:]) for q in pieces) + "Z"
    return text.replace("-0.0000", "0.0000"), (xs.max() - xs.min()) * height * condense


def draw(style, height, condense=1.0):
    return {d: path(contours(STYLES[style](d)), height, condense) for d in "0123456789"}


if __name__ == "__main__":
    ap = argparse.ArgumentParser(description="Digits of the invented coinages as SVG path data.")
    ap.add_argument("style", choices=sorted(STYLES))
    ap.add_argument("height_mm", type=float)
    ap.add_argument("--condense", type=float, default=1.0)
    ap.add_argument("--proof", metavar="OUT.svg", help="also draw all ten digits in a row")
    a = ap.parse_args()
    ds = draw(a.style, a.height_mm, a.condense)
    print(json.dumps({d: {"outline": p, "width_mm": round(w, 4)} for d, (p, w) in ds.items()}, indent=1))
    if a.proof:
        step = a.height_mm
        with open(a.proof, "w") as f:
            f.write('<svg xmlns="http://www.w3.org/2000/svg" viewBox="%g %g %g %g">' % (-step, -step * .8, step * 11, step * 1.6))
            for i, d in enumerate("0123456789"):
                f.write('<path stroke="none" transform="translate(%g 0)" d="%s"/>' % (i * step, ds[d][0]))
            f.write("</svg>")

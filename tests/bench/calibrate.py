#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Fits the verdict's weights and the chances of its evidence; prints lib/calibration.c.

  calibrate.py FEATURES.jsonl... [--null FEATURES.jsonl...] [--check [--without NAME,...]]

FEATURES.jsonl is what the program `features` printed of pictures with truth beside
them (NAME.json beside NAME.jpg). Logistic regression with a small ridge; each weight is
held to the sign that its sentence in lib/evidence.h demands. --null adds photos whose
evidence goes into the chances only. --check leaves each coinage out in turn and
prints how the rest does on it, instead of the table; --without does so lacking these features,
which tells what they are worth. Needs Debian's python3-numpy and
python3-scipy."""
import argparse
import json
import math
import os
import sys

import numpy as np
from scipy.optimize import minimize

NAMES = ["one", "energy", "complete", "largest", "rival", "decoy", "amplitude", "around", "years",
         "share", "missing", "crossing", "far"]
SIGN = [0, 1, 1, -1, 1, 1, 1, -1, 1, 1, -1, 1, -1]
# Class, kind of hypothesis, and how many times a true one counts: those two are rare
# in the sets, and log odds of 0 should part them from the rest evenly.
MODELS = [("underdigit", 0, 1.0), ("repunched", 1, 2.0), ("doubled", 4, 1.5)]
FLAG = 0.005  # the default of `flag_p_value`
TOP = 6  # hypotheses of a photo that are worth learning from
RIDGE = 0.3


def load(paths):
    photos = []
    for path in paths:
        for line in open(path):
            photo = json.loads(line)
            # What udg_inspect would not judge teaches nothing (lib/inspect.c has the limits).
            if photo["score"] < 0.15 or photo["score"] * (1.0 - photo["runner_up"]) < 0.08:
                continue
            photo["truth"] = json.load(open(os.path.splitext(photo["photo"])[0] + ".json"))
            photos.append(photo)
    return photos


def is_true(photo, h, name):
    t = photo["truth"]
    if t["cls"] != name:
        return False
    if name == "doubled":
        return True
    u = t["under"]
    return h["place"] == u["pos"] and h["digit"] == u["digit"]


def rows(photos, name, kind):
    x, y, owner, found = [], [], [], []
    for i, photo in enumerate(photos):
        own = [h for h in photo["hypotheses"] if h["kind"] == kind]
        own.sort(key=lambda h: -h["energy"] * h["share"] * h["complete"])
        for h in own[:TOP]:
            x.append(h["x"])
            y.append(is_true(photo, h, name))
            owner.append(i)
            found.append(h)
    return np.array(x), np.array(y), np.array(owner), found


def fit(x, y, times):
    scale = x.std(axis=0)
    scale[scale < 1e-9] = 1.0
    z = x / scale
    sign = np.where(y, 1.0, -1.0)
    count = np.where(y, times, 1.0)

    def loss(w):
        margin = sign * (z @ w)
        value = (count * np.logaddexp(0.0, -margin)).sum() + 0.5 * RIDGE * (w[1:] ** 2).sum()
        slope = -sign * count / (1.0 + np.exp(np.clip(margin, -500, 500)))
        gradient = z.T @ slope
        gradient[1:] += RIDGE * w[1:]
        return value, gradient

    bounds = [(None, None) if s == 0 else (0, None) if s > 0 else (None, 0) for s in SIGN]
    w = minimize(loss, np.zeros(x.shape[1]), jac=True, bounds=bounds, method="L-BFGS-B",
                 options={"maxiter": 2000}).x
    return w / scale


def learn(photos, name, kind, times):
    x, y, owner, _ = rows(photos, name, kind)
    other = np.array([photos[i]["truth"]["cls"] != name for i in owner])
    keep = y | other  # a wrong digit on a true overdate teaches nothing certain
    return fit(x[keep], y[keep], times)


def evidence(photos, kind, w):
    best = []
    for photo in photos:
        own = [h for h in photo["hypotheses"] if h["kind"] == kind]
        own.sort(key=lambda h: -(np.array(h["x"]) @ w))
        best.append((float(np.array(own[0]["x"]) @ w), own[0]))
    return best


def auc(p, n):
    p, n = np.array(p), np.array(n)
    if len(p) == 0 or len(n) == 0:
        return float("nan")
    return float(np.mean((p[:, None] > n[None]) + 0.5 * (p[:, None] == n[None])))


def effective(photo):
    return photo["truth"]["under"]["strength"] - 0.6 * photo["truth"]["under"]["polish"]


def report(photos, scored, name):
    own = [s for p, (s, _) in zip(photos, scored) if p["truth"]["cls"] == name]
    rest = sorted((s for p, (s, _) in zip(photos, scored) if p["truth"]["cls"] != name),
                  reverse=True)
    line = "%-11s AUC %.3f" % (name, auc(own, rest))
    if name == "underdigit":
        limit = rest[int(0.01 * len(rest))]
        right = [is_true(p, h, name) for p, (_, h) in zip(photos, scored)
                 if p["truth"]["cls"] == name]
        line += " recall at 1 %% %.3f named %.3f" % (np.mean([v > limit for v in own]),
                                                    np.mean(right))
        for band, low, high in (("strong", 0.5, 9), ("middle", 0.3, 0.5), ("weak", -9, 0.3)):
            part = [s for p, (s, _) in zip(photos, scored)
                    if p["truth"]["cls"] == name and low <= effective(p) < high]
            line += " | %s %d: %.3f %.2f" % (band, len(part), auc(part, rest),
                                            np.mean([v > limit for v in part]) if part else 0)
    print(line)


def chances(photos, scored):
    """Points of the null's upper chances and the exponential tail beyond the last."""
    null = np.sort([s for p, (s, _) in zip(photos, scored) if p["truth"]["cls"] != "underdigit"])
    chance = [0.999, 0.9, 0.7, 0.5, 0.35, 0.25, 0.17, 0.1, 0.06, 0.04, 0.025, 0.015]
    points = [float(np.quantile(null, 1.0 - c)) for c in chance]
    for i in range(1, len(points)):
        points[i] = max(points[i], points[i - 1] + 1e-3)
    over = null[null > points[-1]] - points[-1]
    return points, chance, float(max(over.mean() if len(over) else 0.7, 0.3))


def of_truth(photo):
    """The hypothesis that is true of a photo with an underdigit; None when not searched."""
    for h in photo["hypotheses"]:
        if h["kind"] == 0 and is_true(photo, h, "underdigit"):
            return h
    return None


def strength_row(h):
    bright = math.log(max(h["amplitude"], 0.02))
    return [1.0, bright, bright * bright, h["height"], h["x"][11]]


def learn_strength(photos):
    """ln strength by least squares on brightness and crossing; 5 % and 95 % points of the rest."""
    x, y = [], []
    for photo in photos:
        if photo["truth"]["cls"] != "underdigit":
            continue
        h = of_truth(photo)
        if h and h["energy"] * h["share"] > 20 and effective(photo) > 0.02:
            x.append(strength_row(h))
            y.append(math.log(effective(photo)))
    x, y = np.array(x), np.array(y)
    w = np.linalg.solve(x.T @ x + 1e-3 * np.eye(x.shape[1]), x.T @ y)
    rest = y - x @ w
    return w, (float(np.quantile(rest, 0.05)), float(np.quantile(rest, 0.95)))


def learn_power(photos, scored, limit):
    """Chance of a flag by strength and the light's misfit: logistic, more of the first never
    told as harm, more of the last never as help. What a trace of full relief would have in
    energy adds nothing to these two."""
    x, y = [], []
    for photo, (s, h) in zip(photos, scored):
        if photo["truth"]["cls"] != "underdigit":
            continue
        own = of_truth(photo)
        if own:
            x.append([1.0, math.log(max(effective(photo), 0.02)),
                      math.log(photo["light_rms"] / max(photo["peak"], 1.0) + 1e-3)])
            y.append(s > limit and is_true(photo, h, "underdigit"))
    x, y = np.array(x), np.array(y)
    sign = np.where(y, 1.0, -1.0)
    return minimize(lambda w: np.logaddexp(0, -sign * (x @ w)).sum() + 0.05 * (w[1:] ** 2).sum(),
                    np.zeros(3), method="L-BFGS-B",
                    bounds=[(None, None), (0, None), (None, 0)]).x


def print_table(weights, null, strength, power):
    print("/* SPDX-License-Identifier: GPL-2.0-or-later */")
    print("/* Printed by tests/bench/calibrate.py: do not edit by hand. */")
    print('#include "evidence.h"\n')
    print("/* " + ", ".join(NAMES) + " */")
    print("const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT] = {")
    for (name, _, _), w in zip(MODELS, weights):
        print("    /* %s */\n    {%s}," % (name, ", ".join("%.4f" % (v + 0.0) for v in w)))
    print("};\n")
    points, chance, tail = null
    print("const double udg_null_evidence[UDG_NULL_POINTS] = {%s};\n"
          % ", ".join("%.4f" % v for v in points))
    print("const double udg_null_chance[UDG_NULL_POINTS] = {%s};\n"
          % ", ".join("%.4g" % v for v in chance))
    print("const double udg_null_tail_scale = %.4f;\n" % tail)
    print("/* one, ln amplitude, its square, height at the crossing, its odds */")
    print("const double udg_strength_weight[UDG_STRENGTH_TERMS] = {%s};\n"
          % ", ".join("%.4f" % v for v in strength[0]))
    print("const double udg_strength_rest[2] = {%.4f, %.4f};\n" % strength[1])
    print("/* one, ln strength, ln misfit over peak */")
    print("const double udg_power_weight[3] = {%s};" % ", ".join("%.4f" % v for v in power))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("features", nargs="+")
    parser.add_argument("--null", nargs="*", default=[])
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--without", default="")
    options = parser.parse_args()
    photos = load(options.features)
    for name in filter(None, options.without.split(",")):
        for photo in photos:
            for h in photo["hypotheses"]:
                h["x"][NAMES.index(name)] = 0.0
    if options.check:
        coinages = sorted({p["truth"]["type"]["name"] for p in photos})
        for name, kind, times in MODELS:
            scored = [None] * len(photos)
            for left in coinages:
                w = learn([p for p in photos if p["truth"]["type"]["name"] != left], name, kind, times)
                part = [i for i, p in enumerate(photos) if p["truth"]["type"]["name"] == left]
                for i, s in zip(part, evidence([photos[i] for i in part], kind, w)):
                    scored[i] = s
                print(left, end=": ")
                report([photos[i] for i in part], [scored[i] for i in part], name)
            print("all", end=": ")
            report(photos, scored, name)
        return
    weights = [learn(photos, *model) for model in MODELS]
    for (name, kind, _), w in zip(MODELS, weights):
        sys.stdout, keep = sys.stderr, sys.stdout
        report(photos, evidence(photos, kind, w), name)
        sys.stdout = keep
    null = photos + load(options.null)
    points = chances(null, evidence(null, MODELS[0][1], weights[0]))
    scored = evidence(photos, MODELS[0][1], weights[0])
    limit = points[0][-1] + points[2] * math.log(points[1][-1] / FLAG)
    print_table(weights, points, learn_strength(photos), learn_power(photos, scored, limit))


main()

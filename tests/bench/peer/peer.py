#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""The script that one would write instead, with Debian's python3-opencv, beside the program.

  peer.py UNDERDIGIT REFERENCE CLEAN.png PHOTO...

CLEAN.png shows the date without any mark, upright, CLEAN.json beside it where (as
underdigit-testimages --class clean --ideal writes them); so does PHOTO.json for each photo, and
its "cls" is the truth. Prints photos a second of one core, warm process against warm process,
and the area under the ROC curve (underdigit against all else).

What it does with a photo: grey decode; matchTemplate of the clean date over turns of up to 30
degrees and digits from 20 px up, as the program looks for them; a quadratic through the 3 x 3
best values; findTransformECC; absolute difference, blurred; its largest value beside the digits'
outlines. On grey levels and on the length of the gradient: both are told."""
import json
import os
import resource
import subprocess
import sys

import cv2
import numpy as np

SEARCH_PX, FIT_PX = 12.0, 48.0  # digit heights in the copies searched and compared
STEP, TURNS = 1.14, range(-30, 31, 6)


def gradient(grey):
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8)
    return cv2.magnitude(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1))


class Date:
    """The clean picture, its digits' centres, and where digits cover it."""

    def __init__(self, path, height_px, convert):
        truth = json.load(open(os.path.splitext(path)[0] + ".json"))
        grey = cv2.imread(path, cv2.IMREAD_GRAYSCALE).astype(np.float32)
        factor = height_px / truth["digit_px"]
        grey = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        h = np.array(truth["homography_mm_to_px"], float).reshape(3, 3)
        x = np.array(truth["digit_x_mm"], float)
        y = truth.get("date_base_mm", 0.0) - 0.5 * truth["type"]["height"]
        points = np.stack([x, np.full_like(x, y), np.ones_like(x)])
        at = h @ points
        at = factor * at[:2] / at[2]
        low, high = at.min(1) - 0.85 * height_px, at.max(1) + 0.85 * height_px
        left, top = np.maximum(np.floor(low), 0).astype(int)
        right, bottom = np.ceil(high).astype(int)
        self.grey = grey[top:bottom, left:right]
        self.picture = convert(self.grey)
        edges = gradient(self.grey)
        inside = cv2.morphologyEx((edges > 0.25 * edges.max()).astype(np.uint8), cv2.MORPH_CLOSE,
                                  np.ones((int(height_px / 6), int(height_px / 6)), np.uint8))
        self.open = cv2.erode(1 - inside, np.ones((3, 3), np.uint8))


def quadratic_peak(v, x, y):
    """Two-dimensional quadratic through the 3 x 3 values around the best one."""
    if not (0 < x < v.shape[1] - 1 and 0 < y < v.shape[0] - 1):
        return float(x), float(y)
    n = v[y - 1:y + 2, x - 1:x + 2].astype(float)
    i = np.array([-1, 0, 1])
    gx, gy = (n * i).sum() / 6, (n * i[:, None]).sum() / 6
    gxy = (n * np.outer(i, i)).sum() / 4
    gxx, gyy = (n * np.array([1, -2, 1])).sum() / 3, (n * np.array([[1], [-2], [1]])).sum() / 3
    d = gxx * gyy - gxy * gxy
    if d <= 0 or gxx >= 0:
        return float(x), float(y)
    return (x + np.clip(-(gyy * gx - gxy * gy) / d, -1, 1),
            y + np.clip(-(gxx * gy - gxy * gx) / d, -1, 1))


class Peer:
    def __init__(self, clean, convert):
        self.convert = convert
        self.coarse, self.fine = Date(clean, SEARCH_PX, convert), Date(clean, FIT_PX, convert)
        self.turned = []
        h, w = self.coarse.grey.shape
        for turn in TURNS:
            m = cv2.getRotationMatrix2D((w / 2, h / 2), turn, 1.0)
            grey = cv2.warpAffine(self.coarse.grey, m, (w, h), borderMode=cv2.BORDER_REPLICATE)
            self.turned.append((turn, convert(grey)))

    def find(self, grey):
        best = (-2.0, None)
        h, w = self.coarse.grey.shape
        digit = 20.0
        while digit <= 250:
            factor = SEARCH_PX / digit
            small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
            pad_y, pad_x = int(0.15 * h), int(0.15 * w)
            small = cv2.copyMakeBorder(small, pad_y, pad_y, pad_x, pad_x, cv2.BORDER_REPLICATE)
            if small.shape[0] < h or small.shape[1] < w:
                break
            picture = self.convert(small)
            for turn, template in self.turned:
                match = cv2.matchTemplate(picture, template, cv2.TM_CCOEFF_NORMED)
                _, value, _, (x, y) = cv2.minMaxLoc(match)
                if value > best[0]:
                    x, y = quadratic_peak(match, x, y)
                    best = (value, ((x - pad_x + w / 2) / factor, (y - pad_y + h / 2) / factor,
                                    digit, turn))
            digit *= STEP
        return best[1]

    def score(self, path):
        grey = cv2.imread(path, cv2.IMREAD_GRAYSCALE).astype(np.float32)
        found = self.find(grey)
        if found is None:
            return 0.0
        x, y, digit, turn = found
        h, w = self.fine.grey.shape
        scale, rad = digit / FIT_PX, np.radians(-turn)
        c, s = scale * np.cos(rad), scale * np.sin(rad)
        warp = np.array([[c, -s, x - c * w / 2 + s * h / 2], [s, c, y - s * w / 2 - c * h / 2]],
                        np.float32)
        picture = self.convert(grey)
        try:
            _, warp = cv2.findTransformECC(
                self.fine.picture, picture, warp, cv2.MOTION_AFFINE,
                (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-4), None, 5)
        except cv2.error:
            pass  # did not converge: the match itself has to do
        laid = cv2.warpAffine(picture, warp, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        own = self.fine.picture
        laid = (laid - laid.mean()) / (laid.std() + 1e-6)
        own = (own - own.mean()) / (own.std() + 1e-6)
        off = cv2.GaussianBlur(cv2.absdiff(laid, own) * self.fine.open, (0, 0), 3.0)
        return float(off.max())


def auc(scores, truth):
    order = np.argsort(scores, kind="stable")
    values, ranks = np.asarray(scores)[order], np.empty(len(scores))
    i = 0
    while i < len(values):
        j = i
        while j < len(values) and values[j] == values[i]:
            j += 1
        ranks[order[i:j]] = (i + 1 + j) / 2
        i = j
    truth = np.asarray(truth)
    n, m = truth.sum(), (~truth).sum()
    return (ranks[truth].sum() - n * (n + 1) / 2) / (n * m)


def seconds(who):
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def ours(command, reference, photos):
    """Evidence, and seconds of processor time of one process."""
    before = seconds(resource.RUSAGE_CHILDREN)
    text = subprocess.run([command, "inspect", "--json", "--reference", reference] + photos,
                          stdout=subprocess.PIPE, check=False).stdout.decode()
    spent = seconds(resource.RUSAGE_CHILDREN) - before
    evidence = {}
    for line in text.splitlines():
        one = json.loads(line)
        evidence[one["photo"]] = one["evidence"] if one.get("evidence") is not None else -1e9
    return [evidence.get(p, -1e9) for p in photos], spent


def main():
    command, reference, clean, photos = sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:]
    cv2.setNumThreads(1)
    truth = [json.load(open(os.path.splitext(p)[0] + ".json"))["cls"] == "underdigit"
             for p in photos]
    rates = {}
    for name, convert in (("grey", lambda g: g), ("gradient", gradient)):
        peer = Peer(clean, convert)
        peer.score(photos[0])
        before = seconds(resource.RUSAGE_SELF)
        scores = [peer.score(p) for p in photos]
        rates[name] = len(photos) / (seconds(resource.RUSAGE_SELF) - before)
        print("peer on %-9s %8.2f photos a second, AUC %.3f" % (name, rates[name],
                                                               auc(scores, truth)))
    # A warm process: what one photo alone takes is set-up and is left out.
    _, first = ours(command, reference, photos[:1])
    evidence, spent = ours(command, reference, photos[:1] + photos)
    evidence = evidence[1:]
    rate = len(photos) / max(spent - first, 1e-9)
    print("underdigit        %8.2f photos a second, AUC %.3f" % (rate, auc(evidence, truth)))
    print("times the peer's  %s" % ", ".join("%s %.1f" % (n, rate / r) for n, r in rates.items()))


main()

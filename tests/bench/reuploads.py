#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""How photos saved anew are known again: reuploads.py BUILD_FOLDER [CLOSE_UPS [WHOLE_COINS]]

Draws close-ups (60) and whole coins (60), saves each at 1/2, 5/8, 7/8 of its size with
JPEG quality 40 and 75 and at its size with 40, and tells how many of these a store groups
with their original, and how many pairs of different coins.
"""
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile

KINDS = (("close-ups", ["--digit-px", "40:120"]), ("whole coins", ["--whole", "--coin-px", "500:900"]))
SAVES = [(scale, quality) for scale in (4, 5, 7) for quality in (40, 75)] + [(8, 40)]


def save_anew(path, out, scale, quality):
    smaller = subprocess.run(["djpeg", "-scale", "%d/8" % scale, path], check=True,
                             stdout=subprocess.PIPE).stdout
    with open(out, "wb") as file:
        subprocess.run(["cjpeg", "-quality", str(quality)], input=smaller, check=True, stdout=file)


def measure(build, reference, name, options, count):
    run = lambda *a: subprocess.run(a, check=True, stdout=subprocess.DEVNULL)
    os.mkdir("photos")
    run(os.path.join(build, "testimages/underdigit-testimages"), "--reference", reference,
        "--output", "photos", "--name", "c", "--count", str(count), "--seed", "3", *options)
    for photo in sorted(f for f in os.listdir("photos") if f.endswith(".jpg")):
        for scale, quality in SAVES:
            save_anew("photos/" + photo, "photos/%s-%d-%d.jpg" % (photo[:-4], scale, quality),
                      scale, quality)
    # An inspection that takes no time: only the looks count.
    run(os.path.join(build, "tests/underdigit-quick"), "screen", "photos", "-r", reference, "-s",
        "run.db", "-q")
    with sqlite3.connect("run.db") as store:
        group = dict(store.execute("SELECT path, group_id FROM file JOIN photo USING(photo_id)"))
    original = {p: re.match(r"photos/c-\d+", p)[0] + ".jpg" for p in group}
    copies = [p for p in group if original[p] != p]
    coins = sorted(set(original.values()))
    again = sum(group[p] == group[original[p]] for p in copies)
    mixed = sum(group[a] == group[b] for i, a in enumerate(coins) for b in coins[:i])
    print("%s: %d of %d saved anew are known again; %d of %d pairs of different coins are taken for one"
          % (name, again, len(copies), mixed, len(coins) * (len(coins) - 1) // 2))
    shutil.rmtree("photos")
    os.remove("run.db")


def main():
    build = os.path.abspath(sys.argv[1])
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    reference = os.path.join(root, "testimages/references/karrow.json")
    folder = tempfile.mkdtemp(prefix="underdigit-reuploads-")
    os.chdir(folder)
    try:
        for (name, options), at in zip(KINDS, (2, 3)):
            measure(build, reference, name, options, int(sys.argv[at]) if len(sys.argv) > at else 60)
    finally:
        os.chdir("/")
        shutil.rmtree(folder)


main()

#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Several coins in one photo, each inspected and told where it is: tray.py TOOL TESTIMAGES REFERENCE"""
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile


def draw(generator, reference, name, count, *more):
    subprocess.run([generator, "--reference", reference, "--output", ".", "--name", name, "--whole",
                    "--coins", str(count), "--coin-px", "380:420", "--date", "1924", "--seed", "3",
                    *more], check=True, stdout=subprocess.DEVNULL)
    with open(name + "-0000.json", encoding="utf-8") as file:
        return json.load(file)["coins"]


def inspect(tool, reference, photo):
    done = subprocess.run([tool, "inspect", photo, "-r", reference, "-d", "1924", "--json"],
                          stdout=subprocess.PIPE, check=False)
    lines = done.stdout.decode().splitlines()
    assert len(lines) == 1, lines
    return done.returncode, json.loads(lines[0])


def date_at(homography):
    return [homography[2] / homography[8], homography[5] / homography[8]]


def check_tray(tool, generator, reference):
    truth = draw(generator, reference, "tray", 4)
    _, told = inspect(tool, reference, "tray-0000.jpg")
    coins = told["coins"]
    assert [c["coin"]["index"] for c in coins] == [1, 2, 3, 4], coins
    assert all(c["coin"]["count"] == 4 for c in coins)
    centres = [c["coin"]["centre_px"] for c in coins]
    for one, two in zip(centres, centres[1:]):  # on in the row, or in the next one
        assert two[1] > one[1] + 200 or (abs(two[1] - one[1]) < 200 and two[0] > one[0]), centres
    for t in truth:  # each date is found, once, on a coin of its size
        at = date_at(t["homography_mm_to_px"])
        near = [c for c in coins if c["date_to_photo"] and math.dist(at, date_at(c["date_to_photo"]))
                < 0.2 * t["digit_px"]]
        assert len(near) == 1, (at, len(near))
        assert abs(near[0]["coin"]["diameter_mm"] / 24 - 1) < 0.03, near[0]["coin"]
    # The photo's own fields are those of the coin that speaks.
    flagged = [c for c in coins if c["verdict"] == "underdigit"] or coins
    speaker = max(flagged, key=lambda c: c["evidence"])
    for field in ("verdict", "evidence", "finding", "coin", "date_to_photo"):
        assert told[field] == speaker[field], field
    assert math.isclose(told["p_value"], min(1, 4 * speaker["p_value"]), rel_tol=1e-6)


def check_both_sides(tool, generator, reference):
    draw(generator, reference, "sides", 2, "--both-sides", "--class", "clean")
    status, told = inspect(tool, reference, "sides-0000.jpg")
    assert status == 0 and len(told["coins"]) == 2, (status, told)
    verdicts = sorted(c["verdict"] == "undecided" for c in told["coins"])
    assert verdicts == [False, True], told["coins"]
    assert told["verdict"] != "undecided" and told["evidence"] is not None


def main():
    tool, generator, reference = map(os.path.abspath, sys.argv[1:4])
    folder = tempfile.mkdtemp(prefix="underdigit-tray-")
    os.chdir(folder)
    try:
        check_tray(tool, generator, reference)
        check_both_sides(tool, generator, reference)
    finally:
        os.chdir("/")
        shutil.rmtree(folder)


main()

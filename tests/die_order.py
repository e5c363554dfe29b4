#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Coins of one die are put in order: die_order.py UNDERDIGIT TESTIMAGES REFERENCE

Three coins of a known die, each drawn as the die was early, later and late: the same coin under
the same lamps, with less and less of its digit.  Whatever the order of the photos, `inspect` must
put them early to late."""
import os
import re
import subprocess
import sys
import tempfile

program, testimages, reference = map(os.path.abspath, sys.argv[1:4])
STRENGTHS = ("80", "40", "25")
COINS = (1, 3, 6)  # of the seed's first, those that have the die's early markers

with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    for coin in COINS:
        early_to_late = ["set/%s-%04d.jpg" % (strength, coin) for strength in STRENGTHS]
        for strength in STRENGTHS:
            subprocess.run([testimages, "--reference", reference, "--output", "set", "--name", strength, "--start",
                            str(coin), "--seed", "77", "--whole", "--coin-px", "850:900", "--date", "1843",
                            "--class", "underdigit", "--strength", "0.%s:0.%s" % (strength, strength),
                            "--markers", "die"], check=True, stdout=subprocess.DEVNULL)
        shuffled = [early_to_late[1], early_to_late[2], early_to_late[0]]
        run = subprocess.run([program, "inspect", "--reference", reference, "--date", "1843"] + shuffled,
                             capture_output=True, text=True, check=False)
        print(run.stdout, run.stderr)
        assert run.returncode in (0, 1), run.returncode
        order = re.sub(r"\s+", " ", run.stdout[run.stdout.index("Order "):])
        assert re.findall(r"set/\d+-\d+\.jpg", order) == early_to_late, order

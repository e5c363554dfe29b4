#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Instructions of one warm inspection by stage, which other programs do not change.

  stages.py SPEED REFERENCE PHOTO...

SPEED is the program tests/speed of a build. Callgrind counts two runs that differ by one round
over the photos; the difference is told, in millions a photo. Inclusive: what a stage calls
counts as its own, and udg_find_verify is a part of udg_find_date; udg_register_twice_run and
udg_twice_look are of udg_pipeline_twice."""
import os
import re
import subprocess
import sys
import tempfile

STAGES = ["udg_image_from_file", "udg_pipeline_take", "udg_coin_find", "udg_coin_locate",
          "udg_find_date", "udg_find_verify", "udg_register", "udg_upright_make", "udg_light_fit",
          "udg_residual_make", "udg_score_make", "udg_pipeline_twice", "udg_register_twice_run",
          "udg_twice_look", "udg_inspect"]


def count(program, rounds, rest):
    out = tempfile.NamedTemporaryFile(delete=False)
    out.close()
    subprocess.run(["valgrind", "--tool=callgrind", "--callgrind-out-file=" + out.name, program,
                    "--rounds", str(rounds)] + rest, check=True, stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)
    text = subprocess.run(["callgrind_annotate", "--inclusive=yes", "--threshold=100", out.name],
                          check=True, stdout=subprocess.PIPE).stdout.decode()
    os.unlink(out.name)
    counts = {}
    for line in text.splitlines():
        found = re.match(r"\s*([\d,]+)\s*\(.*?\)\s+\S*?:(\w+)", line)
        if found:
            number = int(found.group(1).replace(",", ""))
            counts[found.group(2)] = max(counts.get(found.group(2), 0), number)
    return counts


def main():
    if len(sys.argv) < 4:
        sys.exit(__doc__)
    once, twice = (count(sys.argv[1], rounds, sys.argv[2:]) for rounds in (1, 2))
    photos = len(sys.argv) - 3
    for stage in STAGES:
        difference = twice.get(stage, 0) - once.get(stage, 0)
        print("%-20s %10.2f" % (stage, difference / 1e6 / photos))


main()

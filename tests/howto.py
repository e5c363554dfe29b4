#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Runs the commands of docs/references-howto.md: howto.py DOC COUNT BUILD

COUNT replaces the 16 coins of a set where the full count would take too long.
"""
import os
import re
import shutil
import subprocess
import sys
import tempfile


def blocks(doc):
    """Indented blocks that begin with a command."""
    with open(doc, encoding="utf-8") as file:
        text = file.read()
    found = re.findall(r"(?m)^\n((?:    .*\n|\n(?=    ))+)", text)
    found = ["\n".join(line[4:] for line in block.splitlines()) for block in found]
    return [block for block in found if not block.startswith("a = ")]


def middles(text):
    """Digit and axis -> mm, in the order printed."""
    return [(name, float(mm)) for name, mm in re.findall(r"(?m)^(\d [xy]): middle (\S+) mm", text)]


def main():
    doc, build = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[3])
    root = os.path.dirname(os.path.dirname(doc))
    folder = tempfile.mkdtemp(prefix="underdigit-howto-")
    said = ""
    try:
        for name, target in (("testimages", root + "/testimages"), ("tools", root + "/tools"),
                             ("build", build)):
            os.symlink(target, os.path.join(folder, name))
        for block in blocks(doc):
            block = block.replace("--count 16 ", "--count %s " % sys.argv[2])
            done = subprocess.run(["sh", "-ec", block], cwd=folder, text=True,
                                  stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            print(block, done.stdout, sep="\n")
            assert done.returncode == 0, done.returncode
            said += done.stdout
        assert "dates[0].places[2].digit: is 9, but the date has 6 there" in said
        assert os.path.getsize(os.path.join(folder, "try-reference/outlines.png")) > 0
        told = middles(said)
        assert len(told) == 16, told
        # The last digit stands 0.05 mm too far right in the first file; the s.d. of a
        # middle is about 0.03 mm over the root of the count.
        first, again = told[:8], told[8:]
        assert -0.09 < first[6][1] - first[0][1] < -0.02, first
        assert all(abs(mm) < 0.02 for _, mm in again), again
        flags = re.search(r"(\d+) judged; \d+ below 0.1; (\d+) below 0.01", said)
        assert int(flags.group(1)) > 0.7 * int(sys.argv[2]) and int(flags.group(2)) <= 1, flags
        assert len(re.findall(r"(?m)^trace-\d+\.jpg .* underdigit ", said)) >= 6
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()

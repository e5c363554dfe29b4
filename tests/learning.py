#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Runs the commands of docs/learning.md, and `learn --box` on what is no set of photos of one
coin type: learning.py DOC BUILD

All pictures are the generator's."""
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile

import howto


def run(command, folder):
    done = subprocess.run(["sh", "-ec", command], cwd=folder, text=True, stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT)
    print(command, done.stdout, sep="\n")
    return done.returncode, done.stdout


def follow(doc, folder):
    said = []
    for block in howto.blocks(doc):
        status, text = run(block, folder)
        assert status == 0, status
        said.append(text)
    return said


def check_example(said, folder):
    learned, whole, near = [t for t in said if "photos used" in t]
    assert re.search(r"over-0000\.jpg: left out: a trace of an earlier", learned), learned
    for text, photos in ((learned, 17), (whole, 16), (near, 14)):
        used = re.search(r"(\d+) of (\d+) photos used", text)
        assert int(used.group(2)) == photos and int(used.group(1)) >= photos - 4, used.group()
    for name, diameter in (("from-whole", 24), ("from-near", None)):
        with open(os.path.join(folder, "try-learning", name + ".json"), encoding="utf-8") as file:
            made = json.load(file)
        assert [d["date"] for d in made["dates"]] == ["1924"]
        assert (made.get("coin") or {}).get("diameter_mm") == diameter, made.get("coin")
        assert set("1924") <= set(made["digits"])


def check_two_coins(folder):
    """Coins of two types under one box: the first photo tells which is meant."""
    status, text = run("build/testimages/underdigit-testimages --reference "
                       "testimages/references/vellacombe.json --output foreign --name f --class clean "
                       "--whole --coin-px 600:700 --count 6 --seed 9", folder)
    assert status == 0, text
    learn = ("build/tools/underdigit learn --box 279,575,129,59 --date 1924 --output %s.json "
             "try-learning/whole/a-0000.jpg ")
    status, text = run(learn % "some" + "try-learning/whole/b-000[0-4].jpg foreign/f-000[0-2].jpg", folder)
    assert status == 1, status
    for k in range(3):
        assert re.search(r"f-000%d\.jpg: left out: \S" % k, text), text
    assert "a-0000.jpg: left out" not in text, text
    # Outnumbered, two coins of the first photo's type are too few: nothing is written.
    status, text = run(learn % "most" + "try-learning/whole/b-0000.jpg foreign/f-*.jpg", folder)
    assert status == 2 and "nothing was written" in text, (status, text)
    assert "of 8 photos show the same side of such a coin" in text, text
    assert len(re.findall(r"f-000\d\.jpg: left out: unlike the first photo", text)) == 6, text
    assert not [n for n in os.listdir(folder) if n.startswith("most")], os.listdir(folder)


def main():
    doc, build = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
    root = os.path.dirname(os.path.dirname(doc))
    folder = tempfile.mkdtemp(prefix="underdigit-learning-")
    try:
        for name, target in (("testimages", root + "/testimages"), ("tools", root + "/tools"),
                             ("build", build)):
            os.symlink(target, os.path.join(folder, name))
        check_example(follow(doc, folder), folder)
        check_two_coins(folder)
    finally:
        shutil.rmtree(folder)


main()

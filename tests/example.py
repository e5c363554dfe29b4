#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Runs the commands of docs/screening.md: example.py DOC PLAIN_COUNT TOOLS TESTIMAGES

PLAIN_COUNT replaces the 97 plain coins where the full count would take too long.
"""
import csv
import os
import re
import shutil
import subprocess
import sys
import tempfile


def short_list(text):
    """Sentence, and place, reading, state and listing of each row; not q."""
    rows = re.findall(r"^ +(\d+)  (\d+/\d+) +(strong|weak) +\S+  (\S+)$", text, re.M)
    assert rows, text
    return re.search(r"Of these .*", text)[0], rows


def main():
    doc, tools, testimages = (os.path.abspath(sys.argv[i]) for i in (1, 3, 4))
    plain = sys.argv[2]
    root = os.path.dirname(os.path.dirname(os.path.abspath(doc)))
    with open(doc, encoding="utf-8") as file:
        text = file.read()
    commands = [line[6:] for line in text.splitlines() if line.startswith("    $ ")]
    assert len(commands) == 12, len(commands)
    assert "--count 97 " in commands[1]
    commands[1] = commands[1].replace("--count 97 ", "--count %s " % plain)
    best = "K-%d" % (int(plain) + 3)
    folder = tempfile.mkdtemp(prefix="underdigit-example-")
    environment = {**os.environ,
                   "PATH": os.pathsep.join([os.path.dirname(tools), os.path.dirname(testimages),
                                            os.environ["PATH"]])}
    said = []
    try:
        os.symlink(os.path.join(root, "testimages"), os.path.join(folder, "testimages"))
        for command in commands:
            command = command.replace("K-100", best)
            done = subprocess.run(["sh", "-c", command], cwd=folder, env=environment, text=True,
                                  stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            print("$", command)
            print(done.stdout)
            assert done.returncode == 0, done.returncode
            said.append(done.stdout)
        with open(os.path.join(folder, "example/finds.csv"), newline="", encoding="utf-8") as file:
            finds = list(csv.DictReader(file))
        wanted = {"K-%d" % (int(plain) + k) for k in (1, 2, 3)}
        assert {row["id"] for row in finds[:3]} == wanted, [row["id"] for row in finds]
        assert all(float(row["gain"]) > 0 for row in finds[:3])
        # One plain coin of a hundred may pass; the list says that it is likely chance.
        assert len(finds) <= 4, finds
        assert all(float(row["q_value"]) > 0.05 for row in finds[3:]), finds
        assert any("Of these %d flagged, expect" % len(finds) in text for text in said)
        assert any("A trace of an earlier" in text for text in said)
        if plain == "97":
            # What the page shows is what came out; q may differ in its last digit.
            assert short_list(text) == short_list(said[5]), said[5]
        with open(os.path.join(folder, "example/page/index.html"), encoding="utf-8") as file:
            assert best in file.read()
    finally:
        shutil.rmtree(folder)


main()

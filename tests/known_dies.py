#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Runs the commands of docs/known-dies.md: known_dies.py DOC BUILD

The markers that the page describes must be found on its coin and on no other."""
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile

doc, build = sys.argv[1], os.path.abspath(sys.argv[2])
root = os.path.dirname(os.path.dirname(os.path.abspath(doc)))
blocks = re.findall(r"(?:^    .*\n|^\n)+", open(doc, encoding="utf-8").read(), re.M)
commands = "\n".join(re.sub(r"^    ", "", b, flags=re.M) for b in blocks if re.search(r"^    \S", b, re.M))
folder = tempfile.mkdtemp()
try:
    os.symlink(build, os.path.join(folder, "build"))
    os.symlink(os.path.join(root, "testimages"), os.path.join(folder, "testimages"))
    run = subprocess.run(["bash", "-e", "-c", commands], cwd=folder, capture_output=True, text=True)
    print(run.stdout, run.stderr)
    assert run.returncode == 0, run.returncode
    assert "clock: is 13, must be from 0 to 12" in run.stderr
    assert "cut (line, at 2.0 o'clock): present" in re.sub(r"\s+", " ", run.stdout)
    assert "dash (dash, at 6.8 o'clock): present" in re.sub(r"\s+", " ", run.stdout)
    for name in ("grid.png", "found.png"):
        assert open(os.path.join(folder, "try-die", name), "rb").read(8) == b"\x89PNG\r\n\x1a\n"
    rows = [json.loads(line) for line in open(os.path.join(folder, "try-die", "others.jsonl"))]
    answers = [m["answer"] for r in rows for m in r["markers"]]
    assert len(answers) == 8, answers
    assert "present" not in answers, answers
finally:
    shutil.rmtree(folder)

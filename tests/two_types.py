#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Two coin types with the same digits and dates, one larger: two_types.py TOOL TESTIMAGES REFERENCE

Each whole coin goes to its own type's reference, whose rim is as far round as its
digits let expect; what cannot be told apart is told as tied.
"""
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile


def main():
    tool, draw, source = map(os.path.abspath, sys.argv[1:4])
    folder = tempfile.mkdtemp(prefix="underdigit-types-")
    os.chdir(folder)
    try:
        with open(source, encoding="utf-8") as file:
            piece = json.load(file)
        piece["dates"] = piece["dates"][:1]
        piece["expected"] = []
        for name, diameter in (("small", 24.0), ("large", 26.5), ("twin", 24.2)):
            piece["name"] = name
            piece["coin"]["diameter_mm"] = diameter
            with open(name + ".json", "w", encoding="utf-8") as file:
                json.dump(piece, file)
        for name in ("small", "large"):
            subprocess.run([draw, "--reference", name + ".json", "--output", "photos", "--whole",
                            "--coin-px", "500:700", "--class", "clean", "--count", "3",
                            "--seed", "2"], check=True, stdout=subprocess.DEVNULL)
        subprocess.run([tool, "screen", "photos", "-r", "small.json", "-r", "large.json", "-r",
                        "twin.json", "-s", "run.db", "-q"], check=True, stdout=subprocess.DEVNULL)
        with sqlite3.connect("run.db") as store:
            rows = store.execute("SELECT f.path, r.name, p.tied FROM file f JOIN photo p USING(photo_id)"
                                 " JOIN reference r ON r.reference_id=p.best_reference_id").fetchall()
        assert len(rows) == 6, rows
        for path, name, tied in rows:
            print(path, name, "tied with", tied)
            if "large" in path:
                assert name == "large" and tied is None, (path, name, tied)
            else:
                assert name in ("small", "twin"), (path, name)
                assert tied and "large" not in tied, (path, name, tied)
    finally:
        os.chdir("/")
        shutil.rmtree(folder)


main()

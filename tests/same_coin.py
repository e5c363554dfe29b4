#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Photos of one coin judged together: same_coin.py TOOL TESTIMAGES REFERENCE"""
import os
import subprocess
import sys
import tempfile

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "bench"))
import same_coin as bench


def main():
    tool, generator, reference = map(os.path.abspath, sys.argv[1:4])
    with tempfile.TemporaryDirectory(prefix="underdigit-same-") as folder:
        os.chdir(folder)
        told, photos = [], {}
        other = os.path.join(os.path.dirname(reference), "vellacombe.json")
        for kind in ("underdigit", "clean"):  # weak traces among them: one photo is not enough
            photos[kind] = bench.draw(generator, other, kind, 2, 5, 12, kind)
            told += [(kind == "underdigit", 2, bench.judge(tool, other, p)) for p in photos[kind]]
        for (_, _, joint), paths in zip(told, sum(photos.values(), [])):
            assert [p["photo"] for p in joint["photos"]] == paths and joint["photo"] == paths[0]
            assert joint["evidence"] is not None and 0 < joint["p_value"] <= 1
        alone = bench.compare(told, lambda o: max(bench.evidence(p) for p in o["photos"]))
        joint = bench.compare(told, bench.evidence)
        print("alone: area %.3f, recall %.2f; joint: area %.3f, recall %.2f" % (*alone[:2], *joint[:2]))
        assert joint[0] > alone[0], (alone, joint)
        assert joint[1] >= alone[1], (alone, joint)
        # Photos of two coins are no photos of one.
        for date, name in (("1924", "one"), ("1930", "two")):
            subprocess.run([generator, "--reference", reference, "--output", ".", "--name", name,
                            "--date", date, "--seed", "4", "--digit-px", "60:70", "--class", "clean"],
                           check=True, stdout=subprocess.DEVNULL)
        both = bench.judge(tool, reference, ["one-0000.jpg", "two-0000.jpg"])
        assert both["verdict"] == "undecided" and both["evidence"] is None, both
        assert "photo 1 reads as 1924, photo 2 as 1930" in both["reasons"][0], both["reasons"]
        # Nor are those of two coins of one date whose digits sit differently.
        subprocess.run([generator, "--reference", other, "--output", ".", "--name", "date", "--seed", "5",
                        "--date", "1868", "--digit-px", "60:70", "--class", "clean", "--count", "2",
                        "--lamps", "2"], check=True, stdout=subprocess.DEVNULL)
        both = bench.judge(tool, other, ["date-0000-a.jpg", "date-0001-a.jpg", "date-0000-b.jpg"])
        assert both["verdict"] == "undecided" and both["evidence"] is None, both
        assert "the digits sit differently in photo 1 and photo 2" in both["reasons"][0], both["reasons"]
        both = bench.judge(tool, other, ["date-0000-a.jpg", "date-0000-b.jpg"])
        assert both["evidence"] is not None, both["reasons"]
        # One that cannot be read is told, and the others are judged.
        done = subprocess.run([tool, "inspect", "--same-coin", "-r", reference, "one-0000.jpg",
                               "gone.jpg"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
        assert done.returncode == 1 and b"gone.jpg: there is no such file" in done.stderr, done
        for wrong in (["one-0000.jpg"], ["one-0000.jpg", "two-0000.jpg", "--picture", "x.png"]):
            done = subprocess.run([tool, "inspect", "--same-coin", "-r", reference, *wrong],
                                  stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
            assert done.returncode == 2 and b"--same-coin" in done.stderr, done
        os.chdir("/")


main()

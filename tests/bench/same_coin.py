#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Several photos of one coin against the best of them alone: same_coin.py BUILD_FOLDER [COINS] [SEED]

Draws COINS (5) coins with a trace of 0.12 to 0.5 of the relief, and as many plain ones
and a few with scratches and chips, of each of three types in two, three and four
lights, and prints how well each evidence parts them: the area under the curve, and the
share of traces beyond every coin without one.
"""
import glob
import json
import os
import subprocess
import sys
import tempfile

TYPES = ("karrow", "vellacombe", "ostermere")


def draw(generator, reference, name, lamps, coins, seed, kind):
    """Lists of photos, one a coin."""
    subprocess.run([generator, "--reference", reference, "--output", ".", "--name", name, "--count",
                    str(coins), "--seed", str(seed), "--class", kind, "--lamps", str(lamps),
                    "--strength", "0.12:0.5", "--digit-px", "35:90"],
                   check=True, stdout=subprocess.DEVNULL)
    return [sorted(glob.glob("%s-%04d-*.jpg" % (name, k))) for k in range(coins)]


def judge(tool, reference, photos):
    done = subprocess.run([tool, "inspect", "--same-coin", "--json", "-r", reference, *photos],
                          stdout=subprocess.PIPE, check=False)
    assert done.returncode in (0, 1), done.returncode
    return json.loads(done.stdout)


def evidence(result):
    return -20 if result["evidence"] is None else result["evidence"]


def area(traces, plain):
    wins = sum((t > p) + 0.5 * (t == p) for t in traces for p in plain)
    return wins / (len(traces) * len(plain))


def compare(told):
    """told: pairs of (has a trace, joint object).  Areas and recalls, alone and joint."""
    out = []
    for value in (lambda o: max(evidence(p) for p in o["photos"]), evidence):
        traces = [value(o) for has, o in told if has]
        plain = [value(o) for has, o in told if not has]
        out.append((area(traces, plain), sum(t > max(plain) for t in traces) / len(traces)))
    return out


def main():
    build = os.path.abspath(sys.argv[1])
    coins = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 300
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    tool = os.path.join(build, "tools", "underdigit")
    generator = os.path.join(build, "testimages", "underdigit-testimages")
    told = []
    with tempfile.TemporaryDirectory(prefix="underdigit-same-") as folder:
        os.chdir(folder)
        for kind in TYPES:
            reference = os.path.join(root, "testimages", "references", kind + ".json")
            for lamps in (2, 3, 4):
                for cls, count in (("underdigit", coins), ("clean", coins), ("scratch", 1), ("chip", 1)):
                    name = "%s-%s-%d" % (kind, cls, lamps)
                    for photos in draw(generator, reference, name, lamps, count, seed + lamps, cls):
                        told.append((cls == "underdigit", judge(tool, reference, photos)))
        os.chdir("/")
    for what, (auc, recall) in zip(("best single photo", "all photos joint"), compare(told)):
        print("%-18s area %.3f, beyond all coins without a trace %.2f" % (what, auc, recall))
    traces = [o["verdict"] == "underdigit" for has, o in told if has]
    plain = [o["verdict"] == "underdigit" for has, o in told if not has]
    single = lambda o: any(p["verdict"] == "underdigit" for p in o["photos"])
    print("flagged jointly: %d of %d traces, %d of %d without; in any single photo: %d and %d"
          % (sum(traces), len(traces), sum(plain), len(plain),
             sum(single(o) for has, o in told if has), sum(single(o) for has, o in told if not has)))


if __name__ == "__main__":
    main()

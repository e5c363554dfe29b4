#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Several photos of one coin against the best of them alone: same_coin.py BUILD_FOLDER [COINS] [SEED]

Draws COINS (5) coins with a trace of 0.12 to 0.5 of the relief, as many plain ones, and an
eighth as many with scratches and with chips, of each of three types in two, three and
four lights, and prints how well each evidence parts them, all together and by the number of
photos: the area under the curve, the share of traces beyond all but one in a hundred of the coins
without one, and beyond every one of these.  The best single photo's evidence is the most
that one of the coin's photos has, on coins with a trace and without.  Coins whose photos get no
joint answer (they read as different dates, or their digits sit differently) are counted apart.
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


def compare(told, value):
    """told: triples of (has a trace, number of photos, joint object)."""
    traces = [value(o) for has, _, o in told if has]
    plain = sorted((value(o) for has, _, o in told if not has), reverse=True)
    at = plain[len(plain) // 100]
    return (area(traces, plain), sum(t > at for t in traces) / len(traces),
            sum(t > plain[0] for t in traces) / len(traces))


def print_comparison(told):
    print("%-20s %-22s %8s %8s %8s %12s" % ("photos", "evidence", "coins", "area", "at 1 %", "beyond all"))
    for lamps in (None, 2, 3, 4):
        some = [t for t in told if lamps in (None, t[1])]
        for what, value in (("best single photo", lambda o: max(evidence(p) for p in o["photos"])),
                            ("all photos joint", evidence)):
            traces = sum(has for has, _, _ in some)
            print("%-20s %-22s %4d/%-4d %7.3f %8.2f %12.2f" %
                  (lamps or "all", what, traces, len(some) - traces, *compare(some, value)))


def main():
    build = os.path.abspath(sys.argv[1])
    coins = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 300
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    tool = os.path.join(build, "tools", "underdigit")
    generator = os.path.join(build, "testimages", "underdigit-testimages")
    few, told = max(coins // 8, 1), []
    with tempfile.TemporaryDirectory(prefix="underdigit-same-") as folder:
        os.chdir(folder)
        for kind in TYPES:
            reference = os.path.join(root, "testimages", "references", kind + ".json")
            for lamps in (2, 3, 4):
                for cls, count in (("underdigit", coins), ("clean", coins),
                                   ("scratch", few), ("chip", few)):
                    name = "%s-%s-%d" % (kind, cls, lamps)
                    for photos in draw(generator, reference, name, lamps, count, seed + lamps, cls):
                        told.append((cls == "underdigit", lamps, judge(tool, reference, photos)))
        os.chdir("/")
    joined = [t for t in told if t[2]["evidence"] is not None]
    print("no joint answer: %d of %d coins, %d of them with a trace" %
          (len(told) - len(joined), len(told),
           sum(has and o["evidence"] is None for has, _, o in told)))
    print_comparison(joined)
    traces = [o["verdict"] == "underdigit" for has, _, o in told if has]
    plain = [o["verdict"] == "underdigit" for has, _, o in told if not has]
    single = lambda o: any(p["verdict"] == "underdigit" for p in o["photos"])
    print("flagged jointly: %d of %d traces, %d of %d without; in any single photo: %d and %d"
          % (sum(traces), len(traces), sum(plain), len(plain),
             sum(single(o) for has, _, o in told if has), sum(single(o) for has, _, o in told if not has)))


if __name__ == "__main__":
    main()

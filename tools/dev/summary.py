#!/usr/bin/env python3
"""Counts the tests of a meson run: summary.py TESTLOG.json

Prints 'N passed, N failed'. A cmocka program counts as many as it has cases;
any other test, and one that died before its summary, counts as one. The exit
status is 1 when a test failed or none ran.
"""
import json
import re
import sys

CASES = re.compile(r"^\[\s*(PASSED|FAILED|SKIPPED)\s*\]\s*(?:\w+:\s*)?(\d+) test\(s\)", re.M)


def count(entry):
    """Passed, failed and skipped cases of one test program."""
    output = entry.get("stdout", "") + "\n" + entry.get("stderr", "")
    tally = {"PASSED": 0, "FAILED": 0, "SKIPPED": 0}
    for kind, number in CASES.findall(output):
        tally[kind] += int(number)
    result = entry["result"]
    if result == "SKIP" and not any(tally.values()):
        tally["SKIPPED"] = 1
    elif result in ("OK", "EXPECTEDFAIL"):
        if not any(tally.values()):
            tally["PASSED"] = 1
    elif result != "SKIP" and not tally["FAILED"]:
        tally["FAILED"] = 1  # died, ran out of time, or a leak was found at the end
    return tally


def main():
    total = {"PASSED": 0, "FAILED": 0, "SKIPPED": 0}
    with open(sys.argv[1], encoding="utf-8") as log:
        for line in log:
            if line.strip():
                for kind, number in count(json.loads(line)).items():
                    total[kind] += number
    skipped = f", {total['SKIPPED']} skipped" if total["SKIPPED"] else ""
    print(f"{total['PASSED']} passed, {total['FAILED']} failed{skipped}")
    return 1 if total["FAILED"] or not total["PASSED"] else 0


sys.exit(main())

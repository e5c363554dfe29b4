#!/usr/bin/env python3
"""What pictures were drawn as beside what was found: table.py RESULTS.jsonl

The truth is read from the JSON file beside each picture.
"""
import json
import os
import sys


def drawn_as(photo):
    with open(os.path.splitext(photo)[0] + ".json", encoding="utf-8") as file:
        truth = json.load(file)
    under = truth.get("under")
    if not under:
        return truth["cls"]
    return f"{truth['cls']}, {under['digit']} at place {under['pos'] + 1}"


def rows(results):
    yield "photo", "drawn as", "verdict", "nearest overdate", "p"
    with open(results, encoding="utf-8") as lines:
        for line in lines:
            r = json.loads(line)
            finding = r.get("finding") or {}
            nearest = f"{finding['digit']} at place {finding['place']}" if finding else "-"
            judged = r.get("evidence") is not None
            yield (os.path.basename(r["photo"]), drawn_as(r["photo"]),
                   r.get("verdict", r["status"]), nearest, f"{r['p_value']:.2g}" if judged else "-")


def main():
    table = list(rows(sys.argv[1]))
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    for row in table:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip())


main()

#!/usr/bin/env python3
"""What the pictures were drawn as beside what was found: table.py MANIFEST RESULTS.jsonl"""
import json
import os
import sys


def rows(manifest, results):
    with open(manifest, encoding="utf-8") as lines:
        fields = [line.rstrip("\n").split("\t") for line in lines if not line.startswith("#")]
    drawn = {f[0]: f[1] for f in fields}
    yield "photo", "drawn as", "verdict", "nearest overdate", "p"
    with open(results, encoding="utf-8") as lines:
        for line in lines:
            r = json.loads(line)
            name = os.path.basename(r["photo"])
            finding = r.get("finding") or {}
            nearest = f"{finding['digit']} at place {finding['place']}" if finding else "-"
            p = r.get("p_value")
            yield (name, drawn.get(name, "?"), r.get("verdict", r["status"]), nearest,
                   "-" if p is None or r.get("evidence") is None else f"{p:.2g}")


def main():
    table = list(rows(*sys.argv[1:3]))
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    for row in table:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip())


main()

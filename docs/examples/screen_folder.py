#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
# %% [markdown]
# # From a folder of photos to a table
#
# Looks at every JPEG and PNG of a folder and writes one CSV line a photo, the most telling first:
#
#     screen_folder.py REFERENCE FOLDER > found.csv
#
# What it flags is worth a look, no more: examination in hand and professional authentication decide.

# %%
import csv
import sys
from pathlib import Path
from typing import Dict, List, Union

from underdigit import Inspector, Reference, Result, UnderdigitError

COLUMNS = ["photo", "verdict", "date", "place", "digit", "strength", "p_value", "evidence", "why"]
Row = Dict[str, Union[str, int, float]]


# %% One photo's line.  A file that cannot be read gets one too: a table that drops photos lies.
def row_of(path: Path, result: Result) -> Row:
    row: Row = {"photo": path.name, "verdict": result.verdict.name.lower(), "date": result.date,
                "why": "; ".join(result.reasons)}
    if result.judged:
        row.update(p_value=f"{result.p_value:.3g}", evidence=f"{result.evidence:.3f}")
    if result.judged and result.finding:
        row.update(place=result.finding.place, digit=result.finding.digit,
                   strength=f"{result.finding.strength:.2f}")
    return row


def look_at(inspector: Inspector, path: Path) -> Row:
    try:
        return row_of(path, inspector.inspect(path))
    except UnderdigitError as fault:
        return {"photo": path.name, "verdict": "error", "why": str(fault)}


# %% The folder, and the table in the order in which its lines deserve a look.
def screen(reference_path: str, folder: str) -> List[Row]:
    photos = sorted(path for path in Path(folder).iterdir()
                    if path.suffix.lower() in (".jpg", ".jpeg", ".png"))
    with Reference.from_file(reference_path) as reference, \
            Inspector(reference, max_milliseconds=60000) as inspector:
        rows = [look_at(inspector, path) for path in photos]
    return sorted(rows, key=lambda row: -float(row.get("evidence", "-inf")))


# %%
def main() -> int:
    if len(sys.argv) != 3:
        print("usage: screen_folder.py REFERENCE FOLDER", file=sys.stderr)
        return 2
    table = csv.DictWriter(sys.stdout, COLUMNS, restval="")
    table.writeheader()
    table.writerows(screen(sys.argv[1], sys.argv[2]))
    return 0


if __name__ == "__main__":
    sys.exit(main())

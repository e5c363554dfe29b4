#!/usr/bin/env python3
"""Rewrites the layout in DEVELOPERS.md from the tree: each file with the first
sentence of its own opening comment. Fails when a file has none."""
import os
import re
import subprocess
import sys

FOLDERS = {
    "include/underdigit": "public headers, and nothing else",
    "lib": "the library, one file a stage or layer",
    "tools": "the command `underdigit`, on public headers only",
    "tools/dev": "scripts for trying, testing and measuring",
    "testimages": "the generator of synthetic pictures; `references/`, and the committed `set/` and `coins/`",
    "tests": "one file a library file, and what they share",
    "tests/bench": "times and measuring sets",
    "tests/fuzz": "fuzz targets and their seeds",
    "docs": "for readers",
}
BEGIN, END = "<!-- layout: tools/dev/layout.py -->\n", "<!-- end of layout -->\n"


def tracked():
    listing = subprocess.run(["git", "ls-files", "-co", "--exclude-standard"], check=True,
                             capture_output=True, text=True).stdout
    return [path for path in listing.splitlines() if os.path.exists(path)]


def opening_comment(path):
    with open(path, encoding="utf-8") as file:
        text = file.read(4000)
    text = re.sub(r"^#!.*\n", "", text)
    text = re.sub(r"^(/\* SPDX.*?\*/|\.\\\" SPDX.*|# SPDX.*)\n", "", text)
    if path.endswith((".c", ".h")):
        match = re.match(r"/\*(.*?)\*/", text, re.S)
        words = match.group(1) if match else ""
    elif path.endswith(".py"):
        match = re.match(r'"""(.*?)"""', text, re.S)
        words = match.group(1) if match else ""
    elif path.endswith(".md"):
        match = re.match(r"# (.*)", text)
        words = match.group(1) if match else ""
    else:
        match = re.match(r"((?:#.*\n)+)", text)
        words = re.sub(r"^# ?", "", match.group(1), flags=re.M) if match else ""
    words = " ".join(line.strip(" *") for line in words.splitlines()).strip()
    sentence = re.match(r"(.*?\.)(?:\s|$)", words)
    return (sentence.group(1) if sentence else words).rstrip(".;:")


def entries(folder, files):
    """(names, description) with a header and its source on one line."""
    here = sorted(f for f in files if os.path.dirname(f) == folder and
                  f.endswith((".c", ".h", ".py", ".sh", ".md", ".1", ".txt")))
    done = set()
    for path in here:
        stem = os.path.splitext(path)[0]
        if stem in done:
            continue
        pair = [p for p in (stem + ".c", stem + ".h") if p in here] or [path]
        done.add(stem)
        about = next((c for c in (opening_comment(p) for p in reversed(pair)) if c), None)
        names = os.path.basename(pair[0]) + (", .h" if len(pair) == 2 else "")
        yield path, names, about


def main():
    files, missing, lines = tracked(), [], []
    for folder, about in FOLDERS.items():
        lines.append(f"`{folder}/`: {about}\n\n")
        for path, names, about_file in entries(folder, files):
            tests = folder == "tests" and names.startswith("test_")
            if path == "tools/underdigit.1":
                about_file = "the man page"
            if not about_file and not tests:
                missing.append(path)
            lines.append(f"- `{names}`" + (f": {about_file}" if about_file else "") + "\n")
        lines.append("\n")
    with open("DEVELOPERS.md", encoding="utf-8") as file:
        before, rest = file.read().split(BEGIN)
    after = rest.split(END)[1]
    with open("DEVELOPERS.md", "w", encoding="utf-8") as file:
        file.write(before + BEGIN + "\n" + "".join(lines) + END + after)
    for path in missing:
        print(f"{path}: no opening comment that says what it is", file=sys.stderr)
    return 1 if missing else 0


os.chdir(os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", ".."))
sys.exit(main())

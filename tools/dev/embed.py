#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Text files as C strings: embed.py OUT.c FILE...

FILE a/name.ext becomes `const char name_ext[]`.
"""
import os
import sys


def quoted(line):
    out = []
    for byte in line.encode("utf-8"):
        char = chr(byte)
        if char in '"\\?':
            out.append("\\" + char)
        elif 32 <= byte < 127:
            out.append(char)
        else:
            out.append("\\%03o" % byte)
    return '"' + "".join(out) + '"'


def main():
    with open(sys.argv[1], "w", encoding="ascii") as out:
        out.write("/* Made by tools/dev/embed.py. */\n")
        for path in sys.argv[2:]:
            name = os.path.basename(path).replace(".", "_")
            with open(path, encoding="utf-8", newline="") as file:
                lines = file.read().splitlines(keepends=True)
            out.write("extern const char %s[];\nconst char %s[] =\n" % (name, name))
            out.write("\n".join(quoted(line) for line in lines) + ";\n")


main()

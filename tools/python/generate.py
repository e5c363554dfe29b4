#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Makes underdigit/_abi.py, the ctypes layouts of the public headers, from the headers.

generate.py [OUTPUT]    default: underdigit/_abi.py beside this file

It reads the subset of C that include/underdigit is written in: enums, structs of scalars,
arrays, pointers, function pointers and structs, and functions marked UDG_API.
"""
import os
import re
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
HEADERS = os.path.join(HERE, "../../include/underdigit")
OUTPUT = os.path.join(HERE, "underdigit/_abi.py")

SCALARS = {"int": "c_int", "double": "c_double", "float": "c_float", "char": "c_char",
           "size_t": "c_size_t", "uint8_t": "c_uint8", "uint32_t": "c_uint32",
           "uint64_t": "c_uint64", "int32_t": "c_int32", "int64_t": "c_int64"}

HEAD = '''# SPDX-License-Identifier: GPL-2.0-or-later
# Made by generate.py from the public headers; not kept in the repository.
"""Layouts and functions of libunderdigit for ctypes."""
# pylint: disable=invalid-name,too-few-public-methods,missing-class-docstring
import ctypes as C
import enum
from typing import Any, Dict, List, Tuple

'''


def source():
    """All headers without comments and preprocessor lines, those included first."""
    done, out = set(), []

    def take(name):
        if name in done:
            return
        done.add(name)
        with open(os.path.join(HEADERS, name), encoding="utf-8") as text:
            content = text.read()
        for other in re.findall(r"#include <underdigit/(\w+\.h)>", content):
            take(other)
        content = re.sub(r"/\*.*?\*/", " ", content, flags=re.S)
        content = re.sub(r'extern "C" \{', " ", content)
        out.append(re.sub(r"^#.*$", "", content, flags=re.M))

    for name in sorted(os.listdir(HEADERS)):
        take(name)
    return "\n".join(out)


def version():
    with open(os.path.join(HEADERS, "version.h"), encoding="utf-8") as text:
        return re.search(r'UDG_VERSION "(.*)"', text.read()).group(1)


class Generator:
    def __init__(self, text):
        self.text = text
        self.enums = {}
        self.constants = {}
        self.structs = []
        self.opaque = re.findall(r"typedef struct (\w+) \1;", text)

    def read_enums(self):
        for body, name in re.findall(r"enum \w*\s*\{(.*?)\}\s*(\w*);", self.text, re.S):
            value, items = -1, []
            for item in filter(None, (part.strip() for part in body.split(","))):
                match = re.fullmatch(r"(\w+)(?:\s*=\s*(-?\d+))?", item)
                value = int(match.group(2)) if match.group(2) else value + 1
                items.append((match.group(1), value))
            if name:
                self.enums[name] = items
            else:
                self.constants.update(items)

    def type_of(self, text):
        """ctypes name of a C type; a pointer to char is c_char_p."""
        words = [word for word in text.replace("*", " * ").split() if word != "const"]
        stars, base = words.count("*"), words[0]
        if stars and base == "char":
            made, stars = "C.c_char_p", stars - 1
        elif stars and base in ["void"] + self.opaque:
            made, stars = "C.c_void_p", stars - 1
        elif base in SCALARS:
            made = "C." + SCALARS[base]
        elif base in self.enums:
            made = "C.c_int"
        elif base == "void":
            return "None"
        else:
            made = base
        for _ in range(stars):
            made = f"C.POINTER({made})"
        return made

    def fields_of(self, body):
        for line in filter(None, (part.strip() for part in body.split(";"))):
            line = " ".join(line.split())
            call = re.fullmatch(r"(.+?)\(\*(\w+)\)\((.*)\)", line)
            if call:
                kinds = [call.group(1)] + [self.without_name(p) for p in call.group(3).split(",")]
                yield call.group(2), f"C.CFUNCTYPE({', '.join(map(self.type_of, kinds))})"
                continue
            base, first = re.match(r"((?:const )?\w+) (.*)", line).groups()
            for declared in first.split(","):
                stars, name, dimensions = re.fullmatch(r"\s*(\**)(\w+)((?:\[\w+\])*)",
                                                       declared).groups()
                made = self.type_of(base + stars)
                for size in reversed(re.findall(r"\[(\w+)\]", dimensions)):
                    made = f"({made} * {self.constants.get(size, size)})"
                yield name, made

    @staticmethod
    def without_name(parameter):
        return re.sub(r"\w+(\[\w*\])?$", lambda m: "*" if m.group(1) else "",
                      parameter.strip()) if " " in parameter.strip() else parameter

    def structs_text(self):
        pattern = r"typedef struct (\w+) \{(.*?)\} \1;"
        for name, body in re.findall(pattern, self.text, re.S):
            fields = [f'        ("{field}", {kind}),' for field, kind in self.fields_of(body)]
            yield "\n".join([f"\n\nclass {name}(C.Structure):", "    _fields_ = [", *fields, "    ]"])

    def functions_text(self):
        yield "\n\nFUNCTIONS: Dict[str, Tuple[Any, List[Any]]] = {"
        pattern = r"UDG_API ([^;(]*?)(\w+)\(([^;]*?)\);"
        for result, name, arguments in sorted(re.findall(pattern, self.text, re.S),
                                              key=lambda found: found[1]):
            parts = [" ".join(part.split()) for part in arguments.split(",")]
            kinds = [] if parts == ["void"] else [self.type_of(self.without_name(p)) for p in parts]
            # What the library allocates must come back as the pointer it is.
            kinds = ["C.POINTER(C.c_void_p)" if kind == "C.POINTER(C.c_char_p)" else kind
                     for kind in kinds]
            if name == "udg_text_destroy":
                kinds[1] = "C.c_void_p"
            joined = ", ".join(kinds)
            line = f'    "{name}": ({self.type_of(result)}, [{joined}]),'
            if len(line) > 100:
                line = (f'    "{name}": ({self.type_of(result)}, [\n        '
                        + ",\n        ".join(kinds) + "]),")
            yield line
        yield "}"

    def generate(self):
        self.read_enums()
        parts = [HEAD.rstrip("\n"), f'\nVERSION = "{version()}"']
        parts += ["\n" + "\n".join(f"{name} = {value}" for name, value in self.constants.items())]
        for name, items in self.enums.items():
            title = "".join(word.capitalize() for word in name.split("_")[1:])
            common = os.path.commonprefix([item for item, _ in items])
            common = common[:common.rfind("_") + 1]
            if name == "udg_status":
                common = "UDG_"
            lines = [f"    {item[len(common):]} = {value}" for item, value in items]
            parts.append(f"\n\nclass {title}(enum.IntEnum):\n" + "\n".join(lines))
        parts += self.structs_text()
        parts += self.functions_text()
        return "\n".join(parts) + "\n"


def write(output=OUTPUT):
    with open(output, "w", encoding="utf-8") as out:
        out.write(Generator(source()).generate())


if __name__ == "__main__":
    write(*sys.argv[1:2])

# SPDX-License-Identifier: GPL-2.0-or-later
"""Version and layouts come from the C headers; a source package carries what was made of them."""
import os
import re
import sys

from setuptools import setup

HERE = os.path.dirname(os.path.abspath(__file__))
HEADER = os.path.join(HERE, "../../include/underdigit/version.h")
ABI = os.path.join(HERE, "underdigit/_abi.py")

if os.path.exists(HEADER):
    sys.path.insert(0, HERE)
    import generate
    generate.write()

with open(ABI, encoding="utf-8") as text:
    VERSION = re.search(r'^VERSION = "(.*)"$', text.read(), re.M).group(1)

setup(version=VERSION)

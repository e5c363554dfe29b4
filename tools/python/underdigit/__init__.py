# SPDX-License-Identifier: GPL-2.0-or-later
"""Finds traces of earlier digits in photographs of coin dates: libunderdigit for Python.

A screening aid: it says which coins are worth a look; examination in hand and professional
authentication decide.
"""
from ._abi import VERSION as __version__
from ._abi import MarkerAnswer, MarkerKind, State, Status, Verdict, ViewKind
from ._library import UnderdigitError
from ._objects import Image, Inspector, Reference
from ._results import Adequacy, Die, Finding, Marker, Result, View

__all__ = ["Adequacy", "Die", "Finding", "Image", "Inspector", "Marker", "MarkerAnswer",
           "MarkerKind", "Reference", "Result", "State", "Status", "UnderdigitError",
           "Verdict", "View", "ViewKind", "__version__"]

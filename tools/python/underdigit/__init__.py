# SPDX-License-Identifier: GPL-2.0-or-later
"""Finds traces of earlier digits in photographs of coin dates: libunderdigit for Python.

A screening aid: it says which coins are worth a look; examination in hand and professional
authentication decide.
"""
from ._abi import VERSION as __version__
from ._abi import (LearnFate, LearnTrust, MarkerAnswer, MarkerKind, State, Status,
                   StrikeAnswer, Verdict, ViewKind)
from ._learning import Learned, Learner, LearnedPhoto, Outliner
from ._library import UnderdigitError
from ._objects import Image, Inspector, Reference
from ._results import (Adequacy, Coins, Die, Finding, Hub, Marker, Place, Result, SameCoin,
                       Strike, View)

__all__ = ["Adequacy", "Coins", "Die", "Finding", "Hub", "Image", "Inspector", "LearnFate",
           "LearnTrust", "Learned", "LearnedPhoto", "Learner", "Marker", "MarkerAnswer", "MarkerKind",
           "Outliner", "Place", "Reference", "Result", "SameCoin", "State", "Status",
           "Strike", "StrikeAnswer",
           "UnderdigitError", "Verdict", "View", "ViewKind", "__version__"]

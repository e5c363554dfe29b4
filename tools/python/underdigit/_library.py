# SPDX-License-Identifier: GPL-2.0-or-later
"""Finds the shared library, declares its functions, turns statuses into exceptions."""
import ctypes as C
import ctypes.util
import os
from typing import Any, Optional

from . import _abi

SONAME = "libunderdigit.so.0"


class UnderdigitError(Exception):
    """A function of the library failed; `status` says how, the text says where."""

    def __init__(self, status: _abi.Status, text: str) -> None:
        super().__init__(text)
        self.status = status


def _load() -> Any:
    named = os.environ.get("UNDERDIGIT_LIBRARY")
    found = C.CDLL(named or ctypes.util.find_library("underdigit") or SONAME)
    for name, (result, arguments) in _abi.FUNCTIONS.items():
        function = getattr(found, name)
        function.restype, function.argtypes = result, arguments
    runs = found.udg_version().decode()
    if runs != _abi.VERSION:
        raise ImportError(f"libunderdigit {runs} was found, but this module is for "
                          f"{_abi.VERSION}: structures may differ")
    return found


library = _load()


def check(status: int, message: Optional[_abi.udg_message] = None) -> None:
    """Raises what a status other than 0 means."""
    if status == 0:
        return
    known = _abi.Status(status)
    text = message.text.decode("utf-8", "replace") if message is not None else ""
    text = text or library.udg_status_text(status).decode()
    if known == _abi.Status.ERROR_MEMORY:
        raise MemoryError(text)
    if known == _abi.Status.ERROR_ARGUMENT:
        raise ValueError(text)
    raise UnderdigitError(known, text)

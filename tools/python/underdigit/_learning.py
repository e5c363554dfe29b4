# SPDX-License-Identifier: GPL-2.0-or-later
"""Better references from photographs of plain coins; fields are explained in underdigit/learn.h."""
import ctypes as C
import os
from dataclasses import dataclass
from typing import Callable, Optional, Tuple

import numpy as np
from numpy.typing import NDArray

from . import _abi
from ._abi import LearnFate, LearnTrust
from ._library import check, library
from ._objects import Handle, Path, Photo, Reference, opened, settings_of


@dataclass(frozen=True)
class LearnedPhoto:
    """What became of a photo that was added."""

    name: str
    fate: LearnFate
    why: str
    light_azimuth_deg: float
    light_directional_share: float

    @classmethod
    def _of(cls, raw: _abi.udg_learn_photo) -> "LearnedPhoto":
        return cls(name=raw.name.decode("utf-8", "replace"), fate=LearnFate(raw.fate),
                   why=raw.why.decode("utf-8", "replace"), light_azimuth_deg=raw.light_azimuth_deg,
                   light_directional_share=raw.light_directional_share)


@dataclass(frozen=True)
class Learned:  # pylint: disable=too-many-instance-attributes
    """What was learned, and how far it can be trusted."""

    photo_count: int
    used_count: int
    sector_count: Tuple[int, ...]
    undirected_count: int
    place_shift_mm: NDArray[np.float64]
    place_turn_deg: NDArray[np.float64]
    place_error_mm: float
    spread_mm: float
    spread_deg: float
    explained_share: float
    trust: LearnTrust
    trust_text: str

    @classmethod
    def _of(cls, raw: _abi.udg_learn_report) -> "Learned":
        return cls(photo_count=raw.photo_count, used_count=raw.used_count,
                   sector_count=tuple(raw.sector_count), undirected_count=raw.undirected_count,
                   place_shift_mm=np.array(raw.place_shift_mm)[:raw.place_count],
                   place_turn_deg=np.array(raw.place_turn_deg)[:raw.place_count],
                   place_error_mm=raw.place_error_mm, spread_mm=raw.spread_mm,
                   spread_deg=raw.spread_deg, explained_share=raw.explained_share,
                   trust=LearnTrust(raw.trust), trust_text=raw.trust_text.decode("utf-8", "replace"))


class _Taker(Handle):
    """Takes photos one by one and tells what became of each."""

    _add: Callable[..., int]
    _photo: Callable[..., int]

    def __init__(self) -> None:
        super().__init__()
        self._count = 0

    def add(self, photo: Photo, name: Optional[str] = None) -> None:
        """Adds a photo; `name` is for the report, else it is the path's or the number's."""
        if name is None:
            name = (os.fspath(photo) if isinstance(photo, (str, os.PathLike))
                    else f"photo {self._count + 1}")
        message = _abi.udg_message()
        with opened(photo) as image:
            check(type(self)._add(self._open, image._open, name.encode(), C.byref(message)), message)
        self._count += 1

    @property
    def photos(self) -> Tuple[LearnedPhoto, ...]:
        """What became of each photo, in the order added; final after finish()."""
        raw, found = _abi.udg_learn_photo(), []
        for index in range(self._count):
            check(type(self)._photo(self._open, index, C.byref(raw)))
            found.append(LearnedPhoto._of(raw))
        return tuple(found)


class Learner(_Taker):
    """Learns places, slack and appearance of one date from photos of plain coins."""

    _destroy = staticmethod(library.udg_learner_destroy)
    _add = staticmethod(library.udg_learner_add)
    _photo = staticmethod(library.udg_learner_photo)

    def __init__(self, reference: Reference, date: str,
                 cancel: Optional[Callable[[], bool]] = None, **settings: float) -> None:
        super().__init__()
        self._reference = reference  # must outlive the learner
        self._settings = settings_of(cancel, settings)
        message, pointer = _abi.udg_message(), C.c_void_p()
        check(library.udg_learner_create(C.byref(self._settings), reference._open, date.encode(),
                                         C.byref(pointer), C.byref(message)), message)
        self._pointer = pointer

    def finish(self) -> Learned:
        """Learns from what was added; raises with status ERROR_PHOTOS when that is too little."""
        report, message = _abi.udg_learn_report(), _abi.udg_message()
        check(library.udg_learner_finish(self._open, C.byref(report), C.byref(message)), message)
        return Learned._of(report)

    def write(self, path: Path) -> None:
        """Writes the reference with what was learned, and its sidecar beside it."""
        message = _abi.udg_message()
        check(library.udg_learner_write(self._open, os.fsencode(path), C.byref(message)), message)


class Outliner(_Taker):
    """Makes a reference from photos of whole coins alone; the first bears the box of the date."""

    _destroy = staticmethod(library.udg_outliner_destroy)
    _add = staticmethod(library.udg_outliner_add)
    _photo = staticmethod(library.udg_outliner_photo)

    def __init__(self, date: str, box: Tuple[float, float, float, float],
                 digits: Optional[Reference] = None, diameter_mm: float = 0.0,
                 cancel: Optional[Callable[[], bool]] = None, **settings: float) -> None:
        super().__init__()
        self._digits = digits  # must outlive the outliner
        self._settings = settings_of(cancel, settings)
        message, pointer = _abi.udg_message(), C.c_void_p()
        check(library.udg_outliner_create(
            C.byref(self._settings), digits._open if digits else None, date.encode(),
            (C.c_double * 4)(*box), diameter_mm, C.byref(pointer), C.byref(message)), message)
        self._pointer = pointer

    def finish(self) -> Reference:
        """A reference with the date's outlines and the coin's face, to learn on from."""
        made, message, pointer = Reference(), _abi.udg_message(), C.c_void_p()
        check(library.udg_outliner_finish(self._open, C.byref(pointer), C.byref(message)), message)
        made._pointer = pointer
        return made

# SPDX-License-Identifier: GPL-2.0-or-later
"""References, photos and inspectors."""
import ctypes as C
import os
from contextlib import ExitStack, contextmanager
from typing import Any, Callable, Iterator, Mapping, Optional, Sequence, Tuple, TypeVar, Union

import numpy as np
from numpy.typing import NDArray

from . import _abi
from ._abi import ViewKind
from ._library import check, library
from ._results import Coins, Place, Result, SameCoin, View

Path = Union[str, "os.PathLike[str]"]
Self = TypeVar("Self", bound="Handle")

# A library with a newer, longer result must not write beyond what it is given.
_RESULT_ROOM = 1 << 16


class Handle:
    """A pointer of the library's; let go of at the end of `with`, or with the object."""

    _destroy: Callable[[Any], None]

    def __init__(self) -> None:
        self._pointer: Optional[C.c_void_p] = None

    @property
    def _open(self) -> C.c_void_p:
        if self._pointer is None:
            raise ValueError("it is closed")
        return self._pointer

    def close(self) -> None:
        """Lets go of it; a second time does nothing."""
        pointer, self._pointer = self._pointer, None
        if pointer is not None:
            type(self)._destroy(pointer)

    def __enter__(self: Self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __del__(self) -> None:
        if getattr(self, "_pointer", None) is not None:
            self.close()


class Reference(Handle):
    """What is known of one coin type.  May be shared by threads."""

    _destroy = staticmethod(library.udg_reference_destroy)

    @classmethod
    def from_file(cls, path: Path) -> "Reference":
        """Loads a reference file."""
        made, message, pointer = cls(), _abi.udg_message(), C.c_void_p()
        check(library.udg_reference_from_file(None, os.fsencode(path), C.byref(pointer),
                                              C.byref(message)), message)
        made._pointer = pointer
        return made

    @classmethod
    def from_bytes(cls, json: bytes, name: str = "memory",
                   font: Optional[bytes] = None) -> "Reference":
        """Loads a reference from JSON; `font` stands in for digits not given."""
        made, message, pointer = cls(), _abi.udg_message(), C.c_void_p()
        check(library.udg_reference_from_memory(
            None, json, len(json), name.encode(), font, len(font or b""), C.byref(pointer),
            C.byref(message)), message)
        made._pointer = pointer
        return made

    @property
    def name(self) -> str:
        """Name of the type."""
        return str(library.udg_reference_name(self._open).decode("utf-8", "replace"))

    @property
    def dates(self) -> Tuple[str, ...]:
        """Dates in the file's order."""
        count = library.udg_reference_date_count(self._open)
        return tuple(library.udg_reference_date(self._open, i).decode() for i in range(count))

    @property
    def diameter_mm(self) -> float:
        """Of the coin; 0 when the reference does not tell."""
        return float(library.udg_reference_diameter_mm(self._open))

    @property
    def date_origin_mm(self) -> Tuple[float, float]:
        """The date plane's origin off the centre of the upright coin; y down."""
        diameter, origin = C.c_double(), (C.c_double * 2)()
        library.udg_reference_coin(self._open, C.byref(diameter), origin)
        return float(origin[0]), float(origin[1])

    def places(self, date: str) -> Tuple[Place, ...]:
        """Where each digit of a date sits, from the left."""
        view, found = _abi.udg_place_view(), []
        for place in range(1, len(date) + 1):
            check(library.udg_reference_place(self._open, date.encode(), place, C.byref(view)))
            found.append(Place._of(view))
        return tuple(found)

    def outline(self, digit: str) -> Tuple[NDArray[np.float64], ...]:
        """Closed polylines of a digit, each an array of x, y in mm."""
        view = _abi.udg_outline_view()
        check(library.udg_reference_outline(self._open, digit.encode(), C.byref(view)))
        points = np.ctypeslib.as_array(view.points, shape=(view.point_count, 2)).copy()
        return tuple(points[view.starts[i]:view.starts[i + 1]] for i in range(view.contour_count))


class Image(Handle):
    """A photograph, decoded to grey and turned upright.  May be shared by threads."""

    _destroy = staticmethod(library.udg_image_destroy)

    @classmethod
    def from_file(cls, path: Path) -> "Image":
        """Decodes a JPEG or PNG file."""
        made, message, pointer = cls(), _abi.udg_message(), C.c_void_p()
        check(library.udg_image_from_file(None, os.fsencode(path), C.byref(pointer),
                                          C.byref(message)), message)
        made._pointer = pointer
        return made

    @classmethod
    def from_bytes(cls, data: bytes, name: str = "memory") -> "Image":
        """Decodes the bytes of a JPEG or PNG."""
        made, message, pointer = cls(), _abi.udg_message(), C.c_void_p()
        check(library.udg_image_from_memory(None, data, len(data), name.encode(), C.byref(pointer),
                                            C.byref(message)), message)
        made._pointer = pointer
        return made

    @classmethod
    def from_array(cls, pixels: NDArray[Any]) -> "Image":
        """Copies grey levels: two dimensions, uint8, sRGB-encoded luma, rows top to bottom."""
        if pixels.ndim != 2 or pixels.dtype != np.uint8:
            raise ValueError(f"pixels must be a two-dimensional array of uint8, not "
                             f"{pixels.ndim} dimensions of {pixels.dtype}")
        rows = np.ascontiguousarray(pixels)
        made, message, pointer = cls(), _abi.udg_message(), C.c_void_p()
        check(library.udg_image_from_grey(
            None, rows.ctypes.data_as(C.POINTER(C.c_uint8)), rows.shape[1], rows.shape[0],
            rows.shape[1], C.byref(pointer), C.byref(message)), message)
        made._pointer = pointer
        return made

    @property
    def size(self) -> Tuple[int, int]:
        """Width and height in pixels, upright, as stored."""
        return library.udg_image_width(self._open), library.udg_image_height(self._open)

    @property
    def jpeg_quality(self) -> int:
        """1-100; 0 when the photo is no JPEG."""
        return int(library.udg_image_jpeg_quality(self._open))

    def grey(self, width: int, height: int,
             part: Optional[Tuple[float, float, float, float]] = None) -> NDArray[np.uint8]:
        """The photo, or left, top, right, bottom of it, at the size asked for."""
        pixels = np.empty((height, width), dtype=np.uint8)
        box = (C.c_double * 4)(*part) if part else None
        check(library.udg_image_grey(self._open, box, width, height,
                                     pixels.ctypes.data_as(C.POINTER(C.c_uint8))))
        return pixels


Photo = Union[Image, NDArray[Any], bytes, Path]


@contextmanager
def opened(photo: Photo) -> Iterator[Image]:
    """The image itself, or one made of what was given, for as long as it is needed."""
    if isinstance(photo, Image):
        yield photo
        return
    if isinstance(photo, np.ndarray):
        made = Image.from_array(photo)
    elif isinstance(photo, (bytes, bytearray, memoryview)):
        made = Image.from_bytes(bytes(photo))
    else:
        made = Image.from_file(photo)
    with made:
        yield made


def settings_of(cancel: Optional[Callable[[], bool]],
                changes: Mapping[str, float]) -> _abi.udg_settings:
    """The defaults with some fields changed; whoever uses them keeps them, and the hook in them."""
    made = _abi.udg_settings()
    library.udg_settings_default(C.byref(made), C.sizeof(made))
    known = {name for name, _ in _abi.udg_settings._fields_[8:]} - {"clock_ms"}
    for name, value in changes.items():
        if name not in known:
            raise TypeError(f"there is no setting {name}; there are {', '.join(sorted(known))}")
        setattr(made, name, value)
    if cancel is not None:
        stop = cancel
        hook: Any = dict(_abi.udg_settings._fields_)["cancel"]
        made.cancel = hook(lambda _: int(bool(stop())))
    return made


class Inspector(Handle):
    """Inspects photos against a reference; for one thread at a time.

    `cancel` is called without arguments a thousand times a photo or so; when it gives true,
    the inspection raises with status ERROR_CANCELLED.  Other names are those of udg_settings,
    such as max_milliseconds or digit_height_min_px.
    """

    _destroy = staticmethod(library.udg_inspector_destroy)

    def __init__(self, reference: Reference, cancel: Optional[Callable[[], bool]] = None,
                 **settings: float) -> None:
        super().__init__()
        self._reference = reference  # must outlive the inspector
        self._settings = settings_of(cancel, settings)
        message, pointer = _abi.udg_message(), C.c_void_p()
        check(library.udg_inspector_create(C.byref(self._settings), reference._open,
                                           C.byref(pointer), C.byref(message)), message)
        self._pointer = pointer

    def inspect(self, photo: Photo, date: Optional[str] = None,
                coin: Optional[int] = None) -> Result:
        """Inspects an Image, an array of grey levels, the bytes of a file, or a path.

        Of several coins in the photo it is about the one whose date is found most surely, or about
        number `coin`, from 1.
        """
        with opened(photo) as image:
            return Result._of(self._inspect(image, date, coin))

    def _inspect(self, image: Image, date: Optional[str], coin: Optional[int]) -> Any:
        room = C.create_string_buffer(max(_RESULT_ROOM, C.sizeof(_abi.udg_result)))
        raw, message = C.cast(room, C.POINTER(_abi.udg_result)), _abi.udg_message()
        text = date.encode() if date else None
        if coin is None:
            check(library.udg_inspect(self._open, image._open, text, raw, C.byref(message)), message)
        else:
            check(library.udg_inspect_coin(self._open, image._open, coin, text, raw,
                                           C.byref(message)), message)
        return raw.contents

    def inspect_coins(self, photo: Photo, date: Optional[str] = None) -> Coins:
        """Inspects each coin of a photo."""
        with opened(photo) as image:
            first = self._inspect(image, date, None)
            found = [first if coin == first.coin_index else self._inspect(image, date, coin)
                     for coin in range(1, first.coin_count + 1)] or [first]
        raw = (_abi.udg_result * len(found))(*found)
        speaker = library.udg_results_speaker(raw, len(found))
        coins = tuple(Result._of(one) for one in raw)
        return Coins(coins=coins, speaker=coins[speaker],
                     p_value=library.udg_results_p_value(raw, len(found)))

    def inspect_same_coin(self, photos: Sequence[Photo], date: Optional[str] = None) -> SameCoin:
        """Judges photos of one coin together: what shows in one light alone is no trace."""
        with ExitStack() as stack:
            images = [stack.enter_context(opened(photo)) for photo in photos]
            pointers = (C.c_void_p * len(images))(*(image._open.value for image in images))
            each, joint = (_abi.udg_result * len(images))(), _abi.udg_result()
            message = _abi.udg_message()
            check(library.udg_inspect_same_coin(
                self._open, pointers, len(images), date.encode() if date else None, each,
                C.byref(joint), C.byref(message)), message)
        return SameCoin(joint=Result._of(joint), each=tuple(Result._of(one) for one in each))

    def view(self, kind: ViewKind) -> View:
        """A plane of the last inspection, copied."""
        view = _abi.udg_view()
        check(library.udg_inspector_view(self._open, int(kind), C.byref(view)))
        return View._of(view)

    def views(self) -> Iterator[Tuple[ViewKind, View]]:
        """All planes of the last inspection."""
        for kind in ViewKind:
            yield kind, self.view(kind)



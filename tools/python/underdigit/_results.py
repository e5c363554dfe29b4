# SPDX-License-Identifier: GPL-2.0-or-later
"""What an inspection found, as dataclasses; fields are explained in underdigit/result.h."""
from dataclasses import dataclass
from typing import Any, Dict, Optional, Tuple

import numpy as np
from numpy.typing import NDArray

from . import _abi
from ._abi import MarkerAnswer, MarkerKind, State, StrikeAnswer, Verdict

Pair = Tuple[float, float]


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "replace")


def _pair(raw: Any) -> Pair:
    return float(raw[0]), float(raw[1])


@dataclass(frozen=True)
class Finding:
    """One hypothesis with its best parameters."""

    kind: Verdict
    place: int
    digit: str
    offset_mm: Pair
    turn_deg: float
    strength: float
    strength_interval: Pair
    visible_share: float
    state: State
    log_ratio: float

    @classmethod
    def _of(cls, raw: Any) -> "Finding":
        return cls(kind=Verdict(raw.kind), place=raw.place, digit=_text(raw.digit).strip("\0"),
                   offset_mm=_pair(raw.offset_mm), turn_deg=raw.turn_deg, strength=raw.strength,
                   strength_interval=_pair(raw.strength_interval),
                   visible_share=raw.visible_share, state=State(raw.state),
                   log_ratio=raw.log_ratio)


@dataclass(frozen=True)
class Adequacy:
    """How good the photo is for the purpose."""

    digit_height_px: float
    noise: float
    blur_px: float
    clipped_share: float
    jpeg_quality: int
    power_strong: float
    power_weak: float


@dataclass(frozen=True)
class Marker:
    """One marker of a known die: is it there?"""

    die: str
    id: str
    kind: MarkerKind
    answer: MarkerAnswer
    in_view: bool
    log_ratio: float
    power: float
    at_mm: Pair
    reach_mm: float
    clock: float
    radius_mm: float
    photo_px: Pair

    @classmethod
    def _of(cls, raw: Any) -> "Marker":
        return cls(die=_text(raw.die), id=_text(raw.id), kind=MarkerKind(raw.kind),
                   answer=MarkerAnswer(raw.answer), in_view=bool(raw.in_view),
                   log_ratio=raw.log_ratio, power=raw.power, at_mm=_pair(raw.at_mm),
                   reach_mm=raw.reach_mm, clock=raw.clock, radius_mm=raw.radius_mm,
                   photo_px=_pair(raw.photo_px))


@dataclass(frozen=True)
class Die:
    """One known die: how much speaks for it."""

    id: str
    place: int
    earlier: str
    digit_log_ratio: float
    marker_log_ratio: float
    log_ratio: float
    present: int
    absent: int
    state: float
    state_interval: Pair
    words: str

    @classmethod
    def _of(cls, raw: Any) -> "Die":
        return cls(id=_text(raw.id), place=raw.place, earlier=_text(raw.earlier).strip("\0"),
                   digit_log_ratio=raw.digit_log_ratio, marker_log_ratio=raw.marker_log_ratio,
                   log_ratio=raw.log_ratio, present=raw.present, absent=raw.absent,
                   state=raw.state, state_interval=_pair(raw.state_interval),
                   words=_text(raw.words))


@dataclass(frozen=True)
class Hub:  # pylint: disable=too-many-instance-attributes
    """A date in the hub, looked at as a whole: was the hub set twice?"""

    log_ratio: float
    shift_mm: Pair
    turn_deg: float
    place: int
    digit: str
    digit_lead: float
    rest_log_ratio: float
    rest_shift_mm: Pair
    legend_letters: int
    legend_log_ratio: float

    @classmethod
    def _of(cls, raw: Any) -> "Hub":
        return cls(log_ratio=raw.log_ratio, shift_mm=_pair(raw.shift_mm), turn_deg=raw.turn_deg,
                   place=raw.place, digit=_text(raw.digit).strip("\0"), digit_lead=raw.digit_lead,
                   rest_log_ratio=raw.rest_log_ratio, rest_shift_mm=_pair(raw.rest_shift_mm),
                   legend_letters=raw.legend_letters, legend_log_ratio=raw.legend_log_ratio)


@dataclass(frozen=True)
class Strike:
    """How full a part of the coin is struck, wear left aside."""

    region: str
    answer: StrikeAnswer
    full: float
    full_interval: Pair
    things: int

    @classmethod
    def _of(cls, raw: Any) -> "Strike":
        return cls(region=_text(raw.region),
                   answer=StrikeAnswer(raw.answer), full=raw.full,
                   full_interval=_pair(raw.full_interval), things=raw.things)


@dataclass(frozen=True)
class Result:  # pylint: disable=too-many-instance-attributes
    """The verdict on one photo and what it rests on."""

    reference: str
    date: str
    verdict: Verdict
    judged: bool
    reasons: Tuple[str, ...]
    limits: Tuple[str, ...]
    evidence: float
    decoy_evidence: float
    p_value: float
    date_to_photo: NDArray[np.float64]
    registration_rms_px: float
    registration_covariance: NDArray[np.float64]
    registration_runner_up: float
    place_offset_mm: NDArray[np.float64]
    place_turn_deg: NDArray[np.float64]
    finding: Optional[Finding]
    others: Tuple[Finding, ...]
    adequacy: Adequacy
    light_azimuth_deg: float
    light_directional_share: float
    markers: Tuple[Marker, ...]
    dies: Tuple[Die, ...]
    hub: Optional[Hub]
    strikes: Tuple[Strike, ...]
    wear: float
    wear_interval: Pair
    coin_index: int
    coin_count: int
    coin_centre_px: Pair
    coin_diameter_px: Pair
    coin_diameter_mm: float
    coin_to_photo: NDArray[np.float64]
    stage_ms: Dict[str, float]
    total_ms: float

    @classmethod
    def _of(cls, raw: _abi.udg_result) -> "Result":
        return cls(
            reference=_text(raw.reference), date=_text(raw.date), verdict=Verdict(raw.verdict),
            judged=bool(raw.judged),
            reasons=tuple(_text(raw.reasons[i].value) for i in range(raw.reason_count)),
            limits=tuple(_text(raw.limits[i].value) for i in range(raw.limit_count)),
            evidence=raw.evidence, decoy_evidence=raw.decoy_evidence, p_value=raw.p_value,
            date_to_photo=np.array(raw.date_to_photo, dtype=np.float64).reshape(3, 3),
            registration_rms_px=raw.registration_rms_px,
            registration_covariance=np.array(raw.registration_covariance).reshape(4, 4),
            registration_runner_up=raw.registration_runner_up,
            place_offset_mm=np.array(raw.place_offset_mm, dtype=np.float64)[:raw.place_count],
            place_turn_deg=np.array(raw.place_turn_deg, dtype=np.float64)[:raw.place_count],
            finding=Finding._of(raw.finding) if raw.finding.place else None,
            others=tuple(Finding._of(raw.others[i]) for i in range(raw.other_count)),
            adequacy=Adequacy(**{name: getattr(raw.adequacy, name)
                                 for name in Adequacy.__dataclass_fields__}),
            light_azimuth_deg=raw.light_azimuth_deg,
            light_directional_share=raw.light_directional_share,
            markers=tuple(Marker._of(raw.markers[i]) for i in range(raw.marker_count)),
            dies=tuple(Die._of(raw.dies[i]) for i in range(raw.die_count)),
            hub=Hub._of(raw.hub) if raw.hub.applies else None,
            strikes=tuple(Strike._of(raw.strikes[i]) for i in range(raw.strike_count)),
            wear=raw.wear, wear_interval=_pair(raw.wear_interval),
            coin_index=raw.coin_index, coin_count=raw.coin_count,
            coin_centre_px=_pair(raw.coin_centre_px),
            coin_diameter_px=_pair(raw.coin_diameter_px), coin_diameter_mm=raw.coin_diameter_mm,
            coin_to_photo=np.array(raw.coin_to_photo, dtype=np.float64).reshape(3, 3),
            stage_ms={_text(raw.stage_name[i]): raw.stage_ms[i] for i in range(raw.stage_count)},
            total_ms=raw.total_ms)


@dataclass(frozen=True)
class Coins:
    """The coins of one photo in the order of their numbers, and the one that speaks for it."""

    coins: Tuple[Result, ...]
    speaker: Result
    p_value: float  # the speaker's times the number of coins judged (Bonferroni)


@dataclass(frozen=True)
class SameCoin:
    """Photos of one coin: all of them together, and each on its own."""

    joint: Result
    each: Tuple[Result, ...]


@dataclass(frozen=True)
class Place:
    """Where a digit of a date sits by the reference, before the slack of a die."""

    digit: str
    centre_mm: Pair
    turn_deg: float
    height_mm: float

    @classmethod
    def _of(cls, raw: _abi.udg_place_view) -> "Place":
        return cls(digit=_text(raw.digit), centre_mm=_pair(raw.centre_mm), turn_deg=raw.turn_deg,
                   height_mm=raw.height_mm)


@dataclass(frozen=True)
class View:
    """A plane of the last inspection: x_px = origin_px[0] + px_per_mm * x_mm."""

    pixels: NDArray[np.float32]
    px_per_mm: float
    origin_px: Pair

    @classmethod
    def _of(cls, raw: _abi.udg_view) -> "View":
        pixels = np.ctypeslib.as_array(raw.pixels, shape=(raw.height, raw.width)).copy()
        return cls(pixels=pixels, px_per_mm=raw.px_per_mm, origin_px=_pair(raw.origin_px))

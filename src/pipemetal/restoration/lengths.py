"""What each old pipe says of pitch: what a body of its length sounds by the length rule, with the error of its measures.

Sizes that were not measured come from the scale and the laws of the rank, with their scatter; without those a mouth is a
quarter of the circumference and as high as a quarter of its width (usual, as in the organ file).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.length_rules import cents_per_mm
from pipemetal.pipes.pitch import C_8_FOOT_BELOW_A, sounding_semitones
from pipemetal.pipes.rank import Rank
from pipemetal.pipes.scale_fit import ScaleFit
from pipemetal.pipes.sounding import sounding_length_mm
from pipemetal.restoration.laws import Law
from pipemetal.restoration.record import SURE_95, FoundPipe, Restoration

__all__ = ["CONSTRUCTIONS", "PLAIN_A_HZ", "Shape", "Spoken", "errors_cents", "pitch_hz", "shape_of", "spoken_of"]

CONSTRUCTIONS: Final = ("open", "stopped", "tapered", "harmonic")
"""What a rank may be whose lengths are to speak."""
PLAIN_A_HZ: Final = 440.0
"""The a1 that cents are counted from."""
USUAL_MOUTH, USUAL_CUT_UP = 0.25, 0.25
USUAL_SHARE_SIGMA: Final = 0.15
"""Standard error, as a share, of a mouth or cut-up that nobody measured (common practice, no source)."""
HALVINGS: Final = 44
WIDEST_OCTAVES: Final = 3.0
NUDGE: Final = 1e-3
KELVIN_CENTS: Final = 3.0
AIR_SIGMA_C: Final = 0.3


@dataclass(frozen=True)
class Shape:
    """The sizes of a pipe that its pitch hangs on, in mm, with their standard errors as shares."""

    diameter_mm: float
    mouth_mm: float
    cut_up_mm: float
    top_ratio: float = 1.0
    diameter_share: float = 0.0
    mouth_share: float = 0.0
    cut_up_share: float = 0.0


@dataclass(frozen=True)
class Spoken:
    """What one pipe says of the pitch, in cents against equal temperament of a1 = 440 Hz, at the reference temperature.

    Parameters
    ----------
    key, semitones : its key, and semitones above 8' C by sound
    cents, sigma_cents : by its length, and the standard error that comes from its measures; None without a length
    by_diameter_cents : what an end correction wrong by one diameter would make
    heard_cents, heard_sigma_cents : what it was heard to sound; None where it does not speak
    altered : its length is no longer that of the rank, so that it says nothing of the rank's pitch
    """

    key: int
    semitones: float
    cents: float | None
    sigma_cents: float
    by_diameter_cents: float
    heard_cents: float | None = None
    heard_sigma_cents: float = 1.0
    altered: bool = False


def _law_or(law: Law | None, semitones: float, usual: float) -> tuple[float, float]:
    if law is None:
        return usual, USUAL_SHARE_SIGMA
    found = law.value(semitones)
    return found.value, (math.log(found.high) - math.log(found.low)) / (2.0 * SURE_95)


def shape_of(found: FoundPipe, semitones: float, scale: ScaleFit | None, laws: Mapping[str, Law]) -> Shape | None:
    """The sizes of a pipe, measured or by scale and laws; None where nothing tells its diameter."""
    pipe = found.pipe
    if pipe.diameter_mm is not None:
        diameter, share = pipe.diameter_mm, found.sigma_mm("diameter_mm") / pipe.diameter_mm
    elif scale is not None:
        diameter = scale.diameter_mm(semitones)
        low, high = scale.interval_mm(semitones, of_a_pipe=True)
        share = math.log(high / low) / (2.0 * SURE_95)
    else:
        return None
    if pipe.mouth_width_mm is not None:
        mouth, mouth_share = pipe.mouth_width_mm, found.sigma_mm("mouth_width_mm") / pipe.mouth_width_mm
    else:
        ratio, mouth_share = _law_or(laws.get("mouth"), semitones, USUAL_MOUTH)
        mouth = ratio * math.pi * diameter
    if pipe.cut_up_mm is not None:
        cut_up, cut_share = pipe.cut_up_mm, found.sigma_mm("cut_up_mm") / pipe.cut_up_mm
    else:
        ratio, cut_share = _law_or(laws.get("cut_up"), semitones, USUAL_CUT_UP)
        cut_up = ratio * mouth
    top = pipe.top_share(pipe.length_mm) if pipe.length_mm is not None else 1.0
    if top == 1.0 and "taper" in laws:
        top = laws["taper"].value(semitones).value
    return Shape(diameter, mouth, cut_up, top, share, mouth_share, cut_share)


def _rank(old: Restoration, construction: str, top_ratio: float) -> Rank:
    tapered = construction == "tapered" and top_ratio != 1.0
    return Rank(
        old.rank,
        "old",
        "old",
        old.footage,
        old.first_key,
        old.last_key,
        construction="open" if construction == "tapered" and not tapered else construction,
        top_ratio=min(max(top_ratio, 0.15), 2.5) if tapered else 1.0,
    )


def pitch_hz(rank: Rank, length_mm: float, shape: Shape, speed_m_s: float) -> float | None:
    """What a body of this length sounds by the length rule; None where nothing within reach does.

    >>> from fractions import Fraction
    >>> rank = Rank("R", "I", "m", Fraction(8), 0, 0)
    >>> round(pitch_hz(rank, 2355.1, Shape(155.5, 122.13, 30.53), 343.2), 2)
    65.41
    """
    quarter = speed_m_s * 250.0 / length_mm
    low, high = math.log2(quarter) - 1.5, math.log2(quarter) + WIDEST_OCTAVES

    def too_long(log_hz: float) -> bool:
        try:
            size = (shape.diameter_mm, shape.mouth_mm, shape.cut_up_mm)
            return sounding_length_mm(rank, 2.0**log_hz, speed_m_s, *size) > length_mm
        except PipeError:
            return False

    if not too_long(low):
        return None
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if too_long(middle) else (low, middle)
    return float(2.0 ** (0.5 * (low + high)))


def errors_cents(rank: Rank, hz: float, shape: Shape, speed: float, length_sigma_mm: float) -> tuple[float, float]:
    """The standard error of the pitch from that of the measures, and what a diameter of end correction makes, in cents."""

    def length(of: Shape, at_hz: float) -> float:
        return sounding_length_mm(rank, at_hz, speed, of.diameter_mm, of.mouth_mm, of.cut_up_mm)

    each_mm = cents_per_mm(lambda at: length(shape, at), hz)
    plain = length(shape, hz)
    moved = (
        (replace(shape, diameter_mm=shape.diameter_mm * (1.0 + NUDGE)), shape.diameter_share),
        (replace(shape, mouth_mm=shape.mouth_mm * (1.0 + NUDGE)), shape.mouth_share),
        (replace(shape, cut_up_mm=shape.cut_up_mm * (1.0 + NUDGE)), shape.cut_up_share),
    )
    parts = [each_mm * (length(of, hz) - plain) / NUDGE * share for of, share in moved]
    return math.hypot(each_mm * length_sigma_mm, *parts), each_mm * shape.diameter_mm


def spoken_of(
    old: Restoration, found: FoundPipe, construction: str, scale: ScaleFit | None, laws: Mapping[str, Law]
) -> Spoken | None:
    """What a pipe says of the pitch as a pipe of this construction; None where it says nothing."""
    key = found.pipe.key
    semitones = sounding_semitones(key, old.footage)
    plain_hz = PLAIN_A_HZ * math.exp2((semitones - C_8_FOOT_BELOW_A) / 12.0)
    speed = speed_of_sound_m_s(old.pitch.at_c)
    heard = _heard(found, plain_hz, speed)
    shape = shape_of(found, semitones, scale, laws)
    first = found.first_length_mm
    length = first if first is not None else found.pipe.length_mm if heard is not None else None
    altered = first is None and found.pipe.length_mm is not None
    by_length: tuple[float, float, float] | None = None
    if shape is not None and length is not None:
        rank = _rank(old, construction, shape.top_ratio)
        try:
            hz = pitch_hz(rank, length, shape, speed)
            if hz is not None:
                sigma_mm = math.hypot(found.sigma_mm("length_mm"), 0.1 * (found.altered_by_mm or 0.0))
                by_length = (1200.0 * math.log2(hz / plain_hz), *errors_cents(rank, hz, shape, speed, sigma_mm))
        except PipeError:
            by_length = None
    if by_length is None and heard is None:
        return None
    cents, sigma, by_diameter = by_length or (None, 0.0, 0.0)
    altered = altered or (found.altered != "as made" and heard is not None)
    heard_cents, heard_sigma = heard or (None, 1.0)
    return Spoken(key, semitones, cents, sigma, by_diameter, heard_cents, heard_sigma, altered)


def _heard(found: FoundPipe, plain_hz: float, speed: float) -> tuple[float, float] | None:
    if found.sounds_hz is None or found.air_c is None:
        return None
    there = found.sounds_hz * speed / speed_of_sound_m_s(found.air_c)
    sigma = math.hypot(found.sounds_plus_minus_cents / SURE_95, KELVIN_CENTS * AIR_SIGMA_C)
    return 1200.0 * math.log2(there / plain_hz), sigma

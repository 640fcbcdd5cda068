"""Body lengths: how long a pipe must be to sound a given frequency.

All formulas are lossless and one-dimensional. The mouth is a mass that acts like an added length of
2.293 R^2 / sqrt(b h) (b mouth width, h cut-up); the full form takes that mass at its own frequency, the linear form simply
subtracts it. An open top adds 0.34 sqrt(S) = 0.6026 R in every form; Levine & Schwinger's exact value for a thin wall,
0.6133 R, would shorten the reference 8' C by 0.8 mm, half a cent. Chimneys and holes in caps: `pipes/ends.py`.

No calculation delivers pipes in tune, since voicing moves the pitch (Dom Bedos 1766, art. 207): what leaves the shop is
a cut length, which is the sounding length plus an allowance for tuning.

Sources: Ising 1971 (0.73 S / sqrt(Sm) + 0.34 sqrt(S), second hand); Ingerslev & Frobenius 1947 (2.3 R^2 / sqrt(b h),
not checked); Cavaille-Coll 1860 (5/3 D, constants not checked); stopped, chimney and tapered forms derived, no published check
found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from pipemetal.errors import ConvergenceError, PipeError
from pipemetal.pipes.ends import flanged_mm, hole_mm, inside_mm
from pipemetal.texts import Amount, Text

__all__ = [
    "chimney_length_mm",
    "half_covered_length_mm",
    "harmonic_length_mm",
    "mouth_correction_mm",
    "open_length_cavaille_coll_mm",
    "open_length_linear_mm",
    "open_length_mm",
    "stopped_length_mm",
    "tapered_length_mm",
    "top_correction_mm",
]

MOUTH_FACTOR: Final = 0.73
TOP_LINEAR: Final = 0.34


def mouth_correction_mm(diameter_mm: float, mouth_width_mm: float, cut_up_mm: float) -> float:
    """Added length of the mouth, 0.73 S / sqrt(b h).

    >>> width = math.pi * 100 / 4
    >>> round(mouth_correction_mm(100, width, width / 4) / 100, 4)
    1.46
    """
    area_mm2 = math.pi * diameter_mm**2 / 4.0
    return MOUTH_FACTOR * area_mm2 / math.sqrt(mouth_width_mm * cut_up_mm)


def top_correction_mm(diameter_mm: float) -> float:
    """Added length of an open top, 0.34 sqrt(S) (Ising 1971)."""
    return TOP_LINEAR * math.sqrt(math.pi) * diameter_mm / 2.0


def _wave_number_per_mm(frequency_hz: float, speed_m_s: float) -> float:
    return 2.0 * math.pi * frequency_hz / (speed_m_s * 1000.0)


def _positive(length_mm: float, what: str) -> float:
    if not length_mm > 0.0:
        raise PipeError(
            "leaves no body: the pipe is too wide or its mouth too small for this pitch",
            field="body_length_mm",
            value=round(length_mm, 1),
            allowed=Text("a {what} longer than nothing", what=what),
        )
    return length_mm


def open_length_mm(
    frequency_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float
) -> float:
    """Body of an open cylinder, full mass-load form.

    >>> width = math.pi * 155.5 / 4
    >>> round(open_length_mm(65.4064, 343.2, 155.5, width, width / 4), 1)
    2355.1
    """
    k = _wave_number_per_mm(frequency_hz, speed_m_s)
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    length = (math.pi - math.atan(k * mouth)) / k - top_correction_mm(diameter_mm)
    return _positive(length, "body")


def open_length_linear_mm(
    frequency_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float
) -> float:
    """Body of an open cylinder by Ising's linear rule, c / 2f - 0.73 S / sqrt(Sm) - 0.34 sqrt(S)."""
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    return _positive(speed_m_s * 500.0 / frequency_hz - mouth - top_correction_mm(diameter_mm), "body")


def open_length_cavaille_coll_mm(frequency_hz: float, speed_m_s: float, diameter_mm: float) -> float:
    """Body of an open cylinder by the rule of 1860, c / 2f - 5/3 D.

    >>> round(open_length_cavaille_coll_mm(65.4064, 343.2, 155.5), 1)
    2364.4
    """
    return _positive(speed_m_s * 500.0 / frequency_hz - 5.0 / 3.0 * diameter_mm, "body")


def harmonic_length_mm(
    frequency_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float
) -> float:
    """Body of an open pipe of double length that sounds its second partial."""
    k = _wave_number_per_mm(frequency_hz, speed_m_s)
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    return _positive((2.0 * math.pi - math.atan(k * mouth)) / k - top_correction_mm(diameter_mm), "body")


def stopped_length_mm(
    frequency_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float
) -> float:
    """Sounding length of a stopped cylinder, mouth to stopper."""
    k = _wave_number_per_mm(frequency_hz, speed_m_s)
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    return _positive((math.pi / 2.0 - math.atan(k * mouth)) / k, "body")


def chimney_length_mm(
    frequency_hz: float,
    speed_m_s: float,
    diameter_mm: float,
    mouth_width_mm: float,
    cut_up_mm: float,
    chimney_diameter_mm: float,
    chimney_length_mm: float,
    chimney_wall_mm: float = 0.6,
) -> float:
    """Sounding length of the body of a chimneyed pipe, mouth to cap: tan(k L') / S + tan(k l') / s = 0.

    The chimney's length counts from the inner side of the cap. Its inner end opens into the body, its outer end has the rim of
    its own wall (`chimney_wall_mm`).

    Errors: PipeError where the chimney is a quarter wave or longer, or as wide as the body.
    """
    _narrower(chimney_diameter_mm, diameter_mm, "chimney_diameter_mm")
    radius = chimney_diameter_mm / 2.0
    ends = inside_mm(radius, diameter_mm / 2.0) + flanged_mm(radius, radius + chimney_wall_mm)
    effective = chimney_length_mm + ends
    return _necked_length_mm(
        frequency_hz,
        speed_m_s,
        diameter_mm,
        mouth_width_mm,
        cut_up_mm,
        chimney_diameter_mm,
        effective,
        "chimney_length_mm",
    )


def half_covered_length_mm(
    frequency_hz: float,
    speed_m_s: float,
    diameter_mm: float,
    mouth_width_mm: float,
    cut_up_mm: float,
    hole_diameter_mm: float,
    cap_mm: float,
    cap_diameter_mm: float | None = None,
) -> float:
    """Sounding length of a half-covered pipe, mouth to cap: a cap with a hole and no chimney over it.

    `cap_mm` is the cap's thickness, `cap_diameter_mm` its outer diameter (that of the body where it is not given).

    Errors: PipeError where the hole is as wide as the body.

    >>> width = math.pi * 65.38 / 4
    >>> stopped = stopped_length_mm(261.626, 343.2, 65.38, width, width / 3)
    >>> open_ = open_length_mm(261.626, 343.2, 65.38, width, width / 3)
    >>> stopped < half_covered_length_mm(261.626, 343.2, 65.38, width, width / 3, 10.0, 0.6) < open_
    True
    """
    _narrower(hole_diameter_mm, diameter_mm, "hole_diameter_mm")
    outer = max(cap_diameter_mm or diameter_mm, diameter_mm)
    effective = hole_mm(hole_diameter_mm / 2.0, diameter_mm / 2.0, outer / 2.0, cap_mm)
    return _necked_length_mm(
        frequency_hz, speed_m_s, diameter_mm, mouth_width_mm, cut_up_mm, hole_diameter_mm, effective, "hole_diameter_mm"
    )


def _narrower(neck_mm: float, diameter_mm: float, field: str) -> None:
    if not 0.0 < neck_mm < diameter_mm:
        raise PipeError(
            "must be narrower than the body",
            field=field,
            value=neck_mm,
            allowed=Text("0 to {diameter_mm}", diameter_mm=Amount(diameter_mm, "mm", 1)),
        )


def _necked_length_mm(
    frequency_hz: float,
    speed_m_s: float,
    diameter_mm: float,
    mouth_width_mm: float,
    cut_up_mm: float,
    neck_diameter_mm: float,
    effective_mm: float,
    field: str,
) -> float:
    """Body under a narrow neck of an effective length, open at its top."""
    k = _wave_number_per_mm(frequency_hz, speed_m_s)
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    if not 0.0 < k * effective_mm < math.pi / 2.0:
        raise PipeError(
            "is longer than a quarter of the wave",
            field=field,
            value=round(effective_mm, 1),
            allowed=Text("under {value} with its end corrections", value=Amount(math.pi / 2.0 / k, "mm", 0)),
        )
    area_ratio = (diameter_mm / neck_diameter_mm) ** 2
    phase = math.pi - math.atan(area_ratio * math.tan(k * effective_mm))
    return _positive((phase - math.atan(k * mouth)) / k, "body")


def tapered_length_mm(
    frequency_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float, top_ratio: float
) -> float:
    """Body of an open cone: `top_ratio` is top diameter over mouth diameter, above 1 for an inverted taper.

    Solves k cot(k l) = 1 / x1 - 1 / d with x1 the distance from apex to mouth (negative for an inverted taper), l the
    body with its top correction and d the mouth's added length, by bisection to 1e-9 mm.

    >>> width = math.pi * 155.5 / 4
    >>> straight = tapered_length_mm(65.4064, 343.2, 155.5, width, width / 4, 1.0)
    >>> round(straight - open_length_mm(65.4064, 343.2, 155.5, width, width / 4), 6)
    0.0
    """
    if not 0.15 <= top_ratio <= 2.5:
        raise PipeError(
            "is not a taper", field="top_ratio", value=top_ratio, allowed="0.15 to 2.5 of the mouth diameter"
        )
    if abs(top_ratio - 1.0) < 1e-9:
        return open_length_mm(frequency_hz, speed_m_s, diameter_mm, mouth_width_mm, cut_up_mm)
    k = _wave_number_per_mm(frequency_hz, speed_m_s)
    mouth = mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    top = top_correction_mm(diameter_mm * top_ratio)

    def unbalance(length_mm: float) -> float:
        apex_mm = length_mm / (1.0 - top_ratio)
        effective = length_mm + top
        # multiplied by sin(k l) so that there is no pole between the ends of the search
        return k * math.cos(k * effective) - (1.0 / apex_mm - 1.0 / mouth) * math.sin(k * effective)

    half_wave = math.pi / k
    return _bisect(unbalance, max(half_wave / 2.0 - top, 1e-3 * half_wave), half_wave - top)


def _bisect(function: Callable[[float], float], low: float, high: float) -> float:
    value_low, value_high = function(low), function(high)
    if high <= low or value_low * value_high > 0.0:
        raise PipeError(
            "has no length that would sound this pitch",
            field="body_length_mm",
            allowed="a narrower pipe, or a gentler taper",
        )
    for _ in range(200):
        middle = 0.5 * (low + high)
        value = function(middle)
        if value_low * value <= 0.0:
            high = middle
        else:
            low, value_low = middle, value
        if high - low < 1e-9:
            return 0.5 * (low + high)
    raise ConvergenceError("the length of a tapered body did not settle")

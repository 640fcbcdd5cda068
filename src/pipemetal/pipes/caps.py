"""How a capped pipe is closed and tuned: a cap over the body, a stopper in it, or a cap that is soldered on.

The sounding length ends where the air ends. A cap that slides over the body stands a little above its rim when the pipe is in
tune, so the body is shorter than the sounding length by the travel; a stopper sits in the body, which must be longer; a soldered
cap ends the body itself.

Sources: soldered and movable caps, both held good: Dom Bedos 1766, art. 152 (text seen). Travel, hold and packing: common
practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError

__all__ = ["CAP_KINDS", "MOST_OF_LENGTH", "Cap", "CapFit", "fit_cap", "shifted_cents"]

CAP_KINDS: Final = ("outer", "stopper", "soldered")
MOST_OF_LENGTH: Final = 0.4
"""A cap or stopper takes at most this share of the sounding length (common practice, no source)."""


@dataclass(frozen=True)
class Cap:
    """The cap of a rank.

    `kind`: outer (slides over the body), stopper (sits in it) or soldered. The travel is what the tuner can move it down from
    where the pipe is in tune, and as far up: `travel_mm`, else `travel_cents`, but at least `least_mm`. `rim_mm`: height of an
    outer cap's rim, or length of a stopper; worked out where None. `packing_mm`: leather or cloth between the two, on each side.
    `hold`: share of the diameter, and `hold_least_mm`, that must stay one in the other so that it sits tight.
    """

    kind: str = "outer"
    travel_mm: float | None = None
    travel_cents: float = 60.0
    least_mm: float = 6.0
    rim_mm: float | None = None
    packing_mm: float = 0.6
    hold: float = 0.25
    hold_least_mm: float = 10.0

    def __post_init__(self) -> None:
        if self.kind not in CAP_KINDS:
            raise PipeError("is not known", field="cap.kind", value=self.kind, allowed=", ".join(CAP_KINDS))
        for name, value, low, high in (
            ("travel_mm", 10.0 if self.travel_mm is None else self.travel_mm, 0.0, 600.0),
            ("travel_cents", self.travel_cents, 0.0, 400.0),
            ("least_mm", self.least_mm, 0.0, 200.0),
            ("rim_mm", 10.0 if self.rim_mm is None else self.rim_mm, 3.0, 1500.0),
            ("packing_mm", self.packing_mm, 0.0, 6.0),
            ("hold", self.hold, 0.0, 2.0),
            ("hold_least_mm", self.hold_least_mm, 0.0, 200.0),
        ):
            if not low <= value <= high:
                raise PipeError("is out of range", field=f"cap.{name}", value=value, limits=(low, high))


@dataclass(frozen=True)
class CapFit:
    """How a cap comes out on one pipe.

    `body_mm`: length of the body. `stands_mm`: the cap's inner face above the body's rim in tune, or how deep a stopper's face
    lies in the body. `rim_mm`: height of the rim or length of the stopper. `sharp_cents`, `flat_cents`: what the tuner can reach
    by moving it down and up. `asked_mm`: the travel that was asked for where a cap may not take so much of the
    length, else 0.
    """

    kind: str
    body_mm: float
    stands_mm: float
    rim_mm: float
    sharp_cents: float
    flat_cents: float
    asked_mm: float = 0.0


def shifted_cents(length_mm: Callable[[float], float], frequency_hz: float, longer_mm: float) -> float:
    """By how many cents a pipe falls when it acts `longer_mm` longer (negative: rises); `length_mm` gives the length for a pitch.

    >>> round(shifted_cents(lambda hz: 85_800.0 / hz, 261.6, 10.0), 1)
    52.0
    """
    wanted = length_mm(frequency_hz) + longer_mm
    low, high = 0.5, 2.0
    for _ in range(60):
        middle = math.sqrt(low * high)
        try:
            found = length_mm(frequency_hz * middle)
        except PipeError:
            found = 0.0  # no body is left at so high a pitch
        low, high = (middle, high) if found > wanted else (low, middle)
    return -1200.0 * math.log2(low)


def fit_cap(
    cap: Cap,
    length_mm: Callable[[float], float],
    frequency_hz: float,
    diameter_mm: float,
    wall_mm: float,
) -> CapFit:
    """The body's length under a cap, how high the cap stands and its rim, and what the tuner can reach.

    `length_mm` gives the sounding length in mm for a frequency in Hz. An outer cap is wider than the body: what it encloses above
    the rim counts by its area, so that it stands a little lower than the travel.

    Errors: PipeError where the rim given is too short for the travel and the hold.

    >>> stopped = lambda hz: 85_800.0 / hz - 40.0
    >>> fit = fit_cap(Cap(travel_mm=20.0), stopped, 261.6, 65.0, 0.9)
    >>> round(stopped(261.6) - fit.body_mm, 1), round(fit.stands_mm, 1), round(fit.sharp_cents), round(fit.flat_cents)
    (20.0, 18.3, 109, 102)
    """
    sounding = length_mm(frequency_hz)
    if cap.kind == "soldered":
        return CapFit(cap.kind, sounding, 0.0, 0.0, 0.0, 0.0)
    travel = cap.travel_mm
    if travel is None:
        travel = max(_travel_mm(length_mm, frequency_hz, cap.travel_cents), cap.least_mm)
    asked, travel = travel, min(travel, MOST_OF_LENGTH * sounding)
    beyond = asked if asked > travel else 0.0
    hold = max(cap.hold * diameter_mm, cap.hold_least_mm)
    if cap.kind == "stopper":
        rim = cap.rim_mm if cap.rim_mm is not None else travel + hold
        up = _room(rim, hold, 0.0)
        return CapFit(
            cap.kind,
            sounding + rim,
            rim,
            rim,
            -shifted_cents(length_mm, frequency_hz, -travel),
            shifted_cents(length_mm, frequency_hz, up),
            beyond,
        )
    wider = ((diameter_mm + 2.0 * (wall_mm + cap.packing_mm)) / diameter_mm) ** 2
    stands = travel / wider
    rim = cap.rim_mm if cap.rim_mm is not None else 2.0 * stands + hold
    up = _room(rim, hold, stands)
    return CapFit(
        cap.kind,
        sounding - travel,
        stands,
        rim,
        -shifted_cents(length_mm, frequency_hz, -travel),
        shifted_cents(length_mm, frequency_hz, up * wider),
        beyond,
    )


def _travel_mm(length_mm: Callable[[float], float], frequency_hz: float, cents: float) -> float:
    """What a tuner shortens a pipe by to make it so many cents sharper."""
    try:
        return length_mm(frequency_hz) - length_mm(frequency_hz * 2.0 ** (cents / 1200.0))
    except PipeError:
        return length_mm(frequency_hz)  # no body is left at so high a pitch: all of it is asked for


def _room(rim_mm: float, hold_mm: float, stands_mm: float) -> float:
    room = rim_mm - hold_mm - stands_mm
    if room < -1e-9:
        raise PipeError(
            "is too short for the travel and what must stay one in the other",
            field="cap.rim_mm",
            value=round(rim_mm, 1),
            allowed=f"{hold_mm + stands_mm:.0f} mm and up",
        )
    return max(room, 0.0)

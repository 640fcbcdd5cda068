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
from pipemetal.texts import Amount, Text

__all__ = ["CAP_KINDS", "MOST_OF_LENGTH", "AirColumn", "Cap", "CapFit", "fit_cap", "shifted_cents"]

CAP_KINDS: Final = ("outer", "stopper", "soldered")
MOST_OF_LENGTH: Final = 0.4
"""A cap or stopper takes at most this share of the sounding length (common practice, no source)."""
USUAL_LEAST_MM: Final = 6.0
"""Less travel is too fine for a hand (common practice, no source)."""


@dataclass(frozen=True)
class Cap:
    """The cap of a rank.

    `kind`: outer (slides over the body), stopper (sits in it) or soldered. The travel is what the tuner can move it down from
    where the pipe is in tune, and as far up: `travel_mm`, else `travel_cents`, but at least `least_mm`; where that is None, 6 mm,
    or less where so much would be over 40 % of the sounding length. `rim_mm`: height of an
    outer cap's rim, or length of a stopper; worked out where None. `packing_mm`: leather or cloth between the two, on each side.
    `hold`: share of the diameter, and `hold_least_mm`, that must stay one in the other so that it sits tight.
    """

    kind: str = "outer"
    travel_mm: float | None = None
    travel_cents: float = 60.0
    least_mm: float | None = None
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
            ("least_mm", self.least_mm or 0.0, 0.0, 200.0),
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
    length, else 0; `asked_by`: the key of the cap that asked for it.
    """

    kind: str
    body_mm: float
    stands_mm: float
    rim_mm: float
    sharp_cents: float
    flat_cents: float
    asked_mm: float = 0.0
    asked_by: str = ""


def shifted_cents(length_mm: Callable[[float], float], frequency_hz: float, longer_mm: float) -> float:
    """By how many cents a pipe falls when it acts `longer_mm` longer (negative: rises); `length_mm` gives the length for a pitch.

    >>> round(shifted_cents(lambda hz: 85_800.0 / hz, 261.6, 10.0), 1)
    52.0
    """
    wanted = length_mm(frequency_hz) + longer_mm
    low, high = (0.5, 1.0) if longer_mm >= 0.0 else (1.0, 2.0)
    for _ in range(60):
        middle = math.sqrt(low * high)
        try:
            found = length_mm(frequency_hz * middle)
        except PipeError:
            found = 0.0  # no body is left at so high a pitch
        low, high = (middle, high) if found > wanted else (low, middle)
    return 0.0 - 1200.0 * math.log2(low)


@dataclass(frozen=True)
class AirColumn:
    """The air of a capped pipe: the sounding length in mm that a frequency in Hz wants, that of the same pipe under a plain lid,
    and the speed of sound. The two lengths are the same for a stopped pipe; a hole or a chimney makes them differ."""

    length_mm: Callable[[float], float]
    stopped_mm: Callable[[float], float]
    speed_m_s: float


def fit_cap(cap: Cap, air: AirColumn, frequency_hz: float, diameter_mm: float, wall_mm: float) -> CapFit:
    """The body's length under a cap, how high the cap stands and its rim, and what the tuner can reach.

    An outer cap is wider than the body: what it encloses above the rim is a short wide tube, so that it stands a little
    lower than the travel.

    Errors: PipeError where the rim given is too short for the travel and the hold.

    >>> stopped = lambda hz: 85_800.0 / hz - 40.0
    >>> fit = fit_cap(Cap(travel_mm=20.0), AirColumn(stopped, stopped, 343.2), 261.6, 65.0, 0.9)
    >>> round(stopped(261.6) - fit.body_mm, 1), round(fit.stands_mm, 1), round(fit.sharp_cents), round(fit.flat_cents)
    (20.0, 18.3, 109, 102)
    """
    sounding = air.length_mm(frequency_hz)
    if cap.kind == "soldered":
        return CapFit(cap.kind, sounding, 0.0, 0.0, 0.0, 0.0)
    asked, by = _asked(cap, air, frequency_hz, sounding)
    travel = min(asked, MOST_OF_LENGTH * sounding)
    beyond = (asked, by) if asked > travel else (0.0, "")
    hold = max(cap.hold * diameter_mm, cap.hold_least_mm)
    sharp = -shifted_cents(air.length_mm, frequency_hz, -travel) if travel > 0.0 else 0.0
    if cap.kind == "stopper":
        rim = cap.rim_mm if cap.rim_mm is not None else travel + hold
        flat = shifted_cents(air.length_mm, frequency_hz, _room(rim, hold, 0.0))
        return CapFit(cap.kind, sounding + rim, rim, rim, sharp, flat, *beyond)
    wide = _WideTop(air, ((diameter_mm + 2.0 * (wall_mm + cap.packing_mm)) / diameter_mm) ** 2)
    stands = wide.height_mm(frequency_hz, travel)
    rim = cap.rim_mm if cap.rim_mm is not None else 2.0 * stands + hold
    highest = stands + _room(rim, hold, stands)

    def body_mm(hz: float) -> float:
        return air.length_mm(hz) - wide.acts_mm(hz, highest)

    flat = shifted_cents(body_mm, frequency_hz, sounding - travel - body_mm(frequency_hz))
    return CapFit(cap.kind, sounding - travel, stands, rim, sharp, flat, *beyond)


@dataclass(frozen=True)
class _WideTop:
    """A short wider tube under a cap's face, above the rim of the body: `wider` is its section by that of the body.

    Pressure and flow go on unbroken over the rim, waves are plane: common acoustics of tubes.
    """

    air: AirColumn
    wider: float

    def _waves_per_mm(self, hz: float) -> float:
        return 2.0 * math.pi * hz / (self.air.speed_m_s * 1000.0)

    def _beyond(self, hz: float) -> float:
        """The angle by which the wave has passed its crest where it reaches the cap of a uniform pipe."""
        return self._waves_per_mm(hz) * (self.air.length_mm(hz) - self.air.stopped_mm(hz))

    def acts_mm(self, hz: float, height_mm: float) -> float:
        """By how much longer a body acts with so much of the wide tube above it."""
        k, beyond = self._waves_per_mm(hz), self._beyond(hz)
        at_rim = k * height_mm - math.atan(math.tan(beyond) / self.wider)
        return (beyond + math.atan(self.wider * math.tan(at_rim))) / k

    def height_mm(self, hz: float, acts_mm: float) -> float:
        """The height of the wide tube that acts so long."""
        k, beyond = self._waves_per_mm(hz), self._beyond(hz)
        return (math.atan(math.tan(k * acts_mm - beyond) / self.wider) + math.atan(math.tan(beyond) / self.wider)) / k


def _asked(cap: Cap, air: AirColumn, frequency_hz: float, sounding_mm: float) -> tuple[float, str]:
    """The travel asked for in mm, and the key that asks for it; the usual least travel gives way on the shortest pipes."""
    if cap.travel_mm is not None:
        return cap.travel_mm, "travel_mm"
    least = cap.least_mm if cap.least_mm is not None else min(USUAL_LEAST_MM, MOST_OF_LENGTH * sounding_mm)
    by_cents = _travel_mm(air.length_mm, frequency_hz, cap.travel_cents)
    return (by_cents, "travel_cents") if by_cents >= least else (least, "least_mm")


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
            allowed=Text("{value} and up", value=Amount(hold_mm + stands_mm, "mm", 0)),
        )
    return max(room, 0.0)

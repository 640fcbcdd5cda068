"""When to stop casting: the chance that what hangs serves the rest of an alloy, and that the sheets to come are its last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipemetal.layout.chance import Chances, chances_of, field_of, looked_at
from pipemetal.layout.gauging import NextReading, next_readings
from pipemetal.layout.plan import Placement
from pipemetal.layout.problem import Blank, LayoutProblem
from pipemetal.planning.anew_effort import USUAL, Effort
from pipemetal.planning.anew_price import HARDLY_FITS
from pipemetal.planning.anew_rest import Laid, Rest, layout_of, with_gaps
from pipemetal.planning.spare import sure_without
from pipemetal.sheets.field import FloatArray
from pipemetal.texts import Amount, Text, joined

__all__ = ["Check", "Stop", "stop_of"]

TRIED: Final = 0.1
"""Of the moves that the whole rest is given."""
MOST_TRIED: Final = 60
"""With more blanks still to be cast for nobody asks whether the racks serve them."""


CHECKED_BELOW: Final = 0.995
"""Blanks that are less sure to fit are gauged where they lie before they are cut: a reading costs less than a spoiled blank."""
APART_MM: Final = 500.0
"""A long blank is gauged at two places so far apart: metal nearer than this errs alike (estimate)."""
ENOUGH: Final = 0.9
"""As sure as this nobody plans another cast (estimate)."""
HARDLY_EVER: Final = 0.005
MOST_NAMED: Final = 6
IN_DOUBT: Final = 2.5
"""Where the metal is so many of its errors within the tolerance nobody gauges a second place."""


@dataclass(frozen=True)
class Check:
    """A blank to be gauged before it is cut: where its metal is nearest to the edge of its tolerance, between `low_mm` and
    `high_mm` it fits there; `chance` that it fits as laid. A long blank may have two such places."""

    blank: str
    roll: str
    x_mm: float
    y_mm: float
    low_mm: float
    high_mm: float
    chance: float

    @property
    def words(self) -> Text:
        """Where to gauge, and what fits."""
        return Text(
            "Before {blank} is cut, gauge {roll} at {x}, {y}: from {low} to {high} it fits ({percent} % sure).",
            blank=self.blank,
            roll=self.roll,
            x=Amount(self.x_mm, "mm", bare=True),
            y=Amount(self.y_mm, "mm"),
            low=Amount(self.low_mm, "mm", 2, bare=True),
            high=Amount(self.high_mm, "mm", 2),
            percent=Amount(100.0 * min(self.chance, 0.99)),
        )


@dataclass(frozen=True)
class Stop:
    """Whether one alloy needs another cast.

    `sheets`: those still to come; `blanks`: those that are not cut. `chance`: that all of them fit on what hangs, without another
    cast: as laid, and where sheets are to come with their blanks on the surest places that the racks leave (0 where there is no
    room). `last`: that no further sheet is needed once those to come are cast; 1 where none are. `gauge`: where one more reading
    of what hangs tells best whether it serves what is to be cast for: it costs less than a cast. `check`: where to gauge before
    cutting, the least sure first. `missing`: how many blanks that lie on what hangs are expected to miss.
    """

    alloy: str
    sheets: int
    blanks: int
    chance: float
    last: float = 1.0
    gauge: tuple[NextReading, ...] = ()
    check: tuple[Check, ...] = ()
    missing: float = 0.0

    @property
    def is_enough(self) -> bool:
        """Whether what hangs serves the rest so surely that nobody plans another cast."""
        return self.chance >= ENOUGH

    @property
    def words(self) -> tuple[Text, ...]:
        """Whether to stop, what that means, and what to do, in words.

        >>> for words in Stop("A", 0, 12, 0.97).words:
        ...     print(words)
        A: all is cast, 12 blanks are left to cut.
        All of them fit 97 times in 100: nothing more has to be cast.
        """
        if not self.blanks and not self.sheets:
            return (Text("{alloy}: all is cast and cut.", alloy=self.alloy),)
        return (*(self._while_cast() if self.sheets else self._all_cast()), *self._gauging())

    def _while_cast(self) -> list[Text]:
        blanks = Text("1 blank left") if self.blanks == 1 else Text("{blanks} blanks left", blanks=self.blanks)
        sheets = Text("1 sheet to cast") if self.sheets == 1 else Text("{sheets} sheets to cast", sheets=self.sheets)
        found = [Text("{alloy}: {blanks}, {sheets}.", alloy=self.alloy, blanks=blanks, sheets=sheets)]
        if self.is_enough:
            found.append(
                Text(
                    "What hangs serves the rest {times} without another cast: gauge it first.",
                    times=_times(self.chance),
                )
            )
        elif self.chance > 0.0:
            found.append(Text("Without another cast what hangs serves the rest {times}.", times=_times(self.chance)))
        else:
            found.append(Text("What hangs has no room for the rest: it has to be cast."))
        if self.last > 1.0 - HARDLY_EVER:
            alone = self.sheets == 1
            return [
                *found,
                Text("After it nothing more has to be cast.")
                if alone
                else Text("After them nothing more has to be cast."),
            ]
        times = _times(self.last)
        last = (
            Text("That it is the last one happens {times}.", times=times)
            if self.sheets == 1
            else Text("That they are the last ones happens {times}.", times=times)
        )
        if self.last < ENOUGH:
            last = Text("{last} Keep metal for one more, for what misses.", last=last)
        return [*found, last]

    def _all_cast(self) -> list[Text]:
        times, alone = _times(self.chance), self.blanks == 1
        found = [
            Text("{alloy}: all is cast, 1 blank is left to cut.", alloy=self.alloy)
            if alone
            else Text("{alloy}: all is cast, {blanks} blanks are left to cut.", alloy=self.alloy, blanks=self.blanks)
        ]
        if self.is_enough and alone:
            return [*found, Text("It fits {times}: nothing more has to be cast.", times=times)]
        if self.is_enough:
            return [*found, Text("All of them fit {times}: nothing more has to be cast.", times=times)]
        found.append(Text("It fits {times}.", times=times) if alone else self._some_miss(times))
        least = {c.blank: c.chance for c in reversed(self.check)}
        doubtful = sorted(least, key=lambda blank: least[blank])[:MOST_NAMED]
        if doubtful:
            named = joined(
                [Text("{blank} ({percent} %)", blank=b, percent=Amount(100.0 * least[b])) for b in doubtful], ", "
            )
            found.append(Text("Least sure to fit: {blanks}.", blanks=named))
        hardly = sum(chance < HARDLY_FITS for chance in least.values())
        if hardly:
            found.append(
                (
                    Text("Count on one more sheet: it hardly fits.")
                    if alone
                    else Text("Count on one more sheet: 1 of them hardly fits.")
                )
                if hardly == 1
                else Text("Count on one more sheet: {count} of them hardly fit.", count=hardly)
            )
        found.append(
            Text(
                "Gauge before you cut, where it is said, and plan anew with the readings: what misses goes to other metal, or "
                "one more sheet is cast for it. Keep the metal in the pot until then."
            )
        )
        return found

    def _some_miss(self, times: Text) -> Text:
        count = Amount(max(self.missing, 1.0))
        if str(count) == "1":
            return Text("All of them fit {times}; about 1 will miss.", times=times)
        return Text("All of them fit {times}; about {count} will miss.", times=times, count=count)

    def _gauging(self) -> list[Text]:
        if not self.gauge or not self.sheets:
            return []
        best = self.gauge[0]
        x, y = Amount(best.x_mm, "mm", bare=True), Amount(best.y_mm, "mm")
        return [Text("Gauge {roll} at {x}, {y} first: it may serve more.", roll=best.roll, x=x, y=y)]


def _times(chance: float) -> Text:
    if chance < HARDLY_EVER:
        return Text("hardly ever")
    count = Amount(100.0 * min(chance, 0.99 if chance < 1.0 else 1.0))
    return Text("once in 100 times") if str(count) == "1" else Text("{count} times in 100", count=count)


def stop_of(alloy: str, rest: Rest, laid: Laid, effort: Effort = USUAL) -> Stop:
    """Whether one alloy needs another cast, as its rest is laid.

    >>> from pipemetal.layout.problem import LayoutProblem
    >>> stop_of("A", Rest(LayoutProblem((), ()), (), (), frozenset()), Laid((), (), ())).chance
    1.0
    """
    coming = {s.id for s in laid.sheets}
    on_racks = tuple(p for p in laid.placements if p.roll not in coming)
    hangs = {p.blank for p in on_racks}
    more = tuple(b for b in rest.problem.blanks if b.id not in hangs)
    racks: LayoutProblem = replace(rest.problem, castable=None, certainty=0.0)
    found = _on_any_place(rest, on_racks, more, effort) if 0 < len(more) <= MOST_TRIED else ()
    serve = 0.0
    if len(found) == len(more):
        all_of = (*on_racks, *found)
        chances = chances_of(replace(racks, certainty=rest.problem.certainty), layout_of(all_of))
        serve = chances.together([p.blank for p in all_of]) if all_of else 1.0
    gauge = next_readings(racks, layout_of(found)) if found else ()
    last = _are_last(rest, laid)
    sure = chances_of(racks, layout_of(on_racks))
    check = _to_check(racks, sure, on_racks)
    missing = sum(1.0 - sure.of(p.blank) for p in on_racks)
    return Stop(alloy, len(laid.sheets), len(laid.placements), serve, last, gauge, check, missing)


def _to_check(problem: LayoutProblem, chances: Chances, on_racks: Sequence[Placement]) -> tuple[Check, ...]:
    """The blanks on what hangs that are not sure, each with the place where its metal is nearest to the edge of its tolerance."""
    blanks, rolls = {b.id: b for b in problem.blanks}, {r.id: r for r in problem.rolls}
    found = []
    for p in on_racks:
        if p.roll not in rolls or chances.of(p.blank) >= CHECKED_BELOW:
            continue
        blank, field = blanks[p.blank], field_of(rolls[p.roll])
        x, y, wanted = looked_at(blank, p, field.stations_mm, field.lines_mm)
        over = field.at(x, y) - wanted
        room = np.minimum(over + blank.tolerance_mm, blank.most_over_mm - over)
        for k in _near_edge(x, room / np.maximum(field.error_at(x, y), 1e-9)):
            low, high = float(wanted[k]) - blank.tolerance_mm, float(wanted[k]) + blank.most_over_mm
            found.append(Check(p.blank, p.roll, float(x[k]), float(y[k]), low, high, chances.of(p.blank)))
    return tuple(sorted(found, key=lambda c: c.chance))


def _near_edge(x: FloatArray, errors_off: FloatArray) -> list[int]:
    """The place of a blank at which its metal is nearest to the edge of its tolerance; of a long one another, where that is in
    doubt."""
    first = int(np.argmin(errors_off))
    far = np.abs(x - x[first]) > APART_MM
    if not far.any():
        return [first]
    second = int(np.flatnonzero(far)[np.argmin(errors_off[far])])
    return [first, second] if errors_off[second] < IN_DOUBT else [first]


def _on_any_place(
    rest: Rest, on_racks: Sequence[Placement], more: tuple[Blank, ...], effort: Effort
) -> tuple[Placement, ...]:
    """Where the racks hold blanks that are to be cast for, however doubtful, the surest places first."""
    free = with_gaps(rest.problem.rolls, on_racks, rest.blanks, rest.problem.kerf_mm)
    if not free:
        return ()
    part = replace(rest.problem, blanks=more, rolls=free, castable=None)
    return effort.lay(part, TRIED).placements


def _are_last(rest: Rest, laid: Laid) -> float:
    """The chance that the sheets to come, as they come out, give metal of the right thickness for all that they are cast for."""
    castable = rest.problem.castable
    if laid.unplaced or (laid.sheets and castable is None):
        return 0.0
    if not laid.sheets or castable is None:
        return 1.0
    layout = layout_of(laid.placements, laid.sheets)
    return sure_without(rest.problem, layout, laid.sheets, lambda sheet: castable.spread_of(sheet.alloy))

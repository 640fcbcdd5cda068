"""Readings that cannot be of this rank: a slip of the pen in a length, an overtone taken for a recording. They are left out.

A length is held against the middle of all lengths, a recording against its own pipe's length. What is so far off moves no pitch:
it is named, and left out before anything is weighed. Pipes that are off by less are weighed with all others (`temper.py`).
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.restoration.lengths import Spoken
from pipemetal.texts import Amount, Text

__all__ = ["Suspect", "without_suspects"]

LENGTH_CENTS: Final = 250.0
"""So far from the middle of the others no pipe of a rank is by its length: temperament, rule and scatter together are less."""
HEARD_CENTS: Final = 65.0
"""So far from its own length no recording is: three standard errors of the rule's common and smooth errors."""
AGREED_CENTS: Final = 40.0
TEMPERED_CENTS: Final = 45.0
OCTAVE_WITHIN_CENTS: Final = 150.0
SIGMAS: Final = 3.0
LEAST: Final = 3


@dataclass(frozen=True)
class Suspect:
    """A pipe whose length or recording is left out: its key, by how many cents it is off, and why in words."""

    key: int
    cents: float
    of_length: bool

    @property
    def why(self) -> Text:
        """Why, in words."""
        octaves = round(self.cents / 1200.0)
        if self.of_length:
            return Text(
                "length: {cents} cents off what the others say, no pipe of this rank; left out",
                cents=Amount(self.cents, signed=True),
            )
        if octaves and abs(self.cents - 1200.0 * octaves) < OCTAVE_WITHIN_CENTS:
            template = (
                "recording: {count} octaves above what its length says, perhaps an overtone; left out"
                if octaves > 0
                else "recording: {count} octaves below what its length says, perhaps a slip; left out"
            )
            return Text(template, count=abs(octaves))
        return Text(
            "recording: {cents} cents off what its length says; left out", cents=Amount(self.cents, signed=True)
        )


def without_suspects(spoken: Sequence[Spoken]) -> tuple[tuple[Spoken, ...], tuple[Suspect, ...]]:
    """What pipes say without what cannot be, and what was left out.

    >>> pipes = [Spoken(k, float(k), 0.0, 2.0, 100.0) for k in range(5)] + [Spoken(5, 5.0, 3986.0, 2.0, 100.0)]
    >>> [(s.key, s.cents) for s in without_suspects(pipes)[1]]
    [(5, 3986.0)]
    """
    said = [s.cents for s in spoken if s.cents is not None and not s.altered]
    if len(said) < LEAST:
        return _without_recordings(spoken, None)
    middle = statistics.median(said)
    kept, suspects = [], []
    for one in spoken:
        off = 0.0 if one.cents is None or one.altered else one.cents - middle
        if abs(off) > LENGTH_CENTS + SIGMAS * min(one.sigma_cents, LENGTH_CENTS / SIGMAS):
            suspects.append(Suspect(one.key, off, of_length=True))
            kept.append(replace(one, cents=None, sigma_cents=0.0, by_diameter_cents=0.0))
        else:
            kept.append(one)
    held, wrong = _without_recordings(kept, middle)
    return held, (*suspects, *wrong)


def _without_recordings(
    spoken: Sequence[Spoken], middle: float | None
) -> tuple[tuple[Spoken, ...], tuple[Suspect, ...]]:
    """The same for recordings; `middle` is what all lengths say."""
    off: dict[int, tuple[float, float]] = {}
    for place, one in enumerate(spoken):
        if one.heard_cents is not None and not one.altered:
            if one.cents is not None:
                off[place] = one.heard_cents - one.cents, HEARD_CENTS + SIGMAS * one.sigma_cents
            elif middle is not None:
                off[place] = one.heard_cents - middle, HEARD_CENTS + TEMPERED_CENTS
    others = {place: [v for at, (v, _) in off.items() if at != place] for place in off}
    wrong = {
        place: cents
        for place, (cents, limit) in off.items()
        if abs(cents) > limit
        and not (len(others[place]) >= 2 and abs(statistics.median(others[place]) - cents) < AGREED_CENTS)
    }
    kept = [replace(s, heard_cents=None) if place in wrong else s for place, s in enumerate(spoken)]
    held = tuple(s for s in kept if s.cents is not None or s.heard_cents is not None)
    return held, tuple(Suspect(spoken[place].key, cents, of_length=False) for place, cents in wrong.items())

"""How large a layout may be, and the least time that one needs: more is refused before anything is begun."""

from __future__ import annotations

import itertools
from typing import Final

from pipemetal.errors import LayoutError
from pipemetal.layout.problem import LayoutProblem
from pipemetal.texts import Amount, Text

__all__ = ["MOST_BLANKS", "check_seconds", "check_size", "least_seconds", "search_seconds"]

MOST_BLANKS: Final = 20_000
MOST_PAIRS: Final = 10_000_000
"""Blanks times rolls of their alloy; each pair costs memory and a look."""
CHECK_S_A_BLANK, FIRST_S_A_BLANK, SECONDS_A_PAIR = 0.45e-3, 0.25e-3, 2.0e-6
"""What the check, the first plan and setting up take on a small machine (measured)."""
COUNTED_S_A_ROLL, COUNTED_S_A_BLANK, LEAST_SEARCH_SHARE = 0.03, 1.1e-3, 0.8
"""What moving doubtful blanks and counting chances take on a small machine (measured), and the share that the search keeps."""
FREE_SECONDS: Final = 2.0
"""So much longer than asked may a layout take."""


def _pairs(problem: LayoutProblem) -> int:
    blanks = itertools.groupby(sorted(b.alloy for b in problem.blanks))
    return sum(len(list(mine)) * sum(r.alloy == alloy for r in problem.rolls) for alloy, mine in blanks)


def least_seconds(problem: LayoutProblem) -> float:
    """The time a first plan and its check need.

    >>> least_seconds(LayoutProblem((), ()))
    0.0
    """
    return (CHECK_S_A_BLANK + FIRST_S_A_BLANK) * len(problem.blanks) + SECONDS_A_PAIR * _pairs(problem)


def check_seconds(problem: LayoutProblem) -> float:
    """The time that the verifier needs.

    >>> check_seconds(LayoutProblem((), ()))
    0.0
    """
    return CHECK_S_A_BLANK * len(problem.blanks)


def search_seconds(problem: LayoutProblem, seconds: float | None) -> float | None:
    """Of the seconds asked what is left for the search, where the chances of its places are counted after it.

    >>> search_seconds(LayoutProblem((), (), certainty=0.95), 10.0)
    10.0
    """
    if seconds is None or problem.certainty <= 0.0:
        return seconds
    drawn = sum(roll.error_mm is not None for roll in problem.rolls)
    after = COUNTED_S_A_ROLL * drawn + COUNTED_S_A_BLANK * len(problem.blanks)
    return max(seconds - after, LEAST_SEARCH_SHARE * seconds)


def check_size(problem: LayoutProblem, seconds: float | None = None) -> None:
    """Refuse what is too large for the program, or for the seconds asked. Errors: LayoutError with the limit."""
    blanks, pairs = len(problem.blanks), _pairs(problem)
    if blanks > MOST_BLANKS:
        raise LayoutError(
            "are too many for one layout",
            field="blanks",
            value=blanks,
            allowed=Text("up to {number}", number=MOST_BLANKS),
        )
    if pairs > MOST_PAIRS:
        raise LayoutError(
            "times rolls of their alloy are too many for one layout",
            field="blanks",
            value=pairs,
            allowed=Text("up to {number}; leave out rolls, or lay one part after the other", number=MOST_PAIRS),
        )
    least = least_seconds(problem)
    if seconds is not None and least > seconds + FREE_SECONDS:
        raise LayoutError(
            Text("is too little for {count} blanks", count=blanks),
            field="seconds",
            value=seconds,
            allowed=Text("{number} or more", number=Amount(least)),
        )

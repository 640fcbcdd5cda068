"""Parts that fit only once they are planed, hammered or scraped: told, so that nobody is surprised at the bench."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from pipemetal.planning.cuts import CutRoll
from pipemetal.texts import Amount, Text, joined

__all__ = ["told_of_labour"]


def told_of_labour(cut: Sequence[CutRoll]) -> list[Text]:
    """How many parts of each kind are worked before they fit, and how much at most; nothing where none is.

    >>> told_of_labour(())
    []
    """
    by_kind: dict[tuple[str, str], list[float]] = defaultdict(list)
    for roll in cut:
        for c in roll.cuts:
            if c.to_work_mm > 0.0:
                by_kind[c.blank.kind, c.blank.worked].append(c.to_work_mm)
    told = [
        Text(
            "{kind}: {count} {worked}, {most} at most",
            kind=Text(kind),
            count=len(off),
            worked=Text(worked),
            most=Amount(max(off), "mm", 2),
        )
        for (kind, worked), off in sorted(by_kind.items())
    ]
    return [Text("Parts that fit once they are worked: {parts}.", parts=joined(told))] if told else []

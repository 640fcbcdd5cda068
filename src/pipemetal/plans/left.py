"""What is left to do of a plan once all of its sheets are cast: measure, gauge, cut, and empty the pots."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Final

from pipemetal.plans import record
from pipemetal.texts import Amount, Text, joined

__all__ = ["left_to_do", "named"]

MOST_NAMED: Final = 8
NOT_CAST: Final = "no_thickness"
"""Of this kind are blanks for which no sheet is cast any more."""
LEAST_LEFT_KG: Final = 1.0
"""Less in a pot is not told."""


def left_to_do(
    plan: record.Plan,
    to_come: Collection[str],
    *,
    poured: Collection[str] = (),
    cut: Collection[str] = (),
    pots: Mapping[str, float] | None = None,
) -> tuple[Text, ...]:
    """What is left to do of a plan, in words, once nothing has to be cast any more; nothing while sheets are `to_come`.

    `poured`: sheets that nobody has measured; `cut`: rolls and sheets that are cut; `pots`: what is left of charged melts, kg.

    >>> [str(words) for words in left_to_do(record.Plan("O"), [])]
    ['All is cast and cut: of this plan nothing is left to do.']
    """
    if to_come:
        return ()
    waits = [s.id for s in plan.new_sheets if s.id in poured]
    sheets = [s for s in plan.sheets if s.cuts and s.id not in cut and s.id not in waits]
    found = []
    if waits:
        found.append(Text("Measure {sheets}: poured, and not measured yet.", sheets=named(waits)))
    if sheets:
        count = sum(len(s.cuts) for s in sheets)
        on = named([s.id for s in sheets])
        many = Text("Cut {count} blanks from {sheets}.", count=count, sheets=on)
        found.append(many if count > 1 else Text("Cut 1 blank from {sheets}.", sheets=on))
    given_up: dict[str, list[record.Unserved]] = {}
    for u in plan.unserved:
        given_up.setdefault(str(u.reason) if u.kind == NOT_CAST else "", []).append(u)
    for reason, some in given_up.items():
        blanks = named([u.blank for u in some])
        if reason:
            found.append(Text("{blanks}: {reason}.", blanks=blanks, reason=some[0].reason))
        else:
            words = "These have no metal: {blanks}. Plan the rest anew, so that they are cast for."
            found.append(Text(words, blanks=blanks))
    metal = _in_pots(pots or {}, done=not found)
    if not found:
        return (Text("All is cast and cut: of this plan nothing is left to do."), *metal)
    return (Text("All sheets of this plan are cast."), *found, *metal)


def _in_pots(pots: Mapping[str, float], *, done: bool) -> list[Text]:
    left = [(name, kg) for name, kg in pots.items() if kg >= LEAST_LEFT_KG]
    if not left:
        return []
    told = joined([Text("{melt} {mass}", melt=name, mass=Amount(kg, "kg")) for name, kg in left], ", ")
    if done:
        return [Text("Left in the pots: {pots}. Pour it into ingots, or keep it as a heel.", pots=told)]
    return [Text("Left in the pots: {pots}. Keep it until the last blank is cut, then pour it into ingots.", pots=told)]


def named(names: Sequence[str]) -> Text:
    """Some names of many, and how many more there are.

    >>> print(named(["N1", "N2"]))
    N1, N2
    """
    told = joined([Text("{name}", name=name) for name in names[:MOST_NAMED]], ", ")
    more = len(names) - MOST_NAMED
    return Text("{names} and {count} more", names=told, count=more) if more > 0 else told

"""Why a sheet is cast next, in words: its melt, what its result settles, whom it serves."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Sequence
from typing import Final

from pipemetal.plans import record
from pipemetal.texts import Amount, Text

__all__ = ["doubt_mm2", "why_next"]

LEAST_MISSING: Final = 0.5
"""Where fewer blanks are expected to miss nothing is in doubt to speak of (estimate)."""
CARD_OFF: Final = 0.08
"""A card that is off by so much of the thickness does not give the sheet (estimate)."""


def doubt_mm2(sheet: record.CutSheet) -> float:
    """How much metal of a sheet is in doubt: its blanks, each by its area and by how open it is whether it fits.

    >>> doubt_mm2(record.NewSheet("N1"))
    0.0
    """
    return math.fsum(c.chance * (1.0 - c.chance) * c.length_mm * c.width_mm for c in sheet.cuts if c.chance is not None)


def why_next(
    plan: record.Plan, sheet: str, to_come: Collection[str], in_pots: Collection[str] = ()
) -> tuple[Text, ...]:
    """Why a sheet of a plan is cast next, in words, the weightiest reason first; nothing for a sheet that is not to come.

    `to_come`: sheets that are not cast yet; `in_pots`: melts that are charged.

    >>> sheet = record.NewSheet("N1", "A")
    >>> plan = record.Plan("O", new_sheets=(sheet,), pours=(record.Pour("N1", "A", "M01", 1, 1),))
    >>> [str(reason) for reason in why_next(plan, "N1", ["N1"], ["M01"])]
    ['M01 is in the pot, and N1 is the last sheet of it.']
    """
    pour = next((p for p in plan.pours if p.sheet == sheet), None)
    sheets = {s.id: s for s in plan.new_sheets if s.id in to_come}
    if pour is None or sheet not in sheets:
        return ()
    beside = [sheets[p.sheet] for p in plan.pours if p.melt == pour.melt and p.sheet in sheets and p.sheet != sheet]
    found = [_of_melt(pour, len(beside), charged=pour.melt in in_pots)]
    if plan.chances is not None and sheet in plan.chances.trial:
        found.append(
            Text("No cast is logged yet: it is a trial that tells most of the others, and everything on it is used.")
        )
    teaches, serves = _teaches(sheets[sheet], beside), _serves(sheets[sheet], beside)
    if teaches is not None:
        found.append(teaches)
    elif beside:
        sleds = [s.sled for s in (sheets[sheet], *beside)]
        in_turn = sum(a != b for a, b in itertools.pairwise(sleds)) < len(set(sleds))
        found.append(
            Text("In this order the pot holds enough for each of its sheets, one sled after the other.")
            if in_turn
            else Text("In this order the pot holds enough for each of its sheets.")
        )
    return tuple(reason for reason in (*found, serves, _not_given(pour)) if reason is not None)


def _not_given(pour: record.Pour) -> Text | None:
    """That a sheet will not be what it is meant to be, by its own card."""
    stations = pour.card.thickness_mm if pour.card is not None else ()
    if not stations or not pour.cast_start_mm or not pour.cast_end_mm:
        return None
    first, last = stations[0].thickness, stations[-1].thickness
    if max(abs(first / pour.cast_start_mm - 1.0), abs(last / pour.cast_end_mm - 1.0)) < CARD_OFF:
        return None
    return Text(
        "But by its card it comes out as {first} to {last}, not {start} to {end}: no push that is known gives it. Think of "
        "other metal for it.",
        first=Amount(first, "mm", 2, bare=True),
        last=Amount(last, "mm", 2),
        start=Amount(pour.cast_start_mm, "mm", 2, bare=True),
        end=Amount(pour.cast_end_mm, "mm", 2),
    )


def _of_melt(pour: record.Pour, beside: int, *, charged: bool) -> Text:
    if charged and beside:
        return Text("{melt} is in the pot: {count} sheets are still poured of it.", melt=pour.melt, count=beside + 1)
    if charged:
        return Text("{melt} is in the pot, and {sheet} is the last sheet of it.", melt=pour.melt, sheet=pour.sheet)
    if beside:
        return Text("{melt} is the next melt, for {count} sheets.", melt=pour.melt, count=beside + 1)
    return Text("{melt} is the next melt, for {sheet} alone.", melt=pour.melt, sheet=pour.sheet)


def _teaches(sheet: record.NewSheet, beside: Sequence[record.NewSheet]) -> Text | None:
    """What its result settles, where that is most of its melt."""
    mine, count = doubt_mm2(sheet), len(sheet.cuts)
    expected = math.fsum(1.0 if c.chance is None else c.chance for c in sheet.cuts)
    if count - expected < LEAST_MISSING or any(doubt_mm2(s) > mine for s in beside):
        return None
    fit = Amount(expected)
    if count == 1:
        return (
            Text("Its result settles most: whether its one blank fits. No sheet of the melt has more in doubt.")
            if beside
            else Text("Its result settles whether its one blank fits.")
        )
    if not beside and str(fit) == "1":
        return Text("Its result settles which of its {count} blanks fit; 1 is expected to.", count=count)
    if not beside:
        return Text("Its result settles which of its {count} blanks fit; {fit} are expected to.", fit=fit, count=count)
    if str(fit) == "1":
        return Text(
            "Its result settles most: of its {count} blanks 1 is expected to fit, and no sheet of the melt has more in doubt.",
            count=count,
        )
    return Text(
        "Its result settles most: of its {count} blanks {fit} are expected to fit, and no sheet of the melt has more in doubt.",
        fit=fit,
        count=count,
    )


def _serves(sheet: record.NewSheet, beside: Sequence[record.NewSheet]) -> Text | None:
    """How many pipes it serves."""
    mine, most = (len({c.pipe for c in s.cuts}) for s in (sheet, max(beside, key=_pipes, default=sheet)))
    if not mine:
        return None
    if beside and mine >= most:
        return Text("It serves most pipes of the melt's sheets: {count}.", count=mine)
    return Text("It has metal for {count} pipes.", count=mine) if mine > 1 else Text("It has metal for 1 pipe.")


def _pipes(sheet: record.NewSheet) -> int:
    return len({c.pipe for c in sheet.cuts})

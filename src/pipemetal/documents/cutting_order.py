"""The order of work of cutting: which rolls are taken down and which sheets follow each casting day, on one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from pipemetal.documents.plan_sheets import foot_of
from pipemetal.documents.sheet import Block, Columns, Lines, Paragraph, Sheet, table
from pipemetal.documents.typeset import TICK
from pipemetal.planning.cuts import CutRoll
from pipemetal.plans.record import Plan
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["cutting_order_sheet", "in_cutting_order"]

COLUMNS: Final = 3
NO_BREAK: Final = "\u00a0"


def in_cutting_order(plan: Plan, cut_rolls: Sequence[CutRoll]) -> list[CutRoll]:
    """Rolls from the rack as they hang, then sheets to cast as they are poured."""
    poured = {pour.sheet: (pour.day, pour.number) for pour in plan.pours}
    return sorted(
        cut_rolls, key=lambda c: (c.is_new, poured.get(c.roll.id, (0, 0)), "" if c.is_new else c.roll.place, c.roll.id)
    )


def cutting_order_sheet(
    plan: Plan, cut_rolls: Sequence[CutRoll], pages: Mapping[str, int], units: UnitSystem, say: Words
) -> Sheet:
    """All sheets in the order of cutting, each with its place, its blanks and the page of its cutting sheet."""
    days = {pour.sheet: pour.day for pour in plan.pours}
    groups: dict[int, list[CutRoll]] = {}
    for cut_roll in cut_rolls:
        groups.setdefault(days.get(cut_roll.roll.id, 0) if cut_roll.is_new else 0, []).append(cut_roll)
    blocks: list[Block] = [Lines((say("who cuts"), say("who checks"), say("date"), say("saw, blade")), 4)]
    listed: list[Block] = []
    for day, members in groups.items():
        words = say("After casting day {day}", day=day) if day else say("From the rack, at once")
        listed += [Paragraph(words, strong=True), _table(members, pages, units, say, new=bool(day))]
    marks = sorted((mark for c in cut_rolls for mark in c.gauge), key=lambda mark: mark.number)
    gauged = [f"{mark.number}: {mark.roll}" for mark in marks]
    if gauged:
        blocks.append(Paragraph(say("Gauge first, in this order: {places}.", places=", ".join(gauged)), strong=True))
    blocks.append(
        Paragraph(
            say(
                "Measure the check line of each cutting sheet before marking out. A blank drawn with a broken line is gauged on "
                "the metal before it is cut. Cut edges are sharp: wear gloves. The metal holds lead: wash hands before eating."
            ),
            quiet=True,
        )
    )
    if plan.cut_from_right:
        words = "Blanks are numbered from the right end of each drawing, as this shop cuts."
        blocks.append(Paragraph(say(words), strong=True))
    blocks.append(Columns(COLUMNS, tuple(listed)))
    return Sheet(
        say("Order of cutting"),
        f"{plan.organ}, {plan.shop}",
        tuple(blocks),
        landscape=True,
        foot=foot_of(plan, say),
        one=True,
    )


def _table(members: Sequence[CutRoll], pages: Mapping[str, int], units: UnitSystem, say: Words, *, new: bool) -> Block:
    rows = [
        (
            TICK,
            c.roll.id,
            "" if new else c.roll.place.replace(" ", NO_BREAK),
            c.roll.alloy,
            str(len(c.cuts)),
            str(sum(cut.pencil for cut in c.cuts) or ""),
            str(pages.get(c.roll.id, "")),
        )
        for c in members
    ]
    heads = [
        "",
        say("sheet"),
        "" if new else say("place"),
        say("alloy"),
        say("blanks"),
        say("unsure"),
        say("page"),
    ]
    return table(heads, rows, size_pt=7.0)

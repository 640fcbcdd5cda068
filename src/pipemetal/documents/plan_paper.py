"""A plan on paper: cutting sheets, weighing lists, casting days, rank sheets and statements as PDF, tables as a workbook."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from pipemetal.documents.casting_day_sheet import casting_day_sheets
from pipemetal.documents.cutting_order import cutting_order_sheet, in_cutting_order
from pipemetal.documents.cutting_sheet import cutting_pages
from pipemetal.documents.marks import marks_of
from pipemetal.documents.organ_file import organ_file_sheets
from pipemetal.documents.plan_sheets import (
    account_sheet,
    buying_sheet,
    statement_sheet,
    weighing_sheets,
)
from pipemetal.documents.rank_sheet import rank_sheets
from pipemetal.documents.sheet import Block, NewPage, Picture, Sheet, paper_mm
from pipemetal.documents.shown import with_notes_named
from pipemetal.documents.typeset import FOOT_MM, MARGIN_MM, pages_taken, to_pdf
from pipemetal.plans.drawn import drawn_sheets
from pipemetal.plans.record import Plan
from pipemetal.sheets.roll import Roll
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["PAPERS", "cutting_pdf", "cutting_sheets", "plan_paper"]

Make = Callable[[Plan, UnitSystem, Words, str], list[Sheet]]
PAPERS: Mapping[str, Make] = {
    "cutting": lambda plan, units, say, paper: cutting_sheets(plan, units, say, paper),
    "weighing": lambda plan, units, say, _: weighing_sheets(plan, units, say),
    "casting-days": casting_day_sheets,
    "ranks": lambda plan, units, say, _: rank_sheets(plan, units, say),
    "metal-account": lambda plan, units, say, _: [account_sheet(plan, units, say)],
    "to-buy": lambda plan, units, say, _: [buying_sheet(plan, units, say)],
    "alloy-statement": lambda plan, units, say, _: [statement_sheet(plan, units, say)],
    "organ-file": organ_file_sheets,
}
"""What is made of a plan's record alone, by the name of its file."""
KEPT: Final = ("organ-file",)
"""Papers that are kept for long."""
NO_DAY: Final = "2000-01-01"
"""The date that such a paper bears where its plan has none: PDF/A asks for one."""


def cutting_sheets(
    plan: Plan,
    units: UnitSystem,
    say: Words,
    paper: str = "a4",
    *,
    only: str = "",
    rack: Mapping[str, Roll] | None = None,
) -> list[Sheet]:
    """The order of cutting, then a sheet for each roll: its map as wide as the paper lying, and every blank under it.

    `only` one sheet by its id; `rack` as of `plans.drawn.drawn_sheets`.
    """
    height, width = paper_mm(paper)
    room = (width - 2 * MARGIN_MM, height - MARGIN_MM - FOOT_MM - 1.0)
    marks = marks_of(plan.tin_wt_pct or {})
    held = in_cutting_order(plan, [c for c in drawn_sheets(plan, rack) if only in ("", c.roll.id)])
    sheets, first = [], {}
    at = 1
    for cut_roll in held:
        pages = cutting_pages(cut_roll, plan.organ, units, say, room, marks)
        first[cut_roll.roll.id] = at
        at += len(pages)
        blocks: list[Block] = [Picture(pages[0])]
        for page in pages[1:]:
            blocks += [NewPage(), Picture(page)]
        foot = with_notes_named(say("{organ}: cutting sheet of {roll}", organ=plan.organ, roll=cut_roll.roll.id), say)
        running = say("Cutting sheet {roll}", roll=cut_roll.roll.id)
        sheets.append(Sheet("", "", tuple(blocks), landscape=True, foot=foot, running=running))
    if only or not held:
        return sheets
    before = pages_taken(cutting_order_sheet(plan, held, first, units, say), paper, say)
    known = {roll: page + before for roll, page in first.items()}
    return [cutting_order_sheet(plan, held, known, units, say), *sheets]


def cutting_pdf(
    plan: Plan,
    units: UnitSystem,
    say: Words,
    paper: str = "a4",
    *,
    only: str = "",
    rack: Mapping[str, Roll] | None = None,
) -> bytes:
    """Cutting sheets as one PDF; arguments as of `cutting_sheets`."""
    title = say("Cutting sheets of {organ}", organ=plan.organ)
    return to_pdf(cutting_sheets(plan, units, say, paper, only=only, rack=rack), paper, say, title=title)


def plan_paper(name: str, plan: Plan, units: UnitSystem, say: Words, paper: str = "a4") -> bytes:
    """One of `PAPERS` as PDF, from a plan's record: the same bytes for the same plan. What is kept bears the plan's first day."""
    day = next((d.date for d in plan.days if d.date), NO_DAY) if name in KEPT else ""
    return to_pdf(
        PAPERS[name](plan, units, say, paper),
        paper,
        say,
        title=f"{plan.organ}: {say(name)}".replace("-", " "),
        archive=day,
    )

"""A plan on paper: cutting sheets, weighing lists, casting days, rank sheets and statements as PDF, tables as a workbook."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from pipemetal.documents.casting_day_sheet import casting_day_sheets
from pipemetal.documents.chances import chance_text, name_with_labour
from pipemetal.documents.cutting_sheet import close_up_drawings, cutting_sheet, map_factor
from pipemetal.documents.plan_sheets import (
    account_sheet,
    buying_sheet,
    statement_sheet,
    weighing_sheets,
)
from pipemetal.documents.rank_sheet import rank_sheets
from pipemetal.documents.sheet import Block, Columns, NewPage, Picture, Sheet, paper_mm, table
from pipemetal.documents.typeset import MARGIN_MM, to_pdf
from pipemetal.planning.cuts import CutRoll
from pipemetal.plans.record import Plan
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["PAPERS", "cutting_pdf", "cutting_sheets", "plan_paper"]

FOOT_MM = 16.0
LIST_PT = 7.2
MAP_SHARE = 0.72
"""Most of the page's height that head, map and legend take."""

PAPERS: Mapping[str, Callable[[Plan, UnitSystem, Words], list[Sheet]]] = {
    "weighing": weighing_sheets,
    "casting-days": casting_day_sheets,
    "ranks": rank_sheets,
    "metal-account": lambda plan, units, say: [account_sheet(plan, units, say)],
    "to-buy": lambda plan, units, say: [buying_sheet(plan, units, say)],
    "alloy-statement": lambda plan, units, say: [statement_sheet(plan, units, say)],
}
"""What is made of a plan's record alone, by the name of its file."""


def cutting_sheets(
    cut_rolls: Sequence[CutRoll], organ_name: str, units: UnitSystem, say: Words, paper: str = "a4"
) -> list[Sheet]:
    """A sheet for each roll: its map as wide as the paper lying, and every blank under it in the order of marking out."""
    height, width = paper_mm(paper)
    width, height = width - 2 * MARGIN_MM, height - MARGIN_MM - FOOT_MM
    sheets = []
    for cut_roll in cut_rolls:
        whole = cutting_sheet(
            cut_roll,
            organ_name,
            units,
            say,
            page_mm=width,
            most_high_mm=MAP_SHARE * height,
            margin_mm=0.0,
            with_list=False,
        )
        blocks: list[Block] = [Picture(whole)]
        if cut_roll.cuts:
            blocks.append(Columns(2, (_cut_table(cut_roll, units, say),)))
        factor = map_factor(cut_roll.roll, width, MAP_SHARE * height, 0.0)
        for part in close_up_drawings(cut_roll, units, say, width, 0.94 * height, factor):
            blocks += [NewPage(), Picture(part)]
        foot = say("{organ}: cutting sheet of {roll}", organ=organ_name, roll=cut_roll.roll.id)
        sheets.append(Sheet("", "", tuple(blocks), landscape=True, foot=foot))
    return sheets


def _cut_table(cut_roll: CutRoll, units: UnitSystem, say: Words) -> Block:
    def walls(mouth_mm: float, top_mm: float) -> str:
        return f"{units.bare_wall(mouth_mm)}/{units.bare_wall(top_mm)}"

    heads = [
        say("no."),
        say("blank"),
        say("size {unit}", unit=units.length),
        say("at x, y"),
        say("wants {unit}", unit=units.wall_unit),
        say("has"),
        say("turn"),
        say("fits"),
    ]
    rows = [
        (
            str(cut.number),
            name_with_labour(cut, units, say),
            f"{units.bare_length(cut.box[0])} x {units.bare_length(cut.box[1])}",
            f"{units.bare_length(cut.placement.x_mm)}, {units.bare_length(cut.placement.y_mm)}",
            walls(*cut.wanted_mm),
            walls(cut.actual_mouth_mm, cut.actual_top_mm),
            f"{cut.placement.turn_deg}°" if cut.placement.turn_deg else "",
            chance_text(cut.chance),
        )
        for cut in cut_roll.cuts
    ]
    return table(heads, rows, shares=(0, 1, 0, 0, 0, 0, 0, 0), size_pt=LIST_PT)


def cutting_pdf(
    cut_rolls: Sequence[CutRoll], organ_name: str, units: UnitSystem, say: Words, paper: str = "a4"
) -> bytes:
    """All cutting sheets as one PDF."""
    return to_pdf(cutting_sheets(cut_rolls, organ_name, units, say, paper), paper, say.language)


def plan_paper(name: str, plan: Plan, units: UnitSystem, say: Words, paper: str = "a4") -> bytes:
    """One of `PAPERS` as PDF, from a plan's record."""
    return to_pdf(PAPERS[name](plan, units, say), paper, say.language)

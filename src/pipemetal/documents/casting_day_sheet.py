"""The casting days of a plan on paper: one page with the day's order of work, then a card for each pour, two a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Final

from pipemetal.documents.day_picture import day_picture
from pipemetal.documents.marks import marks_of
from pipemetal.documents.plan_sheets import foot_of
from pipemetal.documents.pour_card import band_text, clock_of, pour_card_drawing
from pipemetal.documents.sheet import (
    Block,
    Cautions,
    Heading,
    Lines,
    NewPage,
    Paragraph,
    Picture,
    Sheet,
    paper_mm,
    table,
)
from pipemetal.documents.typeset import FOOT_MM, MARGIN_MM, TICK
from pipemetal.plans.record import CastingDay, Plan, Pour
from pipemetal.texts import clock_text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["casting_day_sheets"]

DAY_PICTURE_MM: Final = 175.0
BETWEEN_MM: Final = 4.0


def casting_day_sheets(plan: Plan, units: UnitSystem, say: Words, paper: str = "a4") -> list[Sheet]:
    """For each casting day its order of work on one page, cautions on top, and a sheet of cards in the order of pouring."""
    sheets = []
    for day, held in groupby(plan.pours, key=lambda p: p.day):
        pours = list(held)
        sheets += [_order(plan, day, pours, units, say), _cards(plan, day, pours, units, say, paper)]
    return sheets


def _title(plan: Plan, day: int, say: Words) -> str:
    date = next((d.date for d in plan.days if d.day == day), "")
    title = say("Casting day {day}", day=day)
    return f"{title}, {say.date(date)}" if date else title


def _order(plan: Plan, day: int, pours: Sequence[Pour], units: UnitSystem, say: Words) -> Sheet:
    """What is prepared, melted and poured, when, and by whom."""
    hours = [picked for picked in plan.days if picked.day == day]
    blocks: list[Block] = [
        Cautions(say("Read first"), tuple(say.read(text, units) for text in plan.cautions)),
        Lines((say("who pours"), say("who pushes"), say("who writes"), say("date, table at the start")), 4),
    ]
    if hours:
        blocks.append(Picture(day_picture(hours, say, DAY_PICTURE_MM)))
    blocks += [
        *_prepared(pours, units, say),
        *_melted(plan, hours, pours, units, say),
        Heading(say("Poured in this order")),
        _pours(pours, units, say, by_clock=bool(hours)),
        *_beside(pours, units, say),
        Paragraph(
            say(
                "The crew reads a card before the push, not during it. Bands are soft: the metal's look decides. Stone "
                "temperatures are planned; a measured one always wins."
            ),
            quiet=True,
        ),
    ]
    return Sheet(_title(plan, day, say), f"{plan.organ}, {plan.shop}", tuple(blocks), foot=foot_of(plan, say), one=True)


def _prepared(pours: Sequence[Pour], units: UnitSystem, say: Words) -> list[Block]:
    """What stands ready before the first pour."""
    sleds = list(dict.fromkeys(p.sled for p in pours if p.sled))
    tables = list(dict.fromkeys(p.table for p in pours if p.table))
    gates = [p.card.gate_mm for p in pours if p.card is not None]
    scoops = max((p.card.scoops for p in pours if p.card is not None), default=0)
    told = [
        (say("sleds, warm"), ", ".join(sleds)),
        (say("tables, cloth looked at"), ", ".join(tables)),
        (
            say("gate"),
            f"{units.bare_length(min(gates), 1)} – {units.show_length(max(gates), 1)}" if gates else "",
        ),
        (say("scoops at most"), str(scoops) if scoops else ""),
        (say("longest sheet"), units.show_length(max(p.length_mm for p in pours))),
        (say("side bars"), ", ".join(p.sheet for p in pours if p.side_bars)),
    ]
    rows = [(TICK, what, value) for what, value in told if value]
    heads = ["", say("made ready"), ""]
    return [table(heads, rows, shares=(0, 0, 1), size_pt=8.5)]


def _melted(
    plan: Plan, hours: Sequence[CastingDay], pours: Sequence[Pour], units: UnitSystem, say: Words
) -> list[Block]:
    """The day's melts: what is weighed, and when the burner is lit and the metal ready."""
    names = list(dict.fromkeys([*(m for day in hours for m in day.melts), *(p.melt for p in pours)]))
    rows = []
    for melt in (m for name in names for m in plan.melts if m.name == name):
        fire = next((found for day in hours if (found := day.fire_min(melt.name)) is not None), None)
        charge = melt.charge
        rows.append(
            (
                TICK,
                melt.name,
                melt.recipe,
                units.bare_mass(charge.charged_kg) if charge is not None else "–",
                str(len(charge.lots)) if charge is not None else "",
                clock_text(fire[0]) if fire else "",
                clock_text(fire[1]) if fire else "",
                ", ".join(p.sheet for p in pours if p.melt == melt.name),
            )
        )
    heads = [
        "",
        say("melt"),
        say("alloy"),
        units.mass,
        say("lot"),
        say("burner on"),
        say("ready about"),
        say("sheets"),
    ]
    return [table(heads, rows, shares=(0, 0, 0, 0, 0, 0, 0, 1), size_pt=8.5)] if rows else []


def _pours(pours: Sequence[Pour], units: UnitSystem, say: Words, *, by_clock: bool) -> Block:
    rows = [
        (
            TICK,
            pour.number,
            clock_of(pour),
            pour.sheet,
            pour.alloy,
            pour.melt,
            pour.sled,
            band_text(pour, units),
            pour.card.scoops if pour.card else "",
            units.bare_mass(pour.charge_kg),
            units.bare_length(pour.card.gate_mm, 1) if pour.card else "",
            units.number(pour.card.push_time_s, 1) if pour.card else "",
        )
        for pour in pours
    ]
    heads = [
        "",
        say("no."),
        say("o'clock") if by_clock else say("after"),
        say("sheet"),
        say("alloy"),
        say("melt"),
        say("sled"),
        say("pour at"),
        say("scoops"),
        units.mass,
        say("gate {unit}", unit=units.length),
        say("push s"),
    ]
    return table(heads, rows, size_pt=8.5)


def _beside(pours: Sequence[Pour], units: UnitSystem, say: Words) -> list[Block]:
    """Practice and model side by side, and what of the log decides: each once, with the sheets that it is said of."""
    sheets: dict[tuple[str, ...], list[str]] = {}
    for pour in pours:
        for b in pour.beside:
            key = tuple(say.read(text, units) for text in (b.what, b.practice, b.log))
            sheets.setdefault(key, []).append(pour.sheet)
    rows = [(*key, ", ".join(names) if len(names) < len(pours) else say("all")) for key, names in sheets.items()]
    heads = ["", say("by hand and eye"), say("the log decides by"), say("sheets")]
    return [table(heads, rows, shares=(0, 1.2, 1.2, 0.6), size_pt=7.5)] if rows else []


def _cards(plan: Plan, day: int, pours: Sequence[Pour], units: UnitSystem, say: Words, paper: str) -> Sheet:
    """A card for each pour, two a page."""
    width, height = paper_mm(paper)
    size = (width - 2 * MARGIN_MM, (height - MARGIN_MM - FOOT_MM - BETWEEN_MM) / 2.0 - 1.0)
    marks = _marks(plan)
    blocks: list[Block] = []
    for number, pour in enumerate(pours):
        if number and number % 2 == 0:
            blocks.append(NewPage())
        blocks.append(Picture(pour_card_drawing(pour, size, units, say, marks)))
    running = f"{_title(plan, day, say)}: {say('pour cards')}"
    return Sheet("", "", tuple(blocks), foot=foot_of(plan, say), running=running, named=True)


def _marks(plan: Plan) -> Mapping[str, str]:
    return marks_of(plan.tin_wt_pct or {})

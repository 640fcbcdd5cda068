"""What a plan gives to the bench on paper: weighing lists, casting days, the metal account, buying list and alloy statement.

All from the plan's record, so that a plan that was written before can be printed again.
"""

from __future__ import annotations

from typing import Final

from pipemetal.documents.rank_sheet import WOOD, of_what
from pipemetal.documents.sheet import Block, Cautions, Columns, Heading, Lines, Paragraph, Sheet, table
from pipemetal.documents.shown import with_notes_named
from pipemetal.documents.typeset import TICK
from pipemetal.plans.record import CastingDay, Charged, Melt, PipeRow, Plan
from pipemetal.plans.unserved import served_pipes
from pipemetal.texts import clock_text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["account_sheet", "buying_sheet", "foot_of", "statement_sheet", "weighing_sheets"]

SHOWN_WT_PCT: Final = 0.005


def weighing_sheets(plan: Plan, units: UnitSystem, say: Words) -> list[Sheet]:
    """A weighing list for each melt, in the order of loading, with boxes to tick and room for what the scale says."""
    return [_weighing(plan, melt, units, say) for melt in plan.melts]


def _weighing(plan: Plan, melt: Melt, units: UnitSystem, say: Words) -> Sheet:
    title = say("Melt {name}: {recipe}", name=melt.name, recipe=melt.recipe)
    subtitle = f"{plan.organ}, {plan.shop}"
    told = tuple(say.read(text, units) for text in plan.cautions[:1])
    cautions = Cautions(say("Before anything goes into the pot"), told)
    charge, day = melt.charge, plan.day_of(melt.name)
    if charge is None:
        why = melt.blocked.words if melt.blocked is not None else ""
        blocked = Paragraph(say("Cannot be charged: {words}.", words=say.read(why, units)), strong=True)
        return Sheet(title, subtitle, (cautions, blocked), foot=foot_of(plan, say))
    where = f"{say('in pot {pot}', pot=melt.pot)}, " if melt.pot else ""
    heel = say("on a heel of {mass}", mass=units.show_mass(melt.heel_kg)) if melt.heel_kg else say("into an empty pot")
    rows = [
        (
            TICK,
            say.read(lot.shown),
            say(lot.kind),
            units.show_weighed(lot.mass_kg).rsplit(" ", 1)[0],
            lot.pieces or "",
            "",
            say.read(lot.note, units) or lot.composition,
        )
        for lot in charge.lots
    ]
    heads = ["", say("lot"), say("kind"), units.mass, say("pieces"), say("scale says"), say("what it is")]
    blocks: list[Block] = [cautions]
    if melt.pot_emptied_before:
        blocks.append(Paragraph(say("Empty the pot first: what is in it would spoil this melt."), strong=True))
    blocks += [
        Paragraph(
            say(
                "{mass} to weigh, {heel}, for {sheets}.",
                mass=units.show_mass(charge.charged_kg),
                heel=where + heel,
                sheets=", ".join(melt.sheets),
            ),
            strong=True,
        ),
        table(heads, rows, shares=(0, 0, 0, 0, 0, 1.1, 2), tall=True, size_pt=10.5),
        Paragraph(say("In the order of loading: lead first, tin last. Everything dry and warm.")),
        Heading(say("What it should be")),
        _composition(charge, units, say),
        *([Paragraph(_fire_words(day, melt.name, say), strong=True)] if day is not None else []),
        Paragraph(_heat_words(charge, units, say)),
        *([Paragraph(_ingot_words(charge, units, say), strong=True)] if charge.ingots_lot else []),
        Paragraph(
            say("Between: 95 %, from the analyses of the lots. The pot's assay decides, not this table."), quiet=True
        ),
        Lines(
            (
                say("weighed by, date"),
                say("assay of the pot"),
                say("dross skimmed, {unit}", unit=units.mass),
                say("pot temperature"),
                say("left in the pot, {unit}", unit=units.mass),
                say("remarks"),
            )
        ),
    ]
    return Sheet(title, subtitle, tuple(blocks), foot=foot_of(plan, say))


def foot_of(plan: Plan, say: Words) -> str:
    """The foot of every page of a plan."""
    return with_notes_named(say("{organ}, planned by {program}", organ=plan.organ, program=plan.program), say)


def _composition(charge: Charged, units: UnitSystem, say: Words) -> Block:
    def window(element: str) -> str:
        if element not in charge.window_wt_pct:
            return say("free")
        low, high = charge.window_wt_pct[element]
        return f"{_short(low, units)} – {_short(high, units)}"

    rows = [
        (
            element,
            units.number(value, 2),
            " – ".join(units.number(edge, 2) for edge in charge.interval_wt_pct[element]),
            window(element),
        )
        for element, value in charge.composition_wt_pct.items()
        if value >= SHOWN_WT_PCT
    ]
    return table([say("element"), "%", say("between"), say("limits")], rows)


def _short(value: float, units: UnitSystem) -> str:
    text = f"{value:g}"
    return text.replace(".", ",") if units.comma else text


def _ingot_words(charge: Charged, units: UnitSystem, say: Words) -> str:
    return say(
        "Cast what is left into ingots, {mass}: lot {lot}, for a later melt.",
        mass=units.show_mass(charge.ingots_kg),
        lot=charge.ingots_lot,
    )


def _fire_words(day: CastingDay, melt: str, say: Words) -> str:
    lit, ready = day.fire_min(melt) or (day.lit_min, day.lit_min)
    words = "Day {day}: burner on at {lit}, metal ready about {ready}."
    if day.melts and melt != day.melts[0]:
        words = "Day {day}, in the pot still hot from {before}: burner on at {lit}, metal ready about {ready}."
    told = f"{day.day}, {say.date(day.date)}" if day.date else str(day.day)
    before = day.melts[day.melts.index(melt) - 1] if melt in day.melts else ""
    return say(words, day=told, lit=clock_text(lit), ready=clock_text(ready), before=before)


def _heat_words(charge: Charged, units: UnitSystem, say: Words) -> str:
    heat = charge.heat
    return say(
        "About {hours} h to melt: {gas} m³ of natural gas or {propane} of propane. {dross} of metal go with the dross; "
        "{left} stay in the pot.",
        hours=units.number(heat.hours, 1),
        gas=units.number(heat.natural_gas_m3, 1),
        propane=units.show_mass(heat.propane_kg),
        dross=units.show_mass(charge.dross_kg),
        left=units.show_mass(charge.left_kg, 0),
    )


def account_sheet(plan: Plan, units: UnitSystem, say: Words) -> Sheet:
    """Where the metal comes from and where it goes, by alloy."""
    metal = plan.metal
    by_alloy = [*metal.by_alloy.items(), (say("in all"), metal.in_all)]
    heads = [say("place"), *(name for name, _ in by_alloy)]
    rows = [
        (say(place.removesuffix("_kg").replace("_", " ")), *(units.bare_mass(row[place]) for _, row in by_alloy))
        for place in metal.in_all
    ]
    by_element = metal.by_element_kg
    elements = sorted(
        {e for row in by_element.values() for e in row}, key=lambda e: -sum(r.get(e, 0.0) for r in by_element.values())
    )
    element_rows = [
        (say(place.replace("_", " ")), *(units.bare_mass(row.get(e, 0.0), 2) for e in elements))
        for place, row in by_element.items()
    ]
    words = say(
        "What comes in and what goes out differ by {mass}. Planned figures; the shop book holds what was weighed.",
        mass=units.show_mass(metal.unexplained_kg, 3),
    )
    return Sheet(
        say("Metal account"),
        f"{plan.organ}, {plan.shop}",
        (
            table(heads, rows),
            Paragraph(words),
            Paragraph(
                say(
                    "Pipes weigh what the sheets and rolls that are cut have there, each of its own thickness within the "
                    "tolerance; by the walls asked for they are {mass}.",
                    mass=units.show_mass(sum(p.cast_kg for p in served_pipes(plan))),
                ),
                quiet=True,
            ),
            Heading(say("By element, {unit}", unit=units.mass)),
            table([say("place"), *elements], element_rows, size_pt=8.0),
        ),
        foot=foot_of(plan, say),
    )


def buying_sheet(plan: Plan, units: UnitSystem, say: Words) -> Sheet:
    """What a plan needs that the floor and the rack do not have."""
    metal = [(TICK, element, units.bare_mass(mass), "") for element, mass in plan.to_buy_kg.items()]
    sheets = [
        (
            TICK,
            s.metal,
            units.show_length(s.thickness_mm, 2),
            s.blanks,
            units.bare_area(s.blank_area_m2),
            units.bare_mass(s.blank_kg),
        )
        for s in plan.sheets_to_buy
    ]
    blocks: list[Block] = [Heading(say("Metal for the pot"))]
    blocks.append(
        table(["", say("metal"), units.mass, say("ordered, from whom")], metal, shares=(0, 0, 0, 1), tall=True)
        if metal
        else Paragraph(say("Nothing: the floor serves every melt."))
    )
    if sheets:
        blocks += [
            Heading(say("Sheet that is not cast")),
            table(["", say("metal"), say("thick"), say("blanks"), units.area_unit, units.mass], sheets, tall=True),
            Paragraph(say("Blanks alone: the waste of cutting is to be added."), quiet=True),
        ]
    waiting = plan.lots_without_analysis
    if waiting:
        blocks.append(Paragraph(say("Waiting for an assay, not charged: {lots}.", lots=", ".join(waiting))))
    blocks.append(Paragraph(say("Whole pigs, suppliers and the latest day to order: pipemetal metal buy."), quiet=True))
    return Sheet(say("To buy"), f"{plan.organ}, {plan.shop}", tuple(blocks), foot=foot_of(plan, say))


def statement_sheet(plan: Plan, units: UnitSystem, say: Words) -> Sheet:
    """For the customer's file: which alloy each rank is of, and what its metal is, rolls from the rack and new melts."""
    ranks: dict[str, list[PipeRow]] = {}
    for pipe in plan.pipes:
        ranks.setdefault(pipe.rank, []).append(pipe)
    rows = [
        (rank, say(what), len(held), "" if what == WOOD else units.bare_mass(sum(p.mass_kg for p in held)))
        for rank, pipes in ranks.items()
        for what, held in of_what(pipes).items()
    ]
    melts = [_melt_line(melt, melt.charge, units, say) for melt in plan.melts if melt.charge is not None]
    rolls = [(r.id, r.alloy, units.bare_mass(r.blanks_kg), r.place) for r in plan.rolls_used]
    return Sheet(
        say("Alloy statement"),
        f"{plan.organ}, {plan.shop}",
        (
            Heading(say("Ranks")),
            table([say("rank"), say("alloy"), say("pipes"), units.mass], rows, shares=(2, 1, 0, 0)),
            Heading(say("New metal, as charged")),
            table(
                [say("melt"), say("recipe"), say("% by mass, rest lead"), say("tin, 95 %"), say("lots")],
                melts,
                shares=(0, 0, 1.4, 0, 1),
            ),
            Heading(say("Rolls from the rack")),
            Columns(
                2,
                (
                    table(
                        [say("roll"), say("alloy"), say("blanks {unit}", unit=units.mass), say("place")],
                        rolls,
                        size_pt=8.0,
                    ),
                ),
            ),
            Paragraph(
                say(
                    "Planned from the lots' analyses; an assay of each melt replaces these figures. Names of alloys are "
                    "the shop's recipes, not a standard."
                ),
                quiet=True,
            ),
            Lines((say("place, date"), say("signed"))),
        ),
        foot=foot_of(plan, say),
    )


def _melt_line(melt: Melt, charge: Charged, units: UnitSystem, say: Words) -> tuple[str, ...]:
    low, high = charge.interval_wt_pct.get("Sn", (0.0, 0.0))
    metal = (
        f"{e} {units.number(v, 2)}" for e, v in charge.composition_wt_pct.items() if v >= SHOWN_WT_PCT and e != "Pb"
    )
    return (
        melt.name,
        melt.recipe,
        " ".join(metal),
        f"± {units.number((high - low) / 2.0, 2)}" if "Sn" in charge.interval_wt_pct else "",
        ", ".join(say.read(lot.shown) for lot in charge.lots),
    )

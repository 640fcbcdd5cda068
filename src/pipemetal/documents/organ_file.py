"""The organ's file, for the client and to be kept: metal, pipes, scales, drawings, and where each rank's metal comes from."""

from __future__ import annotations

from typing import Final

from pipemetal.documents.pictures import half_tone_picture
from pipemetal.documents.plan_sheets import foot_of, statement_sheet
from pipemetal.documents.rank_drawing import rank_drawing
from pipemetal.documents.rank_sheet import WOOD, of_what, rank_sheets
from pipemetal.documents.sheet import Block, Heading, NewPage, Paragraph, Picture, Sheet, paper_mm, table
from pipemetal.documents.typeset import FOOT_MM, MARGIN_MM
from pipemetal.pipes.rank import said_construction
from pipemetal.plans.record import NewSheet, PipeRow, Plan
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["organ_file_sheets"]

DRAWINGS_A_PAGE: Final = 3
NO_BREAK: Final = "\u00a0"


def organ_file_sheets(plan: Plan, units: UnitSystem, say: Words, paper: str = "a4") -> list[Sheet]:
    """Its first page with what the file holds, the alloy statement, the origin of the metal, scales, drawings, and all pipes."""
    ranks = _ranks(plan)
    return [
        _first(plan, ranks, units, say),
        statement_sheet(plan, units, say),
        _origin(plan, ranks, units, say),
        *_scales(plan, say, paper),
        *_drawings(plan, ranks, units, say, paper),
        *rank_sheets(plan, units, say),
    ]


def _ranks(plan: Plan) -> dict[str, list[PipeRow]]:
    found: dict[str, list[PipeRow]] = {}
    for pipe in plan.pipes:
        found.setdefault(pipe.rank, []).append(pipe)
    return found


def _first(plan: Plan, ranks: dict[str, list[PipeRow]], units: UnitSystem, say: Words) -> Sheet:
    heads = [say("rank"), say("division"), say("made as"), say("of"), say("pipes"), units.mass]
    rows = [
        (
            rank,
            pipes[0].division,
            ", ".join(say(said_construction(name)) for name in dict.fromkeys(p.construction for p in pipes)),
            ", ".join(say(what) for what in of_what(pipes)),
            len(pipes),
            units.bare_mass(sum(p.mass_kg for p in pipes if p.made != WOOD)),
        )
        for rank, pipes in ranks.items()
    ]
    words = say(
        "{ranks} ranks, {pipes} pipes, {mass} of metal in the finished pipes. This file holds the alloys, where each rank's "
        "metal comes from, the scales, drawings and the measures of every pipe.",
        ranks=len(ranks),
        pipes=len(plan.pipes),
        mass=units.show_mass(sum(p.mass_kg for p in plan.pipes if p.made != WOOD)),
    )
    kept = say(
        "Figures are those of the plan. What was measured when the metal was cast and the pipes were made stands in the shop "
        "book. The metal holds lead: local law says how pipes are handled, repaired and thrown away."
    )
    blocks: tuple[Block, ...] = (
        Paragraph(words),
        table(heads, rows, shares=(2, 1, 1.4, 1.2, 0, 0)),
        Paragraph(kept),
        Paragraph(say("Kept as PDF/A-2b (ISO 19005-2): letters and pictures are within the file."), quiet=True),
    )
    return Sheet(say("Organ file: {organ}", organ=plan.organ), plan.shop, blocks, foot=foot_of(plan, say))


def _origin(plan: Plan, ranks: dict[str, list[PipeRow]], units: UnitSystem, say: Words) -> Sheet:
    """From which rolls and melts each rank is cut, and of which lots the melts are."""
    melt_of = {pour.sheet: pour.melt for pour in plan.pours}
    rows = []
    for rank in ranks:
        rolls: dict[str, float] = {}
        melts: dict[str, float] = {}
        for sheet in plan.sheets:
            mass = sum(cut.mass_kg for cut in sheet.cuts if cut.rank == rank)
            if not mass:
                continue
            if isinstance(sheet, NewSheet):
                melt = melt_of.get(sheet.id, "–")
                melts[melt] = melts.get(melt, 0.0) + mass
            else:
                rolls[sheet.id] = mass
        cut = sum(rolls.values()) + sum(melts.values())
        rows.append((rank, _listed(rolls, units), _listed(melts, units), units.bare_mass(cut)))
    heads = [
        say("rank"),
        say("from rolls of the rack, {unit}", unit=units.mass),
        say("from new melts, {unit}", unit=units.mass),
        say("cut, {unit}", unit=units.mass),
    ]
    in_all = sum(cut.mass_kg for sheet in plan.sheets for cut in sheet.cuts)
    rows.append((say("in all"), "", "", units.bare_mass(in_all)))
    lots: list[tuple[str, ...]] = [
        (melt.name, melt.recipe, "", say("what the melt before left in the pot"), units.bare_mass(melt.heel_kg))
        for melt in plan.melts
        if melt.heel_kg
    ]
    lots += [
        (
            melt.name,
            melt.recipe,
            say.read(lot.shown),
            say.read(lot.note, units) or lot.composition,
            units.bare_mass(lot.mass_kg),
        )
        for melt in plan.melts
        for lot in melt.lots
    ]
    lot_heads = [say("melt"), say("alloy"), say("lot"), say("what it is"), units.mass]
    blocks: tuple[Block, ...] = (
        table(heads, rows, shares=(1, 2.2, 1.2, 0), size_pt=8.0),
        Paragraph(
            say(
                "Masses are those of the blanks as they are cut; finished pipes weigh less by trims, joints and planing."
            ),
            quiet=True,
        ),
        Heading(say("What the new melts are of")),
        table(lot_heads, lots, shares=(0, 0, 0, 1, 0), size_pt=8.0),
        Paragraph(
            say(
                "The shop book holds invoices and analyses of the lots; `pipemetal book trace` follows a pipe to them."
            ),
            quiet=True,
        ),
    )
    return Sheet(say("Where the metal comes from"), f"{plan.organ}, {plan.shop}", blocks, foot=foot_of(plan, say))


def _listed(masses_kg: dict[str, float], units: UnitSystem) -> str:
    shown = ((name, units.bare_mass(mass)) for name, mass in masses_kg.items())
    return "; ".join(f"{name}{NO_BREAK}{mass}" for name, mass in shown if float(mass.replace(",", ".")) > 0.0)


def _scales(plan: Plan, say: Words, paper: str) -> list[Sheet]:
    """The scales of each division."""
    divisions: dict[str, list[PipeRow]] = {}
    for pipe in plan.pipes:
        divisions.setdefault(pipe.division, []).append(pipe)
    width = paper_mm(paper)[0] - 2 * MARGIN_MM
    pictures: list[Block] = [
        Picture(
            half_tone_picture(
                pipes, say("{division}: scales in half tones, at sounding pitch", division=division), width, say
            )
        )
        for division, pipes in divisions.items()
        if len({p.key for p in pipes}) > 1
    ]
    if not pictures:
        return []
    return [Sheet(say("Scales"), f"{plan.organ}, {plan.shop}", tuple(pictures), foot=foot_of(plan, say))]


def _drawings(plan: Plan, ranks: dict[str, list[PipeRow]], units: UnitSystem, say: Words, paper: str) -> list[Sheet]:
    """Every rank from the front, some to a page."""
    width, height = paper_mm(paper)
    size = (width - 2 * MARGIN_MM, (height - MARGIN_MM - FOOT_MM - 16.0) / DRAWINGS_A_PAGE - 3.0)
    drawn = [picture for pipes in ranks.values() if (picture := rank_drawing(pipes, *size, units, say)) is not None]
    if not drawn:
        return []
    pages = -(-len(drawn) // DRAWINGS_A_PAGE)
    blocks: list[Block] = []
    for page in range(pages):
        held = drawn[page * len(drawn) // pages : (page + 1) * len(drawn) // pages]
        blocks += [*([NewPage()] if page else []), *(Picture(picture) for picture in held)]
    return [Sheet(say("Drawings"), f"{plan.organ}, {plan.shop}", tuple(blocks), foot=foot_of(plan, say))]

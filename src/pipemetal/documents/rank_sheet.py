"""The rank sheet for pipe maker and voicer: every pipe's measures, the scale as a picture, masses, and stresses flagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.documents.pictures import half_tone_picture
from pipemetal.documents.sheet import Block, Heading, Lines, Paragraph, Picture, Sheet, table
from pipemetal.documents.shown import with_notes_named
from pipemetal.pipes.rank import said_construction
from pipemetal.plans.record import PipeRow, Plan
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["WOOD", "of_what", "rank_sheets"]

PICTURE_MM = 180.0
WOOD = "wood"


@dataclass(frozen=True)
class _Key:
    """A pipe as a point of the scale picture."""

    rank: str
    choir: int
    footage: str
    key: int
    half_tones: float


def rank_sheets(plan: Plan, units: UnitSystem, say: Words) -> list[Sheet]:
    """A sheet for each rank of a plan, in the order of the organ."""
    ranks = dict.fromkeys(pipe.rank for pipe in plan.pipes)
    return [_rank_sheet(plan, rank, [p for p in plan.pipes if p.rank == rank], units, say) for rank in ranks]


def of_what(pipes: Sequence[PipeRow]) -> dict[str, list[PipeRow]]:
    """The pipes by what they are made of: an alloy, a bought metal, or wood."""
    found: dict[str, list[PipeRow]] = {}
    for pipe in pipes:
        found.setdefault(WOOD if pipe.made == WOOD else pipe.alloy, []).append(pipe)
    return found


def _rank_sheet(plan: Plan, rank: str, pipes: Sequence[PipeRow], units: UnitSystem, say: Words) -> Sheet:
    first = pipes[0]
    held = of_what(pipes)
    words = say(
        "{count} pipes of {alloy}, {construction}, {mass} finished. Lengths and inner diameters: {unit}; walls: {wall}; "
        "body without tuning length.",
        count=len(pipes),
        alloy=", ".join(say(what) if len(held) == 1 else f"{say(what)} ({len(ps)})" for what, ps in held.items()),
        mass=units.show_mass(sum(p.mass_kg for p in pipes)),
        construction=", ".join(say(said_construction(name)) for name in dict.fromkeys(p.construction for p in pipes)),
        unit=units.length,
        wall=units.wall_unit,
    )
    blocks: list[Block] = [Paragraph(words)]
    if len({p.key for p in pipes}) > 1:
        points = [_Key(rank, p.choir, p.footage, p.key, p.half_tones) for p in pipes]
        title = say("{rank}: scale in half tones, at sounding pitch", rank=rank)
        blocks.append(Picture(half_tone_picture(points, title, PICTURE_MM, say)))
    sources = dict.fromkeys(p.wall_source for p in pipes if p.wall_source)
    walls = "; ".join(say(source) for source in sources) or say("as the rank's file says")
    blocks += [
        *_flagged(pipes, units, say),
        Paragraph(
            say("Walls: {sources}. Stress at the toe: its metal under the pipe's own weight.", sources=walls),
            quiet=True,
        ),
        Lines((say("made by, date"), say("voiced by, date"), say("changed when voiced"), say("remarks")), 4),
        Heading(say("Pipes")),
        _pipe_table(pipes, units, say),
    ]
    subtitle = f"{plan.organ}, {first.division}, {plan.shop}"
    return Sheet(rank, subtitle, tuple(blocks), foot=with_notes_named(plan.organ, say))


def _pipe_table(pipes: Sequence[PipeRow], units: UnitSystem, say: Words) -> Block:
    heads = [
        say("note"),
        "Ø",
        say("½ tones"),
        say("mouth"),
        say("cut-up"),
        say("body"),
        say("foot"),
        say("wall at mouth"),
        say("at top"),
        say("foot's"),
        say("languid"),
        say("flue"),
        say("toe bore"),
        units.mass,
        say("MPa at toe"),
        "",
    ]
    return table(heads, [_pipe_line(p, units) for p in pipes], shares=(1.6, *(1.0,) * 14, 0.0), size_pt=8.0)


def _pipe_line(p: PipeRow, units: UnitSystem) -> tuple[str, ...]:
    """A pipe's measures; one of wood has no metal to measure."""
    size, metal = units.bare_length, p.made != WOOD
    walls = (
        p.thickness_mouth_mm,
        p.thickness_top_mm,
        p.thickness_foot_mm,
        p.languid_thickness_mm,
        p.flue_mm,
    )
    return (
        _note(p),
        size(p.diameter_mm, 1),
        units.number(p.half_tones, 1),
        size(p.mouth_width_mm, 1),
        size(p.cut_up_mm, 1),
        size(p.body_length_mm),
        size(p.foot_length_mm),
        *(units.bare_wall(wall) if metal else "" for wall in walls),
        size(p.toe_bore_mm, 1) if metal else "",
        units.bare_mass(p.mass_kg, 2) if metal else "",
        units.number(p.stress_toe_mpa, 1) if metal else "",
        "!" if p.toe_flag else "",
    )


def _note(pipe: PipeRow) -> str:
    """The note, with the footage where a rank has several."""
    return f"{pipe.note} {pipe.footage}" if pipe.choir > 1 or "/" in pipe.footage else pipe.note


def _flagged(pipes: Sequence[PipeRow], units: UnitSystem, say: Words) -> list[Block]:
    flagged = [p for p in pipes if p.toe_flag]
    if not flagged:
        return []
    worst = max(flagged, key=lambda p: p.stress_toe_mpa)
    words = say(
        "! marks pipes whose toes bear much for their alloy: {notes}; most at {note}, {stress} MPa.",
        notes=", ".join(p.note for p in flagged),
        note=worst.note,
        stress=units.number(worst.stress_toe_mpa, 1),
    )
    return [Paragraph(words, strong=True)]

"""The first part of a dossier: what was measured on the old pipes, and how."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pipemetal.documents.sheet import Block, Heading, Paragraph, table
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.old import CONDITION_WORDS
from pipemetal.restoration.record import SURE_95, FoundPipe, Restoration
from pipemetal.restoration.says import Said
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["SIZE_WORDS", "WEIGHING", "measured_blocks", "shown_of", "unit_of"]

SIZE_WORDS: Final = {
    "diameter_mm": "diameter inside",
    "length_mm": "body",
    "foot_length_mm": "foot",
    "mouth_width_mm": "mouth",
    "cut_up_mm": "cut-up",
    "thickness_mm": "wall at mouth",
    "wall_middle_mm": "wall in the middle",
    "wall_top_mm": "wall at top",
    "wall_foot_mm": "wall of the foot",
    "toe_mm": "toe bore",
    "windway_mm": "wind-way",
}
"""The sizes of an old pipe in words."""
WEIGHING: Final = "weighing"
WALLS: Final = ("thickness_mm", "wall_middle_mm", "wall_top_mm", "wall_foot_mm", "windway_mm")


def measured_blocks(said: Said, units: UnitSystem, say: Words) -> Iterator[Block]:
    """What somebody measured or saw, and how."""
    old = said.old
    yield Paragraph(
        say(
            "{name}: {found} pipes found, {missing} missing of the compass {first} to {last}. This part holds only what somebody "
            "measured or saw.",
            name=old.name,
            found=len(old.there),
            missing=len(old.missing_keys),
            first=note_name(old.first_key, old.naming),
            last=note_name(old.last_key, old.naming),
        )
    )
    facts = [
        (say(name), value)
        for name, value in (("built", old.built), ("owner", old.owner), ("remark", old.note))
        if value
    ]
    if facts:
        yield table(["", ""], facts, shares=(0, 1))
    held = [n for n in SIZE_WORDS if any(f.size_mm(n) is not None for f in old.there)]
    heads = [
        say("note"),
        *(f"{say(SIZE_WORDS[n])}, {unit_of(n, units)}" for n in held),
        say("condition"),
        say("length is"),
    ]
    rows = [_old_row(f, held, units, say) for f in old.there]
    yield Heading(say("Pipes"))
    yield table(heads, rows, size_pt=7.5)
    if any(f.guessed for f in old.there):
        yield Paragraph(say("? inside diameter from an outer size with the wall of a neighbour: not measured itself."))
    yield from _ways(said, units, say)
    yield from _heard(said, units, say)
    marks = [
        (f.pipe.note, f.mark, ", ".join(f.photos), f.pipe.remark)
        for f in old.there
        if f.mark or f.photos or f.pipe.remark
    ]
    if marks:
        yield Heading(say("Marks, pictures, remarks"))
        yield table([say("note"), say("mark"), say("pictures"), say("remark")], marks, shares=(0, 1, 1, 1))
    yield from _metal(old, units, say)


def _metal(old: Restoration, units: UnitSystem, say: Words) -> Iterator[Block]:
    """What was weighed and read of the old metal."""
    if old.weighings:
        yield Heading(say("Weighed in air and in water"))
        yield table(
            [say("in air, g"), say("in water, g"), say("water"), say("balance ± g")],
            [
                (
                    units.number(w.air_g, 2),
                    units.number(w.water_g, 2),
                    units.show_temperature(w.water_temperature_c),
                    units.number(w.balance_g, 3),
                )
                for w in old.weighings
            ],
        )
    read = [r for r in old.readings if r.method != WEIGHING]
    if read:
        yield Heading(say("The old metal"))
        yield table(
            [say("element"), "%", "± % (95 %)", say("measured by")],
            [
                (
                    r.element,
                    ("< " if r.below_limit else "") + units.number(r.wt_pct, 2),
                    units.number(SURE_95 * r.uncertainty_wt_pct, 2),
                    r.method,
                )
                for r in read
            ],
        )


def unit_of(name: str, units: UnitSystem) -> str:
    """The unit in which a size is shown."""
    return units.wall_unit if name in WALLS else units.length


def shown_of(name: str, value_mm: float, units: UnitSystem) -> str:
    """A size without its unit, walls finer than the rest."""
    return units.bare_wall(value_mm) if name in WALLS or name == "wall_mm" else units.bare_length(value_mm, 1)


def _old_row(found: FoundPipe, held: list[str], units: UnitSystem, say: Words) -> tuple[str, ...]:
    cells = []
    for name in held:
        value = found.size_mm(name)
        doubt = " ?" if name in found.guessed else ""
        cells.append("" if value is None else shown_of(name, value, units) + doubt)
    altered = say(found.altered) if "altered" in found.stated or found.altered != "as made" else ""
    held_well = "condition" not in found.stated and found.pipe.condition == "good"
    if found.altered_by_mm is not None:
        altered = f"{altered}, {units.show_length(found.altered_by_mm, 1)}"
    return (found.pipe.note, *cells, "" if held_well else say(CONDITION_WORDS[found.pipe.condition]), altered)


def _ways(said: Said, units: UnitSystem, say: Words) -> Iterator[Block]:
    """How each size was measured, and its plus or minus."""
    rows = []
    for name, words in SIZE_WORDS.items():
        held = [f for f in said.old.there if f.size_mm(name) is not None]
        if not held:
            continue
        ways = "; ".join(dict.fromkeys(f.how[name] for f in held if name in f.how)) or "–"
        halves = [SURE_95 * f.sigma_mm(name) for f in held]
        usual = all(name not in f.plus_minus_mm for f in held)
        low, high = (shown_of(name, v, units) for v in (min(halves), max(halves)))
        half = low if low == high else f"{low} – {high}"
        rows.append((say(words), ways, half, say("usual, nobody stated it") if usual else say("stated")))
    yield Heading(say("How it was measured"))
    heads = [say("size"), say("way"), say("± (95 %), {unit}", unit=units.length), say("plus or minus is")]
    yield table(heads, rows, shares=(0, 1, 0, 0))


def _heard(said: Said, units: UnitSystem, say: Words) -> Iterator[Block]:
    rows = [
        (
            f.pipe.note,
            units.number(f.sounds_hz, 2),
            units.number(f.sounds_plus_minus_cents, 1),
            units.show_temperature(f.air_c),
        )
        for f in said.old.there
        if f.sounds_hz is not None and f.air_c is not None
    ]
    if rows:
        yield Heading(say("Pipes that speak, as recorded"))
        yield table([say("note"), "Hz", say("± cents"), say("air")], rows)

"""The new pipes of an old rank as files that the main job takes: an organ file, and the table of the old pipes beside it."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from typing import Final

from pipemetal.files.sheet_out import csv_of
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.pipe import footage_text
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.restoration.laws import Law
from pipemetal.restoration.make import ToMake
from pipemetal.restoration.record import FoundPipe

__all__ = ["OLD_PIPES", "old_rank_files"]

OLD_PIPES: Final = "old-pipes.csv"
LEVEL: Final = 0.02
"""A mouth, cut-up, taper or foot that changes by less in an octave is one for the whole rank (common practice, no source)."""
OCTAVE: Final = 12
COLUMNS: Final = (
    "diameter_mm",
    "top_diameter_mm",
    "thickness_mm",
    "length_mm",
    "foot_length_mm",
    "mouth_width_mm",
    "cut_up_mm",
)


def old_rank_files(made: ToMake, alloy: str) -> dict[str, str]:
    """The organ file and the table that it names, by file name, for new pipes of a recipe of the shop."""
    return {"organ.toml": "\n".join(_organ(made, alloy)) + "\n", OLD_PIPES: _old_pipes(made)}


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _organ(made: ToMake, alloy: str) -> Iterator[str]:
    old = made.said.old
    yield "# Made from the record of an old rank. Sizes in mm; every new pipe's 95 % interval stands in brackets."
    yield "# The pitch is that of a1 in air of the temperature named; what was decided and what is only likely: the dossier says."
    for note in made.notes:
        yield f"# {note}"
    yield "\n[organ]"
    yield f"name = {_text(old.name)}"
    yield f"note_names = {_text(old.naming)}"
    yield "\n[pitch]"
    yield f"a_hz = {made.a_hz:.2f}"
    yield f"at_c = {made.at_c:g}"
    yield f"temperament = {_text(made.temperament)}"
    wall = made.said.laws.get("wall_mm")
    if wall is not None:
        yield "\n[wall.old]"
        yield f"table_mm = {_wall_table(made, wall)}"
        yield 'source = "measured on the old pipes"'
    groups = list(_groups(made))
    for first, last in groups:
        yield from _rank(made, alloy, first, last, parted=len(groups) > 1)


def _wall_table(made: ToMake, wall: Law) -> str:
    old, scale = made.said.old, made.said.scale
    assert scale is not None
    pairs: dict[float, float] = {}
    for key in range(old.first_key, old.last_key + 1, 6):
        semitones = sounding_semitones(key, old.footage)
        pairs[round(scale.diameter_mm(semitones), 1)] = round(wall.value(semitones).value, 3)
    return json.dumps([[across, pairs[across]] for across in sorted(pairs)])


def _groups(made: ToMake) -> Iterator[tuple[int, int]]:
    """The compass as one, or by octaves where mouths, cut-ups, feet or tapers change over it."""
    old, laws = made.said.old, made.said.laws
    names = ("mouth", "cut_up", "foot_mm", "taper")
    if all(abs(laws[name].per_octave - 1.0) <= LEVEL for name in names if name in laws):
        yield old.first_key, old.last_key
        return
    for _, keys in itertools.groupby(range(old.first_key, old.last_key + 1), lambda key: key // OCTAVE):
        held = list(keys)
        yield held[0], held[-1]


def _rank(made: ToMake, alloy: str, first: int, last: int, *, parted: bool) -> Iterator[str]:
    old, said = made.said.old, made.said
    span = f"{note_name(first, old.naming)}-{note_name(last, old.naming)}"
    new = [p for p in made.pipes if first <= p.key <= last]
    keys = [p.key for p in new] or [first, last]
    semitones = sounding_semitones(0, old.footage) + sum(keys) / len(keys)

    def law(name: str, usual: float) -> float:
        return said.laws[name].value(semitones).value if name in said.laws else usual

    yield "\n[[rank]]"
    yield f"name = {_text(f'{old.rank} {span}' if parted else old.rank)}"
    yield 'division = "old"'
    yield f"footage = {_text(footage_text(old.footage))}"
    yield f"compass = {_text(span)}"
    yield f"alloy = {_text(alloy)}"
    construction = said.construction
    top = law("taper", 1.0)
    if construction == "tapered" and abs(top - 1.0) > LEVEL:
        yield 'construction = "tapered"'
        yield f"top = {top:.4f}"
    elif construction != "tapered":
        yield f"construction = {_text(construction)}"
    yield f"mouth = {law('mouth', 0.25):.4f}"
    yield f"cut_up = {law('cut_up', 0.25):.4f}"
    if "foot_mm" in said.laws:
        yield f"foot_length_mm = {law('foot_mm', 200.0):.1f}"
    if "toe_mm" in said.laws:
        yield f"toe_bore_mm = {law('toe_mm', 10.0):.2f}"
    if "windway_mm" in said.laws:
        yield f"flue_mm = {law('windway_mm', 0.5):.3f}"
    if "wall_mm" in said.laws:
        yield 'wall = "old"'
    if new:
        bodies = [[p.note, round(p.sizes["length_mm"].size.value, 2)] for p in new]
        yield f"bodies_mm = {json.dumps(bodies, ensure_ascii=False)}"
    for pipe in new:
        sizes = ", ".join(
            f"{name.removesuffix('_mm')} {w.size.value:.2f} [{w.size.low:.2f} to {w.size.high:.2f}], {w.origin}"
            for name, w in pipe.sizes.items()
        )
        yield f"# new {pipe.note}: {sizes}"
    yield "\n[rank.scale]"
    yield f"table_mm = {json.dumps([_diameter(made, key) for key in range(first, last + 1)])}"
    yield from _ranges(made, first, last)


def _diameter(made: ToMake, key: int) -> float:
    scale = made.said.scale
    assert scale is not None
    return round(scale.diameter_mm(sounding_semitones(key, made.said.old.footage)), 2)


def _ranges(made: ToMake, first: int, last: int) -> Iterator[str]:
    """The notes whose pipes are there, and those that never had one, in runs."""
    old = made.said.old
    held = {found.pipe.key for found in old.there}
    kinds = [(key, "old" if key in held else "silent" if key in old.without else "") for key in range(first, last + 1)]
    for kind, run in itertools.groupby(kinds, lambda item: item[1]):
        keys = [key for key, _ in run]
        if not kind:
            continue
        yield "\n[[rank.range]]"
        yield f"notes = {_text(f'{note_name(keys[0], old.naming)}-{note_name(keys[-1], old.naming)}')}"
        yield f"made = {_text(kind)}"
        if kind == "old":
            yield f"measured = {_text(OLD_PIPES)}"


def _old_pipes(made: ToMake) -> str:
    old = made.said.old
    tapered = made.said.construction == "tapered"
    rows = [_old_row(made, found, tapered) for found in old.there]
    return csv_of(("note", "footage", *COLUMNS, "condition", "remark"), rows)


def _old_row(made: ToMake, found: FoundPipe, tapered: bool) -> list[object]:
    old, pipe = made.said.old, found.pipe
    sizes = {name: getattr(pipe, name) for name in COLUMNS}
    remark = pipe.remark
    if pipe.diameter_mm is None:
        sizes["diameter_mm"], sizes["top_diameter_mm"] = _diameter(made, pipe.key), None
        remark = f"{remark} diameter by the scale".strip()
    if not tapered:
        sizes["top_diameter_mm"] = None
    condition = pipe.condition if "condition" in found.stated or pipe.condition != "good" else ""
    shown = [None if sizes[name] is None else round(sizes[name], 3) for name in COLUMNS]
    return [note_name(pipe.key, old.naming), footage_text(old.footage), *shown, condition, remark]

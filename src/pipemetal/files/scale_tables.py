"""The scale of a rank as it stands in the organ file, in one of five ways. Documented in docs/organ-file.md."""

from __future__ import annotations

from pipemetal.errors import UnitError
from pipemetal.files.toml_table import TomlTable, numbers_of
from pipemetal.pipes.notes import parse_note
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.scale import DiameterPoints, DiameterTable, HalfToneScale, HalvingScale, Scale, SmoothScale
from pipemetal.units import parse_number

__all__ = ["note_pairs", "read_scale"]

WAYS = ("half_tones", "halving_pipe", "points_mm", "smooth_mm", "table_mm")


def read_scale(rank: TomlTable, first_key: int, naming: str) -> Scale:
    """The scale of a rank; `first_key` is its lowest key.

    Errors: FileFormatError and PipeError, with table and key.
    """
    scale: TomlTable = rank.table("scale")
    kinds = [k for k in WAYS if k in scale]
    if len(kinds) != 1:
        for way in () if kinds else WAYS:
            scale.refuse_slip(way)
        raise scale.error(
            "must say one way to give diameters",
            "scale",
            ", ".join(kinds) or ", ".join(scale.data) or "none",
            "half_tones, halving_pipe with start_diameter_mm, points_mm, smooth_mm, or table_mm",
            example="scale = { half_tones = -2 }",
        )
    made: Scale
    match kinds[0]:
        case "half_tones":
            made = _half_tones(scale, naming)
        case "halving_pipe":
            made = _halving(scale, first_key, naming)
        case "points_mm":
            made = DiameterPoints(_keys(scale, "points_mm", naming))
        case "smooth_mm":
            made = SmoothScale(_keys(scale, "smooth_mm", naming))
        case _:
            made = _table(scale, first_key)
    scale.finish()
    return made


def _keys(scale: TomlTable, field: str, naming: str) -> tuple[tuple[int, float], ...]:
    pairs = note_pairs(scale, field, scale.raw(field))
    return tuple((parse_note(note, field=field, naming=naming), value) for note, value in pairs)


def _half_tones(scale: TomlTable, naming: str) -> Scale:
    value = scale.raw("half_tones")
    if _number(value) is not None:
        return HalfToneScale(((0.0, scale.number("half_tones", -30.0, 30.0)),))
    points = note_pairs(scale, "half_tones", value)
    by_sound = [_is_footage(str(note)) for note, _ in points]
    if all(by_sound):
        sounding = [(sounding_semitones(0, scale.footage("half_tones", note)), v) for note, v in points]
        return HalfToneScale(tuple(sorted(sounding)), by_sound=True)
    if any(by_sound):
        raise scale.error(
            "mixes notes and footages", "half_tones", allowed="all notes (C, c1) or all footages (4', 2')"
        )
    return HalfToneScale(tuple((float(parse_note(note, field="half_tones", naming=naming)), v) for note, v in points))


def _number(value: object) -> float | None:
    """A number, or a text that is one, with a decimal comma too; None for anything else."""
    try:
        return parse_number(value) if isinstance(value, int | float | str) else None
    except UnitError:
        return None


def _is_footage(text: str) -> bool:
    """2' and 1 1/3' are footages, c' and h'' are notes."""
    return "'" in text and text.strip()[:1].isdecimal()


def note_pairs(scale: TomlTable, key: str, value: object) -> list[tuple[str, float]]:
    """Pairs of a note and a number."""
    pairs = []
    for item in value if isinstance(value, list) else [value]:
        match item:
            case [str(note), held] if (number := _number(held)) is not None:
                pairs.append((note, number))
            case _:
                if key == "half_tones":
                    what, example = "is neither a number nor pairs of note and number", '-2 or [["C", -2], ["c1", 0]]'
                else:
                    what, example = "is not pairs of note and number", '[["C", 92], ["c1", 36.5]]'
                raise scale.error(what, key, value, example=example)
    return pairs


def _halving(scale: TomlTable, first_key: int, naming: str) -> Scale:
    return HalvingScale(
        scale.length_mm("start_diameter", 2.5, 1200.0),
        parse_note(scale.text("at"), field="at", naming=naming) if "at" in scale else first_key,
        scale.number("halving_pipe", 6.0, 49.0),
        scale.length_mm("constant", -100.0, 200.0, 0.0),
    )


def _table(scale: TomlTable, first_key: int) -> Scale:
    values = numbers_of(scale.array("table_mm"))
    if values is None:
        raise scale.error(
            "holds something that is not a number", "table_mm", allowed="one diameter in mm for every note"
        )
    return DiameterTable(first_key, values)

"""Pipes, blanks and notes without a pipe as plain dictionaries whose keys carry their units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipemetal.pipes.borrowed import NoteWithoutPipe
from pipemetal.pipes.development import offset_table_mm
from pipemetal.pipes.pipe import Part, Pipe, RingSector, footage_text
from pipemetal.pipes.statics import standing_stress
from pipemetal.pipes.totals import SheetToBuy, Total

__all__ = ["blank_dict", "note_dict", "offsets_dict", "pipe_dict", "sheet_dict", "total_dicts", "wants_offsets"]

SWUNG_UP_TO_MM = 1500.0
"""Radius past which an arc is marked out by offsets from its chord: nobody swings it with a trammel."""


def _r(value: float, places: int = 4) -> float:
    return round(float(value), places) + 0.0


def pipe_dict(pipe: Pipe) -> dict[str, Any]:
    """A pipe without its parts."""
    stress = standing_stress(pipe)
    return {
        "id": pipe.id,
        "rank": pipe.rank,
        "division": pipe.division,
        "alloy": pipe.alloy,
        "construction": pipe.construction,
        "note": pipe.note,
        "key": pipe.key,
        "choir": pipe.choir,
        "footage": footage_text(pipe.footage),
        "frequency_hz": _r(pipe.frequency_hz),
        "diameter_mm": _r(pipe.diameter_mm, 3),
        "top_diameter_mm": _r(pipe.top_diameter_mm, 3),
        "half_tones": _r(pipe.half_tones, 3),
        "mouth_width_mm": _r(pipe.mouth_width_mm, 3),
        "cut_up_mm": _r(pipe.cut_up_mm, 3),
        "body_length_mm": _r(pipe.body_length_mm, 2),
        "cut_length_mm": _r(pipe.cut_length_mm, 2),
        "foot_length_mm": _r(pipe.foot_length_mm, 2),
        "chimney_diameter_mm": _r(pipe.chimney_diameter_mm, 3),
        "chimney_length_mm": _r(pipe.chimney_length_mm, 2),
        "thickness_mouth_mm": _r(pipe.thickness_mouth_mm),
        "thickness_top_mm": _r(pipe.thickness_top_mm),
        "thickness_foot_mm": _r(pipe.thickness_foot_mm),
        "languid_thickness_mm": _r(pipe.languid_thickness_mm),
        "mass_kg": _r(pipe.mass_kg, 5),
        "cast_kg": _r(pipe.cast_kg, 5),
        "finished_area_mm2": _r(sum(part.finished_area_mm2 for part in pipe.parts), 1),
        "blank_area_mm2": _r(sum(part.blank_area_mm2 for part in pipe.parts), 1),
        "made": pipe.made,
        "wall_source": pipe.wall_source,
        "lip": pipe.lip,
        "flue_mm": _r(pipe.flue_mm, 3),
        "toe_bore_mm": _r(pipe.toe_bore_mm, 2),
        "tip_diameter_mm": _r(pipe.tip_diameter_mm, 3),
        "hole_diameter_mm": _r(pipe.hole_diameter_mm, 3),
        "visible_length_mm": _r(pipe.visible_length_mm, 1),
        "ising": None if pipe.ising is None else _r(pipe.ising, 3),
        "stress_mouth_mpa": _r(stress.mouth_mpa, 3),
        "stress_toe_mpa": _r(stress.toe_mpa, 3),
        "toe_flag": stress.toe_flag,
        "remarks": "; ".join(pipe.remarks),
    }


def offsets_dict(ring: RingSector, stations: int = 11) -> dict[str, Any]:
    """Offsets of both arcs of a sector from their chords: (along the chord, height above it) in mm."""

    def arc(radius_mm: float) -> list[list[float]]:
        rows = offset_table_mm(radius_mm, ring.angle_deg, stations)
        return [[_r(along, 2), _r(height, 3)] for along, height in rows]

    return {"outer_arc_mm": arc(ring.outer_radius_mm), "inner_arc_mm": arc(ring.inner_radius_mm)}


def wants_offsets(ring: RingSector | None) -> bool:
    """Whether a sector is too shallow to be swung."""
    return ring is not None and ring.outer_radius_mm > SWUNG_UP_TO_MM and ring.angle_deg <= 180.0


def blank_dict(part: Part) -> dict[str, Any]:
    """A blank as in the layout problem, with its area and mass; shallow cones with their offset tables."""
    result: dict[str, Any] = {
        "id": part.id,
        "kind": part.kind,
        "alloy": part.alloy,
        "length_mm": _r(part.length_mm, 3),
        "width_mm": _r(part.width_mm, 3),
        "mouth_thickness_mm": _r(part.thickness_mouth_mm),
        "top_thickness_mm": _r(part.thickness_top_mm),
        "tolerance_mm": _r(part.tolerance_mm),
        "turns_deg": list(part.turns_deg),
    }
    if part.sector is not None:
        result["sector"] = {
            "outer_radius_mm": _r(part.sector.outer_radius_mm, 3),
            "inner_radius_mm": _r(part.sector.inner_radius_mm, 3),
            "angle_deg": _r(part.sector.angle_deg, 5),
        }
        if wants_offsets(part.sector):
            result["offsets"] = offsets_dict(part.sector)
    result["area_mm2"] = _r(part.blank_area_mm2, 2)
    result["mass_kg"] = _r(part.blank_mass_kg, 5)
    result["bought"] = part.bought
    return result


def note_dict(note: NoteWithoutPipe) -> dict[str, Any]:
    """A note that has no pipe of its own."""
    return {
        "rank": note.rank,
        "note": note.note,
        "key": note.key,
        "lender": note.lender or None,
        "lender_note": note.lender_note or None,
    }


def sheet_dict(sheet: SheetToBuy) -> dict[str, Any]:
    """Flat sheet to buy: the area and mass of its blanks, without the waste of cutting."""
    return {
        "metal": sheet.metal,
        "thickness_mm": _r(sheet.thickness_mm, 3),
        "blanks": sheet.parts,
        "blank_area_m2": _r(sheet.blank_area_m2),
        "blank_kg": _r(sheet.blank_kg, 3),
    }


def total_dicts(names: Sequence[str], rows: Sequence[Total]) -> list[dict[str, Any]]:
    """Sums, with the parts of their name under the headings given."""
    return [
        dict(zip(names, row.name, strict=True))
        | {
            "parts": row.parts,
            "finished_area_m2": _r(row.finished_area_m2),
            "finished_kg": _r(row.finished_kg),
            "blank_area_m2": _r(row.blank_area_m2),
            "blank_kg": _r(row.blank_kg),
        }
        for row in rows
    ]

"""Pipes, blanks and plans as plain dictionaries whose keys carry their units."""

from __future__ import annotations

from typing import Any

from pipemetal.pipes.pipe import Part, Pipe, footage_text

__all__ = ["blank_dict", "pipe_dict"]


def _r(value: float, places: int = 4) -> float:
    return round(float(value), places) + 0.0


def pipe_dict(pipe: Pipe) -> dict[str, Any]:
    """A pipe without its parts."""
    return {
        "id": pipe.id, "rank": pipe.rank, "division": pipe.division, "alloy": pipe.alloy,
        "construction": pipe.construction, "note": pipe.note, "key": pipe.key, "choir": pipe.choir,
        "footage": footage_text(pipe.footage), "frequency_hz": _r(pipe.frequency_hz), "diameter_mm": _r(pipe.diameter_mm, 3),
        "top_diameter_mm": _r(pipe.top_diameter_mm, 3), "half_tones": _r(pipe.half_tones, 3),
        "mouth_width_mm": _r(pipe.mouth_width_mm, 3), "cut_up_mm": _r(pipe.cut_up_mm, 3),
        "body_length_mm": _r(pipe.body_length_mm, 2), "cut_length_mm": _r(pipe.cut_length_mm, 2),
        "foot_length_mm": _r(pipe.foot_length_mm, 2), "chimney_diameter_mm": _r(pipe.chimney_diameter_mm, 3),
        "chimney_length_mm": _r(pipe.chimney_length_mm, 2), "thickness_mouth_mm": _r(pipe.thickness_mouth_mm),
        "thickness_top_mm": _r(pipe.thickness_top_mm), "thickness_foot_mm": _r(pipe.thickness_foot_mm),
        "languid_thickness_mm": _r(pipe.languid_thickness_mm), "mass_kg": _r(pipe.mass_kg, 5),
    }  # fmt: skip


def blank_dict(part: Part) -> dict[str, Any]:
    """A blank as in the layout problem, with its area and mass."""
    result: dict[str, Any] = {
        "id": part.id, "kind": part.kind, "alloy": part.alloy, "length_mm": _r(part.length_mm, 3),
        "width_mm": _r(part.width_mm, 3), "mouth_thickness_mm": _r(part.thickness_mouth_mm),
        "top_thickness_mm": _r(part.thickness_top_mm), "tolerance_mm": _r(part.tolerance_mm),
        "turns_deg": list(part.turns_deg),
    }  # fmt: skip
    if part.sector is not None:
        result["sector"] = {
            "outer_radius_mm": _r(part.sector.outer_radius_mm, 3), "inner_radius_mm": _r(part.sector.inner_radius_mm, 3),
            "angle_deg": _r(part.sector.angle_deg, 5),
        }  # fmt: skip
    result["area_mm2"] = _r(part.blank_area_mm2, 2)
    result["mass_kg"] = _r(part.blank_mass_kg, 5)
    return result

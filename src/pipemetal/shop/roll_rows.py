"""A roll with its field as the columns of its row, and back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np

from pipemetal.plans.said import table_of, with_texts
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.readings import LeftOut, Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.envelopes import envelope_of
from pipemetal.shop.rows import RollRow, RollState, Stored
from pipemetal.shop.writing import dump

__all__ = ["roll_of", "roll_values"]


def _field_json(field: ThicknessField) -> str:
    def grid(values: Any) -> list[list[float]]:
        return [[round(float(v), 5) for v in line] for line in values]

    return dump(
        {
            "stations_mm": [round(float(s), 3) for s in field.stations_mm],
            "width_mm": field.width_mm,
            "thickness_mm": grid(field.thickness_mm),
            "standard_error_mm": grid(field.standard_error_mm),
            "noise_sd_mm": round(field.noise_sd_mm, 6),
            "readings_used": field.readings_used,
            "readings": [[round(float(v), 4) for v in reading] for reading in field.readings],
            "gauge_sd_mm": field.gauge_sd_mm,
            "left_out": [
                [x.index, x.reading.x_mm, x.reading.y_mm, x.reading.thickness_mm, x.reason] for x in field.left_out
            ],
            # in the words of whoever reads them later; books of before hold plain English
            **({"texts": table_of(field.left_out)} if field.left_out else {}),
        }
    )


def _field(text: str, length_mm: float) -> ThicknessField:
    held = json.loads(text)
    left_out: Any = with_texts(held["left_out"], held.get("texts"))
    stations = np.array(held["stations_mm"])
    stations[-1] = length_mm
    return ThicknessField(
        length_mm,
        held["width_mm"],
        stations,
        np.array(held["thickness_mm"]),
        np.array(held["standard_error_mm"]),
        tuple(LeftOut(i, Reading(x, y, t), why) for i, x, y, t, why in left_out),
        held["noise_sd_mm"],
        held["readings_used"],
        np.array(held.get("readings", [])),
        held.get("gauge_sd_mm", 0.01),
    )


def roll_values(
    roll: Roll, readings: Sequence[Reading] = (), *, cast: str = "", note: str = "", day: str = ""
) -> Stored:
    """A roll as the columns of its row."""
    return {
        "alloy": roll.alloy,
        "length_mm": roll.length_mm,
        "width_mm": roll.width_mm,
        "trim_mm": roll.trim_mm,
        "outline": dump(roll.outline or []),
        "no_go": dump(roll.no_go),
        "place": roll.place,
        "parent": roll.parent or "",
        "offset_x_mm": float(roll.offset_mm[0]),
        "offset_y_mm": float(roll.offset_mm[1]),
        "readings": dump([[r.x_mm, r.y_mm, r.thickness_mm] for r in readings]),
        "field": _field_json(roll.field),
        "envelope": envelope_of(roll).to_json(),
        "mean_mm": round(roll.field.mean_mm, 5),
        "state": RollState.ON_RACK,
        "cast": cast,
        "note": note,
        "day": day,
        "reserved_for": "",
    }


def roll_of(row: RollRow) -> Roll:
    """The roll of a row."""

    def corners(polygon: Any) -> tuple[tuple[float, float], ...]:
        return tuple((float(x), float(y)) for x, y in polygon)

    outline = json.loads(row.outline)
    return Roll(
        row.id,
        row.alloy,
        row.length_mm,
        row.width_mm,
        row.trim_mm,
        _field(row.field, row.length_mm),
        outline=corners(outline) if outline else None,
        no_go=tuple(corners(p) for p in json.loads(row.no_go)),
        place=row.place,
        parent=row.parent or None,
        offset_mm=(row.offset_x_mm, row.offset_y_mm),
    )

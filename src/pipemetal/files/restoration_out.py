"""The record of a restoration as files: the TOML head and the table of pipes that read_restoration takes back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Final

from pipemetal.files.measured_file import MORE_SIZES
from pipemetal.files.sheet_out import csv_of
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.pipe import footage_text
from pipemetal.restoration.record import SIZES, SURE_95, FoundPipe, Restoration

__all__ = ["RECORD", "record_files"]

RECORD: Final = "old-rank.toml"
TABLE, READINGS = "pipes.csv", "readings.csv"
MEASURED: Final = (
    "diameter_mm",
    "top_diameter_mm",
    "thickness_mm",
    "length_mm",
    "foot_length_mm",
    "mouth_width_mm",
    "cut_up_mm",
    "mass_kg",
)
OTHERS: Final = (
    "altered",
    "altered_by_mm",
    "sounds_hz",
    "sounds_plus_minus_cents",
    "air_c",
    "mark",
    "photo",
    "condition",
    "remark",
)


def record_files(old: Restoration) -> dict[str, str]:
    """The files of a record, by name."""
    files = {RECORD: "\n".join(_head(old)) + "\n", TABLE: _table(old)}
    if old.readings:
        rows = [
            [
                r.element,
                f"<{r.wt_pct:g}" if r.below_limit else round(r.wt_pct, 4),
                *_half(r.uncertainty_wt_pct, r.below_limit),
                r.method,
            ]
            for r in old.readings
        ]
        files[READINGS] = csv_of(("element", "wt_pct", "plus_minus", "method"), rows)
    return files


def _half(sigma: float, below: bool) -> list[object]:
    return [None if below else round(SURE_95 * sigma, 4)]


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _head(old: Restoration) -> Iterator[str]:
    yield "[restoration]"
    yield f"name = {_text(old.name)}"
    yield f"note_names = {_text(old.naming)}"
    for key in ("place", "built", "owner", "note"):
        if getattr(old, key):
            yield f"{key} = {_text(getattr(old, key))}"
    for key in ("sources", "photos"):
        if getattr(old, key):
            yield f"{key} = {json.dumps(list(getattr(old, key)), ensure_ascii=False)}"
    yield "\n[rank]"
    yield f"name = {_text(old.rank)}"
    yield f"footage = {_text(footage_text(old.footage))}"
    yield f"compass = {_text(f'{note_name(old.first_key, old.naming)}-{note_name(old.last_key, old.naming)}')}"
    yield f"measured = {_text(TABLE)}"
    if old.construction:
        yield f"construction = {_text(old.construction)}"
    if old.without:
        yield f"without = {json.dumps([note_name(key, old.naming) for key in sorted(old.without)], ensure_ascii=False)}"
    yield "\n[pitch]"
    yield f"low_hz = {old.pitch.low_hz!r}\nhigh_hz = {old.pitch.high_hz!r}\nat_c = {old.pitch.at_c!r}"
    if old.readings:
        yield f"\n[metal]\nreadings = {_text(READINGS)}"
    chosen = {"alloy": old.choice.alloy, "temperament": old.choice.temperament}
    if any(chosen.values()) or old.choice.a_hz is not None:
        yield "\n[make]"
        yield from (f"{key} = {_text(value)}" for key, value in chosen.items() if value)
        if old.choice.a_hz is not None:
            yield f"a_hz = {old.choice.a_hz!r}"
    for added in old.added:
        yield "\n[[added]]"
        yield from (f"{key} = {_text(value)}" for key, value in vars(added).items() if value)


def _table(old: Restoration) -> str:
    halves = [n for n in SIZES if any(n in f.plus_minus_mm for f in old.pipes)]
    ways = [n for n in SIZES if any(n in f.how for f in old.pipes)]
    headings = [
        "note",
        *MEASURED,
        *MORE_SIZES,
        *OTHERS,
        *(f"{n.removesuffix('_mm')}_plus_minus_mm" for n in halves),
        *(f"{n.removesuffix('_mm')}_how" for n in ways),
    ]
    return csv_of(headings, [_row(found, halves, ways) for found in old.pipes])


def _row(found: FoundPipe, halves: list[str], ways: list[str]) -> list[object]:
    pipe = found.pipe
    return [
        pipe.note,
        *(getattr(pipe, name) for name in MEASURED),
        *(found.sizes_mm.get(name) for name in MORE_SIZES),
        found.altered if "altered" in found.stated or found.altered != "as made" else None,
        found.altered_by_mm,
        found.sounds_hz,
        found.sounds_plus_minus_cents if found.sounds_hz is not None else None,
        found.air_c,
        found.mark,
        ";".join(found.photos),
        pipe.condition if "condition" in found.stated or pipe.condition != "good" else None,
        pipe.remark,
        *(found.plus_minus_mm.get(name) for name in halves),
        *(found.how.get(name) for name in ways),
    ]

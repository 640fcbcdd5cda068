"""Rolls and lots as somebody typed them: the forms, and what is read from them."""

from __future__ import annotations

import re
from typing import Annotated, Final

from pydantic import BaseModel, Field

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError, SheetError
from pipemetal.quantities import ROLL
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import NewLot
from pipemetal.texts import Text
from pipemetal.units import parse_number
from pipemetal.web.show import Show

__all__ = ["LOT_KINDS", "LotForm", "RollForm", "lot_from_form", "roll_from_form"]

Typed = Annotated[str, Field(max_length=200)]
LOT_KINDS: Final = ("pig", "ingot", "master", "scrap", "shavings")
LEAST_TO_FIT: Final = 6


class RollForm(BaseModel):
    """A roll as it was typed."""

    id: Typed
    alloy: Typed
    length: Typed
    width: Typed
    readings: Annotated[str, Field(max_length=20_000)]
    trim: Typed = ""
    place: Typed = ""
    note: Typed = ""
    cast: Typed = ""
    token: Typed = ""


class LotForm(BaseModel):
    """A lot as it was typed."""

    id: Typed
    kind: Typed
    mass: Typed
    composition: Typed = ""
    alloy: Typed = ""
    piece: Typed = ""
    price: Typed = ""
    supplier: Typed = ""
    invoice: Typed = ""
    day: Typed = ""
    note: Typed = ""
    token: Typed = ""


def lot_from_form(show: Show, form: LotForm) -> NewLot:
    """A lot as somebody typed it. Errors: BookError, UnitError, AlloyError."""
    held = show.read_mass(form.mass, "mass")
    if held is None or form.kind not in LOT_KINDS:
        raise BookError("is needed", field="mass" if held is None else "kind", allowed=", ".join(LOT_KINDS))
    return NewLot(
        form.id.strip(),
        form.kind,
        held,
        Composition.parse(form.composition) if form.composition.strip() else None,
        alloy=form.alloy,
        piece_kg=show.read_mass(form.piece, "piece"),
        price_per_kg=parse_number(form.price, field="price") if form.price.strip() else 0.0,
        note=form.note,
        day=form.day,
        supplier=form.supplier,
        invoice=form.invoice,
    )


def roll_from_form(show: Show, form: RollForm, trim_mm: float) -> tuple[Roll, tuple[Reading, ...]]:
    """A roll as somebody typed it. `readings`: `along:thickness`, or `along,across:thickness`, separated by blanks.

    From six readings on the field is fitted; of fewer it runs straight from one to the next. Errors: SheetError, UnitError.
    """
    length, width = show.read_length(form.length, "length"), show.read_length(form.width, "width")
    if length is None or width is None or not (ROLL["length_mm"].holds(length) and ROLL["width_mm"].holds(width)):
        raise SheetError(
            "is no size of a roll",
            field="length, width",
            value=f"{form.length} x {form.width}"[:60],
            allowed=Text(
                "{long} long, {wide} wide",
                long=ROLL["length_mm"].allowed,
                wide=ROLL["width_mm"].allowed,
            ),
        )
    trim = show.read_length(form.trim, "trim")
    read = tuple(_reading(show, item, width) for item in form.readings.split())
    if len(read) < 2:
        raise SheetError("are too few", field="readings", value=len(read), allowed="100:1.21 2000:1.05, two or more")
    for r in read:
        if not (0.0 <= r.x_mm <= length and 0.0 <= r.y_mm <= width and 0.1 <= r.thickness_mm <= 20.0):
            raise SheetError("lies off the roll", field="readings", value=f"{r.x_mm:g},{r.y_mm:g}:{r.thickness_mm:g}")
    if len(read) >= LEAST_TO_FIT:
        field = fit_field(read, length, width)
    else:
        at = sorted((r.x_mm, r.thickness_mm) for r in read)
        if len({x for x, _ in at}) != len(at):
            raise SheetError("stand twice at one place", field="readings", allowed="six readings or more for that")
        stations = [0.0, *(x for x, _ in at if 0.0 < x < length), length]
        import numpy as np

        values_mm = [float(np.interp(s, [x for x, _ in at], [t for _, t in at])) for s in stations]
        field = ThicknessField.from_grid(stations, [values_mm] * 2, width_mm=width)
    trim = trim_mm if trim is None else trim
    return Roll(form.id.strip(), form.alloy, length, width, trim, field, place=form.place), read


def _reading(show: Show, item: str, width_mm: float) -> Reading:
    match = re.fullmatch(r"([^:;]{1,20})(?:;([^:;]{1,20}))?:([^:;]{1,20})", item)
    if match is None:
        raise SheetError("cannot be read", field="readings", value=item[:60], allowed="100:1.21 or 100;300:1.21")
    along, across, thick = (show.read_length(part or "", "readings") for part in match.groups())
    return Reading(along or 0.0, width_mm / 2 if across is None else across, thick or 0.0)

"""A roll in the book says why a reading was left out in the language of whoever reads it."""

from __future__ import annotations

from typing import Any

import pytest

from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book
from pipemetal.shop.roll_rows import roll_of
from pipemetal.texts import Text
from pipemetal.units import UnitSystem
from pipemetal.words import Words


@pytest.mark.parametrize("misread", [10.1, 1.36 * 1.5, 0.1])
def test_why_a_reading_was_left_out_is_kept_with_its_values(planned: Any, misread: float) -> None:
    book: Book = planned
    readings = [Reading(100.0 + 150.0 * k, y, 1.0 + 0.02 * k) for k in range(8) for y in (100.0, 400.0)]
    readings[5] = Reading(readings[5].x_mm, readings[5].y_mm, misread)
    field = fit_field(readings, 1400.0, 500.0)
    alloy = next(iter(book.recipes.all()))
    book.rolls.add(Roll("R-new", alloy, 1400.0, 500.0, 10.0, field=field), readings=readings)
    (left,) = roll_of(book.rolls.row("R-new")).field.left_out
    assert isinstance(left.reason, Text) and left.reason == field.left_out[0].reason
    german = Words("de").read(left.reason, UnitSystem("in", comma=True))
    assert "expected" not in german and " in" in german

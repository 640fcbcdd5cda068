"""Rolls, what they weigh, and what is left of them."""

import pytest

from pipemetal.errors import SheetError
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll, cut_out, roll_mass_kg


def roll(**changes: object) -> Roll:
    field = ThicknessField.from_grid([0.0, 3000.0], [[1.3, 1.0]], width_mm=800.0)
    given: dict[str, object] = {"id": "R1", "alloy": "Sn 50", "length_mm": 3000.0, "width_mm": 800.0, "trim_mm": 15.0}
    return Roll(field=field, **(given | changes))  # type: ignore[arg-type]


def test_an_end_piece_of_half_a_metre_goes_back_to_the_rack_with_its_place_in_the_parent() -> None:
    out = cut_out(roll(), [(15.0, 15.0, 2000.0, 700.0)])
    (piece,) = out.remnants
    again = piece.as_roll()
    assert (again.length_mm, again.width_mm) == pytest.approx((985.0, 770.0))
    assert again.parent == "R1" and again.offset_mm == pytest.approx((2000.0, 15.0))
    assert again.field.at(0.0, 0.0) == pytest.approx(1.1)


def test_a_long_strip_is_kept_where_it_holds_more_metal_than_the_ends() -> None:
    out = cut_out(roll(), [(15.0, 15.0, 2600.0, 400.0)])
    (piece,) = out.remnants
    assert piece.as_roll().width_mm == pytest.approx(385.0)


def test_used_remnants_and_offcut_add_up_to_the_sheet() -> None:
    r = roll()
    out = cut_out(r, [(15.0, 15.0, 1000.0, 500.0), ((1000.0, 15.0), (1400.0, 15.0), (1200.0, 400.0))])
    total = out.used_mm2 + out.offcut_mm2 + sum(p.area_mm2 for p in out.remnants)
    assert total == pytest.approx(r.net_area_mm2())


def test_a_remnant_of_a_remnant_still_names_the_first_roll() -> None:
    first = cut_out(roll(), [(15.0, 15.0, 1000.0, 500.0)]).remnants[0].as_roll()
    second = cut_out(first, [(0.0, 0.0, 600.0, 700.0)]).remnants[0].as_roll()
    assert second.parent == "R1" and second.offset_mm[0] == pytest.approx(1600.0)
    assert second.field.at(0.0, 0.0) == pytest.approx(1.3 - 1e-4 * 1600.0)


def test_what_was_used_must_lie_on_the_sheet_and_off_the_blemish() -> None:
    blemished = roll(no_go=(((100.0, 100.0), (200.0, 100.0), (200.0, 200.0), (100.0, 200.0)),))
    with pytest.raises(SheetError, match="outside the usable area"):
        cut_out(blemished, [(150.0, 150.0, 400.0, 400.0)])
    with pytest.raises(SheetError, match="outside the usable area"):
        cut_out(roll(), [(0.0, 0.0, 400.0, 400.0)])


def test_a_planed_roll_weighs_less() -> None:
    r = roll()
    lost = roll_mass_kg(r, 9.0) - roll_mass_kg(r.planed(0.1), 9.0)
    assert lost == pytest.approx(3.0 * 0.8 * 0.1 * 9.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"trim_mm": 400.0}, "leaves nothing"),
        ({"width_mm": 900.0}, "field is not as large"),
        ({"alloy": " "}, "alloy must be text"),
        ({"outline": ((0.0, 0.0), (10.0, 10.0), (10.0, 0.0), (0.0, 10.0))}, "crosses itself"),
        ({"length_mm": float("inf")}, "not a finite number"),
    ],
)
def test_a_roll_that_cannot_be_is_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(SheetError, match=message):
        roll(**changes)

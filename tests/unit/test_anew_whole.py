"""The whole rest of an alloy laid at once: what hangs is filled, hardly used sheets are cast as one, few blanks get room to slide."""

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, CastSpread, CastWidth, LayoutProblem, LayoutRoll
from pipemetal.planning.anew_effort import Effort
from pipemetal.planning.anew_few import joined, parted
from pipemetal.planning.anew_names import named_as_before
from pipemetal.planning.anew_price import cost_of
from pipemetal.planning.anew_rest import Laid, Rest
from pipemetal.planning.anew_stop import stop_of
from pipemetal.planning.anew_whole import lay_whole, sized

CASTABLE = Castable(spread=(CastSpread("A", 0.02, 0.01, 0.01),))


def rest_of(
    blanks: list[Blank], places: list[Placement], sheets: list[NewSheet], rolls: tuple[LayoutRoll, ...] = ()
) -> Rest:
    problem = LayoutProblem(tuple(blanks), rolls, CASTABLE, 2.0, 0.9)
    return Rest(problem, tuple(places), tuple(sheets), frozenset(), frozenset(s.id for s in sheets))


def languid(name: str, wall_mm: float) -> Blank:
    return Blank(name, "languid", "A", 100.0, 120.0, wall_mm, wall_mm, 0.15 * wall_mm, (0, 90, 180, 270))


def test_hardly_used_sheets_are_cast_as_one_and_cost_less() -> None:
    blanks = [languid("a", 2.5), languid("b", 3.0)]
    sheets = [NewSheet(f"N{k}", "A", 1000.0, 700.0, t, t, 15.0) for k, t in ((1, 2.5), (2, 3.0))]
    places = [Placement("a", "N1", 20.0, 20.0), Placement("b", "N2", 20.0, 20.0)]
    rest = rest_of(blanks, places, sheets)
    two = Laid(tuple(places), tuple(sheets), ())
    one = joined(rest, two, Effort())
    assert len(one.sheets) == 1 and {p.blank for p in one.placements} == {"a", "b"}
    assert 2.5 < one.sheets[0].thickness_start_mm < 3.0
    assert cost_of(rest, one) < cost_of(rest, two)


def test_a_sheet_that_hardly_serves_all_is_cast_as_two() -> None:
    blanks = [languid("a", 3.0), languid("b", 3.6), languid("c", 4.1)]
    sheet = NewSheet("N1", "A", 1000.0, 700.0, 3.47, 3.47, 15.0)
    places = [Placement(b.id, "N1", 20.0 + 150.0 * k, 20.0) for k, b in enumerate(blanks)]
    rest = rest_of(blanks, places, [sheet])
    narrow = replace(CASTABLE, widths=(CastWidth(700.0, 5000.0),))
    rest = replace(rest, problem=replace(rest.problem, castable=narrow))
    one = Laid(tuple(places), (sheet,), ())
    two = parted(rest, one, Effort())
    assert len(two.sheets) == 2 and {p.blank for p in two.placements} == {"a", "b", "c"}
    assert cost_of(rest, two) < cost_of(rest, one)
    assert parted(rest, two, Effort()) == two


def test_sheets_too_far_apart_stay_two() -> None:
    blanks = [languid("a", 1.0), languid("b", 3.0)]
    sheets = [NewSheet(f"N{k}", "A", 1000.0, 700.0, t, t, 15.0) for k, t in ((1, 1.0), (2, 3.0))]
    places = [Placement("a", "N1", 20.0, 20.0), Placement("b", "N2", 20.0, 20.0)]
    two = Laid(tuple(places), tuple(sheets), ())
    assert joined(rest_of(blanks, places, sheets), two, Effort()) == two


@pytest.mark.parametrize("tolerance_mm", [0.03, 0.06])
def test_a_sheet_for_one_blank_is_sized_by_its_chance(tolerance_mm: float) -> None:
    blank = Blank("a", "body", "A", 1500.0, 400.0, 1.2, 1.05, tolerance_mm)
    sheet = NewSheet("N1", "A", 1600.0, 700.0, 1.205, 1.045, 15.0)
    place = Placement("a", "N1", 50.0, 20.0)
    rest = rest_of([blank], [], [])
    made = sized(rest, Laid((place,), (sheet,), ()))
    grown = made.sheets[0]
    assert grown.length_mm >= sheet.length_mm and grown.thickness_start_mm >= grown.thickness_end_mm
    at = made.placements[0].x_mm + 750.0
    wall = float(np.interp(at, [0.0, grown.length_mm], [grown.thickness_start_mm, grown.thickness_end_mm]))
    assert wall == pytest.approx(1.125, abs=0.02)


def test_what_hangs_is_filled_before_more_is_cast() -> None:
    blanks = [Blank(f"b{k}", "body", "A", 900.0, 250.0, 1.0, 1.0, 0.08) for k in range(4)]
    roll = LayoutRoll(
        "R", "A", 2000.0, 600.0, 15.0, (0.0, 2000.0), np.full((1, 2), 1.0), error_mm=np.full((1, 2), 0.01)
    )
    sheet = NewSheet("N1", "A", 2000.0, 600.0, 1.0, 1.0, 15.0)
    places = [Placement(f"b{k}", "N1", 20.0 + 910.0 * (k % 2), 20.0 + 255.0 * (k // 2)) for k in range(4)]
    rest = rest_of(blanks, places, [sheet], (roll,))
    whole = lay_whole(rest, places, Effort(0.1))
    assert whole is not None and whole.sheets == () and {p.roll for p in whole.placements} == {"R"}
    stop = stop_of("A", rest, whole)
    assert stop.sheets == 0 and stop.chance > 0.9 and stop.last == 1.0
    before = stop_of("A", rest, Laid(tuple(places), (sheet,), ()))
    assert before.sheets == 1 and before.chance > 0.9


def test_a_sheet_of_the_same_size_keeps_its_name() -> None:
    sheet = NewSheet("N7", "A", 2000.0, 600.0, 1.0, 1.0, 15.0)
    rest = rest_of([languid("a", 1.0)], [], [sheet])
    same = Laid((), (replace(sheet, id="N008"),), ())
    assert named_as_before(rest, same).sheets[0].id == "N7"
    other = Laid((), (replace(sheet, id="N008", width_mm=700.0),), ())
    assert named_as_before(rest, other).sheets[0].id == "N008"


def test_sheets_that_are_nearly_what_they_were_keep_their_names_whatever_the_order() -> None:
    blanks = [languid(f"b{k}", 1.0 + 0.3 * (k // 3)) for k in range(9)]
    sheets = [NewSheet(f"N{k + 1}", "A", 1000.0, 700.0, 1.0 + 0.3 * k, 1.0 + 0.3 * k, 15.0) for k in range(3)]
    places = [Placement(f"b{k}", f"N{k // 3 + 1}", 20.0 + 150.0 * (k % 3), 20.0) for k in range(9)]
    rest = rest_of(blanks, places, sheets)
    turned = {"N1": "N011", "N2": "N012", "N3": "N010"}
    anew = [replace(s, id=turned[s.id], length_mm=1100.0) for s in reversed(sheets)]
    moved = [replace(p, roll=turned[p.roll], y_mm=40.0) for p in places]
    # the very same blanks on sheets that are no smaller: nothing moves
    same = named_as_before(rest, Laid(tuple(moved), tuple(anew), ()))
    assert set(same.sheets) == set(sheets) and set(same.placements) == set(places)
    # one blank of another sheet on it, and less metal: its name stays
    moved[0] = replace(moved[0], roll="N012", x_mm=500.0)
    some = named_as_before(rest, Laid(tuple(moved), tuple(replace(s, length_mm=900.0) for s in anew), ()))
    assert {s.id: s.thickness_start_mm for s in some.sheets} == {s.id: s.thickness_start_mm for s in sheets}
    assert {p.blank: p.roll for p in some.placements} == {p.blank: p.roll for p in places} | {"b0": "N2"}
    # none of its blanks and another thickness: a name that no sheet had
    other = [NewSheet("N1", "A", 1000.0, 700.0, 3.0, 3.0, 15.0)]
    (called,) = named_as_before(rest, Laid((), tuple(other), ())).sheets
    assert called.id == "N004"

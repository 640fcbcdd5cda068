"""Where metal goes that becomes no blank: every square millimetre consumed is accounted for, by kind and place."""

from __future__ import annotations

import json
import math
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli
from pipemetal.documents.svg import to_svg
from pipemetal.documents.waste_picture import waste_picture
from pipemetal.files.layout_file import write_plan
from pipemetal.layout.jsonform import problem_from_dict
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, LayoutProblem, LayoutRoll, Sector
from pipemetal.layout.solve import solve
from pipemetal.layout.totals import totals_of
from pipemetal.layout.waste import SheetWaste, Waste, told_of_waste, waste_by_alloy, waste_of
from pipemetal.strict_json import parse_json
from pipemetal.words import Words

DATA = Path(__file__).parents[1] / "data" / "layout" / "n61.json"


def roll(width_mm: float = 600.0, length_mm: float = 2000.0) -> LayoutRoll:
    return LayoutRoll("R1", "A", length_mm, width_mm, 0.0, (0.0, length_mm), np.full((1, 2), 1.0))


def blank(name: str, length_mm: float, width_mm: float, thick_mm: float = 1.0) -> Blank:
    return Blank(name, "body", "A", length_mm, width_mm, thick_mm, thick_mm, 0.05)


def laid(problem: LayoutProblem, *places: Placement, sheets: tuple[NewSheet, ...] = ()) -> SheetWaste:
    totals = totals_of(problem, places, sheets)
    areas = (totals.opened_mm2, totals.consumed_mm2, totals.utilisation, 0.0, 0.0)
    (found,) = waste_of(problem, LayoutPlan(places, (), sheets, *areas, 0, 0))
    assert found.consumed_mm2 == pytest.approx(totals.consumed_mm2)
    return found


def wasted(found: SheetWaste) -> dict[Waste, int]:
    return {kind: round(area) for kind, area in found.by_kind.items() if area >= 0.5}


def test_ends_and_strips_too_small_to_keep() -> None:
    found = laid(LayoutProblem((blank("a", 1600.0, 500.0),), (roll(),), None, 2.0), Placement("a", "R1", 0.0, 0.0))
    assert wasted(found) == {Waste.END: 400 * 600, Waste.STRIP: 1600 * 100}


def test_what_is_kept_is_no_waste() -> None:
    found = laid(LayoutProblem((blank("a", 1000.0, 600.0),), (roll(),), None, 2.0), Placement("a", "R1", 0.0, 0.0))
    assert wasted(found) == {Waste.KERF: 2 * 600}
    assert round(found.kept_mm2) == 998 * 600


def test_a_gap_is_told_by_whether_some_blank_would_fit_in_it() -> None:
    held = (blank("a", 900.0, 600.0), blank("b", 900.0, 600.0))
    places = (Placement("a", "R1", 0.0, 0.0), Placement("b", "R1", 1100.0, 0.0))
    gap = 200 * 600
    thin = laid(LayoutProblem((*held, blank("thin", 150.0, 300.0, 0.8)), (roll(),)), *places)
    long = laid(LayoutProblem((*held, blank("long", 210.0, 300.0)), (roll(),)), *places)
    fits = laid(LayoutProblem((*held, blank("fits", 200.0, 300.0)), (roll(),)), *places)
    assert [wasted(f) for f in (thin, long)] == [{Waste.NOTHING_FITS: gap}] * 2
    assert wasted(fits) == {Waste.ROOM: gap / 2, Waste.NOTHING_FITS: gap / 2}, "so much as the blank would take"
    assert [box for kind, box in fits.places if kind is Waste.ROOM] == [(900.0, 1100.0, 0.0, 300.0)]
    both = laid(LayoutProblem((*held, blank("x", 200.0, 300.0), blank("y", 150.0, 250.0)), (roll(),)), *places)
    assert wasted(both)[Waste.ROOM] == 200 * 300 + 150 * 250, "the largest first, each once"


def test_a_wide_strip_beside_kept_ends_is_not_called_too_narrow() -> None:
    found = laid(LayoutProblem((blank("a", 1000.0, 400.0),), (roll(),), None, 2.0), Placement("a", "R1", 0.0, 0.0))
    assert wasted(found) == {Waste.STRIP: 1000 * 200, Waste.KERF: 2 * 600}
    assert "narrow" not in Waste.STRIP and "short" not in Waste.END


def test_beside_a_sector_and_in_a_sheet_cast_larger() -> None:
    sector = Sector(341.132, 181.132, 30.0)
    box = sector.box_mm()
    foot = Blank("foot", "foot", "A", *box, 1.0, 1.0, 0.05, sector=sector)
    sheet = NewSheet("N001", "A", 1030.0, 330.0, 1.0, 1.0, 15.0)
    found = laid(LayoutProblem((foot,), (), Castable()), Placement("foot", "N001", 600.0, 15.0), sheets=(sheet,))
    assert found.is_new
    assert found.by_kind[Waste.SHAPE] == pytest.approx(box[0] * box[1] - sector.area_mm2())
    # 585 mm before it go back to the rack
    assert found.by_kind[Waste.CAST] == pytest.approx((415.0 * 300.0) - box[0] * box[1])


@pytest.mark.parametrize("cast", [False, True])
def test_everything_consumed_is_accounted_for(cast: bool) -> None:
    problem = problem_from_dict(parse_json(DATA.read_text(encoding="utf-8"), DATA.name))
    if cast:
        problem = LayoutProblem(problem.blanks, problem.rolls[:3], Castable(), 2.0)
    plan = solve(problem, iterations=300)
    sheets = waste_of(problem, plan)
    assert math.fsum(s.consumed_mm2 for s in sheets) == pytest.approx(plan.consumed_mm2)
    rows = waste_by_alloy(sheets)
    wasted_mm2 = math.fsum(area for row in rows.values() for area in row.values())
    assert wasted_mm2 == pytest.approx(plan.consumed_mm2 * (1.0 - plan.utilisation), rel=1e-6)
    for sheet in sheets:
        for kind in Waste:
            shown = math.fsum((b - a) * (d - c) for k, (a, b, c, d) in sheet.places if k is kind)
            assert kind is Waste.SHAPE or shown == pytest.approx(sheet.by_kind[kind], abs=1e-3)
    told = told_of_waste(sheets)
    assert told is not None
    assert f"{wasted_mm2 / 1e6:.1f} m²" in told
    ElementTree.fromstring(to_svg(waste_picture(sheets, Words("de"))))


def test_the_command_prints_the_table_and_draws_the_sheets(tmp_path: Path) -> None:
    problem = problem_from_dict(parse_json(DATA.read_text(encoding="utf-8"), DATA.name))
    plan, picture = solve(problem, iterations=100), tmp_path / "waste.svg"
    write_plan(tmp_path / "plan.json", plan)
    given = ["layout", "waste", str(DATA), str(tmp_path / "plan.json")]
    told = CliRunner().invoke(cli, [*given, "--out", str(picture)], env={"COLUMNS": "200"})
    assert told.exit_code == 0, told.output
    assert all(kind.value in told.stdout for kind in Waste)
    assert "of it become no blank" in told.stdout
    assert ElementTree.fromstring(picture.read_text(encoding="utf-8")).tag.endswith("svg")
    rows = json.loads(CliRunner().invoke(cli, [*given, "--json"]).stdout)["sheets"]
    assert math.fsum(row["consumed_mm2"] for row in rows) == pytest.approx(plan.consumed_mm2)


def test_names_that_nobody_knows_are_passed_over() -> None:
    other = Blank("b", "body", "B", 200.0, 100.0, 1.0, 1.0, 0.05)
    places = (Placement("a", "R9", 0.0, 0.0), Placement("c", "R1", 0.0, 0.0), Placement("b", "R1", 1900.0, -50.0))
    plan = LayoutPlan(places, (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    found = waste_of(LayoutProblem((blank("a", 100.0, 100.0), other), (roll(),)), plan)
    assert [s.sheet for s in found] == ["R1"]

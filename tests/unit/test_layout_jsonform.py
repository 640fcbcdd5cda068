"""Layout files are read strictly and come back as they were written."""

import json
from pathlib import Path
from typing import Any

import pytest

from pipemetal.errors import LayoutError
from pipemetal.layout.jsonform import plan_from_dict, plan_to_dict, problem_from_dict, problem_to_dict
from pipemetal.layout.problem import LayoutProblem
from pipemetal.layout.solve import solve

DATA = Path(__file__).parents[1] / "data" / "layout"


def small() -> dict[str, Any]:
    return {
        "format": "layout problem 1",
        "kerf_mm": 1.0,
        "blanks": [
            {
                "id": "C1",
                "kind": "body",
                "alloy": "A",
                "length_mm": 500.0,
                "width_mm": 200.0,
                "mouth_thickness_mm": 1.0,
                "top_thickness_mm": 0.95,
                "tolerance_mm": 0.05,
                "turns_deg": [0, 180],
            },
            {
                "id": "F1",
                "kind": "foot",
                "alloy": "A",
                "length_mm": 60.0,
                "width_mm": 90.0,
                "mouth_thickness_mm": 1.0,
                "top_thickness_mm": 1.0,
                "tolerance_mm": 0.05,
                "turns_deg": [0],
                "sector": {"outer_radius_mm": 100.0, "inner_radius_mm": 50.0, "angle_deg": 53.0},
            },
        ],
        "rolls": [
            {
                "id": "R1",
                "alloy": "A",
                "length_mm": 2000.0,
                "width_mm": 600.0,
                "trim_mm": 15.0,
                "stations_mm": [0.0, 2000.0],
                "thickness_mm": [[1.1, 0.9], [1.1, 0.9]],
                "no_go": [[[100.0, 100.0], [150.0, 100.0], [150.0, 140.0]]],
            }
        ],
        "castable": {"max_width_mm": 900.0},
    }


@pytest.mark.parametrize("name", ["n61", "n488"])
def test_a_problem_file_is_read_and_written_back_the_same(name: str) -> None:
    data = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    again = problem_to_dict(problem_from_dict(data))
    del data["note"]
    assert json.loads(json.dumps(again)) == data


def test_sectors_no_go_areas_and_castable_come_back() -> None:
    first = problem_to_dict(problem_from_dict(small()))
    assert problem_to_dict(problem_from_dict(json.loads(json.dumps(first)))) == first
    assert first["blanks"][1]["sector"]["angle_deg"] == 53.0


def test_a_plan_comes_back_with_its_totals() -> None:
    problem = problem_from_dict(small())
    plan = solve(problem, iterations=50)
    assert plan_from_dict(json.loads(json.dumps(plan_to_dict(plan))), problem) == plan


def test_a_plan_without_totals_has_them_added_up() -> None:
    problem = problem_from_dict(small())
    plan = solve(problem, iterations=50)
    bare = {k: v for k, v in plan_to_dict(plan).items() if k in ("placements", "unplaced", "new_sheets")}
    assert plan_from_dict(bare, problem).consumed_mm2 == pytest.approx(plan.consumed_mm2)


def changed(path: list[Any], value: Any) -> dict[str, Any]:
    data = small()
    at: Any = data
    for step in path[:-1]:
        at = at[step]
    if value is KeyError:
        del at[path[-1]]
    else:
        at[path[-1]] = value
    return data


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (["format"], "layout problem 9", "format is not known"),
        (["colour"], "red", "colour is not known"),
        (["kerf_mm"], -1.0, "kerf_mm is outside its range"),
        (["kerf_mm"], True, "kerf_mm is not a number"),
        (["blanks", 0, "lenght_mm"], 1.0, r"blanks\[0\]: lenght_mm is not known"),
        (["blanks", 0, "length_mm"], float("nan"), r"blanks\[0\]: length_mm is not a finite number"),
        (["blanks", 0, "width_mm"], -3.0, r"blanks\[0\], blank 'C1': width_mm is outside its range"),
        (["blanks", 0, "width_mm"], "3", "width_mm is not a number"),
        (["blanks", 0, "turns_deg"], [45], "turns_deg holds a turn that is unknown"),
        (["blanks", 0, "turns_deg"], [0, 90], "lay a tapered blank across"),
        (["blanks", 0, "id"], "F1", "id is used twice"),
        (["blanks", 0, "alloy"], KeyError, "alloy is missing"),
        (["blanks", 1, "sector", "inner_radius_mm"], 120.0, "not below the outer radius"),
        (["blanks", 1, "sector", "angle_deg"], 90.0, "does not lie within length by width"),
        (["rolls", 0, "thickness_mm"], [[1.1, 0.9], [1.1]], "full table"),
        (["rolls", 0, "thickness_mm"], [[1.1, -0.9]], "cannot be"),
        (["rolls", 0, "stations_mm"], [0.0, 1900.0], "from 0 to the length"),
        (["rolls", 0, "trim_mm"], 300.0, "leaves nothing"),
        (["rolls", 0, "no_go"], [[[0.0, 0.0], [1.0, 1.0]]], "three corners"),
        (["rolls"], {}, "rolls must be a list"),
        (["castable", "max_width_mm"], 100.0, "max_width_mm is outside its range"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(path: list[Any], value: Any, message: str) -> None:
    with pytest.raises(LayoutError, match=message):
        problem_from_dict(changed(path, value))


@pytest.mark.parametrize("data", [None, [], "x", 3, {"placements": []}, {"placements": {}, "unplaced": []}])
def test_a_plan_of_the_wrong_form_is_refused(data: Any) -> None:
    with pytest.raises(LayoutError):
        plan_from_dict(data, LayoutProblem((), ()))

"""Layout problems and plans as plain dictionaries (JSON), read strictly: nothing unknown, nothing guessed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, asdict, fields
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from pipemetal.errors import LayoutError
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement, SheetWanted, Unplaced
from pipemetal.layout.problem import Blank, Castable, CastSpread, CastWidth, LayoutProblem, LayoutRoll, Point, Sector
from pipemetal.layout.totals import totals_of
from pipemetal.sheets.checks import checked_number, checked_text
from pipemetal.texts import Text

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

__all__ = ["PLAN_FORMAT", "PROBLEM_FORMAT", "plan_from_dict", "plan_to_dict", "problem_from_dict", "problem_to_dict"]

Made = TypeVar("Made", bound="DataclassInstance")
PROBLEM_FORMAT = "layout problem 1"
PLAN_FORMAT = "layout plan 1"
MOST = 1e12
"""Of any number in a file: far beyond every shop, in mm and mm2, and small enough that no area overflows."""
SHARES: Final = ("level", "taper", "scatter")


def problem_from_dict(data: object, *, where: str = "layout problem") -> LayoutProblem:
    """A problem from the dictionary of its file. `note` is a remark and passed over.

    Raises: LayoutError that names the place for a key unknown or missing, a wrong type, nan, a negative size, an id
    used twice.

    >>> problem_from_dict({"format": "layout problem 1", "kerf_mm": 0.5, "blanks": [], "rolls": []}).kerf_mm
    0.5
    """
    top = _keys(data, ("format", "blanks", "rolls"), ("kerf_mm", "castable", "certainty", "save_metal", "note"), where)
    if top["format"] != PROBLEM_FORMAT:
        raise LayoutError("is not known", field="format", value=top["format"], allowed=PROBLEM_FORMAT, where=where)
    blanks = tuple(_blank(b, f"{where}, blanks[{k}]") for k, b in enumerate(_list(top["blanks"], "blanks", where)))
    rolls = tuple(_roll(r, f"{where}, rolls[{k}]") for k, r in enumerate(_list(top["rolls"], "rolls", where)))
    castable = None if top.get("castable") is None else _castable(top["castable"], f"{where}, castable")
    kerf = _number(top.get("kerf_mm", 0.0), "kerf_mm", where)
    certainty = _number(top.get("certainty", 0.0), "certainty", where)
    save_metal = top.get("save_metal", False)
    if not isinstance(save_metal, bool):
        raise LayoutError("is not true or false", field="save_metal", value=save_metal, where=where)
    try:
        return LayoutProblem(blanks, rolls, castable, kerf, certainty, save_metal)
    except LayoutError as error:
        raise error.at(where) from None


def problem_to_dict(problem: LayoutProblem) -> dict[str, object]:
    """The dictionary of a problem's file; reading it back gives the same problem.

    >>> problem_to_dict(LayoutProblem((), ()))["format"]
    'layout problem 1'
    """
    data: dict[str, object] = {"format": PROBLEM_FORMAT, "kerf_mm": problem.kerf_mm}
    data["blanks"] = [_blank_row(b) for b in problem.blanks]
    if problem.certainty > 0.0:
        data["certainty"] = problem.certainty
    if problem.save_metal:
        data["save_metal"] = True
    rolls = []
    for roll in problem.rolls:
        row = {f.name: getattr(roll, f.name) for f in fields(roll)}
        row["thickness_mm"] = roll.thickness_mm.tolist()
        if roll.error_mm is None:
            del row["error_mm"], row["error_reach_mm"]
        else:
            row["error_mm"] = roll.error_mm.tolist()
        if not roll.no_go:
            del row["no_go"]
        rolls.append(_without_none(row))
    data["rolls"] = rolls
    if problem.castable is not None:
        data["castable"] = _castable_row(problem.castable)
    return {name: _lists(value) for name, value in data.items()}


def plan_from_dict(data: object, problem: LayoutProblem, *, where: str = "layout plan") -> LayoutPlan:
    """A plan from the dictionary of its file. Totals that the file does not give are added up from the problem.

    Numbers that are not finite are refused; whether the plan is any good is for `verify` to say.
    Raises: LayoutError that names the place.

    >>> plan_from_dict({"placements": [], "unplaced": []}, LayoutProblem((), ())).opened_mm2
    0.0
    """
    numbers = ("opened_mm2", "consumed_mm2", "utilisation", "lower_bound_mm2", "gap_percent")
    optional = ("format", "note", "new_sheets", "seed", "iterations", "unsure", *numbers)
    top = _keys(data, ("placements", "unplaced"), optional, where)
    if top.get("format", PLAN_FORMAT) != PLAN_FORMAT:
        raise LayoutError("is not known", field="format", value=top["format"], allowed=PLAN_FORMAT, where=where)
    placements = tuple(
        _record(Placement, row, f"{where}, placements[{k}]")
        for k, row in enumerate(_list(top["placements"], "placements", where))
    )
    new_sheets = tuple(
        _record(NewSheet, row, f"{where}, new_sheets[{k}]")
        for k, row in enumerate(_list(top.get("new_sheets", []), "new_sheets", where))
    )
    unplaced = tuple(
        _unplaced(u, f"{where}, unplaced[{k}]") for k, u in enumerate(_list(top["unplaced"], "unplaced", where))
    )
    totals = totals_of(problem, placements, new_sheets)
    found = {
        "opened_mm2": totals.opened_mm2,
        "consumed_mm2": totals.consumed_mm2,
        "utilisation": totals.utilisation,
        "lower_bound_mm2": 0.0,
        "gap_percent": 0.0,
    }
    given = {name: _number(top[name], name, where) if name in top else found[name] for name in numbers}
    whole = {name: _whole(top.get(name, 0), name, where) for name in ("seed", "iterations")}
    unsure = tuple(
        checked_text(name, field="unsure", where=where, error=LayoutError)
        for name in _list(top.get("unsure", []), "unsure", where)
    )
    return LayoutPlan(placements, unplaced, new_sheets, **given, **whole, unsure=unsure)  # type: ignore[arg-type]


def plan_to_dict(plan: LayoutPlan) -> dict[str, object]:
    """The dictionary of a plan's file; reading it back gives the same plan.

    >>> plan_to_dict(LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 7, 0))["seed"]
    7
    """
    data = {"format": PLAN_FORMAT, **asdict(plan)}
    data["unplaced"] = [_without_none(u) for u in data["unplaced"]]
    if not plan.unsure:
        del data["unsure"]
    return {name: _lists(value) for name, value in data.items()}


def _blank(data: object, where: str) -> Blank:
    values = _keys(data, *_names(Blank), where)
    sector = values.get("sector")
    values["sector"] = None if sector is None else _record(Sector, sector, f"{where}, sector")
    if values.get("outline") is not None:
        values["outline"] = _points(values["outline"], f"{where}, outline")
    turns = _list(values.get("turns_deg", [0]), "turns_deg", where)
    values["turns_deg"] = tuple(_whole(turn, "turns_deg", where) for turn in turns)
    for name, value in values.items():
        if name.endswith("_mm"):
            values[name] = _number(value, name, where)
    return _made(Blank, values, where)


def _roll(data: object, where: str) -> LayoutRoll:
    values = _keys(data, *_names(LayoutRoll), where)
    for name in ("length_mm", "width_mm", "trim_mm"):
        values[name] = _number(values[name], name, where)
    stations = _list(values["stations_mm"], "stations_mm", where)
    values["stations_mm"] = tuple(_number(s, "stations_mm", where) for s in stations)
    for name in ("thickness_mm", "error_mm"):
        if values.get(name) is not None:
            values[name] = _table(values[name], name, where)
    if "error_reach_mm" in values:
        reach = _list(values["error_reach_mm"], "error_reach_mm", where)
        (values["error_reach_mm"],) = _points([reach], f"{where}, error_reach_mm")
    polygons = _list(values.get("no_go", []), "no_go", where)
    values["no_go"] = tuple(_points(p, f"{where}, no_go[{k}]") for k, p in enumerate(polygons))
    if values.get("outline") is not None:
        values["outline"] = _points(values["outline"], f"{where}, outline")
    return _made(LayoutRoll, values, where)


def _table(value: object, name: str, where: str) -> np.ndarray:
    rows = [[_number(t, name, where) for t in _list(line, name, where)] for line in _list(value, name, where)]
    if len({len(row) for row in rows}) != 1:
        raise LayoutError("must be a full table of numbers", field=name, where=where)
    return np.array(rows)


def _castable(data: object, where: str) -> Castable:
    values = _keys(data, *_names(Castable), where)
    if values.get("alloys") is not None:
        names = _list(values["alloys"], "alloys", where)
        values["alloys"] = tuple(checked_text(a, field="alloys", where=where, error=LayoutError) for a in names)
    for name, value in values.items():
        if name == "max_sheets":
            values[name] = _whole(value, name, where)
        elif name == "widths":
            rows = _list(value, name, where)
            values[name] = tuple(_record(CastWidth, row, f"{where}, widths[{k}]") for k, row in enumerate(rows))
        elif name == "limited_by":
            values[name] = checked_text(value, field=name, where=where, error=LayoutError)
        elif name == "spread":
            rows = _list(value, name, where)
            values[name] = tuple(_record(CastSpread, row, f"{where}, spread[{k}]") for k, row in enumerate(rows))
        elif name != "alloys":
            values[name] = _number(value, name, where)
    return _made(Castable, values, where)


def _blank_row(blank: Blank) -> dict[str, object]:
    row = _without_none(asdict(blank))
    if blank.worked_mm == 0.0:
        del row["worked_mm"], row["worked"]
    return row


def _castable_row(castable: Castable) -> dict[str, object]:
    row = _without_none(asdict(castable))
    if not castable.spread:
        del row["spread"], row["least_room"], row["misfit_costs"]
    if not castable.widths:
        del row["widths"], row["width_change_mm2"]
        return row
    return row | {"widths": [_without_none(asdict(width)) for width in castable.widths]}


def _unplaced(data: object, where: str) -> Unplaced:
    values = _keys(data, *_names(Unplaced), where)
    for name in ("blank", "reason"):
        values[name] = checked_text(values[name], field=name, where=where, error=LayoutError)
    values["reason"] = Text(str(values["reason"]))
    if values.get("miss_mm") is not None:
        values["miss_mm"] = _number(values["miss_mm"], "miss_mm", where)
    sheet = values.get("sheet")
    values["sheet"] = None if sheet is None else _record(SheetWanted, sheet, f"{where}, sheet")
    return _made(Unplaced, values, where)


def _record(kind: type[Made], data: object, where: str) -> Made:
    """A flat dataclass: numbers by their unit, whole turns, text for the rest."""
    values = _keys(data, *_names(kind), where)
    for name, value in values.items():
        if name == "turn_deg":
            values[name] = _whole(value, name, where)
        elif name.endswith(("_mm", "_deg", "_mm2")) or name in SHARES:
            values[name] = _number(value, name, where)
        else:
            values[name] = checked_text(value, field=name, where=where, error=LayoutError)
    return _made(kind, values, where)


def _made(kind: Callable[..., Made], values: dict[str, object], where: str) -> Made:
    try:
        return kind(**values)
    except LayoutError as error:
        raise error.at(where) from None


def _names(kind: type[DataclassInstance]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    needed = tuple(f.name for f in fields(kind) if f.default is MISSING and f.default_factory is MISSING)
    return needed, tuple(f.name for f in fields(kind) if f.name not in needed)


def _keys(data: object, needed: Sequence[str], optional: Sequence[str], where: str) -> dict[str, object]:
    if not isinstance(data, Mapping):
        raise LayoutError("must be an object with named values", value=data, where=where)
    allowed = ", ".join((*needed, *optional))
    for name in data:
        if name not in needed and name not in optional:
            raise LayoutError("is not known", field=str(name), allowed=allowed, where=where)
    for name in needed:
        if name not in data:
            raise LayoutError("is missing", field=name, where=where)
    return dict(data)


def _list(value: object, field: str, where: str) -> Sequence[object]:
    if not isinstance(value, list | tuple):
        raise LayoutError("must be a list", field=field, value=value, where=where)
    return value


def _points(value: object, where: str) -> tuple[Point, ...]:
    points = []
    for pair in _list(value, "corners", where):
        corner = [_number(number, "corner", where) for number in _list(pair, "corner", where)]
        if len(corner) != 2:
            raise LayoutError("must be a pair of numbers", field="corner", value=pair, where=where)
        points.append((corner[0], corner[1]))
    return tuple(points)


def _number(value: object, field: str, where: str) -> float:
    if not isinstance(value, int | float):
        raise LayoutError("is not a number", field=field, value=value, where=where)
    return checked_number(value, field=field, low=-MOST, high=MOST, where=where, error=LayoutError)


def _whole(value: object, field: str, where: str) -> int:
    number = _number(value, field, where)
    if number != int(number):
        raise LayoutError("is not a whole number", field=field, value=value, where=where)
    return int(number)


def _without_none(row: dict[str, object]) -> dict[str, object]:
    return {name: value for name, value in row.items() if value is not None}


def _lists(value: object) -> object:
    """Tuples as lists, however deep."""
    if isinstance(value, dict):
        return {name: _lists(v) for name, v in value.items()}
    return [_lists(v) for v in value] if isinstance(value, list | tuple) else value

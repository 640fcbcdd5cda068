"""A plan's record: written whole and read back the same, older formats brought up to date, what is wrong named."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipemetal.errors import FileFormatError
from pipemetal.files.plan_file import read_plan_file
from pipemetal.plans import record
from pipemetal.plans.codec import NEEDED, as_dict, from_value, read, with_table, write
from pipemetal.texts import Amount, Text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

NUMBERS = st.floats(allow_nan=False, allow_infinity=False, min_value=-9e8, max_value=9e8)
AMOUNTS = st.floats(min_value=0.0, max_value=9e8)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NAMES = TEXTS.filter(lambda t: t.strip() != "")
UNITS = st.sampled_from(["", "mm", "m", "m/s", "kg", "C", "K"])
VALUES = st.one_of(TEXTS, st.integers(-9, 9), st.builds(Amount, NUMBERS, UNITS, st.integers(0, 3), st.booleans()))
SAID = st.one_of(
    TEXTS, st.builds(lambda a, b: Text("so {a}, and so {b}", a=a, b=Text("then {a}", a=b)), VALUES, VALUES)
)
PLAIN: dict[Any, st.SearchStrategy[Any]] = {
    record.Number: NUMBERS,
    record.Amount: AMOUNTS,
    record.Count: st.integers(0, 10**6),
    record.Turn: st.sampled_from([0, 90, 180, 270]),
    record.Name: NAMES,
    record.Said: SAID,
    str: TEXTS,
    bool: st.booleans(),
}


def values_of(kind: Any) -> st.SearchStrategy[Any]:
    """Any value that a field of this type may hold."""
    import types
    import typing

    if kind in PLAIN:
        return PLAIN[kind]
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if dataclasses.is_dataclass(kind):
        return rows_of(kind)
    if origin in (types.UnionType, typing.Union):
        return st.one_of(*(st.none() if a is type(None) else values_of(a) for a in args))
    if origin is typing.Literal:
        return st.sampled_from(args)
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(values_of(args[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*(values_of(a) for a in args))
    if origin is dict:
        return st.dictionaries(values_of(args[0]), values_of(args[1]), max_size=2)
    raise AssertionError(f"no values for {kind}")


def rows_of(kind: Any) -> st.SearchStrategy[Any]:
    import typing

    hints = typing.get_type_hints(kind, include_extras=True)
    fields = [f.name for f in dataclasses.fields(kind) if not (kind is record.Plan and f.name == "format")]
    return st.builds(kind, **{name: st.deferred(lambda h=hints[name]: values_of(h)) for name in fields})


@settings(suppress_health_check=list(HealthCheck), deadline=None, max_examples=60)
@given(rows_of(record.Plan))
def test_what_is_written_is_read_back_the_same(plan: record.Plan) -> None:
    assert read(write(plan)) == plan


@settings(suppress_health_check=list(HealthCheck), deadline=None, max_examples=200)
@given(st.one_of(rows_of(record.Melt), rows_of(record.Pour), rows_of(record.CutSheet)))
def test_every_row_is_read_back_the_same(row: Any) -> None:
    lists = {record.Melt: "melts", record.Pour: "pours", record.CutSheet: "rolls_used"}
    plan = record.Plan("Chapel", **{lists[type(row)]: (row,)})
    assert read(write(plan)) == plan


def test_a_text_is_read_back_with_its_template_and_values() -> None:
    words = Text("gate from {a} to {b}", a=Amount(2.54, "mm", 1, bare=True), b=Amount(5.08, "mm", 1))
    pour = record.Pour("N1", "half", "M1", 1, 1, warnings=(words, "plain words"))
    text = write(record.Plan("Chapel", pours=(pour,)))
    assert json.loads(text)["pours"][0]["warnings"] == ["gate from 2.5 to 5.1 mm", "plain words"]
    told = read(text).pours[0].warnings[0]
    assert Words("de").read(told, UnitSystem("in", "lb", "F", comma=True)) == "Spalt von 0,100 auf 0,200 in"


@pytest.mark.parametrize("row", [1, {}, {"template": "{a}", "values": {}}, {"template": "{a.b}", "values": {"a": 1}}])
def test_a_row_of_the_table_that_is_no_text_changes_nothing(row: object) -> None:
    held = as_dict(record.Plan("Chapel", notes=("{a}",))) | {"texts": [row]}
    assert from_value(held).notes == ("{a}",)


def test_a_sum_of_nothing_is_written_as_the_number_it_is() -> None:
    """What Python adds up to a whole 0 and what the file gives back are one text."""
    sheet = record.NewSheet("N1", "lead-15", remnants_kg=sum([]))
    text = write(record.Plan("Merrowby Chapel", new_sheets=(sheet,)))
    assert write(read(text)) == text


def test_the_keys_of_the_file_stay_flat() -> None:
    melt = record.Melt("M1", "half", charge=record.Charged((record.LotLine("T", "pig", 20.0),)))
    pour = record.Pour("N1", "half", "M1", 1, 1, card=record.PushCard(2.1, scoops=5))
    held = as_dict(record.Plan("Chapel", melts=(melt,), pours=(pour,)))
    text = json.dumps(held)
    assert json.loads(text)["melts"][0]["lots"][0]["id"] == "T"
    assert json.loads(text)["pours"][0]["gate_mm"] == 2.1
    blocked = as_dict(record.Melt("M2", "half", blocked=record.Blocked((), {}, "no tin")))
    assert "lots" not in blocked and blocked["words"] == "no tin"


OLD_CUT = {
    "number": 1,
    "blank": "Principal 8 C body 1 of 2",
    "kind": "body",
    "rank": "Principal 8",
    "note": "C",
    "x_mm": 15.0,
    "y_mm": 15.0,
    "turn_deg": 0,
    "length_mm": 1200.0,
    "width_mm": 400.0,
    "wanted_mouth_mm": 1.1,
    "wanted_top_mm": 1.0,
    "tolerance_mm": 0.1,
    "mass_kg": 5.0,
}


def test_an_older_plan_gets_turns_sectors_and_room_for_its_rounding() -> None:
    ring = {"outer_radius_mm": 1500.0, "inner_radius_mm": 300.0, "angle_deg": 40.0}
    part = {"id": "Principal 8 C body", "kind": "body", "alloy": "half", "length_mm": 1.0, "width_mm": 1.0}
    part |= {"mouth_thickness_mm": 1.1, "top_thickness_mm": 1.0, "tolerance_mm": 0.1, "turns_deg": [0], "sector": ring}
    old = {"format": "pipemetal plan 1", "organ": "Chapel", "blanks": [part], "rolls_used": [{"id": "R1"}]}
    old["rolls_used"] = [{"id": "R1", "cuts": [OLD_CUT, OLD_CUT | {"blank": "Principal 8 D body", "turn_deg": 180}]}]
    plan = from_value(old)
    piece, plain = plan.rolls_used[0].cuts
    assert plan.format == record.PLAN_FORMAT
    assert piece.sector is not None and piece.sector.inner_radius_mm == 300.0
    assert plain.sector is None and 180 in plain.turns_deg
    for cut in (piece, plain):
        assert cut.x_mm > 15.0 and cut.x_mm + cut.length_mm < 1215.0
        assert cut.tolerance_mm > 0.1


@pytest.mark.parametrize(
    ("spoilt", "says"),
    [
        ({"organ": ""}, "organ is empty"),
        ({"melts": "x"}, "melts is not a list"),
        ({"pours": [{"sheet": "N1"}]}, "pours 1: alloy is missing"),
        ({"pours": [{"sheet": "N", "alloy": "a", "melt": "M", "day": 1.5, "number": 1}]}, "day is not a whole number"),
        ({"rolls_used": [{"id": "R", "cuts": [{}]}]}, "rolls_used 1 cuts 1: blank is missing"),
        ({"melts": [{"name": "M", "recipe": "r", "lots": [{"id": "T", "kind": "pig", "mass_kg": -1}]}]}, "mass_kg"),
        ({"metal": {"by_alloy": None}}, "by_alloy is not an object"),
        ({"consumed_mm2": float("inf")}, "consumed_mm2"),
        ({"format": "pipemetal plan 99"}, "is not a plan"),
    ],
)
def test_what_is_wrong_is_named_by_list_entry_and_field(spoilt: dict[str, Any], says: str) -> None:
    with pytest.raises(FileFormatError, match=says):
        from_value({"format": record.PLAN_FORMAT, "organ": "Chapel"} | spoilt, "plan.json")


@pytest.mark.parametrize("lacking", NEEDED)
def test_a_plan_file_without_one_of_its_lists_is_refused_by_name(lacking: str, tmp_path: Path) -> None:
    values = {name: value for name, value in with_table(record.Plan("Chapel")).items() if name != lacking}
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(values), encoding="utf-8")
    with pytest.raises(FileFormatError, match=rf"^plan\.json: {lacking} is missing"):
        read_plan_file(path)

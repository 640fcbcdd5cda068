"""The front door: every promised name is there, documented, loaded only when it is used, and does its job."""

import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import pipemetal as pm
from pipemetal.errors import InputError
from pipemetal.files.demo_files import packaged_file
from pipemetal.planning.stock import Stock

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("name", pm.__all__)
def test_every_promised_name_is_there_and_documented(name: str) -> None:
    assert getattr(pm, name).__doc__
    assert f"pm.{name}" in (ROOT / "docs" / "python.md").read_text(encoding="utf-8") or name == "Shop"
    assert name in dir(pm)


def test_a_name_that_is_not_promised_is_told_apart() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        pm.nothing  # noqa: B018


def test_nothing_is_loaded_before_it_is_used() -> None:
    code = "import sys, pipemetal; print([m for m in ('numpy', 'pydantic', 'sqlalchemy', 'numba') if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_a_shop_is_the_same_from_its_files_and_from_its_book(tmp_path: Path) -> None:
    folder = packaged_file("rack.csv").parent
    files = pm.read_shop(folder)
    with pm.Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        book.tables.import_folder(folder)
    held = pm.read_shop(tmp_path / "s.sqlite")
    assert set(held.recipes) == set(files.recipes)
    assert {r.id for r in held.stock.rack} == {r.id for r in files.stock.rack}
    assert sum(lot.mass_kg for lot in held.lots) == pytest.approx(sum(lot.mass_kg for lot in files.lots))
    assert len(held.casts) == len(files.casts)


def test_a_plan_goes_to_a_file_and_back(tmp_path: Path) -> None:
    plan = pm.Plan("Chapel", seed=3, consumed_mm2=1.0 / 3.0)
    pm.write_plan(plan, tmp_path / "plan.json")
    assert pm.read_plan(tmp_path / "plan.json") == plan


HALF = pm.Composition.parse("Sn 50 Pb bal")
EMPTY = pm.LayoutProblem((), ())
FOLDER = packaged_file("rack.csv").parent
CALLS: dict[str, tuple[Callable[..., object], dict[str, object]]] = {
    "Book": (pm.Book.open, {"target": "none.sqlite"}),
    "Composition": (pm.Composition.from_wt_pct, {"mapping": {"Sn": 50.0, "Pb": 50.0}}),
    "Composition by text": (pm.Composition.parse, {"text": "Sn 50 Pb bal"}),
    "LayoutProblem": (pm.LayoutProblem, {"blanks": (), "rolls": (), "kerf_mm": 0.0}),
    "Recipe": (pm.Recipe, {"name": "half", "target": HALF, "windows_wt_pct": (("Sn", 49.0, 51.0),), "note": ""}),
    "Shop": (pm.Shop, {"stock": Stock({})}),
    "check_layout": (pm.check_layout, {"problem": EMPTY, "plan": pm.lay_out(EMPTY, seconds=0.01)}),
    "hear": (pm.hear, {"recording": "none.wav", "expected_hz": 440.0}),
    "lay_out": (pm.lay_out, {"problem": EMPTY, "seconds": 0.01, "seed": 1}),
    "liquidus": (pm.liquidus, {"comp": HALF}),
    "make_pipes": (pm.make_pipes, {"organ": None, "shop": pm.Shop(Stock({}))}),
    "make_plan": (pm.make_plan, {"organ": None, "shop": pm.Shop(Stock({})), "seconds": 1.0, "seed": 0}),
    "plan_anew": (
        pm.plan_anew,
        {"plan": pm.Plan("Chapel"), "shop": pm.Shop(Stock({})), "measured": {}, "seconds": 1.0},
    ),
    "push_card": (
        pm.push_card,
        {
            "shop": pm.Shop(Stock({})),
            "metal": HALF,
            "pour_temperature_c": 195.0,
            "size_mm": (4500.0, 760.0),
            "thickness_mm": (2.0, 1.5),
        },
    ),
    "read_organ": (pm.read_organ, {"path": FOLDER / "organ.toml"}),
    "read_plan": (pm.read_plan, {"path": "none.json"}),
    "make_old_rank": (pm.make_old_rank, {"said": None}),
    "read_restoration": (pm.read_restoration, {"path": "none.toml"}),
    "read_shop": (pm.read_shop, {"place": FOLDER}),
    "say_old_rank": (pm.say_old_rank, {"old": None}),
    "weigh_out": (pm.weigh_out, {"shop": pm.Shop(Stock({})), "recipe": "half", "wanted_kg": 100.0}),
    "write_plan": (pm.write_plan, {"plan": pm.Plan("Chapel"), "path": "none/plan.json"}),
}
WRONG = ("5 kg", None, True, math.nan, -1, b"5", [1], {"a": 1}, ("a", "b"), object())


@pytest.mark.parametrize("name", CALLS)
def test_what_is_of_the_wrong_kind_is_one_clear_error(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever stands in place of an argument is taken, or refused as any input is: nothing breaks inside."""
    monkeypatch.chdir(tmp_path)  # a text where a path is wanted is a file name here
    call, right = CALLS[name]
    refused = 0
    for argument in right:
        for wrong in WRONG:
            try:
                call(**{**right, argument: wrong})
            except InputError as error:
                refused += 1
                assert (error.field or error.where) and "\n" not in str(error)
    assert refused >= 5


def test_every_promised_name_is_fed_what_is_wrong() -> None:
    assert {name.partition(" ")[0] for name in CALLS} == set(pm.__all__) - {"PipemetalError", "Plan"}


def test_a_mass_given_as_a_text_is_told_with_its_field(tmp_path: Path) -> None:
    from pipemetal.shop.book import NewLot

    with pytest.raises(InputError, match=r"mass_kg is of the wrong kind \(got '5 kg'; allowed: a number\)"):
        NewLot("T", "pig", "5 kg")  # type: ignore[arg-type]
    with pm.Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        with pytest.raises(InputError, match="mass_kg is of the wrong kind"):
            book.ledger.weigh("lot:T", "5")  # type: ignore[arg-type]
        with pytest.raises(InputError, match="alloy is not a recipe of this shop"):
            book.lots.add(NewLot("T", "pig", 5.0, HALF, alloy="unobtainium"))

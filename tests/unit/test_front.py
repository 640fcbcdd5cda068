"""The front door: every promised name is there, documented, loaded only when it is used, and does its job."""

import subprocess
import sys
from pathlib import Path

import pytest

import pipemetal as pm
from pipemetal.files.demo_files import packaged_file

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

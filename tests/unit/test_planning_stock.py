"""What a shop does not have, or has measured badly, stops no plan: it is set aside, done without, and named."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.alloys.composition import Composition
from pipemetal.cli.main import cli
from pipemetal.errors import InputError
from pipemetal.files.rack_file import read_rack, usable_rack
from pipemetal.files.recipe_file import own_recipes, read_recipes
from pipemetal.front import read_shop
from pipemetal.layout.problem import Blank, Castable, LayoutProblem
from pipemetal.layout.search import Fees
from pipemetal.layout.solve import solve
from pipemetal.planning.plan import work_as_metal
from pipemetal.planning.settings import ShopSettings

ORGAN = """
[organ]
name = "One rank"

[pitch]
a_hz = 440

[wall.thin]
table_mm = [[6, 0.5], [60, 0.9]]

[[rank]]
name = "Octave 2"
footage = "2'"
division = "Great"
compass = "C-b"
alloy = "spotted-50"
construction = "open"
scale = { half_tones = [["C", 0], ["b", 0]] }
mouth = "1/4"
cut_up = "1/4"
wall = "thin"
"""
LOTS = """id,kind,mass_kg,composition,price_per_kg
T,pig,300,Sn 100,28
L,pig,300,Pb 100,2
"""
RACK = "id,alloy,length_mm,width_mm\nR1,spotted-50,3000,800\nR2,spotted-50,3000,800\n"
PLACES = ((100, 100), (100, 700), (1500, 100), (1500, 700), (2900, 100), (2900, 700))


def readings(roll: str, misread: float | None) -> str:
    rows = [(x, y, round(0.95 - 0.0001 * x, 3)) for x, y in PLACES]
    if misread is not None:
        rows[2] = (*rows[2][:2], misread)
    return "".join(f"{roll},{x},{y},{t}\n" for x, y, t in rows)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "organ.toml").write_text(ORGAN)
    (tmp_path / "lots.csv").write_text(LOTS)
    (tmp_path / "rack.csv").write_text(RACK)
    (tmp_path / "readings.csv").write_text(
        "roll,x_mm,y_mm,thickness_mm\n" + readings("R1", None) + readings("R2", None)
    )
    return tmp_path


def planned(folder: Path, *options: str) -> tuple[int, dict[str, object]]:
    words = [
        "plan",
        str(folder / "organ.toml"),
        "--iterations",
        "150",
        "--out",
        str(folder / "plan"),
        "--json",
        *options,
    ]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code in (0, 1), result.output
    return result.exit_code, json.loads(result.stdout)


def both(folder: Path) -> tuple[str, ...]:
    return ("--rack", str(folder / "rack.csv"), "--lots", str(folder / "lots.csv"))


# a digit wrong, digits swapped, and a point slipped either way
@pytest.mark.parametrize("misread", [1.45, 0.08, 8.0, 0.58, 9.5, 0.095, 80.0 / 2])
def test_one_misread_of_six_stops_no_plan_and_is_named(folder: Path, misread: float) -> None:
    text = "roll,x_mm,y_mm,thickness_mm\n" + readings("R1", misread) + readings("R2", None)
    (folder / "readings.csv").write_text(text)
    code, data = planned(folder, *both(folder))
    assert code == 0 and data["pipes_served"] == 24
    rack, aside = usable_rack(folder, read_recipes(own_recipes()))
    fields = {roll.id: roll.field for roll in rack}
    if "R1" in aside:  # several times off: no gauge shows that, and the file says so
        assert re.search(rf"{misread:g}\b", aside["R1"])
        assert "R1" not in {roll["id"] for roll in data["rolls_used"]}  # type: ignore[attr-defined]
        return
    assert [left.reading.thickness_mm for left in fields["R1"].left_out] == [misread]
    assert fields["R1"].standard_error_mm.mean() > fields["R2"].standard_error_mm.mean()


def test_three_misread_of_six_set_the_roll_aside_with_the_reason(folder: Path) -> None:
    lines = readings("R1", 1.45).splitlines()
    lines[0] = lines[0].rsplit(",", 1)[0] + ",0.31"
    lines[4] = lines[4].rsplit(",", 1)[0] + ",2.9"
    spoilt = "roll,x_mm,y_mm,thickness_mm\n" + "\n".join(lines) + "\n" + readings("R2", None)
    (folder / "readings.csv").write_text(spoilt)
    rack, aside = usable_rack(folder, read_recipes(own_recipes()))
    assert "R1" in aside or float(rack[0].field.standard_error_mm.mean()) > 0.1


# told by nothing, by one reading, eight times by one, by three places, by one line across, by a corner
TOO_LITTLE = {
    "nothing": [],
    "one": [(1500, 400)],
    "copies": [(700, 200)] * 8,
    "places": [(100, 400), (1500, 400), (2900, 400)] * 3,
    "across": [(1500, 20 + 120 * k) for k in range(7)],
    "corner": [(100 + 20 * k, 100 * k) for k in range(7)],
}


@pytest.mark.parametrize("kind", TOO_LITTLE)
def test_a_roll_that_its_readings_hardly_tell_of_is_set_aside_by_name_and_to_be_gauged(folder: Path, kind: str) -> None:
    rows = "".join(f"R1,{x},{y},0.9\n" for x, y in TOO_LITTLE[kind])
    (folder / "readings.csv").write_text("roll,x_mm,y_mm,thickness_mm\n" + rows + readings("R2", None))
    shop = folder / "shop"
    shop.mkdir()
    for name in ("rack.csv", "readings.csv"):
        (shop / name).write_text((folder / name).read_text())
    (shop / "recipes.toml").write_text(own_recipes().read_text(encoding="utf-8"), encoding="utf-8")
    stock = read_shop(shop).stock
    assert [roll.id for roll in stock.rack] == ["R2"]
    assert stock.notes[0].startswith("Set aside: R1: ") and "readings " in stock.notes[0]
    assert stock.notes[1].endswith("to lay blanks on them: R1. Gauge them.")
    with pytest.raises(InputError, match="readings"):
        read_rack(folder, read_recipes(own_recipes()))


def test_a_line_along_the_sheet_and_repeats_are_enough(folder: Path) -> None:
    rows = "".join(f"R1,{x},400,0.9\n" for x in (100, 900, 1700, 2800) * 2)
    (folder / "readings.csv").write_text("roll,x_mm,y_mm,thickness_mm\n" + rows + readings("R2", None))
    assert usable_rack(folder, read_recipes(own_recipes()))[1] == {}


def test_readings_with_headings_only_set_all_rolls_aside_and_stop_no_plan(folder: Path) -> None:
    (folder / "readings.csv").write_text("roll,x_mm,y_mm,thickness_mm\n")
    code, data = planned(folder, *both(folder))
    assert code == 0 and not data["rolls_used"]
    assert "on them: R1, R2. Gauge them." in json.dumps(data["notes"])


@pytest.mark.parametrize("rack", [None, "id,alloy,length_mm,width_mm\n"])
@pytest.mark.parametrize("lots", [None, "id,kind,mass_kg,composition\n", LOTS])
def test_an_empty_rack_and_an_empty_floor_are_planned(folder: Path, rack: str | None, lots: str | None) -> None:
    (folder / "rack.csv").write_text(rack or RACK)
    (folder / "readings.csv").unlink()
    (folder / "lots.csv").write_text(lots or LOTS)
    options = ["--rack", str(folder / "rack.csv")] if rack is not None else []
    options += ["--lots", str(folder / "lots.csv")] if lots is not None else []
    code, data = planned(folder, *options)
    assert code == 0 and data["pipes_served"] == 24 and data["rolls_used"] == []
    told = " ".join(data["notes"])  # type: ignore[arg-type]
    assert ("No --rack was given" in told) == (rack is None)
    assert ("No --lots were given" in told) == (lots is None)
    bought = data["to_buy_kg"]
    if lots == LOTS:
        assert not bought
    else:
        assert set(bought) == {"Pb", "Sn"}  # type: ignore[arg-type]
        assert "the program's own price was used" in told


def test_a_shop_without_settings_and_recipes_is_planned_with_the_programs_own(folder: Path) -> None:
    _, data = planned(folder, *both(folder))
    assert data["settings_from"] == "the program's own"
    told = " ".join(data["notes"])  # type: ignore[arg-type]
    assert "No recipes.toml beside organ.toml: the program's own recipes" in told
    assert "tinbrook" not in json.dumps(data).lower() and "demo" not in json.dumps(data).lower()
    (folder / "shop.toml").write_text("[sheets]\nkerf_mm = 3\n[shop]\ntake_down_costs_kg = 2\n")
    (folder / "recipes.toml").write_text(own_recipes().read_text())
    _, data = planned(folder, *both(folder))
    told = " ".join(data["notes"])  # type: ignore[arg-type]
    assert data["settings_from"] == "shop.toml" and "kerf_mm" not in told and "recipes.toml" not in told


def test_no_command_reads_the_invented_shop_for_another() -> None:
    """Only the demonstration and the commands that show it know its files."""
    root = Path(__file__).parents[2] / "src" / "pipemetal"
    examples = (">>>", "...")
    using = {
        p.name
        for p in root.rglob("*.py")
        for line in p.read_text().splitlines()
        if "packaged_file" in line and not line.strip().startswith(examples)
    }
    assert using <= {"demo_files.py", "serve_cmd.py"}, using


def test_taking_down_a_roll_has_its_price() -> None:
    """Two rolls that each hold one blank well, and one that holds both with more waste: by hand, the fee decides."""
    import numpy as np

    from pipemetal.layout.problem import LayoutRoll

    def roll(name: str, length: float) -> LayoutRoll:
        return LayoutRoll(name, "A", length, 230.0, 15.0, (0.0, length), np.array([[1.0, 1.0]]))

    blanks = tuple(Blank(f"B{k}", "body", "A", 450.0, 200.0, 1.0, 1.0, 0.05) for k in range(2))
    problem = LayoutProblem(blanks, (roll("small 1", 480.0), roll("small 2", 480.0), roll("long", 1100.0)))
    # small: 2 x 450 x 200 = 180,000 mm2 in two rolls; long: 1070 x 200 = 214,000 mm2 in one
    without = solve(problem, iterations=400)
    fees = Fees({r.id: 60_000.0 for r in problem.rolls})
    with_fee = solve(problem, iterations=400, fees=fees)
    assert {p.roll for p in without.placements} == {"small 1", "small 2"}
    assert {p.roll for p in with_fee.placements} == {"long"}


def test_work_is_priced_as_the_sheet_that_weighs_as_much() -> None:
    blank = Blank("B", "body", "A", 450.0, 200.0, 1.0, 1.0, 0.05)
    problem = LayoutProblem((blank,), (), Castable(max_width_mm=300.0, trim_mm=15.0))
    # 11 kg at 11 g/cm3 and 1 mm are a square metre
    assert work_as_metal(problem, ShopSettings(melt_costs_kg=11.0), {"A": 11.0}).first_cast_mm2["A"] == pytest.approx(
        1e6
    )


def test_what_work_costs_is_said_in_plain_words_and_can_be_set(folder: Path) -> None:
    from pipemetal.files.shop_file import KEYS, read_shop
    from pipemetal.planning.settings import rests_on

    keys = ("shop.errand_costs_kg", "shop.melt_costs_kg", "shop.take_down_costs_kg")
    assert all(key in KEYS and rests_on(key) == "estimate" for key in keys)
    (folder / "shop.toml").write_text('[shop]\nerrand_costs = "22 lb"\nmelt_costs_kg = 3\n')
    found = read_shop(folder / "shop.toml")
    assert found.errand_costs_kg == pytest.approx(9.98, abs=0.01) and found.melt_costs_kg == 3.0
    assert found.said == {"shop.errand_costs_kg", "shop.melt_costs_kg"}


def test_a_recipe_of_the_programs_own_lies_within_its_windows() -> None:
    for recipe in read_recipes(own_recipes()).values():
        assert not recipe.misses(recipe.target)
        assert recipe.target.wt_pct("Sn") + recipe.target.wt_pct("Pb") > 98.0
        assert isinstance(recipe.target, Composition)

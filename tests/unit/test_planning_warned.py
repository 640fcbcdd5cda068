"""Warnings of a card: the true cause first, three at most; thick films between bars; sloped tables told as unmeasured."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest

import pipemetal
from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.casting.model import ThermalSettings
from pipemetal.casting.slope import film_runs_m
from pipemetal.casting.way import puddle_mm
from pipemetal.layout.plan import NewSheet
from pipemetal.melts.day import MeltPlan
from pipemetal.melts.mend import Blocked, Cause
from pipemetal.melts.request import ChargeRequest
from pipemetal.planning.day_work import plan_days
from pipemetal.planning.equipment import OwnedSettings
from pipemetal.planning.habits import HabitSettings
from pipemetal.planning.learning import Learned
from pipemetal.planning.melting import PlannedMelt
from pipemetal.planning.pours import Pour, demand_of, plan_pours, prepare_pour
from pipemetal.planning.practice import GRAINS, PAPER, practice_of
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_order
from pipemetal.planning.warned import BARS, BARS_FOR_RANGE, MOST_WARNINGS, RANKED, SLOPED, SLOPED_RUNS, warnings_of
from pipemetal.texts import Text
from pipemetal.words import catalogue

LEAD = Composition.parse("Sn 15 Sb 0.5 Pb bal")
SHOP = ShopSettings(owned=OwnedSettings("wide 250 x 900", "level 3000 x 1000; steep 6000 x 1000, 4 mm/m"))


def poured(thick_mm: float, thin_mm: float, length_mm: float = 1500.0, metal: Composition = LEAD) -> Pour:
    prepared = prepare_pour(
        sheet_order(NewSheet("N001", "lead", length_mm, 900.0, thick_mm, thin_mm, 15.0), SHOP), metal, SHOP, Learned()
    )
    tin = metal.wt_pct("Sn")
    recipe = Recipe("lead", metal, (("Sn", tin - 2.0, min(tin + 2.0, 100.0)),))
    request = ChargeRequest("M01", recipe, 300.0, 450.0)
    blocked = Blocked(request, (), (), Cause("windows"), Cause("analyse"))
    melt = PlannedMelt(MeltPlan("M01", "lead", (demand_of(prepared),), 300.0), blocked, None, False)
    days = plan_days([prepared], [melt], SHOP)
    return plan_pours([prepared], [melt], days, SHOP, Learned())[0]


def templates(pour: Pour) -> list[str]:
    return [words.template if isinstance(words, Text) else words for words in warnings_of(pour)]


def test_a_film_that_does_not_stand_is_cast_between_bars_and_says_how_high_metal_stands() -> None:
    thick, usual = poured(4.8, 4.6), poured(1.6, 1.4)
    assert BARS in templates(thick) and thick.window is not None and not thick.window.empty
    assert 3.5 < thick.bars_from_mm < 4.7 < thick.film_mm
    assert usual.bars_from_mm == 0.0 and BARS not in templates(usual)


METALS = ("Sn 15 Sb 0.9 Pb bal", "Sn 30 Sb 0.5 Pb bal", "Sn 50 Pb bal", "Sn 75 Pb bal", "Sn 96 Pb bal")


@pytest.mark.parametrize("metal", METALS)
@pytest.mark.parametrize("thick_mm", [1.5, 3.0, 3.8, 4.1, 4.4, 5.0, 5.4])
def test_a_thick_film_has_bars_and_a_narrow_range_is_told(metal: str, thick_mm: float) -> None:
    found = poured(thick_mm, thick_mm, metal=Composition.parse(metal))
    assert found.window is not None
    width_k = found.window.too_hot_above_c - found.window.too_cold_below_c
    told = templates(found)
    if found.film_mm > puddle_mm(Composition.parse(metal)):
        assert BARS in told
    if not found.window.empty and width_k < 5.0:
        assert any("thermocouple errs by" in t for t in told), (width_k, told)
    if found.window.empty:
        assert any("{cure}" in t for t in told), told


def test_a_sloped_table_is_taken_last_and_told_as_unmeasured() -> None:
    assert poured(1.6, 1.4, 2500.0).order.table.name == "level"
    long = poured(1.6, 1.4, 4000.0)
    assert long.order.table.name == "steep" and SLOPED_RUNS in templates(long)
    slush = poured(1.6, 1.4, 4000.0, Composition.parse("Sn 50 Pb bal"))
    assert SLOPED in templates(slush) and slush.runs_m == 0.0


def test_a_steeper_table_and_a_thicker_film_run_further() -> None:
    lead, thermal = Composition.parse("Sn 15 Pb bal"), ThermalSettings()

    def runs(thick_mm: float, fall: float, film_c: float = 300.0) -> float:
        return film_runs_m(lead, thick_mm, fall, film_c, (20.0, 20.0), thermal, stands=False)

    assert runs(1.5, 8.0) == pytest.approx(2.0 * runs(1.5, 4.0))
    assert runs(3.0, 4.0) > 4.0 * runs(1.5, 4.0) > 0.0
    assert runs(1.5, 4.0, 330.0) > runs(1.5, 4.0) and runs(1.5, 0.0) == 0.0


@pytest.mark.parametrize("walls", [(0.9, 0.4), (1.6, 1.4), (4.8, 4.6)])
def test_a_card_warns_of_three_things_at_most_the_worst_first(walls: tuple[float, float]) -> None:
    found = templates(poured(*walls, length_mm=4000.0))
    ranks = [RANKED.index(t) for t in found]
    assert len(found) <= MOST_WARNINGS and ranks == sorted(ranks)


def test_every_ranked_warning_is_one_that_the_program_can_say() -> None:
    package = Path(pipemetal.__file__).parent
    said = {
        node.value
        for module in [*(package / "casting").glob("*.py"), *(package / "planning").glob("*.py")]
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and module.name != "warned.py"
    }
    assert {t for t in RANKED if t not in said} == {BARS, BARS_FOR_RANGE, SLOPED, SLOPED_RUNS}
    assert {t for t in RANKED if t not in catalogue("de")} == set()


@pytest.mark.parametrize("metal", METALS)
@pytest.mark.parametrize("scoops", [0, 1, 6])
def test_practice_stands_beside_the_model_with_what_the_log_decides(metal: str, scoops: int) -> None:
    found = poured(1.6, 1.4, metal=Composition.parse(metal))
    shop = replace(SHOP, habits=HabitSettings(usual_scoops=scoops))
    rows = {row.what.template: row for row in practice_of(found, shop)}
    assert set(rows) == {"When to pour", "How much to ladle", "How to push"} and found.window is not None
    grains = found.window.regime == "slush"
    assert (rows["When to pour"].practice is GRAINS) == grains and (rows["When to pour"].practice is PAPER) != grains
    ladled = rows["How much to ladle"]
    assert (str(scoops) in ladled.practice) == bool(scoops)
    # a usual charge below the model's is taken, and what it costs is said
    assert ("thins" in ladled.model) == bool(scoops and found.model_scoops > scoops)
    texts = [t for row in rows.values() for t in (row.what, row.practice, row.model, row.log)]
    assert {t.template for t in texts} - set(catalogue("de")) == set()

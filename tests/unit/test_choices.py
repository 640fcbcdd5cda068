"""Three plans to choose from: each wish gets the best that was found, at one price of metal, and each line says what is best."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from pipemetal.planning.choice_lines import lines_of
from pipemetal.planning.choices import LEAST_METAL, LEAST_WORK, SAFEST, Row, Spread, Work, chosen, priced
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.variants import Figures
from pipemetal.units import UnitSystem
from pipemetal.words import Words, catalogue

PLACES = re.compile(r"\{\w+\}")
FIGURES = Figures(
    pipes_served=12,
    pipes=13,
    rolls=4,
    sheets=3,
    melts=2,
    casting_days=1,
    consumed_m2=10.0,
    gap_percent=5.0,
    new_kg=40.0,
    remelt_kg=20.0,
    lost_kg=1.0,
    bought_kg=0.0,
    charged_kg=60.0,
    cost=600.0,
    is_complete=False,
)
WORK = Work(
    sled_changes=1,
    sheets_of_a_rank=2.0,
    melts_of_a_rank=1.0,
    kept_m2=3.0,
    pipes_expected=11.5,
    pipes_low=10,
    pipes_high=12,
    casting_hours=6.0,
    hours=8.0,
    worked_kg=30.0,
    ranks=(Spread("Principal 8", 2, 1),),
)


def row(m2: float, hours: float, expected: float, *, served: int = 12, charged_kg: float = 60.0) -> Row:
    figures = replace(FIGURES, consumed_m2=m2, pipes_served=served, charged_kg=charged_kg)
    return figures, replace(WORK, hours=hours, pipes_expected=expected)


def test_each_wish_gets_the_best_plan_whichever_search_found_it() -> None:
    rows = {LEAST_METAL: row(9.0, 7.0, 11.9), LEAST_WORK: row(10.0, 8.0, 11.0), SAFEST: row(11.0, 9.0, 11.5)}
    assert [c.found_by for c in chosen(rows)] == [LEAST_METAL] * 3
    rows = {LEAST_METAL: row(9.0, 9.0, 11.0), LEAST_WORK: row(10.0, 7.0, 11.0), SAFEST: row(10.0, 7.5, 11.9)}
    assert [c.found_by for c in chosen(rows)] == [LEAST_METAL, LEAST_WORK, SAFEST]


def test_a_plan_that_serves_fewer_pipes_is_best_in_nothing() -> None:
    rows = {LEAST_METAL: row(1.0, 1.0, 11.9, served=11), LEAST_WORK: row(10.0, 8.0, 11.0), SAFEST: row(9.0, 9.0, 11.5)}
    assert [c.found_by for c in chosen(rows)] == [SAFEST, LEAST_WORK, SAFEST]


def test_equal_plans_stay_with_their_own_wish() -> None:
    rows = {name: row(10.0, 8.0, 11.5) for name in (LEAST_METAL, LEAST_WORK, SAFEST)}
    assert [c.found_by for c in chosen(rows)] == [LEAST_METAL, LEAST_WORK, SAFEST]
    assert not any(any(line.best) for line in lines_of(chosen(rows), ShopSettings()))


def test_work_costs_the_same_a_kilogram_in_every_plan() -> None:
    dear = (replace(FIGURES, cost=1800.0), WORK)
    found = priced({"a": (FIGURES, WORK), "b": dear})
    assert [w.kg_price for _, w in found.values()] == pytest.approx([20.0, 20.0])
    assert [w.cost for _, w in found.values()] == pytest.approx([600.0, 600.0])
    nothing = priced({"a": (replace(FIGURES, charged_kg=0.0, cost=0.0), WORK)})
    assert nothing["a"][1].cost == 0.0


def test_what_is_best_is_told_by_what_is_shown() -> None:
    rows = {LEAST_METAL: row(9.001, 9.0, 11.0), LEAST_WORK: row(9.004, 7.0, 11.0), SAFEST: row(10.0, 7.5, 11.9)}
    lines = {str(line.name): line for line in lines_of(chosen(rows), ShopSettings())}
    assert lines["metal used"].best == (True, True, False), "the same figure is as good"
    assert lines["pipes expected to fit"].best == (False, False, True), "more is better"
    assert lines["rests kept"].best == (False, False, False)
    assert lines["metal used"].shares[2] == 1.0


def test_every_line_is_said_in_german_and_in_inches() -> None:
    found = chosen(priced({LEAST_METAL: row(9.0, 9.0, 11.0), LEAST_WORK: row(9.0, 7.0, 11.0)}))
    german, inches = Words("de"), UnitSystem("in", "lb", "F", comma=True)
    for line in lines_of(found, ShopSettings()):
        for text in (line.name, line.shown[0], line.told[0]):
            said = german.read(text, inches)
            assert "m²" not in said and " kg" not in said, said
            assert text.template in catalogue("de") or not re.search("[a-z]{2}", PLACES.sub("", text.template)), text

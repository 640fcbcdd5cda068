"""Fifty shops made up by chance, one sled to three, small pots and short tables: their plans keep an independent check of
days, sleds, tables and pots."""

from __future__ import annotations

import datetime as dt
import json
import random
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.files.shop_file import settings_of
from pipemetal.melts.lots import Lot
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.scale import HalfToneScale
from pipemetal.planning.plan import Search, make_plan
from pipemetal.planning.stock import Stock
from pipemetal.plans.codec import write
from pipemetal.plans.making import plan_record

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from day_checker import day_faults, shop_faults

RECIPES = {
    "spotted": Recipe("spotted", Composition.parse("Sn 50 Pb bal"), (("Sn", 48.0, 52.0),)),
    "lead": Recipe("lead", Composition.parse("Sn 15 Sb 0.5 Pb bal"), (("Sn", 13.5, 16.5), ("Sb", 0.2, 0.9))),
}
LOTS = (
    Lot("tin", "pig", Composition.parse("Sn 100"), 500.0, 25.0, price_per_kg=28.0),
    Lot("lead", "pig", Composition.parse("Pb 99.5 Sb 0.5"), 1500.0, 25.0, price_per_kg=2.2),
    Lot("old", "scrap", Composition.parse("Sn 40 Sb 0.3 Pb bal"), 150.0, None, (("Sn", 1.0),), 9.0),
)


def organ(rng: random.Random) -> Organ:
    ranks = [
        Rank(
            f"Rank {alloy}",
            "I",
            alloy,
            Fraction(rng.choice((2, 4, 8))),
            0,
            rng.randint(5, 16),
            scale=HalfToneScale(((0.0, 0.0),)),
        )
        for alloy in RECIPES
    ]
    return Organ("Made up", Pitch(), tuple(ranks))


def shop(rng: random.Random) -> tuple[dict[str, Any], dict[str, Any]]:
    """What a shop says of itself, and the same for the checker in its own form."""
    widths = rng.sample(range(340, 1001, 20), rng.randint(1, 3))
    sleds = {f"s{w}": (float(rng.choice((180, 220, 250, 300))), float(w)) for w in widths}
    tables = {f"t{k}": (float(rng.randint(28, 62) * 100), float(max(widths) + 60)) for k in range(rng.randint(1, 2))}
    opening, hours = rng.choice((6, 7, 8)), rng.choice((8, 9, 10))
    day = {
        "shift": f"{opening}:00-{opening + hours}:00",
        "breaks": rng.choice(("", "9:30-9:45", "9:30-9:45, 12:00-12:30")),
        "melts": rng.randint(1, 3),
        "sled_minutes": float(rng.choice((0, 10, 30))),
        "sample_minutes": float(rng.choice((0, 0, 45))),
        "people": rng.randint(2, 4),
        "starts_on": "2026-12-14",
        "free_days": "2026-12-21..2027-01-03",
    }
    pot = {"capacity_kg": float(rng.choice((90, 140, 220, 450))), "burner_kw": float(rng.choice((8, 15, 25)))}
    small = {f"p{k}": float(rng.choice((20, 30, 45))) for k in range(rng.randint(0, 1))}
    casts, between = rng.randint(3, 12), float(rng.choice((8, 15, 20)))
    said = {f"day.{key}": value for key, value in day.items()} | {f"pot.{key}": value for key, value in pot.items()}
    said |= {
        "casting.casts_a_day": casts,
        "casting.minutes_between": between,
        "owned.sleds": "; ".join(f"{n} {length:g} x {width:g}" for n, (length, width) in sleds.items()),
        "owned.tables": "; ".join(f"{n} {length:g} x {width:g} level" for n, (length, width) in tables.items()),
        "owned.pots": "; ".join(f"{name} {kg:g} kg 6 kW" for name, kg in small.items()),
        "habits.usual_scoops": rng.choice((0, 4, 6)),
    }
    free = {dt.date(2026, 12, 21) + dt.timedelta(days=k) for k in range(14)}
    held = (
        day | pot | {"pots": small, "sleds": sleds, "tables": tables, "casts_a_day": casts, "minutes_between": between}
    )
    return said, held | {"run_up_mm": 300.0, "free": free}


@pytest.mark.parametrize("seed", [*range(10), *(pytest.param(k, marks=pytest.mark.long) for k in range(10, 50))])
def test_plans_of_made_up_shops_keep_the_check(seed: int) -> None:
    rng = random.Random(seed)
    said, held = shop(rng)
    plan = make_plan(organ(rng), Stock(RECIPES, (), LOTS), settings_of(said), search=Search(iterations=60))
    told = json.loads(write(plan_record(plan)))
    assert told["faults"] == []
    # all of it lies on the floor: nothing is bought, and the lists come near the best
    assert told["to_buy_kg"] == {} and told["season"]["gap_percent"] < 8.0
    assert told["new_sheets"] or told["unserved"]
    assert shop_faults(told, held) + day_faults(told, held) == []

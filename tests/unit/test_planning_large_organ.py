"""A large organ of everything that is hard to make is served whole, or says for each pipe why not."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.files.organ_file import read_organ
from pipemetal.files.recipe_file import read_recipes
from pipemetal.layout.reasons import never_served
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.planning.bench_cards import bench_cards
from pipemetal.planning.blanks import blanks_for, largest_blank
from pipemetal.planning.plan import Search, layout_problem, make_plan
from pipemetal.planning.settings import SheetSettings, ShopSettings
from pipemetal.planning.stock import Stock

ROOT = Path(__file__).parents[2]
SHOP = ShopSettings()
HARD = {
    "Open 32",
    "Principal 16",
    "Gemshorn 8",
    "Half-covered 8",
    "Chimney flute 8",
    "Stopped 16",
    "Stopped 4",
    "Trumpet 8",
}


@cache
def recipes() -> dict[str, Recipe]:
    return read_recipes(ROOT / "src" / "pipemetal" / "demo_shop" / "recipes.toml")


@cache
def organ() -> Organ:
    return read_organ(ROOT / "examples" / "large_organ.toml", recipes())


def lowest(rank: Rank, notes: int = 2) -> Rank:
    """The lowest notes of a rank."""
    last = rank.first_key + notes - 1
    front = tuple((key, rank.visible_mm(key) or 0.0) for key in range(rank.first_key, last + 1)) if rank.front else ()
    ranges = tuple(replace(r, last_key=min(r.last_key, last)) for r in rank.ranges)
    return replace(rank, last_key=last, front=front, ranges=ranges)


def test_the_example_holds_what_is_hard() -> None:
    held = {rank.name: rank for rank in organ().ranks}
    assert set(held) >= HARD
    assert held["Half-covered 8"].hole_ratio == 0.25
    assert held["Chimney flute 8"].chimney is not None and held[
        "Chimney flute 8"
    ].chimney.diameter_ratio == pytest.approx(1 / 3)
    assert {held["Stopped 16"].cap.kind, held["Stopped 4"].cap.kind} == {"stopper", "soldered"}
    assert any(r.made == "borrowed" for r in held["Gemshorn 8"].ranges)


def test_no_blank_of_the_whole_organ_is_beyond_the_shop() -> None:
    pipes = _pipes(organ())
    blanks = blanks_for(pipes, largest_blank(SHOP, organ().allowances.joint_overlap_mm))
    problem = layout_problem(blanks, (), SHOP)
    assert [never_served(problem, b.blank) for b in blanks if never_served(problem, b.blank)] == []


def _pipes(held: Organ) -> tuple[Pipe, ...]:
    return organ_pipes(held, lambda alloy: solid_density_g_cm3(recipes()[alloy].target))


def test_the_lowest_pipes_of_every_rank_are_served_whole() -> None:
    short = replace(organ(), ranks=tuple(lowest(rank) for rank in organ().ranks))
    plan = make_plan(short, Stock(recipes()), search=Search(iterations=1))
    assert plan.layout.unplaced == () and plan.faults == ()
    assert plan.pipes_served == len(plan.pipes) == 2 * (len(short.ranks) - 1)
    assert plan.account.total_kg("pipes") == pytest.approx(sum(p.cast_kg for p in plan.pipes), rel=0.04)
    # and each has its card, with as many pieces as it has blanks
    cards = bench_cards(short, plan.pipes, SHOP, {})
    assert sum(len(part.pieces) for c in cards for part in c.parts if not part.part.bought) == len(plan.blanks)


def test_what_a_small_shop_cannot_make_is_named_pipe_by_pipe() -> None:
    """A shop that casts no thicker than 2 mm: the largest pipes are left out whole, each with its reason."""
    short = replace(organ(), ranks=tuple(lowest(r, 1) for r in organ().ranks if r.name in ("Open 32", "Stopped 4")))
    small = ShopSettings(sheets=SheetSettings(thickest_mm=2.0))
    plan = make_plan(short, Stock(recipes()), small, search=Search(iterations=1))
    assert plan.pipes_served == 1
    lost = {u.blank: u.reason for u in plan.layout.unplaced}
    assert lost and all(blank.startswith("Open 32 C ") for blank in lost)
    assert all(reason for reason in lost.values())
    assert not [c for roll in plan.cut_rolls for c in roll.cuts if c.rank == "Open 32"]

"""The same moves give the same plan: on one thread or on two, whichever of two searches comes first."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import pytest

from pipemetal.layout import filling, spending, windows
from pipemetal.layout.jsonform import problem_from_dict
from pipemetal.layout.problem import Castable, LayoutProblem
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve
from pipemetal.strict_json import parse_json

DATA = Path(__file__).parents[1] / "data" / "layout" / "n61.json"
Given, Made = TypeVar("Given"), TypeVar("Made")


def problem(kind: str) -> LayoutProblem:
    one = problem_from_dict(parse_json(DATA.read_text(encoding="utf-8"), DATA.name))
    if kind == "one alloy":
        return one
    blanks = [*one.blanks, *(replace(b, id=f"{b.id}'", alloy="other") for b in one.blanks)]
    rolls = [*one.rolls, *(replace(r, id=f"{r.id}'", alloy="other") for r in one.rolls)]
    if kind == "two alloys":
        return LayoutProblem(tuple(blanks), tuple(rolls), None, 1.0)
    return LayoutProblem(tuple(blanks), tuple(r for r in rolls if r.id[-2:] in ("01", "1'")), Castable(), 1.0)


class Backwards:
    """Threads that do one thing after the other, the last first."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def __enter__(self) -> Backwards:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def map(self, work: Callable[[Given], Made], things: Iterable[Given]) -> list[Made]:
        return [work(thing) for thing in reversed(list(things))][::-1]


@pytest.mark.parametrize("objective", ["consumed", "opened"])
@pytest.mark.parametrize("kind", ["one alloy", "two alloys", "casts"])
def test_same_moves_same_plan_on_any_threads(kind: str, objective: str, monkeypatch: pytest.MonkeyPatch) -> None:
    given, moves = problem(kind), 3000 if kind == "casts" else 1200
    first = solve(given, iterations=moves, seed=3, settings=SolverSettings(objective=objective, workers=1))
    two = solve(given, iterations=moves, seed=3, settings=SolverSettings(objective=objective, workers=2))
    for module in (filling, spending, windows):
        monkeypatch.setattr(module, "ThreadPoolExecutor", Backwards)
    monkeypatch.setattr(windows, "PAIRS_FOR_TWO", 1)
    backwards = solve(given, iterations=moves, seed=3, settings=SolverSettings(objective=objective, workers=2))
    assert first.placements
    assert two == first
    assert backwards == first

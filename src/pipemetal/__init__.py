"""Pipemetal: a pipe shop's metal, from the list of ranks to pipes cut out of catalogued sheet, and back again.

    >>> import pipemetal as pm
    >>> round(pm.liquidus(pm.Composition.parse("Sn 50 Sb 0.5 Pb bal")).temperature_c)
    212

The names below are promised: docs/python.md says what that means. They are loaded when they are first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pipemetal.alloys.composition import Composition as Composition
    from pipemetal.alloys.recipe import Recipe as Recipe
    from pipemetal.errors import PipemetalError as PipemetalError
    from pipemetal.front import Shop as Shop
    from pipemetal.front import check_layout as check_layout
    from pipemetal.front import hear as hear
    from pipemetal.front import lay_out as lay_out
    from pipemetal.front import liquidus as liquidus
    from pipemetal.front import make_old_rank as make_old_rank
    from pipemetal.front import make_pipes as make_pipes
    from pipemetal.front import make_plan as make_plan
    from pipemetal.front import plan_anew as plan_anew
    from pipemetal.front import push_card as push_card
    from pipemetal.front import read_organ as read_organ
    from pipemetal.front import read_plan as read_plan
    from pipemetal.front import read_restoration as read_restoration
    from pipemetal.front import read_shop as read_shop
    from pipemetal.front import say_old_rank as say_old_rank
    from pipemetal.front import weigh_out as weigh_out
    from pipemetal.front import write_plan as write_plan
    from pipemetal.layout.problem import LayoutProblem as LayoutProblem
    from pipemetal.plans.record import Plan as Plan
    from pipemetal.shop.book import Book as Book

__version__ = "0.1.0"

_PROMISED: Final = {
    "Book": "pipemetal.shop.book:Book",
    "Composition": "pipemetal.alloys.composition:Composition",
    "LayoutProblem": "pipemetal.layout.problem:LayoutProblem",
    "PipemetalError": "pipemetal.errors:PipemetalError",
    "Plan": "pipemetal.plans.record:Plan",
    "Recipe": "pipemetal.alloys.recipe:Recipe",
    "Shop": "pipemetal.front:Shop",
    "check_layout": "pipemetal.front:check_layout",
    "hear": "pipemetal.front:hear",
    "lay_out": "pipemetal.front:lay_out",
    "liquidus": "pipemetal.front:liquidus",
    "make_old_rank": "pipemetal.front:make_old_rank",
    "make_pipes": "pipemetal.front:make_pipes",
    "make_plan": "pipemetal.front:make_plan",
    "plan_anew": "pipemetal.front:plan_anew",
    "push_card": "pipemetal.front:push_card",
    "read_organ": "pipemetal.front:read_organ",
    "read_plan": "pipemetal.front:read_plan",
    "read_restoration": "pipemetal.front:read_restoration",
    "read_shop": "pipemetal.front:read_shop",
    "say_old_rank": "pipemetal.front:say_old_rank",
    "weigh_out": "pipemetal.front:weigh_out",
    "write_plan": "pipemetal.front:write_plan",
}

__all__ = [
    "Book",
    "Composition",
    "LayoutProblem",
    "PipemetalError",
    "Plan",
    "Recipe",
    "Shop",
    "check_layout",
    "hear",
    "lay_out",
    "liquidus",
    "make_old_rank",
    "make_pipes",
    "make_plan",
    "plan_anew",
    "push_card",
    "read_organ",
    "read_plan",
    "read_restoration",
    "read_shop",
    "say_old_rank",
    "weigh_out",
    "write_plan",
]


def __getattr__(name: str) -> object:
    if name not in _PROMISED:
        raise AttributeError(f"module 'pipemetal' has no attribute {name!r}")
    module, _, attribute = _PROMISED[name].partition(":")
    value: object = getattr(importlib.import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_PROMISED})

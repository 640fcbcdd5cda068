"""A trace as a page that stands alone and prints."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipemetal.shop.tracing import TraceReport
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["trace_facts", "trace_page"]

APART: Final = ("box",)
WORDS: Final = ("kind", "state")
"""Facts whose values are words of the program."""
LABELS: Final = {
    "note": "remark",
    "mean_mm": "mean thickness",
    "reserved_for": "reserved for",
    "price_per_kg": "price a kg",
}


def trace_facts(facts: Mapping[str, object], units: UnitSystem | None = None, say: Words | None = None) -> str:
    """What the book says of one thing, in words with units: nothing that is empty.

    >>> trace_facts({"alloy": "spotted-50", "length_mm": 2350.0, "mean_mm": 0.8512, "note": ""})
    'alloy spotted-50; length 2350 mm; mean thickness 0.85 mm'
    """
    units, say = units or UnitSystem(), say or Words()

    def shown(name: str, value: object) -> str:
        if not isinstance(value, float):
            return say(str(value)) if name in WORDS else str(value)
        if name == "mean_mm":
            return f"{units.bare_wall(value)} {units.wall_unit}"
        if name.endswith("_mm"):
            return units.show_length(value)
        if name.endswith("_kg") and name != "price_per_kg":
            return units.show_mass(value, 3)
        return units.number(value, 2)

    return "; ".join(
        f"{say(LABELS.get(name, name.removesuffix('_mm').removesuffix('_kg')))} {shown(name, value)}"
        for name, value in facts.items()
        if value and name not in APART
    )


def trace_page(report: TraceReport, printed: str = "") -> str:
    """The page of a trace report; `printed`: the day that stands on it, today where empty."""
    day = printed or datetime.date.today().isoformat()
    pages = Environment(
        loader=PackageLoader("pipemetal.documents", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.globals["facts_of"] = trace_facts
    return pages.get_template("trace.html").render(report=report, printed=day)

"""A number that is typed: what it may be, in the person's own unit, so that a keypad can refuse what it may not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from pipemetal.quantities import CAST, HEARD
from pipemetal.web.show import Show

__all__ = ["Figure", "allows", "figure_of", "figure_of_cast"]

DECIMALS: Final = {
    "thickness": (2, 3),
    "gate": (1, 3),
    "length": (0, 2),
    "mass": (2, 2),
    "temperature": (0, 0),
    "air": (1, 1),
    "body": (1, 3),
    "time": (1, 1),
}
"""Decimals that are read off the gauge, scale or clock: metric, and in inches, pounds or Fahrenheit."""
STEPS: Final = {"mass": 0.1, "temperature": 5.0, "air": 0.5}
"""One tap of less or more, where it is not the last decimal."""
MM_PER_IN: Final = 25.4


@dataclass(frozen=True)
class Figure:
    """What a number may be: the least, the most and a tap's step in the person's unit, its decimals, and that in words."""

    least: float
    most: float
    by: float
    decimals: int
    allowed: str


def figure_of(show: Show, kind: str, low: float, high: float) -> Figure:
    """A thickness, gate, length (mm), mass (kg), temperature (C) or time (s) between two limits.

    >>> figure_of(Show(), "thickness", 0.1, 12.0)
    Figure(least=0.1, most=12.0, by=0.01, decimals=2, allowed='Type 0.10 mm to 12.00 mm.')
    """
    units = show.units
    celsius = units.temperature == "C"
    metric = {"mass": units.mass == "kg", "temperature": celsius, "air": celsius, "time": True}
    decimals = DECIMALS[kind][0 if metric.get(kind, units.length == "mm") else 1]
    if kind == "mass":
        least, most = (show.mass_value(kg) for kg in (low, high))
        words = [show.mass(kg, 1) for kg in (low, high)]
    elif kind in ("temperature", "air"):
        least, most = (c if celsius else 1.8 * c + 32.0 for c in (low, high))
        words = [show.temperature(c) for c in (low, high)]
    elif kind == "time":
        least, most = low, high
        words = [f"{show.number(s, 1)} s" for s in (low, high)]
    else:
        least, most = (mm if units.length == "mm" else mm / MM_PER_IN for mm in (low, high))
        words = [show.length(mm) if kind in ("length", "body") else show.thickness(mm) for mm in (low, high)]
    allowed = show.say("Type {low} to {high}.", low=words[0], high=words[1])
    return Figure(round(least, 6), round(most, 6), STEPS.get(kind, 10.0**-decimals), decimals, allowed)


KIND_OF: Final = {
    "air_c": "air",
    "body_mm": "body",
    "gate_mm": "gate",
    "charge_kg": "mass",
    "leftover_kg": "mass",
    "thickness_mm": "thickness",
    "push_time_s": "time",
    "pour_temperature_c": "temperature",
}


def figure_of_cast(show: Show, name: str) -> Figure:
    """A quantity of the casting log, or of a pipe that was heard, by its name.

    >>> figure_of_cast(Show(), "push_time_s").allowed
    'Type 0.1 s to 120.0 s.'
    """
    quantity = CAST[name] if name in CAST else HEARD[name]
    return figure_of(show, KIND_OF[name], *quantity.limits)


def allows(figure: Figure | None, planned: str = "") -> Markup:
    """What a field says of itself to the keypad; nothing for a field that takes no such number.

    >>> allows(Figure(0.1, 12.0, 0.01, 2, "0.1 to 12"), "1.20")
    Markup('data-least="0.1" data-most="12.0" data-decimals="2" data-by="0.01" data-allowed="0.1 to 12" data-planned="1.20"')
    """
    if figure is None:
        return Markup("")
    held = {
        "least": figure.least,
        "most": figure.most,
        "decimals": figure.decimals,
        "by": figure.by,
        "allowed": figure.allowed,
    } | ({"planned": planned} if planned else {})
    return Markup(" ").join(Markup('data-{}="{}"').format(name, value) for name, value in held.items())

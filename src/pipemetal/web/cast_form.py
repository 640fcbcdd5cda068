"""A cast as it is typed on the pages: its fields read into a logged cast, and back into words."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipemetal.errors import CastingError
from pipemetal.quantities import CAST, Quantity
from pipemetal.units import parse_number
from pipemetal.web.show import Show
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["cast_from_form", "day_of", "marks_text", "next_id", "pairs_of", "planned_mm", "sled_text", "within"]


def marks_text(marks: Sequence[tuple[float, float]]) -> str:
    """Marks as they are typed: `metres:seconds`, separated by blanks."""
    return " ".join(f"{round(d, 3):g}:{round(t, 2):g}" for d, t in marks)


def sled_text(show: Show, length_mm: float, width_mm: float) -> str:
    """The sled's length and width as they stand in the form."""
    return f"{show.plain(length_mm)} x {show.plain(width_mm)}"


def pairs_of(text: str, show: Show, field: str) -> tuple[tuple[float, float], ...]:
    """Pairs as they are typed. Errors: CastingError, UnitError with the field."""
    pairs = []
    for item in text.split():
        place, colon, value = item.partition(":")
        if not colon:
            raise CastingError("cannot be read", field=field, value=item[:60], allowed="100:1.21 2000:1.05")
        if field == "thickness":
            one, other = show.read_length(place, field), show.read_length(value, field)
            pairs.append((one or 0.0, other or 0.0))
        else:
            pairs.append((parse_number(place, field=field), parse_number(value, field=field)))
    return tuple(pairs)


def within(value: float | None, quantity: Quantity, field: str = "") -> float:
    """A quantity that must be there and may be one. Errors: CastingError."""
    if value is None:
        raise CastingError("is empty", field=field or quantity.name, allowed=quantity.allowed)
    return quantity.checked(round(value, 6), error=CastingError, field=field)


def cast_from_form(site: Site, show: Show, values: dict[str, str]) -> LoggedCast:
    """A cast as it was typed. Errors: CastingError, UnitError with the field."""
    from pipemetal.casting.log import LoggedCast
    from pipemetal.casting.model import Sled

    recipes = site.kept("recipes", site.book.recipes.all)
    if values["alloy"] not in recipes:
        raise CastingError(
            "is not a recipe", field="alloy", value=values["alloy"][:200], allowed=", ".join(recipes)[:300]
        )
    if not values["id"].strip():
        raise CastingError("is empty", field="id")
    sled = [show.read_length(part, "sled") for part in re.split("[x×]", values["sled"])]
    if len(sled) != 2:
        raise CastingError(
            "cannot be read", field="sled", value=values["sled"][:60], allowed=sled_text(show, 250.0, 760.0)
        )
    seconds = parse_number(values["push_time_s"], field="push_time_s") if values["push_time_s"].strip() else None
    heat = show.read_temperature(values["pour_temperature_c"], "pour_temperature_c")
    left = show.read_mass(values.get("leftover_kg", ""), "leftover_kg")
    run_up = show.read_length(values.get("run_up_mm", ""), "run_up_mm")
    return LoggedCast(
        values["id"].strip(),
        recipes[values["alloy"]].target,
        within(show.read_length(values["gate_mm"], "gate_mm"), CAST["gate_mm"]),
        within(show.read_mass(values["charge_kg"], "charge_kg"), CAST["charge_kg"]),
        Sled(within(sled[0], CAST["sled_length_mm"], "sled"), within(sled[1], CAST["sled_width_mm"], "sled")),
        within(show.read_length(values["length_mm"], "length_mm"), CAST["length_mm"]),
        pairs_of(values["thickness"], show, "thickness"),
        pairs_of(values.get("marks", ""), show, "marks"),
        asked_marks=pairs_of(values.get("asked_marks", ""), show, "asked_marks"),
        run_up_mm=None if run_up is None else within(run_up, CAST["run_up_mm"]),
        crew=values.get("crew", "").strip(),
        push_time_s=None if seconds is None else within(seconds, CAST["push_time_s"]),
        pour_temperature_c=None if heat is None else within(heat, CAST["pour_temperature_c"]),
        leftover_kg=None if left is None else within(left, CAST["leftover_kg"]),
        verdict=values["verdict"] or None,
        day=day_of(values["day"]),
        note=values["note"].strip(),
    )


def day_of(text: str) -> str:
    """A day as it is typed, or nothing. Errors: CastingError."""
    day = text.strip()
    if day:
        try:
            datetime.date.fromisoformat(day)
        except ValueError:
            raise CastingError("is not a day", field="day", value=day[:60], allowed="2026-11-25") from None
    return day


def next_id(ids: list[str]) -> str:
    """The id after the greatest of those that end in a number.

    >>> next_id(["C009", "C010"]), next_id([])
    ('C011', 'C1')
    """
    numbers = [(m[1], int(m[2]), len(m[2])) for i in ids if (m := re.fullmatch(r"(.*?)(\d{1,9})", i))]
    if not numbers:
        return "C1"
    head, number, digits = max(numbers, key=lambda n: n[1])
    return f"{head}{number + 1:0{digits}d}"


def planned_mm(site: Site, order: str) -> float | None:
    """The mean thickness that a line of the cast list was ordered with, as cast; None for a cast that nobody ordered."""
    held = next((o for o in site.book.plans.cast_list(state=None) if o.id == order), None) if order else None
    plan = site.book.plans.plan(held.plan) if held is not None else None
    pour = next((p for p in plan.pours if held is not None and p.sheet == held.sheet), None) if plan else None
    return 0.5 * (pour.cast_start_mm + pour.cast_end_mm) if pour is not None else None

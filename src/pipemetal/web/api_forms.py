"""What the shop's own scripts send as JSON: each form with its limits. Masses in kg, lengths in mm, metal in percent by mass."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, TypeAlias

from fastapi import Query
from pydantic import BaseModel, ConfigDict, Field

from pipemetal.quantities import CAST, LOT, MELT, Quantity

__all__ = [
    "REFUSED",
    "Added",
    "Asked",
    "Cut",
    "Melt",
    "Millimetres",
    "Named",
    "NewCast",
    "NewLot",
    "NewRecipe",
    "Reversal",
    "RollChange",
    "SettingsChange",
    "Thickness",
    "Wanted",
]

Key = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, Field(max_length=2000)]


def within(quantity: Quantity, **more: Any) -> Any:
    """The limits and the meaning of a quantity, for the interface."""
    return Field(ge=quantity.low, le=quantity.high, allow_inf_nan=False, description=quantity.meaning, **more)


# what the framework asks for: how a route may answer, by status
Answers: TypeAlias = dict[int | str, dict[str, Any]]
Kilograms = Annotated[float, Field(gt=0.0, le=LOT["mass_kg"].high, allow_inf_nan=False)]
Day = Annotated[str, Field(max_length=10, pattern=r"^(\d{4}-\d{2}-\d{2})?$")]
Percent = Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)]
Asked = Annotated[str, Query(max_length=200)]
Millimetres = Annotated[float | None, Query(gt=0.0, le=20_000.0, allow_inf_nan=False)]
Thickness = Annotated[float | None, Query(gt=0.0, le=100.0, allow_inf_nan=False)]
REFUSED: Final[Answers] = {
    status: {"description": words, "content": {"application/json": {"schema": {"type": "object"}}}}
    for status, words in (
        (400, "cannot be read"),
        (401, "come in first"),
        (403, "the role does not go so far"),
        (404, "is not in the book"),
        (409, "changed meanwhile"),
        (422, "cannot be used"),
    )
}


Pair = tuple[Annotated[float, within(CAST["along_mm"])], Annotated[float, within(CAST["thickness_mm"])]]


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid")


class RollChange(_Form):
    """A roll's place, state or note; `version` is the one that was read."""

    version: int = Field(ge=0, le=10**9)
    place: Words | None = None
    state: Key | None = None
    note: Words | None = None


class NewLot(_Form):
    """A lot that came in."""

    id: Key
    kind: Key
    mass_kg: Kilograms
    composition: Words = ""
    piece_kg: float | None = within(LOT["piece_kg"], default=None)
    note: Words = ""
    token: str = Field(default="", max_length=100)


class NewCast(_Form):
    """A cast as logged; pairs are (distance, value)."""

    id: Key
    alloy: Key
    gate_mm: float = within(CAST["gate_mm"])
    charge_kg: float = within(CAST["charge_kg"])
    sled_length_mm: float = within(CAST["sled_length_mm"])
    sled_width_mm: float = within(CAST["sled_width_mm"])
    length_mm: float = within(CAST["length_mm"])
    thickness_mm: list[Pair] = Field(default_factory=list, max_length=200)
    push_time_s: float | None = within(CAST["push_time_s"], default=None)
    pour_temperature_c: float | None = within(CAST["pour_temperature_c"], default=None)
    verdict: Key | None = None
    day: str = Field(default="", max_length=10, pattern=r"^(\d{4}-\d{2}-\d{2})?$")
    note: Words = ""
    token: str = Field(default="", max_length=100)


class Cut(_Form):
    """A roll of an accepted plan that was cut as planned."""

    plan: Key
    roll: Key
    token: str = Field(default="", max_length=100)


class Melt(_Form):
    """A melt that was charged, with the masses as weighed: of an accepted plan (`plan`, `melt`), or of a `recipe` alone.

    `heel_of`: the melt whose heel stayed in the pot. Without a plan `heel_kg` of it are booked, all that is left where none is
    named; a heel that the book does not know has its `heel_composition`. `dross_kg` is the plan's, or none, where not named.
    """

    plan: str = Field(default="", max_length=200)
    melt: str = Field(default="", max_length=200)
    recipe: str = Field(default="", max_length=200)
    id: Key
    weighed_kg: dict[str, Kilograms] = Field(max_length=200)
    heel_of: str = Field(default="", max_length=200)
    heel_kg: Kilograms | None = None
    heel_composition: Words = ""
    dross_kg: float | None = within(MELT["dross_kg"], default=None)
    day: Day = ""
    note: Words = ""
    token: str = Field(default="", max_length=100)


class Wanted(_Form):
    """A melt to be weighed out of what is free on the floor: nothing is booked.

    The heel as in booking. `leave_out` names lots, `reserved` counts what plans keep too.
    """

    recipe: Key
    wanted_kg: Kilograms
    heel_of: str = Field(default="", max_length=200)
    heel_kg: Kilograms | None = None
    heel_composition: Words = ""
    objective: Literal["cost", "scrap", "virgin tin"] = "cost"
    certainty: Literal["95", "worst"] = "95"
    leave_out: list[Key] = Field(default_factory=list, max_length=400)
    reserved: bool = False


class Added(_Form):
    """What was weighed into a melt of the book after its assay; `version` is the melt's that was read, where one was."""

    melt: Key
    added_kg: dict[str, Kilograms] = Field(max_length=200)
    dross_kg: float = within(MELT["dross_kg"], default=0.0)
    version: int | None = Field(default=None, ge=0, le=10**9)
    note: Words = ""
    token: str = Field(default="", max_length=100)


class SettingsChange(_Form):
    """Settings of the shop by their keys in shop.toml (`pot.capacity_kg`), metric; null is the program's own again."""

    version: int = Field(ge=0, le=10**9)
    values: dict[Key, Annotated[float, Field(allow_inf_nan=False)] | Words | None] = Field(max_length=100)
    token: str = Field(default="", max_length=100)


class NewRecipe(_Form):
    """A recipe; with the `version` that was read, one that is changed. Windows are lowest and highest percent by mass."""

    name: Key
    version: int | None = Field(default=None, ge=1, le=10**9)
    target: Words
    windows: dict[Key, tuple[Percent, Percent]] = Field(default_factory=dict, max_length=20)
    note: Words = ""
    token: str = Field(default="", max_length=100)


class Named(_Form):
    """A plan by its id."""

    plan: Key


class Reversal(_Form):
    """An event to take back."""

    event: int = Field(ge=1, le=10**12)

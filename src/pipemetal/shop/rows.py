"""The rows of a book's tables as frozen records, and the states that they go through; stored words are never changed."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar, Self, TypeAlias, TypedDict, TypeVar

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError
from pipemetal.plans.codec import pour_from_value
from pipemetal.plans.record import Pour
from pipemetal.sheets.readings import Reading

__all__ = [
    "AnalysisRow",
    "AttachmentRow",
    "CastOrderRow",
    "CastRow",
    "Change",
    "LotRow",
    "MeltRow",
    "OrderState",
    "OrganRow",
    "PersonRow",
    "PieceRow",
    "PlanRow",
    "PlanState",
    "RecipeRow",
    "ReservationRow",
    "ReservationState",
    "RollRow",
    "RollState",
    "Row",
    "SettingsRow",
    "Stored",
    "state_of",
]

Stored: TypeAlias = dict[str, object]
"""A row of any table as the database gives it: what undo, dumps and backups handle, whatever the table is."""


class Change(TypedDict):
    """What an event changed of a row: its columns before, None where it is new, and after."""

    table: str
    id: str
    before: Mapping[str, object] | None
    after: Mapping[str, object]


State = TypeVar("State", bound=StrEnum)


class RollState(StrEnum):
    """What became of a roll; the first two hang on the rack."""

    ON_RACK = "on rack"
    RESERVED = "reserved"
    CUT = "cut"
    SCRAPPED = "scrapped"
    SOLD = "sold"


class PlanState(StrEnum):
    """A plan is kept, and accepted where the shop works by it."""

    KEPT = "kept"
    ACCEPTED = "accepted"
    GIVEN_UP = "given up"


class ReservationState(StrEnum):
    """What an accepted plan keeps is open until it is done."""

    OPEN = "open"
    DONE = "done"
    GIVEN_UP = "given up"


class OrderState(StrEnum):
    """A sheet of an accepted plan's cast list."""

    TO_CAST = "to cast"
    CAST = "cast"
    GIVEN_UP = "given up"


def state_of(kind: type[State], text: str, where: str) -> State:
    """A stored word as its state. Errors: BookError for one that is none."""
    try:
        return kind(text)
    except ValueError:
        raise BookError("is not a state", field="state", value=text, where=where, allowed=", ".join(kind)) from None


@dataclass(frozen=True)
class Row:
    """What every row has. `version` grows with every change; a withdrawn row was taken back."""

    TABLE: ClassVar[str]
    STATES: ClassVar[type[StrEnum] | None] = None

    id: str
    version: int
    withdrawn: bool

    @classmethod
    def of(cls, stored: Mapping[str, object]) -> Self:
        """The record of a stored row. Errors: BookError for a state that is none."""
        made: Callable[..., Self] = cls
        if cls.STATES is None:
            return made(**stored)
        state = state_of(cls.STATES, str(stored["state"]), f"{cls.TABLE} {stored['id']}")
        return made(**{**stored, "state": state})


@dataclass(frozen=True)
class RecipeRow(Row):
    """A recipe; `windows` is JSON."""

    TABLE: ClassVar[str] = "recipes"

    target: str
    windows: str
    note: str

    @property
    def recipe(self) -> Recipe:
        """The recipe itself."""
        windows = tuple((e, low, high) for e, low, high in json.loads(self.windows))
        return Recipe(self.id, Composition.parse(self.target), windows, self.note)


@dataclass(frozen=True)
class LotRow(Row):
    """A lot; its mass and metal are in the ledger, `composition` only where it was analysed."""

    TABLE: ClassVar[str] = "lots"

    kind: str
    alloy: str
    composition: str
    piece_kg: float | None
    uncertainty: str
    price_per_kg: float
    note: str
    day: str
    supplier: str
    invoice: str

    @property
    def uncertainty_wt_pct(self) -> tuple[tuple[str, float], ...]:
        """95 % half-widths of its analysis by element."""
        return tuple((element, float(half)) for element, half in json.loads(self.uncertainty))


@dataclass(frozen=True)
class RollRow(Row):
    """A roll; `outline`, `no_go`, `readings`, `field` and `envelope` are JSON."""

    TABLE: ClassVar[str] = "rolls"
    STATES: ClassVar[type[StrEnum] | None] = RollState

    alloy: str
    length_mm: float
    width_mm: float
    trim_mm: float
    outline: str
    no_go: str
    place: str
    parent: str
    offset_x_mm: float
    offset_y_mm: float
    readings: str
    field: str
    envelope: str
    mean_mm: float
    state: RollState
    cast: str
    note: str
    day: str
    reserved_for: str

    @property
    def readings_taken(self) -> tuple[Reading, ...]:
        """The gauge readings as they were taken."""
        return tuple(Reading(x, y, t) for x, y, t in json.loads(self.readings))


@dataclass(frozen=True)
class MeltRow(Row):
    """A melt; `inputs` and `dross` are JSON: kilograms by lot or `melt:ID`, and of analysed dross by element."""

    TABLE: ClassVar[str] = "melts"

    recipe: str
    day: str
    inputs: str
    dross_kg: float
    assay: str
    note: str
    dross: str
    plan: str

    @property
    def inputs_kg(self) -> dict[str, float]:
        """What was charged: kilograms by lot, heels as `melt:ID`."""
        held: dict[str, float] = json.loads(self.inputs)
        return held


@dataclass(frozen=True)
class CastRow(Row):
    """A cast; `log` is a log file of one cast."""

    TABLE: ClassVar[str] = "casts"

    melt: str
    day: str
    log: str


@dataclass(frozen=True)
class PieceRow(Row):
    """A blank that was cut; `box` is JSON."""

    TABLE: ClassVar[str] = "pieces"

    roll: str
    organ: str
    box: str
    mass_kg: float
    plan: str
    rank: str
    pipe: str

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 on its roll."""
        x0, y0, x1, y1 = json.loads(self.box)
        return x0, y0, x1, y1


@dataclass(frozen=True)
class OrganRow(Row):
    """The text of an organ file."""

    TABLE: ClassVar[str] = "organs"

    body: str


@dataclass(frozen=True)
class PlanRow(Row):
    """A plan; `body` is its file."""

    TABLE: ClassVar[str] = "plans"
    STATES: ClassVar[type[StrEnum] | None] = PlanState

    organ: str
    made_at: str
    body: str
    state: PlanState


@dataclass(frozen=True)
class PersonRow(Row):
    """A person with the hashes of their secrets; it never leaves the room of the book."""

    TABLE: ClassVar[str] = "people"

    role: str
    password: str
    pin: str
    note: str


@dataclass(frozen=True)
class AnalysisRow(Row):
    """An analysis of a lot or melt."""

    TABLE: ClassVar[str] = "analyses"

    about: str
    day: str
    composition: str
    uncertainty: str
    method: str
    laboratory: str
    note: str

    @property
    def uncertainty_wt_pct(self) -> tuple[tuple[str, float], ...]:
        """95 % half-widths by element."""
        return tuple((element, float(half)) for element, half in json.loads(self.uncertainty))


@dataclass(frozen=True)
class ReservationRow(Row):
    """What an accepted plan keeps: `about` is `roll:ID` for ranks, or `lot:ID` for a melt."""

    TABLE: ClassVar[str] = "reservations"
    STATES: ClassVar[type[StrEnum] | None] = ReservationState

    plan: str
    about: str
    organ: str
    ranks: tuple[str, ...]
    melt: str
    mass_kg: float
    state: ReservationState

    @classmethod
    def of(cls, stored: Mapping[str, object]) -> Self:
        """As of every row."""
        return super().of({**stored, "ranks": tuple(json.loads(str(stored["ranks"])))})

    @property
    def kind(self) -> str:
        """`roll` or `lot`; `melt` for a melt of bought metal alone that is booked."""
        return self.about.partition(":")[0]

    @property
    def thing(self) -> str:
        """The id of the roll or lot."""
        return self.about.partition(":")[2]


@dataclass(frozen=True)
class CastOrderRow(Row):
    """A sheet to cast for an accepted plan, with the planned pour; `cast` is the cast that fulfilled it."""

    TABLE: ClassVar[str] = "cast_orders"
    STATES: ClassVar[type[StrEnum] | None] = OrderState

    plan: str
    sheet: str
    alloy: str
    melt: str
    day: int
    number: int
    state: OrderState
    cast: str
    pour: Pour

    @classmethod
    def of(cls, stored: Mapping[str, object]) -> Self:
        """As of every row."""
        rest = {name: value for name, value in stored.items() if name != "body"}
        return super().of({**rest, "pour": pour_from_value(json.loads(str(stored["body"])))})


@dataclass(frozen=True)
class SettingsRow(Row):
    """What the shop says of itself; `said` is JSON."""

    TABLE: ClassVar[str] = "settings"

    said: str


@dataclass(frozen=True)
class AttachmentRow(Row):
    """What is known of a photo or paper, without its content."""

    TABLE: ClassVar[str] = "attachments"

    about: str
    name: str
    kind: str
    size_bytes: int
    sha256: str
    note: str
    day: str

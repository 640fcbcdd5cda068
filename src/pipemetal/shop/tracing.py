"""The whole trace of one thing: where its metal came from with invoices and analyses, and where it went, to every pipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from sqlalchemy import select

from pipemetal.errors import BookError, NotInBookError
from pipemetal.plans.codec import read
from pipemetal.plans.record import Plan
from pipemetal.shop import schema
from pipemetal.shop.flows import Flows, TraceStep, flows_of
from pipemetal.shop.rows import (
    AnalysisRow,
    AttachmentRow,
    CastRow,
    LotRow,
    MeltRow,
    PieceRow,
    PlanState,
    RollRow,
    Row,
)
from pipemetal.shop.writer import Writer

__all__ = ["Part", "Thing", "TraceReport", "Tracing"]

KINDS: Final[dict[str, type[Row]]] = {
    "pipe": PieceRow,
    "roll": RollRow,
    "sheet": CastRow,
    "melt": MeltRow,
    "lot": LotRow,
}
MOST_PLANS: Final = 12
"""Plans that are looked through for a pipe, accepted ones first."""
SHOWN: Final[dict[str, tuple[str, ...]]] = {
    "pieces": ("roll", "organ", "rank", "pipe", "plan", "box_mm", "mass_kg"),
    "rolls": (
        "alloy",
        "length_mm",
        "width_mm",
        "mean_mm",
        "place",
        "parent",
        "state",
        "cast",
        "day",
        "reserved_for",
        "note",
    ),
    "casts": ("melt", "day"),
    "melts": ("recipe", "day", "dross_kg", "assay", "note"),
    "lots": ("kind", "alloy", "composition", "day", "supplier", "invoice", "price_per_kg", "note"),
}
TOLD: Final = ("id", "day", "composition", "method", "laboratory", "note")
"""Of an analysis."""


@dataclass(frozen=True)
class Part:
    """A part of a pipe, cut or planned: which blank, in which state, on which roll or sheet, and where on it."""

    part: str
    state: str
    plan: str
    roll: str
    box_mm: tuple[float, float, float, float]


@dataclass(frozen=True)
class Thing:
    """What the book says of one thing on the way: its own facts by name, its analyses, and the ids of its attachments."""

    facts: Mapping[str, object]
    analyses: tuple[AnalysisRow, ...]
    attachments: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """As JSON holds it."""
        analyses = [{name: getattr(row, name) for name in TOLD} for row in self.analyses]
        return {**self.facts, "analyses": analyses, "attachments": list(self.attachments)}


@dataclass(frozen=True)
class TraceReport:
    """Everything about where the metal of one thing came from and went.

    `things`: by account, what the book says of it; `backwards` and `forwards`: the movements in steps; `sources`: lots it came
    from; `pipes`: pieces it went into; `parts`: of a pipe asked for by its name. A roll counted in has no movement from its
    cast: `cast_without_movement` then leads to the cast by the roll's own entry.
    """

    account: str
    parts: tuple[Part, ...]
    things: Mapping[str, Thing]
    cast_without_movement: tuple[str, ...]
    backwards: tuple[TraceStep, ...]
    forwards: tuple[TraceStep, ...]
    sources: tuple[str, ...]
    pipes: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """As JSON holds it."""
        return {
            **asdict(self),
            "things": {account: thing.as_dict() for account, thing in self.things.items()},
        }


class Tracing:
    """Trace with everything that the book knows on the way."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def flows(self, account: str) -> Flows:
        """Where the metal of an account came from and where it went; `account` as `roll:R101`, `lot:T1`, `pipe:...`.

        Movements that were taken back are left out. Errors: BookError for an account that never held anything.
        """
        with self._writer.reading() as connection:
            return flows_of(connection, account)

    def account_of(self, name: str) -> str:
        """The account that a bare id means: a pipe, roll, sheet, melt or lot, looked for in this order.

        Errors: BookError where nothing is called so.
        """
        kind, colon, key = name.partition(":")
        if colon and kind in KINDS:
            self._writer.row(KINDS[kind], key)
            return name
        if colon and kind == "cast":
            self._writer.row(CastRow, key)
            return f"sheet:{key}"
        found = next((kind for kind, row in KINDS.items() if self._writer.has(row, name)), None)
        if found is None:
            raise NotInBookError(
                field="id",
                value=name,
                known=[key for row in KINDS.values() for key in self._writer.ids(row)],
                example="roll:R101, or the name of a pipe",
            )
        return f"{found}:{name}"

    def report(self, name: str) -> TraceReport:
        """Everything about where the metal of one thing came from and went, with the rows on the way. Errors: BookError."""
        try:
            account = self.account_of(name)
        except BookError:
            parts = self.parts(name)
            if not parts:
                raise
            return self._of_parts(name, parts)
        return self._of(account)

    def parts(self, pipe: str) -> tuple[Part, ...]:
        """The parts of a pipe by its name: those cut with their roll and place, and those that a plan still holds.

        Of plans those that are accepted count; where none of these holds the pipe, the latest that does.
        """
        p, k = schema.pieces.c, schema.plans.c
        query = select(schema.pieces).where(p.pipe == pipe, p.withdrawn.is_(False)).order_by(p.id)
        cut = self._writer.found(PieceRow, query)
        latest = select(k.id, k.state, k.body).where(k.withdrawn.is_(False))
        by_state = latest.order_by(k.state != PlanState.ACCEPTED.value, k.made_at.desc(), k.id.desc())
        with self._writer.reading() as connection:
            plans = connection.execute(by_state.limit(MOST_PLANS)).all()
        parts = [Part(row.id, "cut", row.plan, row.roll, row.box_mm) for row in cut]
        done = {(row.plan, row.roll) for row in cut}
        held = [
            (state, found)
            for key, state, body in plans
            if (found := _planned(read(body, f"plan {key!r}"), key, state, pipe))
        ]
        accepted = [entry for entry in held if entry[0] == PlanState.ACCEPTED]
        for _, found in accepted or held[: 0 if cut else 1]:
            parts += [part for part in found if (part.plan, part.roll) not in done]
        return tuple(parts)

    def _of_parts(self, pipe: str, parts: tuple[Part, ...]) -> TraceReport:
        """One report of all the parts of a pipe that are cut, with the list of its parts."""
        each = [self._of(f"pipe:{part.part}") for part in parts if part.state == "cut"]
        things = {account: thing for one in each for account, thing in one.things.items()}
        return TraceReport(
            pipe,
            parts,
            things,
            tuple(dict.fromkeys(cast for one in each for cast in one.cast_without_movement)),
            tuple(dict.fromkeys(step for one in each for step in one.backwards)),
            tuple(dict.fromkeys(step for one in each for step in one.forwards)),
            tuple(dict.fromkeys(lot for one in each for lot in one.sources)),
            tuple(dict.fromkeys(piece for one in each for piece in one.pipes)),
        )

    def _of(self, account: str) -> TraceReport:
        try:
            flows = self.flows(account)
        except BookError:
            if self._thing(account) is None:
                raise
            flows = Flows([], [])  # it is in the book, and no metal was ever booked on it
        accounts = list(dict.fromkeys([account, *(a for way in flows for s in way for a in (s.origin, s.target))]))
        things = {a: thing for a in accounts if (thing := self._thing(a)) is not None}
        by_entry = []
        for key, thing in list(things.items()):
            sheet = f"sheet:{thing.facts.get('cast', '')}"
            if key.startswith("roll:") and thing.facts.get("cast") and sheet not in things:
                held = self._thing(sheet)
                if held is not None:
                    by_entry.append(sheet)
                    things[sheet] = held
        came = {step.origin for step in flows.backwards}
        return TraceReport(
            account,
            (),
            things,
            tuple(dict.fromkeys(by_entry)),
            tuple(flows.backwards),
            tuple(flows.forwards),
            tuple(a for a in accounts if a.startswith("lot:") and a in came),
            tuple(sorted({step.target for step in flows.forwards if step.target.startswith("pipe:")})),
        )

    def _thing(self, account: str) -> Thing | None:
        kind, colon, key = account.partition(":")
        if not colon or kind not in KINDS or not self._writer.has(KINDS[kind], key):
            return None
        row: Any = self._writer.row(KINDS[kind], key)
        about = f"cast:{key}" if kind == "sheet" else account
        return Thing(
            {("box" if name == "box_mm" else name): getattr(row, name) for name in SHOWN[row.TABLE]},
            tuple(a for a in self._writer.rows(AnalysisRow) if a.about == about),
            tuple(a.id for a in self._writer.rows(AttachmentRow) if a.about == about),
        )


def _planned(plan: Plan, plan_id: str, state: str, pipe: str) -> list[Part]:
    """The cuts of a pipe in a plan."""
    words = "planned" if state == PlanState.ACCEPTED else f"in a plan that is {state}"
    return [
        Part(
            cut.blank, words, plan_id, sheet.id, (cut.x_mm, cut.y_mm, cut.x_mm + cut.length_mm, cut.y_mm + cut.width_mm)
        )
        for sheet in (*plan.rolls_used, *plan.new_sheets)
        for cut in sheet.cuts
        if pipe in (cut.pipe, cut.blank.removesuffix(f" {cut.kind}"))
    ]

"""What of a lot is free: what lies there, less what accepted plans keep of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, select

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.ledger import ROUNDING_UG, kilograms
from pipemetal.shop.rows import LotRow, ReservationState
from pipemetal.shop.writing import Writing
from pipemetal.texts import Amount, Text

__all__ = ["NotFreeError", "Short", "refuse_what_is_not_free", "reserved_kg"]

RESERVED_ROUNDING_KG: Final = 0.01
"""What plans reserve is rounded to this."""
MOST_NAMED: Final = 6


@dataclass(frozen=True)
class Short:
    """A lot of which more was weighed than is free: what is there, and what plans keep of it, by plan; None where there is
    no such lot."""

    lot: str
    weighed_kg: float
    held_kg: float | None
    reserved_for: tuple[tuple[str, float], ...] = ()

    @property
    def free_kg(self) -> float:
        """What could be charged."""
        return max((self.held_kg or 0.0) - sum(kg for _, kg in self.reserved_for), 0.0)

    @property
    def words(self) -> str:
        """The lot with what is wrong."""
        if self.held_kg is None:
            return f"{self.lot} (not in the book)"
        plans = "".join(f", {kg:g} kg reserved for {plan}" for plan, kg in self.reserved_for)
        return f"{self.lot} ({self.weighed_kg:g} kg weighed, {self.free_kg:.3f} kg free, {self.held_kg:.3f} kg there{plans})"


class NotFreeError(BookError):
    """More was weighed in than is free: every lot that is short, at once."""

    def __init__(self, short: tuple[Short, ...]) -> None:
        self.short = short
        more = f" and {len(short) - MOST_NAMED} more" if len(short) > MOST_NAMED else ""
        super().__init__(
            f"cannot be charged, not in stock or not free: {'; '.join(s.words for s in short[:MOST_NAMED])}{more}",
            field="weighed_kg",
            allowed="what is free; weigh a lot anew where the book is wrong, give a plan up where its metal is wanted",
        )

    def at(self, where: str) -> BookError:
        """As of every error: the place in front."""
        return BookError(self.problem, field=self.field, allowed=self.allowed, where=where)


def refuse_what_is_not_free(w: Writing, weighed_kg: Mapping[str, float], own_plan: str) -> None:
    """Errors: NotFreeError that names every lot that is not there, too small, or kept by another plan than `own_plan`."""
    kept, short = reserved_kg(w.connection, own_plan), []
    for lot, mass in weighed_kg.items():
        if w.get(LotRow, lot) is None:
            short.append(Short(lot, mass, None))
            continue
        held = kilograms(sum(w.stock(f"lot:{lot}").values()))
        plans = tuple(sorted(kept.get(lot, {}).items()))
        reserved = sum(kg for _, kg in plans)
        if mass > held + kilograms(ROUNDING_UG) or (reserved > 0.0 and mass > held - reserved + RESERVED_ROUNDING_KG):
            short.append(Short(lot, mass, held, plans))
    if short:
        raise NotFreeError(tuple(short))


def refuse_what_is_kept(w: Writing, lot: str, mass_kg: float) -> None:
    """Errors: BookError where more of a lot would leave than accepted plans do not keep; a plan is given up first."""
    plans = reserved_kg(w.connection).get(lot, {})
    held = kilograms(sum(w.stock(f"lot:{lot}").values()))
    free = max(held - sum(plans.values()), 0.0)
    if plans and mass_kg > free + RESERVED_ROUNDING_KG:
        raise BookError(
            Text("is reserved for {plans}", plans=", ".join(sorted(plans))),
            field="lot",
            value=lot,
            allowed=Text("{mass} free; give a plan up where its metal is wanted", mass=Amount(free, "kg", 2)),
        )


def reserved_kg(connection: Connection, but: str = "") -> dict[str, dict[str, float]]:
    """Kilograms that accepted plans keep of lots, by lot and plan; those of one plan may be left out."""
    r = schema.reservations.c
    state = r.state == ReservationState.OPEN.value
    query = select(r.about, r.plan, r.mass_kg).where(state, r.withdrawn.is_(False), r.about.like("lot:%"))
    kept: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for about, plan, mass in connection.execute(query.order_by(r.id)):
        if plan != but or not but:
            kept[about.partition(":")[2]][plan] += float(mass)
    return kept

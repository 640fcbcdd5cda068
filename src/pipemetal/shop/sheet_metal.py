"""The metal of a cast's sheet: what a roll takes of it, where it went, and which casts came to nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, select

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.balances import balances_of
from pipemetal.shop.ledger import MICROGRAMS_PER_KG, elements_ug, kilograms, move, share_of, taken_back
from pipemetal.shop.rows import RollState
from pipemetal.shop.writing import Writing
from pipemetal.texts import Amount, Text, joined

__all__ = ["Booked", "booked_from_sheet", "casts_failed", "hung_twice", "take_from_sheet"]

LEAST_KG: Final = 1e-3
MOST_FOUND: Final = 0.1
"""A sheet may weigh by its readings so much more, as a share, than was weighed for it (estimate); the rest is found."""


@dataclass(frozen=True)
class Booked:
    """Metal that an event took from a cast's sheet, and where it went."""

    event: int
    target: str
    mass_kg: float

    @property
    def words(self) -> Text:
        """As a person reads it.

        >>> print(Booked(9, "lot:scrap-tin", 56.84).words)
        56.8 kg to lot:scrap-tin by event 9
        """
        mass = Amount(self.mass_kg, "kg", 1)
        return Text("{mass} to {target} by event {event}", mass=mass, target=self.target, event=self.event)


def booked_from_sheet(connection: Connection, cast: str) -> tuple[Booked, ...]:
    """What was taken from a cast's sheet and was not taken back, in the order of events."""
    m, e = schema.movements.c, schema.events.c
    query = select(m.event, m.target, m.mass_ug).where(m.origin == f"sheet:{cast}", m.reverses.is_(None))
    rows = connection.execute(query).all()
    if not rows:
        return ()
    gone = taken_back((row.id, row.undoes) for row in connection.execute(select(e.id, e.undoes)))
    sums: dict[tuple[int, str], int] = {}
    for event, target, mass_ug in rows:
        if event not in gone:
            sums[event, target] = sums.get((event, target), 0) + int(mass_ug)
    return tuple(Booked(event, target, kilograms(ug)) for (event, target), ug in sorted(sums.items()))


def take_from_sheet(w: Writing, cast: str, roll: str, mass_kg: float, metal: Composition) -> None:
    """A roll's metal out of the sheet of a cast whose metal is booked.

    A little more than was weighed for the sheet is found. Errors: BookError where its metal has gone elsewhere, or is far less
    than the roll weighs: the same metal would be there twice.
    """
    account, target = f"sheet:{cast}", f"roll:{roll}"
    sheet = w.stock(account)
    held_kg = kilograms(sum(sheet.values()))
    if mass_kg > (1.0 + MOST_FOUND) * held_kg + LEAST_KG:
        _refuse(w, cast, mass_kg, held_kg)
    w.book(move(share_of(sheet, min(mass_kg, held_kg)), account, target), why="rolled")
    found_kg = mass_kg - held_kg
    if found_kg * MICROGRAMS_PER_KG >= 1.0:
        w.book(move(elements_ug(found_kg, metal), "found", target), why="found")


def _refuse(w: Writing, cast: str, mass_kg: float, held_kg: float) -> None:
    booked = booked_from_sheet(w.connection, cast)
    amounts = {"mass": Amount(mass_kg, "kg", 1), "held": Amount(held_kg, "kg", 1)}
    if not booked:
        raise BookError(
            Text("gave {held} to its sheet, and this roll would weigh {mass}", **amounts),
            field="cast",
            value=cast,
            allowed="the sheet's own readings and size; or correct what was weighed for the cast",
        )
    last = booked[-1].event
    raise BookError(
        Text(
            "holds {held} on its sheet, and this roll would weigh {mass}: the metal is booked already, {what}",
            **amounts,
            what=joined([b.words for b in booked], ", "),
        ),
        field="cast",
        value=cast,
        allowed=Text("take event {event} back first, in the history", event=last),
    )


def casts_failed(connection: Connection) -> frozenset[str]:
    """The casts that came to nothing: their metal was booked, none of it lies there, and no roll of them is left."""
    c, r = schema.casts.c, schema.rolls.c
    standing = select(r.cast).where(r.withdrawn.is_(False), r.state != RollState.SCRAPPED.value)
    query = select(c.id).where(c.melt != "", c.withdrawn.is_(False), c.id.not_in(standing))
    names = list(connection.execute(query).scalars())
    if not names:
        return frozenset()
    held = balances_of(connection, "sheet")
    gone = [n for n in names if kilograms(sum(held.get(f"sheet:{n}", {}).values())) < LEAST_KG]
    m = schema.movements.c
    query = select(m.target).distinct().where(m.target.in_([f"sheet:{n}" for n in gone]))
    given = set(connection.execute(query).scalars()) if gone else set[str]()
    return frozenset(n for n in gone if f"sheet:{n}" in given)


def hung_twice(connection: Connection) -> tuple[str, ...]:
    """What is wrong with rolls of casts whose metal was weighed: such as hold much that no sheet gave, as older books let them.

    Their metal is booked elsewhere too, on another roll or on the scrap lot.
    """
    r, c, m, e = schema.rolls.c, schema.casts.c, schema.movements.c, schema.events.c
    query = select(r.id, r.cast).join(schema.casts, c.id == r.cast)
    query = query.where(r.withdrawn.is_(False), c.withdrawn.is_(False), c.melt != "", r.parent == "")
    cast_of = {f"roll:{row.id}": row.cast for row in connection.execute(query)}
    if not cast_of:
        return ()
    gone = taken_back((row.id, row.undoes) for row in connection.execute(select(e.id, e.undoes)))
    given: dict[str, list[int]] = {}
    moved = select(m.event, m.target, m.origin, m.mass_ug).where(m.target.in_(list(cast_of)), m.reverses.is_(None))
    for event, target, origin, mass_ug in connection.execute(moved):
        if event not in gone and origin in ("found", "counted", f"sheet:{cast_of[target]}"):
            given.setdefault(target, [0, 0])[origin in ("found", "counted")] += int(mass_ug)
    return tuple(
        f"{roll} holds {kilograms(found):.1f} kg that cast {cast_of[roll]} did not give it: its metal is booked twice"
        for roll, (sheet, found) in sorted(given.items())
        if kilograms(found) > MOST_FOUND * kilograms(sheet) + LEAST_KG
    )

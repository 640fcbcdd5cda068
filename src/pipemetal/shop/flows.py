"""The flows of metal: step by step from an account along its movements, backwards and forwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from sqlalchemy import Connection, select

from pipemetal.errors import BookError
from pipemetal.shop import schema
from pipemetal.shop.ledger import OUTSIDE, kilograms, taken_back

__all__ = ["Flows", "TraceStep", "flows_of"]

MOST_ASKED: Final = 500
"""Accounts that one query of a trace names."""


@dataclass(frozen=True)
class TraceStep:
    """Metal that went from one account to another, `steps` away from the one asked for."""

    steps: int
    origin: str
    target: str
    mass_kg: float
    event: int


class Flows(NamedTuple):
    """Where the metal of an account came from and where it went."""

    backwards: list[TraceStep]
    forwards: list[TraceStep]


def flows_of(connection: Connection, account: str) -> Flows:
    """The flows of an account; movements that were taken back are left out.

    Errors: BookError for an account that never held anything.
    """
    m = schema.movements.c
    reversals = connection.execute(select(m.id, m.reverses).where(m.reverses.is_not(None)))
    gone = taken_back((row.id, row.reverses) for row in reversals)
    backwards = _walk(connection, account, gone, backwards=True)
    forwards = _walk(connection, account, gone, backwards=False)
    if not backwards and not forwards:
        raise BookError(
            "holds no metal in this book", field="account", value=account, allowed="roll:ID, lot:ID, melt:ID"
        )
    return Flows(backwards, forwards)


def _walk(connection: Connection, start: str, gone: set[int], *, backwards: bool) -> list[TraceStep]:
    """Step by step from an account along its movements; each step asks for those of the accounts at hand alone."""
    steps: list[TraceStep] = []
    seen, front, depth = {start}, [start], 1
    while front:
        leaving = _flows(connection, front, gone, backwards=backwards)
        following = []
        for here in front:
            for (event, origin, target), mass in leaving.get(here, {}).items():
                steps.append(TraceStep(depth, origin, target, kilograms(mass), event))
                there = origin if backwards else target
                if there not in seen and there not in OUTSIDE:
                    seen.add(there)
                    following.append(there)
        front, depth = following, depth + 1
    return steps


def _flows(
    connection: Connection, accounts: Sequence[str], gone: set[int], *, backwards: bool
) -> dict[str, dict[tuple[int, str, str], int]]:
    """What flowed into (backwards) or out of some accounts: by account, event and both ends, in micrograms."""
    m = schema.movements.c
    end = m.target if backwards else m.origin
    columns = (m.id, m.event, m.origin, m.target, m.mass_ug)
    found: dict[str, dict[tuple[int, str, str], int]] = {}
    for k in range(0, len(accounts), MOST_ASKED):
        query = select(*columns).where(end.in_(accounts[k : k + MOST_ASKED]), m.reverses.is_(None)).order_by(m.id)
        for number, event, origin, target, mass in connection.execute(query):
            if number not in gone:
                flows = found.setdefault(target if backwards else origin, {})
                flows[event, origin, target] = flows.get((event, origin, target), 0) + int(mass)
    return found

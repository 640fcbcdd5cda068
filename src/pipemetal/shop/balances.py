"""What accounts hold, summed up from their movements."""

from __future__ import annotations

from sqlalchemy import Connection, func, select

from pipemetal.shop import schema

__all__ = ["balances_of", "stock_of"]


def stock_of(connection: Connection, account: str) -> dict[str, int]:
    """What an account holds by element in micrograms, from its movements."""
    held: dict[str, int] = {}
    m = schema.movements.c
    for column, sign in ((m.target, 1), (m.origin, -1)):
        query = select(m.element, func.sum(m.mass_ug)).where(column == account).group_by(m.element)
        for element, mass in connection.execute(query):
            held[element] = held.get(element, 0) + sign * int(mass)
    return {element: mass for element, mass in held.items() if mass}


def balances_of(connection: Connection, kind: str = "") -> dict[str, dict[str, int]]:
    """What every account holds by element, in micrograms. `kind`: only lots, rolls, ..."""
    m = schema.movements.c
    held: dict[str, dict[str, int]] = {}
    for column, sign in ((m.target, 1), (m.origin, -1)):
        query = select(column, m.element, func.sum(m.mass_ug)).group_by(column, m.element)
        if kind:
            query = query.where(column.startswith(f"{kind}:", autoescape=True))
        for account, element, mass in connection.execute(query):
            masses = held.setdefault(account, {})
            masses[element] = masses.get(element, 0) + sign * int(mass)
    return {a: kept for a, masses in held.items() if (kept := {e: m for e, m in masses.items() if m})}

"""The buying list on paper: what to order, by when, with boxes to tick."""

from __future__ import annotations

from pipemetal.documents.sheet import Block, Lines, Paragraph, Sheet, table
from pipemetal.documents.typeset import TICK, to_pdf
from pipemetal.melts.buying import Orders
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["order_pdf"]


def order_pdf(
    orders: Orders, shop: str, currency: str, units: UnitSystem, language: str = "en", paper: str = "a4"
) -> bytes:
    """Orders as a PDF, the one to send first on top."""
    say = Words(language)
    rows = [
        (
            TICK,
            say.date(line.order_by.isoformat()) + (f" {say('too late')}" if line.is_late else ""),
            line.offer,
            line.pieces,
            units.bare_mass(line.mass_kg),
            units.number(line.cost, 2),
            say.date(line.needed_on.isoformat()),
            line.needed_for,
        )
        for line in orders.lines
    ]
    heads = ["", say("order by"), say("offer"), say("pieces"), units.mass, currency, say("needed on"), say("first for")]
    blocks: list[Block] = [
        table(heads, rows, shares=(0, 0, 1, 0, 0, 0, 0, 0), tall=True)
        if rows
        else Paragraph(say("Nothing is to be ordered: the stock serves every melt."))
    ]
    words = say(
        "{cost} {currency} in all; {left} of the metal stay when all is cast.",
        cost=units.number(orders.cost, 2),
        currency=currency,
        left=units.show_mass(orders.left_kg),
    )
    blocks.append(Paragraph(words, strong=True))
    blocks += [
        Paragraph(
            say(
                "{melt} must wait until {day}: its metal cannot be there before.",
                melt=name,
                day=say.date(day.isoformat()),
            ),
            strong=True,
        )
        for name, day in orders.waits
    ]
    blocks += [
        Paragraph(
            say("Nobody offers {element}: {mass} are to be found.", element=element, mass=units.show_mass(kg)),
            strong=True,
        )
        for element, kg in orders.not_offered_kg
    ]
    blocks.append(Lines((say("ordered by, date"), say("remarks"))))
    return to_pdf([Sheet(say("Metal to order"), shop, tuple(blocks), foot=shop)], paper, say)

"""The ledger from the command line: weighings, analyses, sales, what nothing explains, history and undo."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from pipemetal.cli.common import json_option, print_json, print_table, rounded
from pipemetal.cli.shop_cmd import open_book, shop_option
from pipemetal.cli.tables import show_table, table_option
from pipemetal.errors import InputError
from pipemetal.texts import Text

MOST_UNASKED = 3
"""Things that one event touched: more are taken back in a terminal only when that is said once more."""


UNASKED_KG, UNASKED_SHARE = 5.0, 0.1
"""A weighing that differs from the book by more than both is asked about (common practice, no source)."""


class _EventNumber(click.ParamType[int]):
    """The number of an event, as `history` lists it."""

    name = "number"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Errors: InputError."""
        text = str(value).strip()
        if not text.isdecimal() or not 0 < int(text[:18]) < 10**17:
            raise InputError(
                "is not the number of an event",
                field="event",
                value=text,
                example=Text("12; pipemetal book history lists them"),
            )
        return int(text)


EVENT = _EventNumber()

__all__ = ["analysis", "history", "sell", "trim", "undo", "unexplained", "weigh"]


@click.command(short_help="Undo an event of the book.")
@click.argument("event", type=EVENT)
@click.option("--yes", is_flag=True, help="Do not ask, however much the event touched.")
@shop_option
@json_option
def undo(event: int, yes: bool, shop: str | None, as_json: bool) -> None:
    """Take an EVENT back by an opposite one: rows as they were, every movement reversed. `history` lists the events."""
    from pipemetal.shop.undoing import told_touched

    with open_book(shop) as book:
        held = book.history.event(event)
        words = told_touched(held.touched)
        if not yes and sum(held.touched.values()) > MOST_UNASKED and sys.stdin.isatty():
            click.confirm(f"Event {event}, {held.what}, touched {words}. Take all of it back?", abort=True, err=True)
        done = book.history.undo(event).event
    if as_json:
        print_json({"undone": event, "event": done, "touched": held.touched})
    else:
        click.echo(f"Event {event}, {held.what}, is taken back (event {done}){f': {words}' if words else ''}.")


@click.command(short_help="Who did what and when.")
@click.argument("about", required=False, metavar="[roll:R1]")
@click.option("--last", type=click.IntRange(1, 100_000), default=30, show_default=True)
@table_option
@shop_option
@json_option
def history(about: str | None, last: int, table_path: Path | None, shop: str | None, as_json: bool) -> None:
    """The latest events, or those of one thing: roll:ID, lot:ID, melt:ID, cast:ID."""
    with open_book(shop) as book:
        events, undone = book.history.events(about, last), book.history.undone()
        if about is not None and not events:
            kinds = [f"{kind}:{about}" for kind in ("roll", "lot", "melt", "cast", "plan")]
            raise InputError(
                "has no event in the book",
                field="about",
                value=about,
                allowed="roll:ID, lot:ID, melt:ID, cast:ID, plan:ID",
                nearest=next((name for name in kinds if book.history.events(name, 1)), ""),
                example="roll:R101",
            )
    if as_json:
        print_json(
            {
                "events": [
                    {
                        "event": e.id,
                        "at": e.at,
                        "who": e.who,
                        "what": e.what,
                        "about": e.about,
                        "undoes": e.undoes,
                        "taken_back": e.id in undone,
                    }
                    for e in events
                ]
            }
        )
        return
    show_table(
        "History",
        [("event", ""), ("at", ""), ("who", ""), ("what", ""), ("about", ""), ("", "")],
        [(e.id, e.at[:16], e.who, e.what, e.about, "taken back" if e.id in undone else "") for e in events],
        [],
        table_path,
    )


@click.command(short_help="Book what the scale says.")
@click.argument("account", metavar="lot:ID|melt:ID|roll:ID")
@click.argument("mass", metavar="MASS")
@click.option("--sure", is_flag=True, help="What differs much from the book is meant.")
@shop_option
@json_option
def weigh(account: str, mass: str, sure: bool, shop: str | None, as_json: bool) -> None:
    """Weigh a lot, melt or roll: what differs from the book is booked as found or lost, and shown as unexplained.

    More than 5 kg and a tenth of what the book holds is asked about first; where nobody can be asked, --sure is needed.
    """
    from pipemetal.units import parse_mass_kg

    with open_book(shop) as book:
        before = sum(book.ledger.stock().get(account, {}).values())
        weighed = parse_mass_kg(mass, field="mass", default_unit="kg")
        if before and not sure and abs(weighed - before) > max(UNASKED_KG, UNASKED_SHARE * before):
            _ask_of_weight(account, before, weighed)
        event = book.ledger.weigh(account, weighed).event
    if as_json:
        print_json({"event": event, "account": account, "before_kg": rounded(before), "now_kg": weighed})
    else:
        click.echo(
            f"{account}: {before:.3f} kg by the book, {weighed:.3f} kg weighed, {weighed - before:+.3f} kg (event {event})."
        )


def _ask_of_weight(account: str, before: float, weighed: float) -> None:
    """Errors: InputError where nobody can be asked."""
    if sys.stdin.isatty():
        words = f"{account} holds {before:.3f} kg by the book. Book {weighed:.3f} kg, {weighed - before:+.3f} kg?"
        click.confirm(words, abort=True, err=True)
        return
    raise InputError(
        Text("differs much from the book, which holds {held} kg", held=f"{before:.3f}"),
        field="mass",
        value=f"{weighed:.3f} kg",
        allowed="--sure where it is meant",
        example=f"pipemetal book weigh {account} {weighed:g} --sure",
    )


@click.command(short_help="Book metal that is sold.")
@click.argument("account", metavar="lot:ID|roll:ID")
@click.argument("mass", metavar="MASS")
@shop_option
@json_option
def sell(account: str, mass: str, shop: str | None, as_json: bool) -> None:
    """Book metal that leaves the shop for money."""
    from pipemetal.units import parse_mass_kg

    sold_kg = parse_mass_kg(mass, field="mass", default_unit="kg")
    with open_book(shop) as book:
        event = book.ledger.sell(account, sold_kg).event
    if as_json:
        print_json({"event": event, "account": account, "sold_kg": rounded(sold_kg)})
    else:
        click.echo(f"Sold {sold_kg:.3f} kg of {account} (event {event}).")


@click.command(short_help="Book what a sheet leaves beside its roll.")
@click.argument("cast_id", metavar="CAST")
@click.option("--swarf", metavar="MASS", help="Planing's swarf that nobody gathers.")
@shop_option
@json_option
def trim(cast_id: str, swarf: str | None, shop: str | None, as_json: bool) -> None:
    """Book what a cast sheet's roll does not hold: swarf out of the shop, run-up and edges to the scrap lot."""
    from pipemetal.units import parse_mass_kg

    with open_book(shop) as book:
        mass = parse_mass_kg(swarf, field="--swarf", default_unit="kg") if swarf else 0.0
        event = book.casts.trim(cast_id, swarf_kg=mass).event
    if as_json:
        print_json({"event": event, "cast": cast_id})
    else:
        click.echo(f"Sheet of cast {cast_id} is trimmed (event {event}).")


@click.command(short_help="Enter an analysis of a lot or melt.")
@click.argument("about", metavar="lot:ID|melt:ID")
@click.argument("composition", metavar='"Sn 48.9 Sb 0.6 Pb bal"')
@click.option(
    "--plus-minus", "half", multiple=True, metavar="Sn=0.3", help="95 % half-width of an element, percent by mass."
)
@click.option("--day", default="")
@click.option("--method", default="")
@click.option("--laboratory", default="")
@click.option("--note", default="")
@shop_option
@json_option
def analysis(
    about: str,
    composition: str,
    half: tuple[str, ...],
    day: str,
    method: str,
    laboratory: str,
    note: str,
    shop: str | None,
    as_json: bool,
) -> None:
    """Enter an analysis: the elements of what lies there become those analysed; the difference is booked against `assay`."""
    from pipemetal.alloys.composition import Composition
    from pipemetal.units import parse_number

    unsure = []
    for part in half:
        element, equals, value = part.partition("=")
        if not equals:
            raise InputError("says no half-width", field="--plus-minus", value=part, example="Sn=0.3")
        unsure.append((element.strip(), parse_number(value, field="--plus-minus")))
    with open_book(shop) as book:
        event = book.ledger.analyse(
            about,
            Composition.parse(composition),
            uncertainty_wt_pct=unsure,
            day=day,
            method=method,
            laboratory=laboratory,
            note=note,
        ).event
        stock = book.ledger.stock()[about]
    if as_json:
        print_json({"event": event, "account": about, "elements_kg": {e: rounded(m, 6) for e, m in stock.items()}})
    else:
        held = ", ".join(f"{m:.3f} kg {e}" for e, m in stock.items())
        click.echo(f"{about} holds {held} by this analysis (event {event}).")


@click.command(short_help="Metal that nothing explains.")
@table_option
@shop_option
@json_option
def unexplained(table_path: Path | None, shop: str | None, as_json: bool) -> None:
    """What weighings and analyses found that nothing explains, by month and alloy, and metal still to be booked on."""
    with open_book(shop) as book:
        lines, standing = book.ledger.unexplained(), book.ledger.standing()
    if as_json:
        print_json(
            {
                "unexplained": [
                    {
                        "month": x.month,
                        "alloy": x.alloy,
                        "why": x.why,
                        "mass_kg": rounded(x.mass_kg, 6),
                        "elements_kg": {e: rounded(m, 6) for e, m in x.elements_kg},
                    }
                    for x in lines
                ],
                "standing_kg": {account: rounded(mass, 6) for account, mass in standing.items()},
            }
        )
        return
    show_table(
        "Unexplained",
        [("month", ""), ("alloy", ""), ("why", ""), ("kg", "+.3f"), ("by element kg", "")],
        [
            (
                x.month,
                x.alloy or "unknown",
                x.why,
                round(x.mass_kg, 6),
                ", ".join(f"{e} {m:+.3f}" for e, m in x.elements_kg),
            )
            for x in lines
        ],
        ["Positive: metal found; negative: metal missing. An analysis changes elements; no mass is missing then."],
        table_path,
    )
    if standing and table_path is None:
        print_table("Still to be booked on", ["account", "kg"], [(a, f"{m:.3f}") for a, m in sorted(standing.items())])

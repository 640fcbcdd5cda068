"""The hot side of the shop book: melts and the casting log."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, json_option, print_json, rounded
from pipemetal.cli.shop_cmd import open_book, shop_option
from pipemetal.cli.tables import show_table, table_option
from pipemetal.errors import InputError

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.shop.book import Book

__all__ = ["casts", "masses_of", "melts"]


@click.command(short_help="The melts: list, show, enter.")
@click.argument("melt_id", required=False, metavar="[MELT]")
@click.option("--enter", "enter_id", metavar="ID", help="Enter one melt with --recipe and --charge.")
@click.option("--add", "added", hidden=True, help="As --enter: scripts of older versions say it so.")
@click.option("--recipe", metavar="NAME")
@click.option("--charge", metavar="T1=200,S1=20.5", help="Kilograms by lot; a heel as melt:ID=15.")
@click.option("--dross", default=None, metavar="KG")
@click.option(
    "--dross-metal", metavar='"Sn 60 Pb bal"', help="What an analysis found in the dross; else its share of everything."
)
@click.option("--assay", metavar='"Sn 49.5 Pb bal"', help="What an analysis found in the melt.")
@click.option("--day", default="")
@click.option("--note", default="")
@table_option
@shop_option
@json_option
def melts(
    melt_id: str | None,
    enter_id: str | None,
    added: str | None,
    recipe: str | None,
    charge: str | None,
    dross: str | None,
    dross_metal: str | None,
    assay: str | None,
    day: str,
    note: str,
    table_path: Path | None,
    shop: str | None,
    as_json: bool,
) -> None:
    """The melts in the book, and what is left of each."""
    if enter_id is not None or added is not None:
        _add_melt(shop, enter_id or str(added), recipe, charge, dross, dross_metal, assay, day, note, as_json)
        return
    with open_book(shop) as book:
        stock = book.ledger.stock()
        held = [book.melts.row(melt_id)] if melt_id else book.melts.rows()
        left = {m.id: rounded(sum(stock.get(f"melt:{m.id}", {}).values())) for m in held}
        outside = _outside(book)
    if as_json:
        told = ("id", "recipe", "day", "inputs_kg", "dross_kg", "assay")
        print_json(
            {
                "melts": [
                    {name: getattr(m, name) for name in told}
                    | {"left_kg": left[m.id], "outside": outside.get(m.id, "")}
                    for m in held
                ]
            }
        )
        return
    show_table(
        "Melts",
        [
            ("melt", ""),
            ("recipe", ""),
            ("day", ""),
            ("charged kg", ".2f"),
            ("dross kg", ".2f"),
            ("left kg", ".2f"),
            ("assay", ""),
            ("outside its limits", ""),
        ],
        [
            (m.id, m.recipe, m.day, sum(m.inputs_kg.values()), m.dross_kg, left[m.id], m.assay, outside.get(m.id, ""))
            for m in held
        ],
        [],
        table_path,
    )


def _add_melt(
    shop: str | None,
    melt_id: str,
    recipe: str | None,
    charge: str | None,
    dross: str | None,
    dross_metal: str | None,
    assay: str | None,
    day: str,
    note: str,
    as_json: bool,
) -> None:
    from pipemetal.alloys.composition import Composition
    from pipemetal.shop.book import NewMelt
    from pipemetal.units import parse_mass_kg

    if recipe is None or charge is None:
        raise InputError(
            "are needed to enter a melt",
            field="--recipe and --charge",
            example="pipemetal melts --enter 2026-17 --recipe spotted-50 --charge T1=200,S1=20.5",
        )
    lost = parse_mass_kg(dross, field="--dross", default_unit="kg") if dross else 0.0
    with open_book(shop) as book:
        event = book.melts.record(
            NewMelt(
                melt_id,
                recipe,
                masses_of(charge, "--charge"),
                dross_kg=lost,
                day=day,
                note=note,
                dross_metal=Composition.parse(dross_metal) if dross_metal else None,
                assay=Composition.parse(assay) if assay else None,
            )
        ).event
        outside = _outside(book).get(melt_id, "")
    if as_json:
        print_json({"added": melt_id, "event": event, "outside": outside})
        return
    click.echo(f"Entered melt {melt_id} (event {event}).")
    if outside:
        click.echo(
            f"Outside its limits: {outside}. Correct the pot before it is cast, or take this back: pipemetal book undo {event}."
        )


def _outside(book: Book) -> dict[str, str]:
    """The elements of each standing melt that lie outside its recipe's limits, by the melt's id."""
    recipes = book.recipes.all()
    return {
        m.id: ", ".join(
            f"{element} {value:.2f} % ({low:g} to {high:g})"
            for element, value, low, high in recipes[m.recipe].misses(m.metal)
        )
        for m in book.melts.standing()
        if m.metal is not None and m.recipe in recipes
    }


def masses_of(text: str, field: str) -> dict[str, float]:
    """Kilograms by name, as `T1=200,S1=20.5`; what was weighed in several goes is added up. Errors: InputError."""
    from pipemetal.units import parse_mass_kg

    masses: dict[str, float] = {}
    for part in text.split(","):
        name, equals, mass = part.rpartition("=")
        if not equals or not name.strip():
            raise InputError("is not an id with its mass", field=field, value=part, example="T1=200,S1=20.5")
        held = parse_mass_kg(mass.strip(), field=field, default_unit="kg")
        masses[name.strip()] = masses.get(name.strip(), 0.0) + held
    return masses


def _add_casts(
    book: Book, added: Sequence[LoggedCast], source: str, melt: str | None, used: str | None, order: str | None
) -> None:
    from pipemetal.units import parse_mass_kg

    if melt is None and order is None:
        book.casts.record_all(added, source)
        return
    if len(added) != 1:
        raise InputError(
            "go with one cast", field="--melt, --used and --order", value=len(added), allowed="a log of one cast"
        )
    mass = parse_mass_kg(used, field="--used", default_unit="kg") if used else None
    book.casts.record(added[0], melt=melt or "", used_kg=mass, order=order)


@click.command(short_help="The casting log: list, add, show.")
@click.argument("cast_id", required=False, metavar="[CAST]")
@click.option("--add", "add_path", type=FILE, metavar="log.csv", help="Enter the casts of a log file.")
@click.option("--melt", metavar="MELT", help="With one cast: the melt it was poured from,")
@click.option("--used", metavar="KG", help="... the metal that stayed on the table,")
@click.option("--order", metavar="ID", help="... and the line of the cast list that it fulfils.")
@table_option
@shop_option
@json_option
def casts(
    cast_id: str | None,
    add_path: Path | None,
    melt: str | None,
    used: str | None,
    order: str | None,
    table_path: Path | None,
    shop: str | None,
    as_json: bool,
) -> None:
    """The casting log in the book."""
    from pipemetal.files.log_file import read_log

    with open_book(shop) as book:
        if add_path is not None:
            added = read_log(add_path)
            _add_casts(book, added, add_path.name, melt, used, order)
            click.echo(f"Entered {len(added)} casts.") if not as_json else print_json({"added": [c.id for c in added]})
            return
        if cast_id is not None:
            book.casts.row(cast_id)
        held = [c for c in book.casts.log() if cast_id in (None, c.id)]
    if as_json:
        print_json({"casts": [_cast_dict(c) for c in held]})
        return
    _print_casts(held, table_path)


def _cast_dict(c: LoggedCast) -> dict[str, object]:
    return {
        "id": c.id,
        "day": c.day,
        "composition": c.composition.text(),
        "gate_mm": c.gate_mm,
        "charge_kg": c.charge_kg,
        "length_mm": c.length_mm,
        "pour_temperature_c": c.pour_temperature_c,
        "verdict": c.verdict,
        "note": c.note,
        "thickness_mm": [list(p) for p in c.thickness_mm],
        "marks": [list(p) for p in c.marks],
    }


def _print_casts(held: Sequence[LoggedCast], table_path: Path | None) -> None:
    show_table(
        "Casts",
        [
            ("cast", ""),
            ("day", ""),
            ("metal", ""),
            ("gate mm", ""),
            ("fill kg", ""),
            ("length mm", ".0f"),
            ("poured C", ".0f"),
            ("verdict", ""),
        ],
        [
            (
                c.id,
                c.day,
                c.composition.text(),
                c.gate_mm,
                c.charge_kg,
                c.length_mm,
                c.pour_temperature_c,
                c.verdict or "",
            )
            for c in held
        ],
        [],
        table_path,
    )

"""The lots of the shop book on the command line."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, json_option, print_json, print_table, rounded
from pipemetal.cli.shop_cmd import add_file, open_book, shop_option
from pipemetal.cli.tables import show_table, table_option
from pipemetal.errors import InputError

if TYPE_CHECKING:
    from pipemetal.alloys.composition import Composition
    from pipemetal.melts.lots import Lot
    from pipemetal.shop.book import Book

__all__ = ["lots"]


@click.command(short_help="The lots: list, show, add, enter.")
@click.argument("lot_id", required=False, metavar="[LOT]")
@click.option("--add", "add_path", type=FILE, metavar="lots.csv", help="Enter the lots of a lots file.")
@click.option(
    "--enter", "enter_id", metavar="ID", help="Enter one lot with --kind, --mass and --composition or --alloy."
)
@click.option("--kind", default="pig", show_default=True)
@click.option("--mass", metavar="KG")
@click.option("--composition", metavar='"Sn 50 Pb bal"')
@click.option("--alloy", default="")
@click.option("--piece", metavar="KG")
@click.option("--price", type=click.FloatRange(0.0, 10_000.0), default=0.0, help="Per kg, in the shop's currency.")
@click.option("--supplier", default="")
@click.option("--invoice", default="", help="Number of the invoice it came with.")
@click.option("--day", default="", help="Day it came.")
@click.option("--note", default="")
@table_option
@shop_option
@json_option
def lots(
    lot_id: str | None,
    add_path: Path | None,
    enter_id: str | None,
    kind: str,
    mass: str | None,
    composition: str | None,
    alloy: str,
    piece: str | None,
    price: float,
    supplier: str,
    invoice: str,
    day: str,
    note: str,
    table_path: Path | None,
    shop: str | None,
    as_json: bool,
) -> None:
    """Pigs, ingots, scrap and master alloys in stock, by the ledger; one LOT with where its metal went."""
    from pipemetal.shop.book import NewLot
    from pipemetal.units import parse_mass_kg

    if add_path is not None and mass is not None:
        add_path, enter_id = None, str(add_path)  # as scripts of older versions say it
    with open_book(shop) as book:
        if add_path is not None:
            add_file(book, add_path, "lots", as_json)
            return
        if enter_id is not None:
            if mass is None:
                raise InputError(
                    "is needed to enter a lot",
                    field="--mass",
                    example='pipemetal lots --enter T9 --mass 250 --composition "Sn 99.9 Pb bal"',
                )
            lot = NewLot(
                enter_id,
                kind,
                parse_mass_kg(mass, field="mass", default_unit="kg"),
                _metal(book, composition, alloy),
                alloy,
                parse_mass_kg(piece, field="piece", default_unit="kg") if piece else None,
                price_per_kg=price,
                note=note,
                analysed=bool(composition),
                day=day,
                supplier=supplier,
                invoice=invoice,
            )
            event = book.lots.add(lot).event
            print_json({"added": enter_id, "event": event}) if as_json else click.echo(
                f"Entered lot {enter_id} (event {event})."
            )
            return
        if lot_id is not None:
            _show_lot(book, lot_id, as_json)
            return
        known, unknown = book.lots.in_stock()
        if as_json:
            print_json(_lots_dict(known, unknown))
            return
        _print_lots(book, known, unknown, table_path)


def _lots_dict(known: Sequence[Lot], unknown: Sequence[str]) -> dict[str, object]:
    lots = [
        {
            "id": x.id,
            "kind": x.kind,
            "mass_kg": rounded(x.mass_kg),
            "pieces": x.pieces or None,
            "composition": x.composition.text(),
            "analysed": x.analysed,
            "price_per_kg": x.price_per_kg,
            "note": x.note,
        }
        for x in known
    ]
    return {"format": "pipemetal lots 1", "lots": lots, "unknown": list(unknown)}


def _print_lots(book: Book, known: Sequence[Lot], unknown: Sequence[str], table_path: Path | None) -> None:
    taken, held = book.lots.reserved_kg(), {row.id: row for row in book.lots.rows()}
    headings = [("lot", ""), ("kind", ""), ("kg", ".2f"), ("reserved kg", ".2f"), ("pieces", ""), ("metal", "")]
    show_table(
        "Lots",
        [*headings, ("invoice", ""), ("note", "")],
        [
            (
                x.id,
                x.kind,
                x.mass_kg,
                taken.get(x.id, 0.0),
                x.pieces or "",
                x.composition.text(),
                held[x.id].invoice,
                x.note,
            )
            for x in known
        ],
        [f"Of unknown metal, waiting for an assay: {', '.join(unknown)}."] if unknown else [],
        table_path,
    )


def _metal(book: Book, composition: str | None, alloy: str) -> Composition | None:
    """What a lot is of: as analysed, or as a recipe says. Errors: InputError, AlloyError."""
    from pipemetal.alloys.composition import Composition

    if composition or not alloy:
        return Composition.parse(composition) if composition else None
    recipes = book.recipes.all()
    if alloy not in recipes:
        raise InputError("is not a recipe", field="--alloy", value=alloy, allowed=", ".join(recipes))
    return recipes[alloy].target


def _show_lot(book: Book, lot_id: str, as_json: bool) -> None:
    book.lots.row(lot_id)
    trace = book.trace.flows(f"lot:{lot_id}")
    if as_json:
        print_json({"id": lot_id, "trace": {w: [dataclasses.asdict(s) for s in t] for w, t in trace._asdict().items()}})
        return
    rows = [(way, s.origin, s.target, f"{s.mass_kg:.3f}") for way, steps in trace._asdict().items() for s in steps]
    print_table(f"Lot {lot_id}", ["way", "from", "to", "kg"], rows)

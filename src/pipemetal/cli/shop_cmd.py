"""What lies in the shop book: rolls, lots, melts and casts."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.cli.common import FILE, json_option, print_json, print_table, rounded
from pipemetal.errors import InputError

if TYPE_CHECKING:
    from pipemetal.shop.book import Book

__all__ = ["casts", "lots", "melts", "open_book", "rolls", "shop_of", "shop_option"]


def shop_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--shop PATH|URL."""
    return click.option(
        "--shop", "shop", metavar="PATH|URL", help="The shop book [PIPEMETAL_SHOP, else ./shop.sqlite]."
    )(command)


def shop_of(given: str | None) -> str:
    """The book given, or the one of the environment, or shop.sqlite here."""
    return given or os.environ.get("PIPEMETAL_SHOP") or "shop.sqlite"


def open_book(shop: str | None, *, create: bool = False) -> Book:
    """The book, opened; `create` makes a new one where there is none."""
    from pipemetal.shop.book import Book

    return Book.open(shop_of(shop), create=create)


def read_range(text: str | None, field: str) -> tuple[float, float] | None:
    """A range of thicknesses in mm: `0.9..1.1`, or one number for exactly that within 0.05 mm."""
    from pipemetal.units import parse_length_mm

    if text is None:
        return None
    low, dots, high = text.partition("..")
    if not dots:
        middle = parse_length_mm(low, field=field, default_unit="mm")
        return max(middle - 0.05, 0.001), middle + 0.05
    unit = "in" if high.strip().endswith(("in", '"')) else "mm"
    return (
        parse_length_mm(low, field=field, default_unit=unit),
        parse_length_mm(high, field=field, default_unit="mm"),
    )


def _length(text: str | None, field: str) -> float | None:
    from pipemetal.units import parse_length_mm

    return None if text is None else parse_length_mm(text, field=field, default_unit="mm")


@click.command(short_help="The rack: list, find, show, add.")
@click.argument("roll_id", required=False, metavar="[ROLL]")
@click.option("--alloy", help="Only this alloy.")
@click.option("--thickness", metavar="0.9..1.1", help="This thickness across the whole width, in mm.")
@click.option("--length", metavar="MM", help="... over this length, and where on the roll.")
@click.option("--width", metavar="MM", help="Usable width at least this.")
@click.option("--text", "words", help="Words in id, place, note or cast.")
@click.option("--all", "all_states", is_flag=True, help="Rolls that were cut, reserved or scrapped too.")
@click.option(
    "--add", "add_path", type=FILE, metavar="rack.csv", help="Enter the rolls of a rack file, readings.csv beside it."
)
@shop_option
@json_option
def rolls(
    roll_id: str | None, alloy: str | None, thickness: str | None, length: str | None, width: str | None, words: str | None,
    all_states: bool, add_path: Path | None, shop: str | None, as_json: bool,
) -> None:  # fmt: skip
    """The rack: this alloy, this thickness, over this length, and where on the roll; one ROLL with its history."""
    with open_book(shop) as book:
        if add_path is not None:
            _add_rolls(book, add_path, as_json)
        elif roll_id is not None:
            _show_roll(book, roll_id, as_json)
        else:
            found = book.find_rolls(
                alloy, read_range(thickness, "thickness"), _length(length, "length"), _length(width, "width"), words,
                state=None if all_states else "on rack",
            )  # fmt: skip
            if as_json:
                print_json({"rolls": [_found_dict(f) for f in found]})
                return
            print_table(
                "Rolls",
                ["roll", "alloy", "length mm", "width mm", "thickness mm", "from mm", "to mm", "place", "state"],
                [
                    (f.roll.id, f.roll.alloy, f"{f.roll.length_mm:.0f}", f"{f.roll.width_mm:.0f}",
                     f"{f.roll.thinnest_mm:.2f} to {f.roll.thickest_mm:.2f}", f"{f.x_from_mm:.0f}", f"{f.x_to_mm:.0f}",
                     f.roll.place, f.roll.state)
                    for f in found
                ],
                [f"{len(found)} rolls; from and to: the longest place that holds the thickness across the whole width"],
            )  # fmt: skip


def _found_dict(found: Any) -> dict[str, Any]:
    roll = found.roll
    return {
        "id": roll.id, "alloy": roll.alloy, "length_mm": roll.length_mm, "width_mm": roll.width_mm, "trim_mm": roll.trim_mm,
        "mean_thickness_mm": roll.mean_mm, "thinnest_mm": roll.thinnest_mm, "thickest_mm": roll.thickest_mm,
        "x_from_mm": rounded(found.x_from_mm, 1), "x_to_mm": rounded(found.x_to_mm, 1), "place": roll.place,
        "state": roll.state, "parent": roll.parent, "cast": roll.cast, "irregular_outline": roll.irregular,
    }  # fmt: skip


def _add_rolls(book: Book, path: Path, as_json: bool) -> None:
    from pipemetal.files.rack_file import read_rack, read_readings

    beside = (path if path.is_dir() else path.parent) / "readings.csv"
    added = read_rack(path, book.recipes())
    readings = read_readings(beside) if beside.exists() else {}
    events = [book.add_roll(roll, readings=readings.get(roll.id, ())) for roll in added]
    if as_json:
        print_json({"added": [r.id for r in added], "events": events})
    else:
        click.echo(f"Entered {len(added)} rolls: {', '.join(r.id for r in added)}.")


def _show_roll(book: Book, roll_id: str, as_json: bool) -> None:
    row = book.row("rolls", roll_id)
    trace = book.trace(f"roll:{roll_id}")
    events = book.events(f"roll:{roll_id}")
    if as_json:
        keys = (
            "id",
            "alloy",
            "length_mm",
            "width_mm",
            "trim_mm",
            "mean_mm",
            "place",
            "parent",
            "state",
            "cast",
            "note",
        )
        print_json(
            {k: row[k] for k in keys}
            | {
                "readings": len(book.readings(roll_id)),
                "history": [{"event": e.id, "at": e.at, "who": e.who, "what": e.what} for e in events],
                "trace": {way: [dataclasses.asdict(s) for s in steps] for way, steps in trace.items()},
            }
        )
        return
    print_table(
        f"Roll {roll_id}: {row['alloy']}, {row['length_mm']:.0f} x {row['width_mm']:.0f} mm, mean {row['mean_mm']:.3f} mm, "
        f"{row['place']}, {row['state']}",
        ["way", "from", "to", "kg"],
        [(way, s.origin, s.target, f"{s.mass_kg:.3f}") for way, steps in trace.items() for s in steps],
        [f"{e.at[:16]} {e.who}: {e.what} (event {e.id})" for e in events],
    )


@click.command(short_help="The lots: list, show, add.")
@click.argument("lot_id", required=False, metavar="[LOT]")
@click.option("--add", "add_id", metavar="ID", help="Enter a lot with --kind, --mass and --composition or --alloy.")
@click.option("--kind", default="pig", show_default=True)
@click.option("--mass", metavar="KG")
@click.option("--composition", metavar='"Sn 50 Pb bal"')
@click.option("--alloy", default="")
@click.option("--piece", metavar="KG")
@click.option("--note", default="")
@shop_option
@json_option
def lots(
    lot_id: str | None, add_id: str | None, kind: str, mass: str | None, composition: str | None, alloy: str,
    piece: str | None, note: str, shop: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Pigs, ingots, scrap and master alloys in stock, by the ledger; one LOT with where its metal went."""
    from pipemetal.alloys.composition import Composition
    from pipemetal.units import parse_mass_kg

    with open_book(shop) as book:
        if add_id is not None:
            if mass is None:
                raise InputError("is needed to enter a lot", field="--mass")
            metal = Composition.parse(composition) if composition else None
            if metal is None and alloy:
                recipes = book.recipes()
                if alloy not in recipes:
                    raise InputError("is not a recipe", field="--alloy", value=alloy, allowed=", ".join(recipes))
                metal = recipes[alloy].target
            event = book.add_lot(
                add_id, kind, parse_mass_kg(mass, field="mass", default_unit="kg"), metal, alloy=alloy,
                piece_kg=parse_mass_kg(piece, field="piece", default_unit="kg") if piece else None, note=note,
                analysed=bool(composition),
            )  # fmt: skip
            if as_json:
                print_json({"added": add_id, "event": event})
            else:
                click.echo(f"Entered lot {add_id} (event {event}).")
            return
        known, unknown = book.lots()
        if lot_id is not None:
            book.row("lots", lot_id)
            trace = book.trace(f"lot:{lot_id}")
            if as_json:
                print_json({"id": lot_id, "trace": {w: [dataclasses.asdict(s) for s in t] for w, t in trace.items()}})
                return
            rows = [(way, s.origin, s.target, f"{s.mass_kg:.3f}") for way, steps in trace.items() for s in steps]
            print_table(f"Lot {lot_id}", ["way", "from", "to", "kg"], rows)
            return
        if as_json:
            print_json({
                "lots": [
                    {"id": x.id, "kind": x.kind, "mass_kg": rounded(x.mass_kg), "pieces": x.pieces or None,
                     "composition": x.composition.text(), "analysed": x.analysed, "price_per_kg": x.price_per_kg, "note": x.note}
                    for x in known
                ],
                "unknown": list(unknown),
            })  # fmt: skip
            return
        print_table(
            "Lots", ["lot", "kind", "kg", "pieces", "metal", "note"],
            [(x.id, x.kind, f"{x.mass_kg:.2f}", x.pieces or "", x.composition.text(), x.note) for x in known],
            [f"Of unknown metal, waiting for an assay: {', '.join(unknown)}."] if unknown else [],
        )  # fmt: skip


@click.command(short_help="The melts: list, show.")
@click.argument("melt_id", required=False, metavar="[MELT]")
@shop_option
@json_option
def melts(melt_id: str | None, shop: str | None, as_json: bool) -> None:
    """The melts in the book, and what is left of each."""
    import json

    with open_book(shop) as book:
        stock = book.stock()
        held = [book.row("melts", melt_id)] if melt_id else book.rows("melts")
        rows = [
            {"id": m["id"], "recipe": m["recipe"], "day": m["day"], "inputs_kg": json.loads(m["inputs"]),
             "dross_kg": m["dross_kg"],
             "assay": m["assay"], "left_kg": rounded(sum(stock.get(f"melt:{m['id']}", {}).values()))} for m in held
        ]  # fmt: skip
    if as_json:
        print_json({"melts": rows})
        return
    print_table(
        "Melts", ["melt", "recipe", "day", "charged kg", "dross kg", "left kg", "assay"],
        [(m["id"], m["recipe"], m["day"], sum(m["inputs_kg"].values()), m["dross_kg"], m["left_kg"], m["assay"]) for m in rows],
    )  # fmt: skip


@click.command(short_help="The casting log: list, add, show.")
@click.argument("cast_id", required=False, metavar="[CAST]")
@click.option("--add", "add_path", type=FILE, metavar="log.csv", help="Enter the casts of a log file.")
@shop_option
@json_option
def casts(cast_id: str | None, add_path: Path | None, shop: str | None, as_json: bool) -> None:
    """The casting log in the book."""
    from pipemetal.files.log_file import read_log

    with open_book(shop) as book:
        if add_path is not None:
            added = read_log(add_path)
            for cast in added:
                book.record_cast(cast)
            click.echo(f"Entered {len(added)} casts.") if not as_json else print_json({"added": [c.id for c in added]})
            return
        if cast_id is not None:
            book.row("casts", cast_id)
        held = [c for c in book.casts() if cast_id in (None, c.id)]
    if as_json:
        print_json({"casts": [
            {"id": c.id, "day": c.day, "composition": c.composition.text(), "gate_mm": c.gate_mm, "charge_kg": c.charge_kg,
             "length_mm": c.length_mm, "pour_temperature_c": c.pour_temperature_c, "verdict": c.verdict, "note": c.note,
             "thickness_mm": [list(p) for p in c.thickness_mm], "marks": [list(p) for p in c.marks]} for c in held
        ]})  # fmt: skip
        return
    print_table(
        "Casts", ["cast", "day", "metal", "gate mm", "charge kg", "length mm", "poured C", "verdict"],
        [(c.id, c.day, c.composition.text(), c.gate_mm, c.charge_kg, f"{c.length_mm:.0f}",
          "" if c.pour_temperature_c is None else f"{c.pour_temperature_c:.0f}", c.verdict or "") for c in held],
    )  # fmt: skip

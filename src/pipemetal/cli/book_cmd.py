"""Keeping the shop book: files in and out, labels, backup, restore and a check."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipemetal.cli.common import FILE, json_option, print_json
from pipemetal.cli.shop_cmd import open_book, shop_of, shop_option
from pipemetal.errors import InputError

__all__ = ["backup", "doctor", "export_files", "import_files", "label", "restore"]


@click.command(name="import", short_help="Bring racks, lots and logs into the book.")
@click.argument("folder", type=FILE, metavar="DIR")
@shop_option
@json_option
def import_files(folder: Path, shop: str | None, as_json: bool) -> None:
    """Bring recipes.toml, rack.csv with readings.csv, lots.csv and log.csv of DIR into the book; all of it or nothing.

    A book is made where there is none.
    """
    if not folder.is_dir():
        raise InputError("is not a folder", field="DIR", value=str(folder))
    with open_book(shop, create=True) as book:
        counts = book.import_folder(folder)
    if as_json:
        print_json(counts | {"shop": shop_of(shop)})
    else:
        click.echo(
            f"Brought in {counts['recipes']} recipes, {counts['rolls']} rolls, {counts['lots']} lots and {counts['casts']} "
            f"casts (event {counts['event']})."
        )


@click.command(name="export", short_help="Write the book's tables as CSV.")
@click.argument("folder", type=FILE, metavar="DIR")
@shop_option
@json_option
def export_files(folder: Path, shop: str | None, as_json: bool) -> None:
    """Write recipes.toml, rack.csv, readings.csv, lots.csv, log.csv and stock.csv into DIR."""
    with open_book(shop) as book:
        written = book.export_folder(folder)
    if as_json:
        print_json({"files": [str(p) for p in written]})
    else:
        click.echo(f"Wrote {', '.join(p.name for p in written)} to {folder}.")


@click.command(short_help="Labels for rolls.")
@click.argument("roll_ids", nargs=-1, required=True, metavar="ROLL...")
@click.option("--out", "out", type=FILE, required=True, metavar="FILE.svg")
@shop_option
@json_option
def label(roll_ids: tuple[str, ...], out: Path, shop: str | None, as_json: bool) -> None:
    """Labels of 90 x 50 mm for rolls, one below the other, with lines that are read at arm's length."""
    from pipemetal.documents.drawing import Drawing, text_width_mm
    from pipemetal.documents.svg import to_svg

    with open_book(shop) as book:
        rows = [book.row("rolls", roll_id) for roll_id in roll_ids]
    drawing = Drawing(90.0, 52.0 * len(rows), "Labels")
    for number, row in enumerate(rows):
        bottom = 52.0 * (len(rows) - number - 1) + 1.0
        drawing.rectangle("label", 1.0, bottom, 88.0, 50.0, fill="#ffffff")
        lines = (
            (14.0, row["id"], True), (8.0, row["alloy"], True),
            (6.0, f"{row['length_mm']:.0f} x {row['width_mm']:.0f} mm", False),
            (6.0, f"mean {row['mean_mm']:.2f} mm", False), (5.0, row["place"], False),
        )  # fmt: skip
        at = bottom + 50.0 - 2.0
        for size, text, bold in lines:
            fits = min(size, size * 82.0 / max(text_width_mm(text, size), 1.0))
            at -= size * 1.12
            drawing.text("label", 4.0, at, text, fits, bold=bold)
    out.write_text(to_svg(drawing), encoding="utf-8")
    if as_json:
        print_json({"labels": len(rows), "file": str(out)})
    else:
        click.echo(f"Wrote {len(rows)} labels to {out}.")


@click.command(short_help="Write the book into one file.")
@click.argument("file", type=FILE, metavar="FILE")
@shop_option
@json_option
def backup(file: Path, shop: str | None, as_json: bool) -> None:
    """Write the whole book into FILE, checked, while others go on working."""
    with open_book(shop) as book:
        manifest = book.backup(file)
    if as_json:
        print_json(manifest | {"file": str(file)})
    else:
        click.echo(f"Backed up {sum(t['rows'] for t in manifest['tables'].values())} rows to {file}.")


@click.command(short_help="Bring a book back from a backup.")
@click.argument("file", type=FILE, metavar="FILE")
@shop_option
@json_option
def restore(file: Path, shop: str | None, as_json: bool) -> None:
    """Bring the book of FILE back into an empty place: a new file, or an empty PostgreSQL database."""
    from pipemetal.shop.keeping import restore as bring_back

    manifest = bring_back(file, shop_of(shop))
    if as_json:
        print_json(manifest | {"shop": shop_of(shop), "equal": True})
    else:
        rows = sum(t["rows"] for t in manifest["tables"].values())
        click.echo(f"Restored {rows} rows; the book equals its backup.")


@click.command(short_help="Check the book and the installation.")
@shop_option
@json_option
def doctor(shop: str | None, as_json: bool) -> None:
    """Versions, disk, and where there is a book: its database, its ledger and what stands in it."""
    from pipemetal.shop.connect import is_url
    from pipemetal.shop.keeping import installation

    told: dict[str, Any] = {"installation": installation(), "faults": []}
    where = shop_of(shop)
    if shop is not None or is_url(where) or Path(where).exists():
        with open_book(shop) as book:
            told["book"] = book.doctor()
        told["faults"] = told["book"]["faults"]
    if as_json:
        print_json(told)
    else:
        click.echo(", ".join(f"{k} {v}" for k, v in told["installation"].items() if k != "free_bytes"))
        click.echo(f"Free disk here: {told['installation']['free_bytes'] / 1e9:.1f} GB.")
        if "book" in told:
            held = told["book"]
            click.echo(f"Book {held['shop']} ({held['database']}, schema {held['revision']}):")
            click.echo("  " + ", ".join(f"{n} {name}" for name, n in held["rows"].items()))
        else:
            click.echo(f"No book at {where}; `pipemetal import DIR --shop PATH` makes one.")
        for fault in told["faults"]:
            click.echo(f"Fault: {fault}")
        click.echo("All is well." if not told["faults"] else f"{len(told['faults'])} faults.")
    click.get_current_context().exit(1 if told["faults"] else 0)

"""Keeping the shop book: files in and out, labels, backup, restore and a check."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, counted, json_option, out_argument, print_json
from pipemetal.cli.shop_cmd import open_book, open_or_make_book, shop_of, shop_option, shown_shop
from pipemetal.errors import InputError
from pipemetal.files.missing import no_such_file

if TYPE_CHECKING:
    from pipemetal.shop.keeping import Health

HELD = {"cast_orders": "sheets to cast", "heard": "pipes heard", "settings": "settings kept"}
"""What the book calls otherwise than people do."""

__all__ = ["backup", "doctor", "export_files", "import_files", "restore"]


@click.command(name="import", short_help="Bring racks, lots and logs into the book.")
@click.argument("path", type=FILE, metavar="DIR|FILE")
@click.option(
    "--as", "kind", help="What a file holds: rolls, readings, lots, analyses, casts, ranks. Else by its name."
)
@click.option("--sheet", help="Only this sheet of a workbook.")
@click.option(
    "--map", "mapping", multiple=True, metavar="THEIRS=OURS", help="A heading of the file, and what it is here."
)
@click.option("--organ", default="", help="With ranks: the organ they belong to.")
@click.option("--dry-run", is_flag=True, help="Try everything, tell what would come in, and keep nothing.")
@shop_option
@json_option
def import_files(
    path: Path,
    kind: str | None,
    sheet: str | None,
    mapping: tuple[str, ...],
    organ: str,
    dry_run: bool,
    shop: str | None,
    as_json: bool,
) -> None:
    """Bring in a folder (recipes.toml, rack.csv, readings.csv, lots.csv, analyses.csv, log.csv), a CSV file, or an XLSX
    workbook whose sheets are called rolls, readings, lots, analyses, casts or ranks; all of it or nothing.

    All errors are listed at once, with sheet, row and column. `pipemetal book undo` takes an import back. A book is
    made where there is none.
    """
    from pipemetal.shop.importing import KINDS

    if kind is not None and kind not in KINDS:
        raise InputError("is not known", field="--as", value=kind, allowed=", ".join(sorted(set(KINDS.values()))))
    if not path.exists():
        raise no_such_file(path)
    with open_or_make_book(shop, keep=not dry_run) as book:
        if path.is_dir():
            told = book.tables.import_folder(path, dry_run=dry_run)
        else:
            held = KINDS[kind] if kind else None
            told = book.tables.import_file(
                path, kind=held, sheet=sheet, mapping=_mapping(mapping), organ=organ, dry_run=dry_run
            )
    if as_json:
        print_json(vars(told) | {"shop": shown_shop(shop)})
        return
    counts = ", ".join(f"{n} {name}" for name, n in told.counts.items())
    if dry_run:
        click.echo(f"Would bring in {counts or 'nothing'}; nothing is kept. First of each:")
        for name, ids in told.first.items():
            click.echo(f"  {name}: {', '.join(ids)}")
    else:
        click.echo(
            f"Brought in {counts or 'nothing'} (event {told.event}; `pipemetal book undo {told.event}` takes it back)."
        )


def _mapping(pairs: tuple[str, ...]) -> dict[str, str]:
    mapping = {}
    for pair in pairs:
        theirs, equals, ours = pair.rpartition("=")
        if not equals or not theirs.strip():
            raise InputError(
                "cannot be read", field="--map", value=pair, allowed="THEIRS=OURS; nothing after = leaves it out"
            )
        mapping[theirs.strip()] = ours.strip()
    return mapping


@click.command(name="export", short_help="Write the book's tables as CSV or XLSX.")
@out_argument("path", metavar="DIR|FILE.xlsx")
@shop_option
@json_option
def export_files(path: Path, shop: str | None, as_json: bool) -> None:
    """Write recipes.toml, rack.csv, readings.csv, lots.csv, log.csv, analyses.csv and stock.csv into DIR, or one workbook."""
    with open_book(shop) as book:
        if path.suffix.lower() == ".xlsx":
            names, where = book.tables.export_workbook(path), [str(path)]
        else:
            written = book.tables.export_folder(path)
            names, where = [p.name for p in written], [str(p) for p in written]
    if as_json:
        print_json({"files": where, "tables": names})
    else:
        click.echo(f"Wrote {', '.join(names)} to {path}.")


@click.command(short_help="Write the book into one file.")
@out_argument("file", metavar="FILE")
@shop_option
@json_option
def backup(file: Path, shop: str | None, as_json: bool) -> None:
    """Write the whole book into FILE, checked, while others go on working."""
    with open_book(shop) as book:
        manifest = book.keeping.backup(file)
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
    from pipemetal.shop.archive import restore as bring_back

    manifest = bring_back(file, shop_of(shop))
    if as_json:
        print_json(manifest | {"shop": shown_shop(shop), "equal": True})
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

    found, held, where = installation(), None, shop_of(shop)
    if shop is not None or is_url(where) or Path(where).exists():
        with open_book(shop) as book:
            held = book.keeping.doctor()
    faults = held.faults if held is not None else ()
    if as_json:
        print_json({"installation": found, "faults": faults} | ({"book": held} if held is not None else {}))
    else:
        click.echo(", ".join(f"{k} {v}" for k, v in found.items() if k != "free_bytes"))
        click.echo(f"Free disk here: {int(found['free_bytes']) / 1e9:.1f} GB.")
        _print_health(held, where)
        click.echo("All is well." if not faults else f"{counted(len(faults), 'fault')}.")
    click.get_current_context().exit(1 if faults else 0)


def _print_health(held: Health | None, where: str) -> None:
    if held is None:
        click.echo(f"No book at {where}; `pipemetal book import DIR --shop PATH` makes one.")
        return
    click.echo(f"Book {held.shop} ({held.database}, schema {held.revision}):")
    click.echo("  " + ", ".join(f"{n} {HELD.get(name, name)}" for name, n in held.rows.items() if n))
    kept = held.backups
    click.echo(f"  Daily backups: {kept.kept} in {kept.folder}, the latest of {kept.latest or 'no day yet'}.")
    if kept.second:
        click.echo(f"  Second place: {kept.second}, the latest of {kept.second_latest or 'no day yet'}.")
    for remark in held.remarks:
        click.echo(f"Mind: {remark}")
    for fault in held.faults:
        click.echo(f"Fault: {fault}")

"""Trace, photos, and the whole book as open files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, json_option, out_option, print_json, print_table
from pipemetal.cli.shop_cmd import open_book, shop_of, shop_option, shown_shop
from pipemetal.errors import InputError
from pipemetal.files.missing import no_such_file
from pipemetal.files.outbox import write

if TYPE_CHECKING:
    from pipemetal.shop.rows import AttachmentRow
    from pipemetal.shop.tracing import Thing

__all__ = ["attach", "dump", "load", "trace"]


@click.command(short_help="Where metal came from and went.")
@click.argument("name", metavar="ID")
@out_option("--html", "page", metavar="FILE.html", help="Write a page that prints.")
@shop_option
@json_option
def trace(name: str, page: Path | None, shop: str | None, as_json: bool) -> None:
    """From a pipe, roll, cast, melt or lot back to lots, invoices and analyses, and on to every pipe.

    A pipe by its name, before and after it is cut, gives its parts with roll, place and plan. ID as it is, or roll:ID, lot:ID,
    melt:ID, cast:ID, pipe:ID where several things are called so.
    """
    with open_book(shop) as book:
        report = book.trace.report(name)
    if page is not None:
        from pipemetal.documents.trace_page import trace_page

        write(page, trace_page(report))
    if as_json:
        print_json(report.as_dict())
        return
    if page is not None:
        click.echo(f"Wrote {page}.")
        return
    if report.parts:
        print_table(
            f"Parts of {report.account}",
            ["part", "state", "roll or sheet", "from mm", "across mm", "to mm", "across mm", "plan"],
            [(p.part, p.state, p.roll, *(f"{x:.0f}" for x in p.box_mm), p.plan) for p in report.parts],
        )
    for steps, title in ((report.backwards, "came from"), (report.forwards, "went to")):
        if not steps:
            click.echo(f"{report.account} {title}: nothing is booked yet.")
            continue
        print_table(
            f"{report.account} {title}",
            ["step", "from", "to", "kg", "event"],
            [(s.steps, s.origin, s.target, f"{s.mass_kg:.3f}", s.event) for s in steps],
        )
    for account, thing in report.things.items():
        click.echo(f"{account}: {_words(thing)}")


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    if isinstance(value, tuple) and all(isinstance(x, int | float) for x in value):
        return ", ".join(f"{x:.0f}" for x in value) + " mm"
    return str(value)


def _words(thing: Thing) -> str:
    told = [f"{name.replace('_', ' ')} {_shown(value)}" for name, value in thing.facts.items() if value]
    told += [f"attachments {list(thing.attachments)}"] if thing.attachments else []
    told += [f"analysis {a.day} {a.composition}".replace("  ", " ") for a in thing.analyses]
    return "; ".join(told)


def _known(held: AttachmentRow) -> dict[str, object]:
    """What is told of an attachment: all that the book knows but its own bookkeeping."""
    return {
        name: getattr(held, name) for name in ("id", "about", "name", "kind", "size_bytes", "sha256", "note", "day")
    }


@click.command(short_help="Keep a photo or paper, list them, get one out.")
@click.argument("about", metavar="roll:ID|lot:ID|...")
@click.argument("file", required=False, type=FILE, metavar="[FILE]")
@click.option("--note", default="")
@click.option("--get", "number", metavar="ID", help="Write this attachment to --out.")
@out_option("--out", metavar="FILE")
@shop_option
@json_option
def attach(
    about: str, file: Path | None, note: str, number: str | None, out: Path | None, shop: str | None, as_json: bool
) -> None:
    """Keep FILE (JPEG, PNG, WebP or PDF, up to 12 MB) with a roll, lot, melt, cast or pipe; without FILE: list what there is."""
    from pipemetal.shop.attaching import MOST_BYTES

    with open_book(shop) as book:
        if file is not None:
            if not file.exists():
                raise no_such_file(file)
            if not file.is_file() or file.stat().st_size > MOST_BYTES:
                allowed = f"a file of up to {MOST_BYTES} bytes"
                raise InputError("cannot be kept", field="FILE", value=str(file), allowed=allowed)
            event = book.attachments.add(about, file.name, file.read_bytes(), note=note).event
            print_json({"event": event}) if as_json else click.echo(f"Kept {file.name} with {about} (event {event}).")
            return
        if number is not None:
            if out is None:
                raise InputError("is needed with --get", field="--out")
            held, content = book.attachments.content(number)
            write(out, content)
            print_json(_known(held)) if as_json else click.echo(f"Wrote {held.name} ({held.kind}) to {out}.")
            return
        found = book.attachments.about(about)
    if as_json:
        print_json({"attachments": [_known(a) for a in found]})
    else:
        rows = [(a.id, a.name, a.kind, a.size_bytes, a.day, a.note) for a in found]
        print_table(f"Attachments of {about}", ["attachment", "name", "kind", "bytes", "day", "note"], rows)


@click.command(short_help="The whole book as open files.")
@click.argument("folder", type=FILE, metavar="DIR")
@shop_option
@json_option
def dump(folder: Path, shop: str | None, as_json: bool) -> None:
    """Write every row of the book as JSON lines with a schema, and every photo, into a new folder."""
    with open_book(shop) as book:
        manifest = book.keeping.dump(folder)
    rows = sum(t["rows"] for t in manifest["tables"].values())
    if as_json:
        print_json({"folder": str(folder), "rows": rows, "attachments": len(manifest["attachments"])})
    else:
        click.echo(
            f"Wrote {rows} rows and {len(manifest['attachments'])} attachments to {folder}; schema.json says what they are."
        )


@click.command(short_help="Make a book from a dump.")
@click.argument("folder", type=FILE, metavar="DIR")
@shop_option
@json_option
def load(folder: Path, shop: str | None, as_json: bool) -> None:
    """Bring a dump into an empty place: a new file, or an empty PostgreSQL database."""
    from pipemetal.shop.dumping import load_dump

    manifest = load_dump(folder, shop_of(shop))
    rows = sum(t["rows"] for t in manifest["tables"].values())
    if as_json:
        print_json({"shop": shown_shop(shop), "rows": rows, "equal": True})
    else:
        click.echo(f"Loaded {rows} rows; the book equals its dump.")

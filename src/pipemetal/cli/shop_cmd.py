"""What lies in the shop book: rolls, lots, melts and casts."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.cli.common import FILE, counted, json_option, print_json, print_table, rounded
from pipemetal.cli.tables import show_table, table_option
from pipemetal.errors import BookError, InputError, UnitError, near
from pipemetal.shop.searching import Among

if TYPE_CHECKING:
    from pipemetal.shop.book import Book
    from pipemetal.shop.rows import RollRow
    from pipemetal.shop.searching import Found

__all__ = ["add_file", "named_by", "open_book", "open_or_make_book", "rolls", "shop_of", "shop_option", "shown_shop"]


def shop_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--shop PATH|URL and --by NAME."""
    by = click.option(
        "--by",
        metavar="NAME",
        expose_value=False,
        callback=_remember,
        help="Who does it, as `pipemetal book people` knows them [PIPEMETAL_BY, else the login].",
    )
    return click.option(
        "--shop", "shop", metavar="PATH|URL", help="The shop book [PIPEMETAL_SHOP, else ./shop.sqlite]."
    )(by(command))


def _remember(ctx: click.Context, _: click.Parameter, value: str | None) -> None:
    ctx.meta["pipemetal.by"] = value or os.environ.get("PIPEMETAL_BY")


def named_by() -> str | None:
    """Who is named by --by, or in the environment; None where nobody is."""
    context = click.get_current_context(silent=True)
    return context.meta.get("pipemetal.by") if context else None


def shop_of(given: str | None) -> str:
    """The book given, or the one of the environment, or shop.sqlite here."""
    if given is not None and not given.strip():
        raise BookError("is empty", field="--shop", allowed="the path of a book, or its URL; left out: ./shop.sqlite")
    return given or os.environ.get("PIPEMETAL_SHOP") or "shop.sqlite"


def shown_shop(given: str | None) -> str:
    """The book as it may be shown: no password that a URL holds."""
    from pipemetal.shop.connect import without_password

    return without_password(shop_of(given))


def open_book(shop: str | None, *, create: bool = False) -> Book:
    """The book, opened for who is named by --by, with a backup before the first writing of a day."""
    from pipemetal.shop.book import Book

    book = Book.open(shop_of(shop), create=create, who=named_by())
    book.keeping.keep_daily()
    return book


@contextlib.contextmanager
def open_or_make_book(shop: str | None, *, keep: bool) -> Iterator[Book]:
    """The book to bring something into, with a backup before the first writing of a day; a new one stays with `keep`."""
    from pipemetal.shop.book import Book

    with Book.open_or_make(shop_of(shop), who=named_by(), keep=keep) as book:
        book.keeping.keep_daily()
        yield book


_DASHED = re.compile(r"([\d.,]+)\s*(?:-|–|to|bis)\s*([\d.,]+(?:\s*(?:mm|in|\"))?)")
"""A range as people write it too: 0.9-1.1, 0,9 to 1,1."""


def read_range(text: str | None, field: str) -> tuple[float, float] | None:
    """A range of thicknesses in mm, as `_range`. Errors: UnitError, with an example of a range."""
    try:
        return _range(text, field)
    except UnitError as error:
        error.example = "0.65..0.85"
        raise


def _range(text: str | None, field: str) -> tuple[float, float] | None:
    """A range of thicknesses in mm: `0.9..1.1`, or one number for exactly that within 0.05 mm."""
    from pipemetal.units import parse_length_mm

    if text is None:
        return None
    low, dots, high = text.partition("..")
    if not dots and (dash := _DASHED.fullmatch(text.strip())):
        low, dots, high = dash[1], "..", dash[2]
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
@click.option("--text", "words", help="Words in id, alloy, place, note, cast, melt, or whom it is reserved for.")
@click.option("--place", help="Places that begin so.")
@click.option("--melt", help="Cast from this melt.")
@click.option("--made", metavar="2019..2024-06", help="Cast within these years, months or days; one side may be open.")
@click.option("--free", is_flag=True, help="Only rolls that nothing has reserved.")
@click.option("--reserved", is_flag=True, help="Only reserved rolls.")
@click.option("--all", "all_states", is_flag=True, help="Rolls that were cut or scrapped too.")
@click.option(
    "--add", "add_path", type=FILE, metavar="rack.csv", help="Enter the rolls of a rack file, readings.csv beside it."
)
@table_option
@shop_option
@json_option
def rolls(
    roll_id: str | None,
    alloy: str | None,
    thickness: str | None,
    length: str | None,
    width: str | None,
    words: str | None,
    place: str | None,
    melt: str | None,
    made: str | None,
    free: bool,
    reserved: bool,
    all_states: bool,
    add_path: Path | None,
    table_path: Path | None,
    shop: str | None,
    as_json: bool,
) -> None:
    """The rack: this alloy, this thickness, over this length, and where on the roll; one ROLL with its history."""
    from pipemetal.shop.rows import RollState
    from pipemetal.shop.searching import STANDING

    with open_book(shop) as book:
        if add_path is not None:
            add_file(book, add_path / "rack.csv" if add_path.is_dir() else add_path, "rolls", as_json)
        elif roll_id is not None:
            _show_roll(book, roll_id, as_json)
        else:
            one = RollState.ON_RACK if free else RollState.RESERVED if reserved else None
            states = None if all_states else STANDING if one is None else (one,)
            found = book.rolls.find(
                alloy,
                read_range(thickness, "thickness"),
                _length(length, "length"),
                _length(width, "width"),
                words,
                among=Among(state=states, place=place, melt=melt, made=_span(made)),
            )
            if alloy is not None and not found:
                _check_alloy(book, alloy)
            if as_json:
                print_json({"format": "pipemetal rolls 1", "rolls": [_found_dict(f) for f in found]})
                return
            _show_rolls(found, table_path)


def _check_alloy(book: Book, alloy: str) -> None:
    """Refuse an alloy that no roll of the book and no recipe has."""
    known = sorted({*book.recipes.all(), *(row.alloy for row in book.rolls.rows())})
    if alloy not in known:
        raise InputError(
            "is no alloy of this shop",
            field="alloy",
            value=alloy,
            allowed=", ".join(known),
            nearest=near(alloy, known),
        )


def _span(text: str | None) -> tuple[str, str] | None:
    """A span of days: `2019..2024-06`, `2019..`, or one year, month or day."""
    if text is None:
        return None
    first, dots, last = (part.strip() for part in text.partition(".."))
    last = last if dots else first
    for part in (first, last):
        if part and not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", part):
            raise InputError("is not a span of days", field="--made", value=text, allowed="2019..2024-06, 2019.., 2021")
    return first, last


def _show_rolls(found: Sequence[Found], table_path: Path | None) -> None:
    show_table(
        "Rolls",
        [
            ("roll", ""),
            ("alloy", ""),
            ("length mm", ".0f"),
            ("width mm", ".0f"),
            ("thinnest mm", ".2f"),
            ("thickest mm", ".2f"),
            ("from mm", ".0f"),
            ("to mm", ".0f"),
            ("cast on", ""),
            ("melt", ""),
            ("place", ""),
            ("state", ""),
            ("reserved for", ""),
        ],
        [
            (
                f.roll.id,
                f.roll.alloy,
                f.roll.length_mm,
                f.roll.width_mm,
                f.roll.thinnest_mm,
                f.roll.thickest_mm,
                f.x_from_mm,
                f.x_to_mm,
                f.roll.day,
                f.roll.melt,
                f.roll.place,
                f.roll.state,
                f.roll.reserved_for,
            )
            for f in found
        ],
        [
            f"{counted(len(found), 'roll')}; from and to: the longest place that holds the thickness across the whole width"
        ],
        table_path,
    )


def _found_dict(found: Found) -> dict[str, object]:
    roll = found.roll
    return {
        "id": roll.id,
        "alloy": roll.alloy,
        "length_mm": roll.length_mm,
        "width_mm": roll.width_mm,
        "trim_mm": roll.trim_mm,
        "mean_thickness_mm": roll.mean_mm,
        "thinnest_mm": roll.thinnest_mm,
        "thickest_mm": roll.thickest_mm,
        "x_from_mm": rounded(found.x_from_mm, 1),
        "x_to_mm": rounded(found.x_to_mm, 1),
        "place": roll.place,
        "state": roll.state,
        "parent": roll.parent,
        "cast": roll.cast,
        "irregular_outline": roll.irregular,
        "cast_on": roll.day,
        "melt": roll.melt,
        "reserved_for": roll.reserved_for,
    }


def add_file(book: Book, path: Path, kind: str, as_json: bool) -> None:
    """Enter the rolls or the lots of a file; says which."""
    told = book.tables.import_file(path, kind=kind)
    # a roll cast for a plan is entered and reserved: two changes, one roll
    changes = book.history.event(told.event or 0).changes
    ids = list(dict.fromkeys(change["id"] for change in changes if change["table"] == kind))
    if as_json:
        print_json({"added": ids, "event": told.event})
    else:
        click.echo(f"Entered {len(ids)} {kind[:-1] if len(ids) == 1 else kind}: {', '.join(ids)}.")


def _gauged(row: RollRow) -> list[str]:
    """The gauge readings of a roll, line by line along it, and those that are not believed."""
    from itertools import groupby

    from pipemetal.shop.roll_rows import roll_of

    readings = sorted(row.readings_taken, key=lambda r: (r.x_mm, r.y_mm))
    if not readings:
        return ["No gauge readings."]
    told = [f"Gauge readings: {len(readings)}."]
    for x_mm, across in groupby(readings, key=lambda r: r.x_mm):
        told.append(f"{x_mm:.0f} mm along: " + ", ".join(f"{r.thickness_mm:.3f} at {r.y_mm:.0f}" for r in across))
    return told + [f"Left out: {out.reason}" for out in roll_of(row).field.left_out]


def _show_roll(book: Book, roll_id: str, as_json: bool) -> None:
    row = book.rolls.row(roll_id)
    trace = book.trace.flows(f"roll:{roll_id}")
    events = book.history.events(f"roll:{roll_id}")
    children = book.rolls.children(roll_id)
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
            "day",
            "reserved_for",
            "note",
        )
        print_json(
            {k: getattr(row, k) for k in keys}
            | {
                "readings": len(row.readings_taken),
                "gauged": [dataclasses.asdict(reading) for reading in row.readings_taken],
                "children": children,
                "attachments": [a.id for a in book.attachments.about(f"roll:{roll_id}")],
                "history": [{"event": e.id, "at": e.at, "who": e.who, "what": e.what} for e in events],
                "trace": {way: [dataclasses.asdict(s) for s in steps] for way, steps in trace._asdict().items()},
            }
        )
        return
    size = f"{row.length_mm:.0f} x {row.width_mm:.0f} mm, mean {row.mean_mm:.3f} mm"
    print_table(
        ", ".join(word for word in (f"Roll {roll_id}: {row.alloy}", size, row.place, row.state) if word),
        ["way", "from", "to", "kg"],
        [(way, s.origin, s.target, f"{s.mass_kg:.3f}") for way, steps in trace._asdict().items() for s in steps],
        [
            *_gauged(row),
            *([f"Cut from {row.parent}."] if row.parent else []),
            *([f"Remnants: {', '.join(children)}."] if children else []),
            *(f"{e.at[:16]} {e.who}: {e.what} (event {e.id})" for e in events),
        ],
    )

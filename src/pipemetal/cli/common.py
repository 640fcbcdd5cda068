"""What the commands share: JSON that carries no nan, tables that people read, options that recur."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import click

from pipemetal.alloys.recipe import Recipe
from pipemetal.files.recipe_file import own_recipes, read_recipes

if TYPE_CHECKING:
    from rich.table import Table

    from pipemetal.planning.settings import ShopSettings

__all__ = [
    "FILE",
    "OUT_FILE",
    "counted",
    "find_beside",
    "json_option",
    "load_recipes",
    "out_argument",
    "out_option",
    "print_json",
    "print_table",
    "recipes_option",
    "rounded",
    "settings_for",
    "settings_options",
    "settings_said",
    "shop_beside",
    "workers_options",
    "write_dicts",
]

FILE = click.Path(path_type=Path)
PIPED_WIDTH: Final = 200
OUT_FILE = click.Path(path_type=Path)
"""What a command writes; every command with one takes --replace."""


def out_option(*names: str, **settings: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """An option that names a file or folder to be written, and --replace with it."""
    return lambda command: _replace_option(click.option(*names, type=OUT_FILE, **settings)(command))


def out_argument(name: str, **settings: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """An argument that names a file or folder to be written, and --replace with it."""
    return lambda command: _replace_option(click.argument(name, type=OUT_FILE, **settings)(command))


def _replace_option(command: Callable[..., Any]) -> Callable[..., Any]:
    held: list[click.Parameter] = getattr(command, "__click_params__", [])
    if any(param.name == "replace" for param in held):
        return command
    return click.option(
        "--replace",
        is_flag=True,
        expose_value=False,
        callback=_replacing,
        help="Write over files that are there, whoever wrote them; never over a shop book.",
    )(command)


def _replacing(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    from pipemetal.files.outbox import replacing

    if wanted:
        ctx.with_resource(replacing())


def json_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--json: print one object instead of a table."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object; every key carries its unit.")(
        command
    )


def recipes_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--recipes FILE."""
    help_text = "Recipes (default: recipes.toml beside the first file, else the program's own)."
    return click.option("--recipes", "recipes_path", type=FILE, help=help_text)(command)


def workers_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--workers and --cluster."""
    workers = click.option("--workers", type=click.IntRange(1, 256), help="Work in so many processes at once.")
    cluster = click.option("--cluster", metavar="ADDRESS", help="Work on this dask.distributed scheduler.")
    return workers(cluster(command))


def find_beside(given: Path | None, first: Path | None, name: str) -> Path | None:
    """The file given, or the one of this name beside the first file, or None."""
    if given is not None:
        return given
    if first is not None:
        beside = (first if first.is_dir() else first.parent) / name
        if beside.exists():
            return beside
    return None


def shop_beside(given: Path | None, first: Path) -> ShopSettings:
    """The settings given, or those of shop.toml beside the first file, or the program's own."""
    from pipemetal.files.shop_file import read_shop
    from pipemetal.planning.settings import ShopSettings

    path = find_beside(given, first, "shop.toml")
    return read_shop(path) if path is not None else ShopSettings()


def load_recipes(given: Path | None, first: Path | None) -> dict[str, Recipe]:
    """The recipes given, or those beside the first file, or the program's own."""
    return read_recipes(find_beside(given, first, "recipes.toml") or own_recipes())


def settings_for(given: Path | None, shop: str | None, first: Path) -> ShopSettings:
    """The settings that count. With a shop book: those given, the book's, shop.toml beside it, the program's own; without one
    those given, beside the first file, or the program's own."""
    if shop is not None:
        from pipemetal.shop.stock import settings_of_book

        return settings_of_book(shop, given).settings
    return shop_beside(given, first)


def settings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--settings FILE and --shop PATH|URL: whose settings the pipes of an organ are made by, as `settings_said` finds them."""
    given = click.option(
        "--settings",
        type=FILE,
        metavar="shop.toml",
        help="Default: shop.toml beside the organ file.",
        expose_value=False,
        callback=_remember,
    )
    help_text = "A shop book, whose settings count."
    shop = click.option("--shop", metavar="PATH|URL", help=help_text, expose_value=False, callback=_remember)
    return given(shop(command))


def _remember(ctx: click.Context, option: click.Parameter, value: object) -> None:
    ctx.meta[f"pipemetal.{option.name}"] = value


def settings_said(first: Path) -> ShopSettings:
    """The settings that the options of `settings_options` name, as `settings_for`."""
    context = click.get_current_context(silent=True)
    meta = context.meta if context is not None else {}
    return settings_for(meta.get("pipemetal.settings"), meta.get("pipemetal.shop"), first)


def print_json(value: Any) -> None:
    """One JSON object on standard output; records become their fields."""
    click.echo(json.dumps(value, default=_fields, allow_nan=False, ensure_ascii=False))


def _fields(record: Any) -> dict[str, object]:
    if not is_dataclass(record) or isinstance(record, type):
        raise TypeError(f"{type(record).__name__} is no JSON")
    return asdict(record)


def counted(count: int, one: str, many: str = "") -> str:
    """So many things in words.

    >>> counted(1, "melt"), counted(2, "melt"), counted(0, "box", "boxes")
    ('1 melt', '2 melts', '0 boxes')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


def rounded(value: float | None, places: int = 4) -> float | None:
    """A number rounded for printing; None stays None."""
    return None if value is None else round(value, places) + 0.0


def print_table(
    title: str, headings: Sequence[str], rows: Iterable[Sequence[object]], notes: Sequence[str] = ()
) -> None:
    """A table for people; text to the left, numbers to the right. Plain when the output is not a terminal.

    As wide as the terminal, COLUMNS, or 200 letters. No word and no number is broken: where the columns do not fit beside
    each other, the others follow below, each time with the first.
    """
    from rich.console import Console

    console = Console(width=_width(), highlight=False, color_system=None if os.environ.get("NO_COLOR") else "auto")
    held = [[_cell(value) for value in row] for row in rows]
    columns = [
        _Column(heading, [row[k] for row in held], bool(held) and all(_is_number(row[k]) for row in held))
        for k, heading in enumerate(headings)
    ]
    columns = [c for c in columns if c.heading.strip() or any(text.strip() for text in c.cells)]
    for number, part in enumerate(_parts(columns, console.width)):
        console.print(_table(title if number == 0 else f"{title}, further columns", part, console.width))
    for note in notes:
        console.print(note, markup=False)


BETWEEN, EDGES = 3, 2
"""Letters between two columns, and at the edges of the table."""


@dataclass(frozen=True)
class _Column:
    heading: str
    cells: Sequence[str]
    is_numeric: bool

    @property
    def least(self) -> int:
        """The longest word; a number is one."""
        from rich.cells import cell_len

        words = [w for text in (self.heading, *self.cells) for w in text.split()]
        return max((cell_len(w) for w in words), default=1)

    @property
    def most(self) -> int:
        from rich.cells import cell_len

        return max(cell_len(text) for text in (self.heading, *self.cells, " "))


def _least_width(columns: Sequence[_Column]) -> int:
    return sum(c.least + BETWEEN for c in columns) - BETWEEN + EDGES


def _parts(columns: Sequence[_Column], width: int) -> Iterator[list[_Column]]:
    """The columns in parts that fit, each with the first column; a column that fits nowhere stands alone with it."""
    part: list[_Column] = []
    for column in columns:
        if len(part) > 1 and _least_width([*part, column]) > width:
            yield part
            part = [columns[0]]
        part.append(column)
    yield part


def _table(title: str, columns: Sequence[_Column], width: int) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title=Text(title), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold", pad_edge=False, padding=(0, 1)
    )
    room = width - _least_width(columns)
    for column in columns:
        more = max(min(column.most - column.least, room), 0)
        room -= more
        justify: Literal["left", "right"] = "right" if column.is_numeric else "left"
        table.add_column(Text(column.heading), justify=justify, width=column.least + more, overflow="fold")
    for k in range(len(columns[0].cells)):
        table.add_row(*(Text(column.cells[k]) for column in columns))
    return table


def _width() -> int | None:
    """None leaves it to the terminal."""
    if sys.stdout.isatty():
        return None
    told = os.environ.get("COLUMNS", "")
    return int(told) if told.isdecimal() and int(told) > 0 else PIPED_WIDTH


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _is_number(text: str) -> bool:
    try:
        float(text or "0")
    except ValueError:
        return False
    return True


def write_dicts(rows: Sequence[Mapping[str, object]], path: Path) -> None:
    """Rows as a CSV file; a key that a row lacks stays empty there. Errors: InputError as the outbox."""
    from pipemetal.files.outbox import write
    from pipemetal.files.sheet_out import csv_of

    keys = list(dict.fromkeys(key for row in rows for key in row)) or ["id"]
    write(path, csv_of(keys, ([row.get(key) for key in keys] for row in rows)))

"""What the commands share: JSON that carries no nan, tables that people read, options that recur."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.alloys.recipe import Recipe
from pipemetal.files.recipe_file import own_recipes, read_recipes

if TYPE_CHECKING:
    from pipemetal.planning.settings import ShopSettings

__all__ = [
    "FILE",
    "OUT_FILE",
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
    "shop_beside",
    "workers_options",
]

FILE = click.Path(path_type=Path)
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
        from pipemetal.shop.settings import settings_of_book

        return settings_of_book(shop, given).settings
    return shop_beside(given, first)


def print_json(value: Any) -> None:
    """One JSON object on standard output."""
    click.echo(json.dumps(value, allow_nan=False, ensure_ascii=False))


def rounded(value: float | None, places: int = 4) -> float | None:
    """A number rounded for printing; None stays None."""
    return None if value is None else round(value, places) + 0.0


def print_table(
    title: str, headings: Sequence[str], rows: Iterable[Sequence[object]], notes: Sequence[str] = ()
) -> None:
    """A table for people; text to the left, numbers to the right. Plain when the output is not a terminal."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console(width=None if _is_terminal() else 200, highlight=False)
    table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left", title_style="bold", pad_edge=False)
    held = [[_cell(value) for value in row] for row in rows]
    for index, heading in enumerate(headings):
        numeric = bool(held) and all(_is_number(row[index]) for row in held)
        table.add_column(heading, justify="right" if numeric else "left", overflow="fold")
    for row in held:
        table.add_row(*row)
    console.print(table)
    for note in notes:
        console.print(note, markup=False)


def _is_terminal() -> bool:
    return sys.stdout.isatty()


def _cell(value: object) -> str:
    from rich.markup import escape

    if value is None:
        return ""
    return escape(f"{value:.4g}" if isinstance(value, float) else str(value))


def _is_number(text: str) -> bool:
    try:
        float(text or "0")
    except ValueError:
        return False
    return True

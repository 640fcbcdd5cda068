"""`pipemetal book settings`: the shop's settings, in effect and in the book."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from pipemetal.cli.common import FILE, json_option, print_json
from pipemetal.cli.shop_cmd import open_book, shop_of, shop_option

__all__ = ["settings"]


@click.group(short_help="The shop's settings: in effect, kept in the book, written out.")
def settings() -> None:
    """The shop's settings: show those in effect, keep those of a file in the book, or forget the book's.

    A file given by --settings counts before the book, the book before shop.toml beside it, that before the program's own. They
    are not mixed: what the one that counts does not say is the program's own. The pages change them too (Settings, The shop).
    """


@settings.command()
@click.option("--settings", "given", type=FILE, metavar="shop.toml", help="As if this file were given.")
@shop_option
@json_option
def show(given: Path | None, shop: str | None, as_json: bool) -> None:
    """The settings in effect as a shop.toml: what the shop says, and as remarks what is the program's own.

    `pipemetal book settings show > shop.toml` writes them out; `settings keep shop.toml` takes them back.
    """
    from pipemetal.files.shop_file import own_beside, shop_toml
    from pipemetal.shop.stock import settings_of_book

    found = settings_of_book(shop_of(shop), given)
    if as_json:
        print_json(asdict(found.told()))
        return
    click.echo(f"# Settings in effect: {found.settings.source}.\n# Lines with # in front: the program's own values.")
    click.echo(shop_toml(found.said, own_beside(found.settings)), nl=False)


@settings.command()
@click.argument("file", metavar="shop.toml", type=FILE)
@shop_option
@json_option
def keep(file: Path, shop: str | None, as_json: bool) -> None:
    """Keep what this file says in the book, in place of what the book kept."""
    from pipemetal.files.shop_file import read_said

    said = read_said(file)
    with open_book(shop) as book:
        event = book.settings.keep(said).event
    if as_json:
        print_json({"event": event, "values": said})
        return
    click.echo(
        f"The book keeps {len(said)} settings of {file.name} (event {event}). shop.toml beside it counts no more."
    )


@settings.command()
@shop_option
@json_option
def forget(shop: str | None, as_json: bool) -> None:
    """Keep no settings in the book any more; shop.toml beside it counts again, or the program's own."""
    with open_book(shop) as book:
        event = book.settings.forget().event
    if as_json:
        print_json({"event": event})
        return
    click.echo(f"The book keeps no settings any more (event {event}; `pipemetal book undo {event}` takes it back).")

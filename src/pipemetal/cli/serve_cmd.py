"""`pipemetal serve`: the shop's pages."""

from __future__ import annotations

import secrets
import socket
import tempfile
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.accept_cmd import read_plan
from pipemetal.cli.common import FILE
from pipemetal.cli.shop_cmd import shop_of, shop_option
from pipemetal.errors import InputError

if TYPE_CHECKING:
    from pipemetal.web.site import Site

__all__ = ["serve"]

DEMO_ITERATIONS = 200


@click.command(short_help="The shop's pages.")
@shop_option
@click.option("--demo", is_flag=True, help="The invented shop in a temporary folder, with a short plan.")
@click.option("--plan", "plan_path", type=FILE, metavar="plan.json", help="Bring this plan into the book first.")
@click.option("--port", type=click.IntRange(1, 65535), default=8137, show_default=True)
@click.option(
    "--lan", is_flag=True, help="Answer the shop's network too, for whoever knows the number that is printed."
)
def serve(shop: str | None, demo: bool, plan_path: Path | None, port: int, lan: bool) -> None:
    """Serve the shop book's pages to a browser on this machine, or with --lan to the shop's tablets.

    Over --lan the pages travel unencrypted: only in a network that is the shop's own.
    """
    if demo and shop is not None:
        raise InputError("goes without --shop", field="--demo")
    _refuse_taken(port, lan)
    if not demo:
        _run(shop_of(shop), "Shop book", plan_path, port, lan, demo_folder=None)
        return
    from pipemetal.files.demo_files import copy_demo_shop
    from pipemetal.shop.book import Book

    with tempfile.TemporaryDirectory(prefix="pipemetal-demo-", ignore_cleanup_errors=True) as text:
        folder = Path(text) / "invented-shop"
        copy_demo_shop(folder)
        click.echo("Bringing the invented shop into a book ...")
        with Book.open(folder / "shop.sqlite", create=True) as book:
            book.import_folder(folder)
        _run(str(folder / "shop.sqlite"), "Tinbrook, an invented shop", plan_path, port, lan, demo_folder=folder)


def _run(shop: str, name: str, plan_path: Path | None, port: int, lan: bool, *, demo_folder: Path | None) -> None:
    import uvicorn

    from pipemetal.shop.book import Book
    from pipemetal.web.app import LOOPBACK, create_app
    from pipemetal.web.guard import Passphrase
    from pipemetal.web.site import Site

    with Book.open(shop, who=click.get_current_context().meta.get("pipemetal.by")) as book:
        book.keep_daily()
        # the first search reads the whole rack; let nobody wait for it
        threading.Thread(target=book.find_rolls, daemon=True).start()
        site = Site(book, name)
        if plan_path is not None:
            click.echo(f"Plan {book.add_plan(read_plan(plan_path))} is in the book.")
        elif demo_folder is not None:
            site.planning = True
            threading.Thread(target=_plan_demo, args=(site, demo_folder), daemon=True).start()
            click.echo("A short plan is being made; the pages show it in a moment.")
        hosts, passphrase = LOOPBACK, None
        click.echo(f"Open http://127.0.0.1:{port}/ on this machine. Ctrl+C stops.")
        if lan:
            address, words = _own_address(), f"{secrets.randbelow(1_000_000):06d}"
            hosts, passphrase = LOOPBACK | {address, socket.gethostname().lower()}, Passphrase(words)
            click.echo(f"In the shop's network: http://{address}:{port}/ with the number {words}. Not encrypted.")
        app = create_app(site, hosts=hosts, passphrase=passphrase)
        host = "0.0.0.0" if lan else "127.0.0.1"
        uvicorn.run(app, host=host, port=port, log_level="warning", server_header=False)


def _plan_demo(site: Site, folder: Path) -> None:
    from pipemetal.files.log_file import read_log
    from pipemetal.files.organ_file import read_organ
    from pipemetal.files.plan_json import plan_dict
    from pipemetal.files.shop_file import read_shop
    from pipemetal.planning.learning import learn
    from pipemetal.planning.plan import make_plan
    from pipemetal.shop.stock import book_stock

    book = site.book
    try:
        stock = book_stock(book)
        organ = read_organ(folder / "organ.toml", stock["recipes"])
        plan = make_plan(
            organ, stock["recipes"], stock["rack"], stock["lots"], read_shop(folder / "shop.toml"),
            learned=learn(read_log(folder / "log.csv")), cannot_charge=stock["unknown"], iterations=DEMO_ITERATIONS, seed=1,
        )  # fmt: skip
        book.add_plan(plan_dict(plan))
    except Exception as error:
        click.echo(f"No plan: {error}", err=True)
        raise
    finally:
        site.planning = False


def _refuse_taken(port: int, lan: bool) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("0.0.0.0" if lan else "127.0.0.1", port))
        except OSError:
            raise InputError("is taken by another program", field="--port", value=port) from None


def _own_address() -> str:
    """The address that this machine has in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"

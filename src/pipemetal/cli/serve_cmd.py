"""`pipemetal serve`: the shop's pages."""

from __future__ import annotations

import gc
import importlib
import secrets
import sys
import tempfile
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE
from pipemetal.cli.shop_cmd import named_by, shop_of, shop_option
from pipemetal.errors import InputError, near
from pipemetal.files.outbox import is_database
from pipemetal.texts import Text
from pipemetal.web.doorway import WELL, Doorway, is_well

if TYPE_CHECKING:
    from pipemetal.plans.record import Plan
    from pipemetal.shop.book import Book
    from pipemetal.shop.settings import SaidFile
    from pipemetal.web.site import Devices, Site

__all__ = ["serve"]

DEMO_ITERATIONS = 200
FIRST_PAGE_S = 1.5


@click.command(short_help="The shop's pages.", context_settings={"auto_envvar_prefix": "PIPEMETAL_SERVE"})
@shop_option
@click.option("--demo", is_flag=True, help="The invented shop in a temporary folder, with a short plan.")
@click.option("--plan", "plan_path", type=FILE, metavar="plan.json", help="Bring this plan into the book first.")
@click.option("--settings", "settings_path", type=FILE, metavar="shop.toml", help="These count before the book's.")
@click.option("--port", type=click.IntRange(1, 65535), default=8137, show_default=True)
@click.option(
    "--lan", is_flag=True, help="Answer the shop's network too, for the people of the book with their PIN or password."
)
@click.option(
    "--plain", is_flag=True, help="With --lan: without a lock on the way. Only in a network that is the shop's own."
)
@click.option(
    "--certificate",
    "certificate_path",
    type=FILE,
    metavar="FILE",
    help="With --lan: a certificate from elsewhere (PEM).",
)
@click.option("--key", "key_path", type=FILE, metavar="FILE", help="Its key (PEM, without a password).")
@click.option(
    "--behind", multiple=True, metavar="ADDRESS", help="Behind a proxy at this address, which holds the lock."
)
@click.option(
    "--name", "names", multiple=True, metavar="NAME", help="A name or address that tablets call this machine by."
)
@click.option(
    "--trust-port",
    type=click.IntRange(1, 65535),
    help="Where tablets learn to trust the shop's own certificate.  [default: the port after --port]",
)
@click.option(
    "--scale", metavar="ADDRESS", default="", help="The shop's scale: HOST:PORT, or a serial line (/dev/ttyUSB0@9600)."
)
@click.option("--label-printer", metavar="HOST[:PORT]", default="", help="Labels go straight to this printer (ZPL).")
@click.option("--label-size", default="roll 90x50", show_default=True, help="Its labels, by their measures.")
@click.option("--dots", type=click.IntRange(100, 600), default=203, show_default=True, help="Its dots an inch.")
@click.option("--well", is_flag=True, help="Ask only whether a server at --port is well; exit code 1 where it is not.")
@click.option(
    "--log",
    "log_path",
    type=FILE,
    metavar="FILE",
    help="Write the log into this file too: 5 MB, and the last five before.",
)
def serve(
    shop: str | None,
    demo: bool,
    plan_path: Path | None,
    settings_path: Path | None,
    port: int,
    lan: bool,
    plain: bool,
    certificate_path: Path | None,
    key_path: Path | None,
    behind: tuple[str, ...],
    names: tuple[str, ...],
    trust_port: int | None,
    scale: str,
    label_printer: str,
    label_size: str,
    dots: int,
    well: bool,
    log_path: Path | None,
) -> None:
    """Serve the shop book's pages to a browser on this machine, or with --lan to the shop's tablets.

    Over --lan the way is locked with a certificate of the shop's own, made at the first start. Tablets are told once
    to trust it, at the address that is printed. Every writing, job and refusal is a line on standard error.

    In place of an option the environment may say it: PIPEMETAL_SERVE_PORT, _NAMES, _CERTIFICATE_PATH, _KEY_PATH, _BEHIND,
    _SCALE, _LABEL_PRINTER, _LABEL_SIZE; several names or addresses with a space between.
    """
    if well:
        how = is_well(port)
        click.echo(f"The server at port {port} {how}.")
        click.get_current_context().exit(0 if how == WELL else 1)
    way = Doorway(port, lan or bool(behind), plain, certificate_path, key_path, behind, names, trust_port or port + 1)
    way.check()
    devices = _devices(scale, label_printer, label_size, dots)
    if demo and shop is not None:
        raise InputError("goes without --shop", field="--demo")
    _begin_log(log_path)
    if not demo:
        target = shop_of(shop)
        _run(target, "Shop book", plan_path, _given(settings_path), way, devices, demo_folder=None)
        return
    from pipemetal.files.demo_files import copy_demo_shop
    from pipemetal.shop.book import Book

    with tempfile.TemporaryDirectory(prefix="pipemetal-demo-", ignore_cleanup_errors=True) as text:
        folder = Path(text) / "invented-shop"
        copy_demo_shop(folder)
        click.echo("Bringing the invented shop into a book ...")
        with Book.open(folder / "shop.sqlite", create=True, who=named_by()) as book:
            book.tables.import_folder(folder)
            book.plans.add_organ("Merrowby Chapel", (folder / "organ.toml").read_text(encoding="utf-8"))
            if way.lan:
                _invented_people(book)
        given = _given(settings_path)
        _run(
            str(folder / "shop.sqlite"),
            "Tinbrook, an invented shop",
            plan_path,
            given,
            way,
            devices,
            demo_folder=folder,
        )


def _begin_log(file: Path | None) -> None:
    from pipemetal.logs import set_up

    if file is not None and is_database(file):  # which nobody else may open
        raise InputError("is a shop book", field="--log", value=str(file), allowed="a file of its own")
    try:
        set_up(file)
    except OSError as error:
        raise InputError(
            Text("cannot be written: {strerror}", strerror=error.strerror or str(error)), field="--log", value=str(file)
        ) from None


def _devices(scale: str, label_printer: str, label_size: str, dots: int) -> Devices:
    """The shop's own devices, their addresses looked at before anything starts."""
    from pipemetal.files.floor_scale import check_address
    from pipemetal.files.label_printer import address_of
    from pipemetal.web.site import Devices

    if scale:
        check_address(scale)
    if label_printer:
        from pipemetal.documents.labels import label_sheets

        address_of(label_printer)
        if label_size not in label_sheets():
            raise InputError(
                "is no size of labels",
                field="--label-size",
                value=label_size,
                allowed=", ".join(label_sheets()),
                nearest=near(label_size, list(label_sheets())),
            )
    return Devices(scale, label_printer, label_size, dots)


def _given(path: Path | None) -> SaidFile | None:
    """The settings of the file given, read before anything starts."""
    from pipemetal.shop.settings import said_file

    return said_file(path) if path is not None else None


def _invented_people(book: Book) -> None:
    """Three people for trying, each with a PIN of this run alone."""
    for name, role in (("Ada", "run"), ("Ben", "keep"), ("Cyn", "work")):
        pin = f"{secrets.randbelow(900_000) + 100_000}"
        if len(set(pin)) < 2:
            pin = "190284"
        with book.acting("Ada"):
            book.people.add(name, role, pin=pin, note="invented")
        click.echo(f"{name}, who may {role}: PIN {pin}")


def _run(
    shop: str,
    name: str,
    plan_path: Path | None,
    given: SaidFile | None,
    way: Doorway,
    devices: Devices,
    *,
    demo_folder: Path | None,
) -> None:
    from pipemetal.shop.book import Book
    from pipemetal.shop.settings import beside_book
    from pipemetal.web.site import Site

    with Book.open(shop, who=named_by()) as book:
        if way.lan:
            _refuse_without_people(book)
        book.keeping.keep_daily()
        later = threading.Timer(FIRST_PAGE_S, _make_ready, (book,))
        later.daemon = True
        later.start()
        site = Site(book, name, given, beside_book(shop), devices)
        click.echo(f"Settings: {site.settings.source}.")
        if plan_path is not None:
            from pipemetal.files.plan_file import read_plan_file

            _, plan_id = book.plans.keep(read_plan_file(plan_path))
            click.echo(f"Plan {plan_id} is in the book.")
        elif demo_folder is not None:
            _plan_demo(site)
        for line in way.open(site):
            click.echo(line)
        if way.lan and sys.stdout.isatty():
            _show_code(way.first_address())
        way.run()


def _make_ready(book: Book) -> None:
    """Read the rack for the search and load what pages compute with: nobody shall wait for it, nor the first page either."""
    from pipemetal.web.app import COMPUTES

    book.rolls.find()
    for name in COMPUTES:
        importlib.import_module(name)
    # what is here now stays: looked through again and again it would make a page wait now and then
    gc.collect()
    gc.freeze()


def _refuse_without_people(book: Book) -> None:
    if not any(p.has_pin or p.has_password for p in book.people.all()):
        raise InputError(
            "needs people with a PIN or a password in the book",
            field="--lan",
            allowed="pipemetal book people add NAME --role run --pin --by NAME",
        )


def _show_code(address: str) -> None:
    """The address for the tablets as a code for their cameras."""
    import segno

    segno.make(address, error="m").terminal(compact=True)


def _plan_demo(site: Site) -> None:
    """Ask for a short plan of the invented organ; it is made beside the pages."""
    from pipemetal.web.work import PlanTask

    book = site.book
    organ, text = list(book.plans.organs().items())[-1]
    task = PlanTask(book.target, text, site.settings, iterations=DEMO_ITERATIONS)
    who = next((p.name for p in book.people.all()), book.who)

    def finish(made: Plan) -> tuple[str, str]:
        with book.acting(who):
            _, key = book.plans.keep(made)
        return f"{made.pipes_served} of {len(made.pipes)} pipes have their metal: {key}", "/plans"

    site.jobs.add(task, organ, who, finish)
    click.echo("A short plan is being made; the pages show how far it is.")

"""Who works with the shop book."""

from __future__ import annotations

import sys
from dataclasses import asdict

import click

from pipemetal.cli.common import json_option, print_json, print_table
from pipemetal.cli.shop_cmd import open_book, open_or_make_book, shop_option, shown_shop
from pipemetal.errors import InputError
from pipemetal.shop.roles import Role

__all__ = ["new", "people"]


@click.command(short_help="Make an empty shop book.")
@click.option("--run", "runner", metavar="NAME", help="Enter this person, who may run the shop.")
@click.option("--pin", is_flag=True, help="Ask for their PIN (or read it from standard input).")
@click.option("--password", is_flag=True, help="Ask for their password (or read it from standard input).")
@shop_option
@json_option
def new(runner: str | None, pin: bool, password: bool, shop: str | None, as_json: bool) -> None:
    """Make an empty shop book where there is none, and enter the person who runs the shop.

    Without a person everybody may do everything; `serve --lan` needs one with a PIN or a password.
    """
    if (pin or password) and runner is None:
        raise InputError("is missing", field="--run", allowed="whose PIN or password it is", example="--run Ada --pin")
    own_pin, own_password = (_secret("PIN") if pin else None), (_secret("password") if password else None)
    with open_or_make_book(shop, keep=True) as book:
        if book.history.last() or book.people.all():
            raise InputError(
                "holds a shop book already", field="--shop", value=shown_shop(shop), allowed="a place where none is yet"
            )
        event = 0
        if runner is not None:
            with book.acting(runner):
                event = book.people.add(runner, Role.RUN, pin=own_pin, password=own_password).event
    if as_json:
        print_json({"shop": shown_shop(shop), "event": event})
        return
    click.echo(f"An empty shop book: {shown_shop(shop)}." + (f" {runner} runs the shop." if runner else ""))


@click.group(short_help="Who works with the book, and in which role.")
def people() -> None:
    """People of the book: `look` at it, `work` at the bench, `keep` the stock, `run` the shop.

    While a book names nobody, everybody may do everything. From the first person on, every command that writes needs --by with
    a name whose role goes so far. The command line trusts whoever may open the file; PINs and passwords are asked on the pages.
    """


@people.command(name="list")
@shop_option
@json_option
def list_people(shop: str | None, as_json: bool) -> None:
    """Everybody, with their roles."""
    with open_book(shop) as book:
        held = book.people.all()
    if as_json:
        print_json(
            {
                "people": [
                    {"name": p.name, "role": p.role, "pin": p.has_pin, "password": p.has_password, "note": p.note}
                    for p in held
                ]
            }
        )
        return
    print_table(
        "People",
        ["person", "role", "PIN", "password", "note"],
        [(p.name, p.role, "yes" if p.has_pin else "", "yes" if p.has_password else "", p.note) for p in held],
        [] if held else ["Nobody yet: everybody may do everything."],
    )


@people.command()
@click.argument("name")
@click.option("--role", required=True, metavar="look|work|keep|run")
@click.option("--pin", is_flag=True, help="Ask for a PIN (or read it from standard input).")
@click.option("--password", is_flag=True, help="Ask for a password (or read it from standard input).")
@click.option("--note", default="")
@shop_option
@json_option
def add(name: str, role: str, pin: bool, password: bool, note: str, shop: str | None, as_json: bool) -> None:
    """Enter a person; the first one must have the role run, and enters themself (--by NAME)."""
    with open_book(shop) as book:
        event = book.people.add(
            name,
            role,
            pin=_secret("PIN") if pin else None,
            password=_secret("password") if password else None,
            note=note,
        ).event
    _told(as_json, f"Entered {name}, role {role}", event)


@people.command()
@click.argument("name")
@click.argument("new_role", metavar="ROLE")
@shop_option
@json_option
def role(name: str, new_role: str, shop: str | None, as_json: bool) -> None:
    """Give a person another role."""
    with open_book(shop) as book:
        event = book.people.give_role(name, new_role).event
    _told(as_json, f"{name} has the role {new_role}", event)


@people.command()
@click.argument("name")
@shop_option
@json_option
def pin(name: str, shop: str | None, as_json: bool) -> None:
    """Set a person's PIN for the shared tablet."""
    with open_book(shop) as book:
        event = book.people.set_pin(name, _secret("PIN")).event
    _told(as_json, f"{name} has a new PIN", event)


@people.command()
@click.argument("name")
@shop_option
@json_option
def password(name: str, shop: str | None, as_json: bool) -> None:
    """Set a person's password."""
    with open_book(shop) as book:
        event = book.people.set_password(name, _secret("password")).event
    _told(as_json, f"{name} has a new password", event)


@people.command()
@click.argument("name")
@shop_option
@json_option
def close(name: str, shop: str | None, as_json: bool) -> None:
    """Let a person do nothing more; what they did stays theirs."""
    with open_book(shop) as book:
        event = book.people.close(name).event
    _told(as_json, f"{name} may do nothing more", event)


@people.command()
@click.argument("name")
@click.option("--role", required=True, metavar="look|work|keep", help="The most that it may do.")
@click.option("--note", required=True, help="What it is for.")
@shop_option
@json_option
def token(name: str, role: str, note: str, shop: str | None, as_json: bool) -> None:
    """Give a token to another program, in a person's name. It is shown this once.

    The program sends it with every request under /api/: `Authorization: Bearer TOKEN`.
    """
    with open_book(shop) as book:
        written = book.tokens.give(name, role, note)
    if as_json:
        print_json({"event": written.event, "token": written.value})
        return
    click.echo(f"Token for {name}, role {role} (event {written.event}). It is shown this once:")
    click.echo(written.value)


@people.command()
@shop_option
@json_option
def tokens(shop: str | None, as_json: bool) -> None:
    """The tokens that are good."""
    with open_book(shop) as book:
        held = book.tokens.all()
    if as_json:
        print_json({"tokens": [asdict(one) for one in held]})
        return
    print_table(
        "Tokens",
        ["token", "person", "role", "what for", "since"],
        [(one.id, one.person, one.role, one.note, one.day) for one in held],
        [] if held else ["None."],
    )


@people.command()
@click.argument("token_id", metavar="TOKEN")
@shop_option
@json_option
def withdraw(token_id: str, shop: str | None, as_json: bool) -> None:
    """Let a token do nothing more; TOKEN is what `people tokens` lists."""
    with open_book(shop) as book:
        event = book.tokens.withdraw(token_id).event
    _told(as_json, f"Token {token_id} is good no more", event)


def _secret(what: str) -> str:
    """A secret typed twice without being shown, or one line of standard input."""
    if sys.stdin.isatty():
        return str(click.prompt(what, hide_input=True, confirmation_prompt=True))
    line = sys.stdin.readline().rstrip("\r\n")
    if not line:
        raise InputError("is needed on standard input", field=what)
    return line


def _told(as_json: bool, words: str, event: int) -> None:
    if as_json:
        print_json({"event": event})
    else:
        click.echo(f"{words} (event {event}).")

"""A plan in the shop book: accepted, looked at, done bit by bit, taken back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import json_option, print_json
from pipemetal.cli.melts_cmd import masses_of
from pipemetal.cli.shop_cmd import open_book, shop_option
from pipemetal.cli.tables import show_table, table_option
from pipemetal.errors import InputError
from pipemetal.files.missing import no_such_file
from pipemetal.shop.doing import WeighedMelt
from pipemetal.texts import Text

if TYPE_CHECKING:
    from pipemetal.plans.record import Plan
    from pipemetal.shop.book import Book

__all__ = ["accept", "accept_into", "done", "reserved"]


def accept_into(book: Book, plan: Plan | str) -> tuple[str, str]:
    """Accept a plan; gives its id and words that tell what is reserved now."""
    event, plan_id = book.plans.accept(plan)
    held = book.plans.reservations(plan_id)
    rolls = sum(1 for r in held if r.kind == "roll")
    mass = sum(r.mass_kg for r in held if r.kind == "lot")
    words = (
        f"Accepted as {plan_id!r} (event {event}): {rolls} rolls and {mass:.0f} kg of lots reserved, "
        f"{len(book.plans.cast_list(plan_id))} sheets on the cast list."
    )
    return plan_id, words


@click.command(short_help="Accept a plan into the book, or take it back.")
@click.argument("plan", metavar="PLAN.json|ID")
@click.option("--take-back", is_flag=True, help="Give the plan up: what it still reserves is free again.")
@shop_option
@json_option
def accept(plan: str, take_back: bool, shop: str | None, as_json: bool) -> None:
    """Reserve a plan's rolls for its ranks and its charges in the lots, and put its sheets on the cast list.

    PLAN is a plan.json, or the id of a plan that the book keeps. With --take-back: the id of an accepted one. What was cut,
    charged and cast stays booked then; `pipemetal book undo` takes single steps back.
    """
    with open_book(shop) as book:
        if take_back:
            event = book.plans.give_up(plan).event
            told: dict[str, object] = {"plan": plan, "state": "given up", "event": event}
            words = f"{plan!r} is given up (event {event}): nothing is reserved for it any more."
        else:
            from pipemetal.files.plan_file import read_plan_file

            path = Path(plan)
            is_file = path.suffix == ".json" and path.exists()
            if not is_file and (
                path.suffix.lower().startswith(".js") or (path.parent.is_dir() and path.parent != Path())
            ):
                raise no_such_file(path)
            plan_id, words = accept_into(book, read_plan_file(path) if is_file else plan)
            told = {"plan": plan_id, "state": "accepted", "reservations": book.plans.reservations(plan_id)}
    if as_json:
        print_json(told)
    else:
        click.echo(words)


@click.command(short_help="Book a part of an accepted plan as done.")
@click.argument("plan_id", metavar="PLAN")
@click.option("--roll", metavar="ROLL", help="This roll or sheet is cut as planned.")
@click.option("--sheet", metavar="SHEET", help="... the plan's name for it, where it has another id in the book.")
@click.option("--melt", metavar="MELT", help="This melt of the plan is charged.")
@click.option("--as", "melt_id", metavar="ID", help="... and is called so in the book.")
@click.option(
    "--weighed", metavar="T1=200,S1=20.5", help="Kilograms of each lot as weighed; the planned list where left out."
)
@click.option("--heel-of", default="", metavar="ID", help="The melt whose heel was in the pot.")
@click.option("--sure", is_flag=True, help="What differs from the plan's weighing list is meant.")
@click.option("--kerf", type=click.FloatRange(0.0, 20.0), metavar="MM", help="Default: that of the shop's settings.")
@shop_option
@json_option
def done(
    plan_id: str,
    roll: str | None,
    sheet: str | None,
    melt: str | None,
    melt_id: str | None,
    weighed: str | None,
    heel_of: str,
    sure: bool,
    kerf: float | None,
    shop: str | None,
    as_json: bool,
) -> None:
    """Book a roll as cut (pieces with their place, remnants to the rack, kerf, offcuts to scrap), or a melt as charged."""
    if (roll is None) == (melt is None):
        raise InputError(
            "is needed: one of the two", field="--roll or --melt", example="--roll R101, or --melt M1 --as 2026-17"
        )
    if melt is not None and not melt_id:
        raise InputError(
            "is needed: what the melt is called in the book",
            field="--as",
            example=Text("--melt {melt} --as 2026-17", melt=melt),
        )
    from pipemetal.shop.stock import settings_of_book

    with open_book(shop) as book:
        if roll is not None:
            width = settings_of_book(book.target).settings.sheets.kerf_mm if kerf is None else kerf
            event, remnants = book.plans.cut(plan_id, roll, sheet=sheet, kerf_mm=width)
            told: dict[str, object] = {"event": event, "roll": roll, "remnants": list(remnants)}
            words = f"{roll} is cut (event {event}); remnants: {', '.join(remnants) or 'none'}."
        else:
            masses = None if weighed is None else masses_of(weighed, "--weighed")
            event = book.plans.charge(
                plan_id, str(melt), WeighedMelt(str(melt_id), weighed_kg=masses, heel_of=heel_of, sure=sure)
            ).event
            told = {"event": event, "melt": melt_id}
            words = f"{melt_id} is charged (event {event})."
    if as_json:
        print_json(told)
    else:
        click.echo(words)


@click.command(short_help="What accepted plans reserve, and the cast list.")
@click.argument("plan_id", required=False, metavar="[PLAN]")
@click.option("--casts", is_flag=True, help="The sheets to cast instead.")
@table_option
@shop_option
@json_option
def reserved(plan_id: str | None, casts: bool, table_path: Path | None, shop: str | None, as_json: bool) -> None:
    """Rolls kept for ranks and metal kept for melts, or the cast list of accepted plans."""
    with open_book(shop) as book:
        held, orders = book.plans.reservations(plan_id), book.plans.cast_list(plan_id)
    if as_json:
        from pipemetal.plans.codec import with_table

        listed = [{k: v for k, v in vars(o).items() if k != "pour"} | {"body": with_table(o.pour)} for o in orders]
        print_json({"reservations": held, "cast_list": listed})
    elif casts:
        show_table(
            "Sheets to cast",
            [
                ("order", ""),
                ("day", ""),
                ("pour", ""),
                ("sheet", ""),
                ("alloy", ""),
                ("melt", ""),
                ("charge kg", ".1f"),
            ],
            [(o.id, o.day, o.number, o.sheet, o.alloy, o.melt, o.pour.charge_kg) for o in orders],
            [],
            table_path,
        )
    else:
        show_table(
            "Reserved",
            [("plan", ""), ("what", ""), ("for", ""), ("kg", ".2f")],
            [(r.plan, r.about, r.melt or ", ".join(r.ranks), r.mass_kg) for r in held],
            [],
            table_path,
        )

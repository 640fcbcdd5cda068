"""`pipemetal metal buy`: what metal to order for one plan or a year of plans."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import (
    FILE,
    json_option,
    load_recipes,
    out_option,
    print_json,
    print_table,
    recipes_option,
    rounded,
    shop_beside,
)
from pipemetal.errors import MeltError, PlanError
from pipemetal.texts import Text

if TYPE_CHECKING:
    from pipemetal.melts.buying import Orders

__all__ = ["buy"]

DATE = click.DateTime(["%Y-%m-%d"])


@click.command(short_help="What metal to order for plans, in whole pigs, and by when.")
@click.argument("plans", metavar="PLAN.json...", type=FILE, nargs=-1, required=True)
@click.option("--offers", "offers_path", type=FILE, required=True, metavar="offers.csv")
@click.option("--lots", "lots_path", type=FILE, metavar="lots.csv", help="What is in stock.")
@click.option(
    "--start", "starts", type=DATE, multiple=True, metavar="DATE", help="First casting day, one for each plan."
)
@click.option("--today", type=DATE, metavar="DATE", help="The day orders can first go out. Default: today.")
@click.option("--with-offcuts", is_flag=True, help="Count on the offcuts of each plan for those after it.")
@out_option("--pdf", "pdf_path", metavar="FILE", help="Write the list as PDF too, in the shop's language.")
@click.option(
    "--settings", "settings_path", type=FILE, metavar="shop.toml", help="Default: shop.toml beside the offers."
)
@recipes_option
@json_option
def buy(
    plans: tuple[Path, ...],
    offers_path: Path,
    lots_path: Path | None,
    starts: tuple[dt.datetime, ...],
    today: dt.datetime | None,
    with_offcuts: bool,
    pdf_path: Path | None,
    settings_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Orders in whole pigs for the melts of one or several plan.json, over what is in stock, with the latest day to order.

    Exit code 1 when something is to be ordered that comes too late, or that nobody offers.
    """
    from pipemetal.files.lots_file import read_lots
    from pipemetal.files.offers_file import read_offers
    from pipemetal.files.plan_file import read_plan_file
    from pipemetal.melts.buying import what_to_buy
    from pipemetal.plans.buying import melts_to_buy_for

    now = today.date() if today is not None else dt.date.today()
    if len(starts) not in (0, len(plans)):
        raise MeltError(
            "are not one for each plan",
            field="--start",
            value=len(starts),
            allowed=Text("{plans}, or none", plans=len(plans)),
        )
    recipes = load_recipes(recipes_path, offers_path)
    shop = shop_beside(settings_path, offers_path)
    offers = read_offers(offers_path)
    stock = list(read_lots(lots_path, recipes)[0]) if lots_path is not None else []
    dated = []
    for n, path in enumerate(plans):
        start = starts[n].date() if starts else now
        try:
            dated.append(melts_to_buy_for(read_plan_file(path), recipes, shop.pot, start, f"P{n + 1}"))
        except PlanError as error:
            raise error.at(path.name) from None
    available: dict[str, dt.date] = {}
    if with_offcuts:
        for plan in dated:
            stock += plan.offcuts
            available |= {lot.id: plan.ends for lot in plan.offcuts}
    orders = what_to_buy(
        [melt for plan in dated for melt in plan.melts],
        stock,
        offers,
        now,
        losses=shop.losses,
        available_from=available,
        errand_costs_kg=shop.errand_costs_kg,
    )
    if pdf_path is not None:
        from pipemetal.documents.order_sheet import order_pdf
        from pipemetal.documents.shown import units_of
        from pipemetal.files.outbox import write

        write(pdf_path, order_pdf(orders, shop.name, shop.currency, units_of(shop), shop.language, shop.paper))
    if as_json:
        print_json(_orders_dict(orders))
    else:
        _print_orders(orders, sum(len(plan.melts) for plan in dated), shop.currency)
    short = bool(orders.not_offered_kg or orders.waits)
    click.get_current_context().exit(1 if short else 0)


def _orders_dict(orders: Orders) -> dict[str, object]:
    return {
        "orders": [
            {
                "offer": x.offer,
                "pieces": x.pieces,
                "mass_kg": rounded(x.mass_kg, 2),
                "cost": rounded(x.cost, 2),
                "needed_on": x.needed_on.isoformat(),
                "needed_for": x.needed_for,
                "order_by": x.order_by.isoformat(),
                "is_late": x.is_late,
            }
            for x in orders.lines
        ],
        "cost": rounded(orders.cost, 2),
        "gap_percent": rounded(orders.gap_percent, 3),
        "used_kg": rounded(orders.used_kg, 2),
        "left_kg": rounded(orders.left_kg, 2),
        "from_stock_kg": {lot: rounded(kg, 2) for lot, kg in orders.from_stock_kg},
        "kept": [
            {
                "lot": k.lot,
                "mass_kg": rounded(k.mass_kg, 2),
                "price_per_kg": k.price_per_kg,
                "replaced_per_kg": rounded(k.replaced_per_kg, 2),
            }
            for k in orders.kept
        ],
        "not_offered_kg": {e: rounded(kg, 2) for e, kg in orders.not_offered_kg},
        "waits_until": {name: day.isoformat() for name, day in orders.waits},
    }


def _print_orders(orders: Orders, melts: int, currency: str) -> None:
    notes = [
        f"{orders.cost:.2f} {currency} in all; at most {orders.gap_percent:.2f} % off the best for metal ordered and used. "
        f"The melts take {orders.used_kg:.1f} kg of it, and {sum(kg for _, kg in orders.from_stock_kg):.1f} kg of what is "
        f"there; {orders.left_kg:.1f} kg of it stay when all is cast. A melt may need a pig cut; the day's weighing lists tell."
    ]
    notes += [
        f"{name} must wait until {day.isoformat()}: its metal cannot be there before." for name, day in orders.waits
    ]
    notes += [
        f"{k.lot} stays, {k.mass_kg:.1f} kg: it is worth {k.price_per_kg:.2f} {currency} a kg, and its metal can be "
        f"bought for {k.replaced_per_kg:.2f}."
        for k in orders.kept
    ]
    notes += [f"Nobody offers {element}: {kg:.1f} kg are to be found." for element, kg in orders.not_offered_kg]
    if not orders.lines:
        notes.insert(0, "Nothing is to be ordered: the stock serves every melt.")
    print_table(
        f"To order, for {melts} melts",
        ["order by", "offer", "pieces", "kg", f"cost {currency}", "needed on", "first for", ""],
        [
            (
                x.order_by.isoformat(),
                x.offer,
                x.pieces,
                f"{x.mass_kg:.1f}",
                f"{x.cost:.2f}",
                x.needed_on.isoformat(),
                x.needed_for,
                "too late" if x.is_late else "",
            )
            for x in orders.lines
        ],
        notes,
    )

"""`pipemetal day` and `pipemetal cool`: a casting day from a list of sheets, and bringing ladled metal down."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.cli.casting_drawings import cards_option, clock_text, day_drawings, pairs_of, pictures_option
from pipemetal.cli.common import (
    FILE,
    json_option,
    load_recipes,
    print_json,
    print_table,
    recipes_option,
    rounded,
    shop_beside,
)
from pipemetal.errors import MeltError

if TYPE_CHECKING:
    from pipemetal.melts.lots import Heel

__all__ = ["cool", "day"]


@click.command(short_help="Melts, weighing lists and pours for a list of sheets.")
@click.argument("sheets_file", metavar="SHEETS.csv", type=FILE)
@click.option("--lots", "lots_path", type=FILE, required=True, metavar="lots.csv")
@click.option("--settings", "settings_path", type=FILE, metavar="shop.toml", help="Default: shop.toml beside the list.")
@click.option("--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log to learn from.")
@click.option(
    "--heel-kg", type=click.FloatRange(0.0, 2500.0), default=0.0, metavar="KG", help="What the pot holds before."
)
@click.option("--heel", "heel_text", metavar="METAL", help="Its metal, as 'Sn 50 Pb bal'.")
@click.option("--start", metavar="HH:MM", default="08:00", show_default=True, help="When the first sheet is poured.")
@click.option(
    "--measured",
    multiple=True,
    metavar="POUR:C",
    help="Cloth by a thermometer before a pour of the first day; it wins.",
)
@cards_option
@pictures_option("Write the window over each day and the thickness of each sheet as SVG.")
@recipes_option
@json_option
def day(
    sheets_file: Path,
    lots_path: Path,
    settings_path: Path | None,
    log_path: Path | None,
    heel_kg: float,
    heel_text: str | None,
    start: str,
    measured: tuple[str, ...],
    cards: Path | None,
    folder: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """From SHEETS.csv (listed by hand, finished thickness) to melts in a good order, weighing lists and pour cards.

    Exit code 1 when a melt cannot be charged or a sheet cannot be pushed; it is named.
    """
    from pipemetal.files.log_file import read_log
    from pipemetal.files.lots_file import read_lots
    from pipemetal.files.plan_json import melt_dict, pour_dict, season_dict
    from pipemetal.files.sheets_file import read_sheets
    from pipemetal.melts.day import SheetDemand
    from pipemetal.planning.learning import Learned, learn
    from pipemetal.planning.melting import plan_season
    from pipemetal.planning.pours import plan_pours, prepare_pour
    from pipemetal.planning.sheets_to_cast import SheetOrder

    recipes = load_recipes(recipes_path, sheets_file)
    settings = shop_beside(settings_path, sheets_file)
    sheets = read_sheets(sheets_file, recipes, settings.sheets)
    lots, unknown = read_lots(lots_path, recipes)
    learned = learn(read_log(log_path)) if log_path is not None else Learned()
    orders = [SheetOrder(s, settings.sheets.planing_for(min(s.thickness_start_mm, s.thickness_end_mm))) for s in sheets]
    prepared = [prepare_pour(o, recipes[o.sheet.alloy].target, settings, learned.coefficients) for o in orders]
    demands = [SheetDemand(p.order.sheet.id, p.order.sheet.alloy, p.charge_kg, p.used_kg) for p in prepared]
    season = plan_season(demands, recipes, lots, settings, in_pot=_heel_from(heel_kg, heel_text))
    shown = {int(n): c for n, c in pairs_of(measured, "--measured", "POUR:C, as 3:41")}
    pours = plan_pours(prepared, season.melts, settings, learned, shown)
    start_minutes = _minutes_of(start)
    day_drawings(cards, folder, pours, learned.words, start_minutes)
    data: dict[str, Any] = {
        "melts": [melt_dict(m, pours, settings) for m in season.melts],
        "season": season_dict(season),
        "pours": [pour_dict(p) | {"time": clock_text(start_minutes, p.start_s)} for p in pours],
        "lots_without_analysis": list(unknown),
        "learned": learned.words,
    }
    if as_json:
        print_json(data)
    else:
        _print_day(data, settings.currency)
    broken = any("blocked_by" in m for m in data["melts"]) or any(p["problem"] for p in data["pours"])
    click.get_current_context().exit(1 if broken else 0)


def _minutes_of(text: str) -> float:
    hours, colon, minutes = text.partition(":")
    if not (colon and hours.isdecimal() and minutes.isdecimal() and int(hours) < 24 and int(minutes) < 60):
        raise click.UsageError(f"--start: {text!r} is no time of day; allowed: HH:MM, as 08:00")
    return 60.0 * int(hours) + int(minutes)


def _heel_from(heel_kg: float, heel_text: str | None) -> Heel | None:
    from pipemetal.alloys.composition import Composition
    from pipemetal.melts.lots import Heel

    if (heel_kg > 0.0) != (heel_text is not None):
        raise MeltError(
            "goes with the other",
            field="--heel-kg and --heel",
            value=f"{heel_kg:g} kg of {heel_text or 'no metal'}",
            allowed="both, or neither",
        )
    return Heel(heel_kg, Composition.parse(heel_text)) if heel_text is not None else None


def season_words(season: dict[str, Any], currency: str) -> str:
    """How near the best the melts are, in one line."""
    off = (
        ""
        if season["gap_percent"] is None
        else (f" Together the weighing lists are at most {season['gap_percent']:.2f} % off the best possible.")
    )
    return (
        f"{season['melts']} melts (no fewer than {season['fewest_melts']}); changing alloys costs {season['change_cost']:.2f} "
        f"{currency} (no order below {season['change_cost_at_least']:.2f}).{off}"
    )


def _print_day(data: dict[str, Any], currency: str) -> None:
    for melt in data["melts"]:
        sheets = ", ".join(str(s) for s in melt["sheets"])
        if "blocked_by" in melt:
            click.echo(f"{melt['name']}: {melt['recipe']} for {sheets} cannot be charged: {melt['words']}\n")
            continue
        heel = f" on a heel of {melt['heel_kg']} kg" if melt["heel_kg"] else ""
        empty = " Empty the pot first." if melt["pot_emptied_before"] else ""
        print_table(
            f"{melt['name']}: {melt['recipe']} for {sheets}, {melt['charged_kg']} kg to weigh{heel}.{empty}",
            ["", "lot", "kg", "pieces", "what it is"],
            [
                ("[ ]", x["id"], f"{x['mass_kg']:.1f}", x["pieces"] or "", x["note"] or x["composition"])
                for x in melt["lots"]
            ],
        )
    print_table(
        "Pours",
        [
            "day",
            "pour",
            "time",
            "sheet",
            "melt",
            "stone °C",
            "pour °C",
            "scoops",
            "kg",
            "gate mm",
            "seconds",
            "lift min",
        ],
        [
            (
                p["day"],
                p["number"],
                p["time"],
                p["sheet"],
                p["melt"],
                f"{p['stone_temperature_c']:.0f}",
                f"{p['pour_window_c']['try_low']:.0f} to {p['pour_window_c']['try_high']:.0f}",
                p.get("scoops", ""),
                f"{p['charge_kg']:.1f}",
                p.get("gate_mm", ""),
                p.get("push_time_s", ""),
                f"{p['lift_after_s'] / 60:.1f}",
            )
            for p in data["pours"]
        ],
        [season_words(data["season"], currency)]
        + [f"{p['sheet']}: {p['problem']}" for p in data["pours"] if p["problem"]]
        + [
            "--json holds marks, thicknesses, bands and what they rest on. Everything dry and warm; local codes prevail."
        ],
    )


@click.command(short_help="Bring ladled metal down to its pouring temperature.")
@click.argument("composition", nargs=-1, required=True)
@click.option("--mass", "mass_kg", type=float, required=True, metavar="KG", help="Metal in the tipping pot.")
@click.option("--from", "from_c", type=float, required=True, metavar="C")
@click.option("--to", "to_c", type=float, required=True, metavar="C")
@click.option("--air", "air_c", type=float, default=20.0, show_default=True, metavar="C")
@click.option(
    "--pot", "pot_kg", type=float, default=0.0, show_default=True, metavar="KG", help="Steel that cools along."
)
@json_option
def cool(
    composition: tuple[str, ...], mass_kg: float, from_c: float, to_c: float, air_c: float, pot_kg: float, as_json: bool
) -> None:
    """How long to wait, or how many kilograms of cold pieces of the same alloy bring the metal down.

    Two thirds first, stir, read, then the rest. Pieces must be dry and warm: moisture under the surface throws metal.
    """
    from pipemetal.alloys.composition import Composition
    from pipemetal.casting.cooling import cold_pieces, wait_s

    comp = Composition.parse(" ".join(composition))
    seconds = wait_s(comp, mass_kg, from_c, to_c, air_c)
    pieces = cold_pieces(comp, mass_kg, from_c, to_c, air_c, pot_kg)
    if as_json:
        print_json(
            {
                "wait_s": rounded(seconds, 0),
                "pieces_kg": rounded(pieces.total_kg, 2),
                "first_kg": rounded(pieces.first_kg, 2),
                "then_kg": rounded(pieces.then_kg, 2),
                "low_kg": rounded(pieces.low_kg, 2),
                "high_kg": rounded(pieces.high_kg, 2),
                "cautions": list(pieces.cautions),
            }
        )
        return
    print_table(
        f"{mass_kg:g} kg of {comp.text()} from {from_c:g} to {to_c:g} °C",
        ["", "value"],
        [
            ("by waiting, pot bare", f"{seconds / 60.0:.1f} min"),
            (
                "or cold pieces of the same alloy",
                f"{pieces.total_kg:.1f} kg ({pieces.low_kg:.1f} to {pieces.high_kg:.1f})",
            ),
            ("first, then stir and read", f"{pieces.first_kg:.1f} kg"),
            ("then, if the reading says so", f"{pieces.then_kg:.1f} kg"),
        ],
        list(pieces.cautions),
    )

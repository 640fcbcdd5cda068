"""`pipemetal metal day` and `pipemetal metal cool`: a casting day from a list of sheets, and bringing ladled metal down."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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
    from collections.abc import Sequence

    from pipemetal.melts.lots import Heel
    from pipemetal.plans.record import Melt, Pour, Season

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
@pictures_option("Write the pouring range over each day and the thickness of each sheet as SVG.")
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
    from pipemetal.files.sheets_file import read_sheets
    from pipemetal.planning.day_work import plan_casting
    from pipemetal.planning.learning import Learned, learn
    from pipemetal.planning.sheets_to_cast import sheet_order
    from pipemetal.planning.stock import Stock
    from pipemetal.plans.codec import as_dict
    from pipemetal.plans.rows import day_row, melt_rows, pour_row, season_row

    recipes = load_recipes(recipes_path, sheets_file)
    settings = shop_beside(settings_path, sheets_file)
    sheets = read_sheets(sheets_file, recipes, settings)
    lots, unknown = read_lots(lots_path, recipes)
    learned = learn(read_log(log_path)) if log_path is not None else Learned()
    orders = [sheet_order(s, settings) for s in sheets]
    shown = {int(n): c for n, c in pairs_of(measured, "--measured", "POUR:C, as 3:41")}
    held = _heel_from(heel_kg, heel_text)
    casting = plan_casting(orders, Stock(recipes, lots=lots), settings, learned, in_pot=held, measured_c=shown)
    season, pours = casting.season, casting.pours
    start_minutes = _minutes_of(start)
    day_drawings(cards, folder, pours, learned.words, start_minutes)
    melts = melt_rows(season.melts, pours, settings, casting.days)
    rows = [pour_row(p, settings) for p in pours]
    times = [clock_text(start_minutes, p.start_s) for p in pours]
    if as_json:
        print_json(
            {
                "melts": [as_dict(m) for m in melts],
                "season": as_dict(season_row(season)),
                "pours": [as_dict(row) | {"time": time} for row, time in zip(rows, times, strict=True)],
                "days": [as_dict(day_row(day)) for day in casting.days],
                "lots_without_analysis": list(unknown),
                "learned": learned.words,
            }
        )
    else:
        _print_melts(melts)
        _print_pours(rows, times, season_words(season_row(season), settings.currency))
    broken = any(m.charge is None for m in melts) or any(p.problem for p in rows)
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


def season_words(season: Season, currency: str) -> str:
    """How near the best the melts are, in one line."""
    off = (
        ""
        if season.gap_percent is None
        else (f" Together the weighing lists are at most {season.gap_percent:.2f} % off the best possible.")
    )
    return (
        f"{season.melts} melts (no fewer than {season.fewest_melts}); changing alloys costs {season.change_cost:.2f} "
        f"{currency} (no order below {season.change_cost_at_least:.2f}).{off}"
    )


def _print_melts(melts: Sequence[Melt]) -> None:
    for melt in melts:
        sheets = ", ".join(melt.sheets)
        charge = melt.charge
        if charge is None:
            why = melt.blocked.words if melt.blocked else ""
            click.echo(f"{melt.name}: {melt.recipe} for {sheets} cannot be charged: {why}\n")
            continue
        heel = f" on a heel of {melt.heel_kg:.1f} kg" if melt.heel_kg else ""
        empty = " Empty the pot first." if melt.pot_emptied_before else ""
        print_table(
            f"{melt.name}: {melt.recipe} for {sheets}, {charge.charged_kg:.1f} kg to weigh{heel}.{empty}",
            ["", "lot", "kg", "pieces", "what it is"],
            [("[ ]", x.id, f"{x.mass_kg:.1f}", x.pieces or "", x.note or x.composition) for x in charge.lots],
        )


POUR_HEADS = (
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
)


def _print_pours(pours: Sequence[Pour], times: Sequence[str], words: str) -> None:
    print_table(
        "Pours",
        POUR_HEADS,
        [_pour_line(pour, time) for pour, time in zip(pours, times, strict=True)],
        [
            words,
            *(f"{p.sheet}: {p.problem}" for p in pours if p.problem),
            "--json holds marks, thicknesses, bands and what they rest on. Everything dry and warm; local codes prevail.",
        ],
    )


def _pour_line(pour: Pour, time: str) -> tuple[object, ...]:
    card, window, freezing = pour.card, pour.pour_window_c, pour.freezing
    return (
        pour.day,
        pour.number,
        time,
        pour.sheet,
        pour.melt,
        f"{pour.stone_temperature_c:.0f}",
        f"{window.try_low:.0f} to {window.try_high:.0f}" if window else "",
        card.scoops if card else "",
        f"{pour.charge_kg:.1f}",
        f"{card.gate_mm:.2f}" if card else "",
        f"{card.push_time_s:.1f}" if card else "",
        f"{freezing.lift_after_s / 60:.1f}" if freezing else "",
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

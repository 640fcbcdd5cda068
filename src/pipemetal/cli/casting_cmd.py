"""`pipemetal cast push` and `pipemetal cast freeze`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.cli.casting_drawings import (
    cards_option,
    cloth_words,
    freeze_drawings,
    pairs_of,
    pictures_option,
    push_drawings,
)
from pipemetal.cli.common import FILE, json_option, print_json, print_table, rounded
from pipemetal.files.log_file import read_log

if TYPE_CHECKING:
    from pipemetal.casting.push import PushCard
    from pipemetal.casting.table import TableBefore
    from pipemetal.casting.window import PourWindow
    from pipemetal.files.sheet_file import SheetJob
    from pipemetal.planning.learning import Learned

__all__ = ["freeze", "push"]


@click.command(short_help="The push card of a sheet.")
@click.argument("sheet_file", metavar="SHEET.toml", type=FILE)
@click.option("--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log to learn from.")
@click.option("--crew", metavar="NAME", help="Who casts, by its name in the log; it wins over the sheet's.")
@cards_option
@pictures_option("Write the thickness along the sheet as SVG.")
@json_option
def push(
    sheet_file: Path,
    log_path: Path | None,
    crew: str | None,
    cards: Path | None,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Fill, gate, marks and pouring temperatures for SHEET.toml, with intervals.

    A guide: the caster's eye and the look of the metal in the sled decide. Read the card before the push, never during it.
    """
    from pipemetal.casting.push import push_card
    from pipemetal.casting.roll import places_to_gauge
    from pipemetal.casting.wanted import Wanted
    from pipemetal.casting.window import push_heat_words
    from pipemetal.files.casting_json import card_dict, window_dict
    from pipemetal.files.sheet_file import read_sheet
    from pipemetal.planning.learning import Learned, learn

    job = read_sheet(sheet_file)
    path = log_path or job.log
    known = Learned() if path is None else learn(read_log(path), gap_mm=job.outfit.gate.fixed_mm)
    window = _window_of(job, known)
    want = Wanted(
        job.composition,
        job.pour_temperature_c or window.sled_c,
        job.length_mm,
        job.width_mm,
        job.thickness_start_mm,
        job.thickness_end_mm,
        job.table_c,
    )
    crew = crew or job.crew
    law = known.law.for_sheet(job.composition, job.outfit.sled.inner_width_mm, crew)
    card = push_card(want, job.outfit, law, gate_mm=job.gate_mm, charge_kg=job.charge_kg)
    result = {"sheet": job.name} | card_dict(card) | {"pour_window_c": window_dict(window), "learned": known.words}
    heat = push_heat_words(window, card.pour_temperature_c)
    log = ForTheLog(
        (*heat, *card.warnings, *window.warnings, *known.law.unknown_crew(crew)),
        " ".join(f"{m.distance_m:g}:{m.time_s:.2f}" for m in card.marks),
        tuple(places_to_gauge(job.length_mm, job.width_mm)),
    )
    push_drawings(cards, folder, card, window, job)
    if as_json:
        print_json(result | vars(log))
        return
    _print_push(job.name, card, window, log, known.words)


def _window_of(job: SheetJob, known: Learned) -> PourWindow:
    """The pouring range of a sheet with what a log taught."""
    from dataclasses import replace

    from pipemetal.casting.model import ThermalSettings
    from pipemetal.casting.window import pour_window

    bars = job.outfit.table is not None and job.outfit.table.side_bars
    return pour_window(
        job.composition,
        max(job.thickness_start_mm, job.thickness_end_mm),
        job.table_c,
        job.air_c,
        first_cast=job.first_cast,
        limits=replace(known.limits, side_bars=bars, sled_length_mm=job.outfit.sled.inner_length_mm),
        settings=ThermalSettings(cloth_factor=known.cloth_factor),
    )


@dataclass(frozen=True)
class ForTheLog:
    """What stands beside a push card: warnings, the marks as the log takes them, and where to gauge (x and y, mm)."""

    warnings: tuple[str, ...]
    asked_marks: str
    gauge_places_mm: tuple[tuple[float, float], ...]


def _print_push(name: str, card: PushCard, window: PourWindow, log: ForTheLog, learned_words: str) -> None:
    """The push card for people."""
    from pipemetal.planning.cautions import EXPOSURE_LIMITS

    click.echo(f"{name}\n")
    click.echo(_pour_line(window, card.pour_temperature_c))
    click.echo(f"         {window.regime}: {window.why}")
    click.echo(f"  LADLE  {card.scoops} scoops, {card.charge_kg:.1f} kg   ({card.left_kg:.1f} kg stay in the sled)")
    click.echo(f"  GATE   {card.gate_mm:.1f} mm\n")
    print_table(
        "Marks on the table, from where the sheet begins",
        ["m", "s", "m/s", "mm as cast", "between"],
        [
            (
                f"{m.distance_m:.2f}",
                f"{m.time_s:.2f}",
                f"{m.speed_m_s:.2f}",
                *_thickness_at(card.thickness, m.distance_m),
            )
            for m in card.marks
        ],
        [
            f"Equal beats of {card.beat_s:g} s fall at " + ", ".join(f"{m.distance_m:.2f}" for m in card.beats) + " m.",
            "Gauge it best at six places, three readings at each (mm along x across): "
            + ", ".join(f"{x:.0f} x {y:.0f}" for x, y in log.gauge_places_mm)
            + ".",
            f"For the log's column asked_marks, where nobody times the push: {log.asked_marks}",
            card.speed_change,
            *log.warnings,
            f"Rests on: {card.rests_on}. {window.rests_on}.",
            f"Learned: {learned_words}.",
            "Everything that goes into the pot dry and warm; nobody in the path of the sled.",
            "Lead: the exposure at this heat is dust rather than vapour. Limits (local codes prevail): "
            + "; ".join(f"{law}, {what} {limit} ({when})" for law, what, limit, when in EXPOSURE_LIMITS[:4])
            + ".",
        ],
    )


def _pour_line(window: PourWindow, sled_c: float) -> str:
    """The pouring range of a card, or that there is none."""
    if window.empty:
        return f"  POUR   no temperature suits this sheet; the push below is reckoned with {sled_c:.0f} °C in the sled"
    return (
        f"  POUR   {window.try_low_c:.0f} to {window.try_high_c:.0f} °C   "
        f"(too cold below {window.too_cold_below_c:.0f}: {window.band.cold_end}; too hot above "
        f"{window.too_hot_above_c:.0f}: {window.band.hot_end})"
    )


def _thickness_at(stations: Any, distance_m: float) -> tuple[str, str]:
    nearest = min(stations, key=lambda s: abs(s.distance_m - distance_m))
    return f"{nearest.thickness_mm:.2f}", f"{nearest.low_mm:.2f} to {nearest.high_mm:.2f}"


@click.command(short_help="Freezing of a sheet, and the stone through a day.")
@click.argument("composition", nargs=-1, required=True)
@click.option(
    "--thickness", "thickness_mm", type=float, required=True, metavar="MM", help="Thickness of the solid sheet."
)
@click.option("--pour", "pour_c", type=float, metavar="C", help="Temperature of the laid film (liquidus + 20 K).")
@click.option("--table", "table_c", type=float, default=20.0, show_default=True, metavar="C")
@click.option("--air", "air_c", type=float, default=20.0, show_default=True, metavar="C")
@click.option("--casts", type=click.IntRange(1, 40), default=8, show_default=True, help="Casts of the day.")
@click.option(
    "--every", "minutes", type=float, default=15.0, show_default=True, metavar="MIN", help="Minutes between casts."
)
@click.option(
    "--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log that teaches cloth and pouring range."
)
@click.option(
    "--measured", multiple=True, metavar="MIN:C", help="Cloth by a thermometer, minutes after the first cast; it wins."
)
@click.option(
    "--lift", "lift_minutes", type=float, default=3.0, show_default=True, metavar="MIN", help="Minutes on the table."
)
@cards_option
@pictures_option("Write temperatures of sheet and stone and the pouring range over the day as SVG.")
@json_option
def freeze(
    composition: tuple[str, ...],
    thickness_mm: float,
    pour_c: float | None,
    table_c: float,
    air_c: float,
    casts: int,
    minutes: float,
    lift_minutes: float,
    log_path: Path | None,
    measured: tuple[str, ...],
    cards: Path | None,
    folder: Path | None,
    as_json: bool,
) -> None:
    """How a sheet of COMPOSITION freezes on cloth and stone, and how the stone warms through a day of casts."""
    from pipemetal.casting.front import on_bare_stone_s
    from pipemetal.casting.model import ThermalSettings
    from pipemetal.casting.table import DayCast, day, table_after_rest_c
    from pipemetal.planning.learning import Learned, learn

    comp = Composition.parse(" ".join(composition))
    film_c = liquidus(comp).temperature_c + 20.0 if pour_c is None else pour_c
    members = [DayCast(comp, thickness_mm, film_c, 60.0 * minutes * i, 60.0 * lift_minutes) for i in range(casts)]
    shown = [(60.0 * at, celsius) for at, celsius in pairs_of(measured, "--measured", "MINUTES:C, as 31:44")]
    known = Learned() if log_path is None else learn(read_log(log_path))
    settings = ThermalSettings(cloth_factor=known.cloth_factor)
    tables = day(members, settings, air_temperature_c=air_c, table_temperature_c=table_c, readings=shown)
    bare_s = on_bare_stone_s(comp, thickness_mm, film_c, table_c, ThermalSettings())
    freeze_drawings(cards, folder, comp, thickness_mm, air_c, tables, known)
    rests = {
        hours: table_after_rest_c(tables[-1], 3600.0 * hours, settings, air_temperature_c=air_c)[1]
        for hours in (1, 4, 12)
    }
    if as_json:
        print_json(_freezing_dict(film_c, bare_s, tables, rests))
        return
    title = f"{comp.text()}, {thickness_mm:g} mm, film laid at {film_c:.0f} °C, air {air_c:g} °C"
    _print_freezing(title, bare_s, tables, rests, cloth_words(known))


def _freezing_dict(
    film_c: float, bare_s: float, tables: Sequence[TableBefore], rests: Mapping[int, float]
) -> dict[str, object]:
    """What `freeze` prints as JSON."""
    first = tables[0].freezing
    return {
        "film_c": rounded(film_c, 1),
        "time_to_first_solid_s": rounded(first.time_to_first_solid_s, 2),
        "time_to_30pct_s": rounded(first.time_to_30pct_s, 2),
        "time_to_solid_s": rounded(first.time_to_solid_s, 2),
        "on_bare_stone_s": rounded(bare_s, 2),
        "stone_temperature_c": [rounded(t.stone_top_c, 1) for t in tables],
        "stone_after_hours_c": {str(hours): rounded(celsius, 1) for hours, celsius in rests.items()},
        "casts": [
            {
                "stone_temperature_c": rounded(t.stone_top_c, 1),
                "cloth_c": rounded(t.cloth_c, 1),
                "measured": t.measured,
                "time_to_30pct_s": rounded(t.freezing.time_to_30pct_s, 2),
                "time_to_solid_s": rounded(t.freezing.time_to_solid_s, 2),
            }
            for t in tables
        ],
    }


def _print_freezing(
    title: str, bare_s: float, tables: Sequence[TableBefore], rests: Mapping[int, float], cloth: str
) -> None:
    """Freezing through a day for people."""
    print_table(
        title,
        ["cast", "stone before °C", "first solid s", "30 % s", "solid s"],
        [
            (
                i,
                f"{t.stone_top_c:.0f}{' *' if t.measured else ''}",
                f"{t.freezing.time_to_first_solid_s:.1f}",
                f"{t.freezing.time_to_30pct_s:.1f}",
                f"{t.freezing.time_to_solid_s:.1f}",
            )
            for i, t in enumerate(tables, start=1)
        ],
        [
            f"The cloth rules the freezing: {cloth}; a measured table",
            "temperature always wins over these (--measured; marked * where it did).",
            "The stone after the last sheet, bare: "
            + ", ".join(f"{c:.0f} °C after {h} h" for h, c in rests.items())
            + ".",
            f"Bare stone would freeze the same film in about {bare_s:.1f} s (Schwarz's solution, no contact resistance).",
        ],
    )

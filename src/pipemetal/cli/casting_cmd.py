"""`pipemetal push`, `pipemetal freeze` and `pipemetal calibrate`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.cli.casting_drawings import (
    cards_option,
    cast_picture,
    cloth_words,
    freeze_drawings,
    learned_drawing,
    pairs_of,
    pictures_option,
    push_drawings,
)
from pipemetal.cli.common import FILE, json_option, print_json, print_table, rounded
from pipemetal.files.log_file import read_log

__all__ = ["calibrate", "freeze", "push"]


@click.command(short_help="The push card of a sheet.")
@click.argument("sheet_file", metavar="SHEET.toml", type=FILE)
@click.option("--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log to learn from.")
@cards_option
@pictures_option("Write the crew's cards (A4, read at three metres) and the thickness picture as SVG.")
@json_option
def push(sheet_file: Path, log_path: Path | None, cards: Path | None, folder: Path | None, as_json: bool) -> None:
    """Charge, gate, marks and pouring temperatures for SHEET.toml, with intervals.

    A guide: the caster's eye and the look of the metal in the box decide. Read the card before the push, never during it.
    """
    from pipemetal.casting.model import ThermalSettings
    from pipemetal.casting.practice import practice_words
    from pipemetal.casting.push import push_card
    from pipemetal.casting.roll import places_to_gauge
    from pipemetal.casting.window import pour_window
    from pipemetal.files.casting_json import card_dict, window_dict
    from pipemetal.files.sheet_file import read_sheet
    from pipemetal.planning.cautions import EXPOSURE_LIMITS
    from pipemetal.planning.learning import Learned, learn

    job = read_sheet(sheet_file)
    path = log_path or job.log
    known = learn(read_log(path)) if path is not None else Learned()
    thickest = max(job.thickness_start_mm, job.thickness_end_mm)
    window = pour_window(
        job.composition,
        thickest,
        job.table_c,
        job.air_c,
        first_cast=job.first_cast,
        limits=known.limits,
        settings=ThermalSettings(cloth_factor=known.cloth_factor),
    )
    pour_c = job.pour_temperature_c or (window.try_low_c + window.try_high_c) / 2.0
    card = push_card(
        job.composition,
        pour_c,
        job.length_mm,
        job.width_mm,
        job.thickness_start_mm,
        job.thickness_end_mm,
        job.sled,
        known.coefficients,
        gate_mm=job.gate_mm,
        charge_kg=job.charge_kg,
        scoop_kg=job.scoop_kg,
        run_up_mm=job.run_up_mm,
        gate=job.gate,
    )
    result = {"sheet": job.name} | card_dict(card) | {"pour_window_c": window_dict(window), "learned": known.words}
    result["warnings"] = [*card.warnings, *window.warnings]
    result["gauge_places_mm"] = [list(place) for place in places_to_gauge(job.length_mm, job.width_mm)]
    result["practice"] = practice_words(card, job.composition, job.sled, known.coefficients, job.gate)
    push_drawings(cards, folder, card, window, job)
    if as_json:
        print_json(result)
        return
    click.echo(f"{job.name}\n")
    click.echo(
        f"  POUR   {window.try_low_c:.0f} to {window.try_high_c:.0f} °C   "
        f"(too cold below {window.too_cold_below_c:.0f}, too hot above {window.too_hot_above_c:.0f})"
    )
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
            + ", ".join(f"{x:.0f} x {y:.0f}" for x, y in result["gauge_places_mm"])
            + ".",
            card.speed_change,
            result["practice"],
            *result["warnings"],
            f"Rests on: {card.rests_on}. {window.rests_on}.",
            f"Learned: {known.words}.",
            "Everything that goes into the pot dry and warm; nobody in the path of the sled.",
            "Lead: the exposure at this heat is dust rather than vapour. Limits (local codes prevail): "
            + "; ".join(f"{law}, {what} {limit} ({when})" for law, what, limit, when in EXPOSURE_LIMITS[:4])
            + ".",
        ],
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
@click.option("--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log that teaches cloth and window.")
@click.option(
    "--measured", multiple=True, metavar="MIN:C", help="Cloth by a thermometer, minutes after the first cast; it wins."
)
@click.option(
    "--lift", "lift_minutes", type=float, default=3.0, show_default=True, metavar="MIN", help="Minutes on the table."
)
@cards_option
@pictures_option("Write temperatures of sheet and stone and the window over the day as SVG.")
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
    first = tables[0].freezing
    bare_s = on_bare_stone_s(comp, thickness_mm, film_c, table_c, ThermalSettings())
    freeze_drawings(cards, folder, comp, thickness_mm, air_c, tables, known)
    rests = {
        hours: table_after_rest_c(tables[-1], 3600.0 * hours, settings, air_temperature_c=air_c)[1]
        for hours in (1, 4, 12)
    }
    if as_json:
        print_json(
            {
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
        )
        return
    print_table(
        f"{comp.text()}, {thickness_mm:g} mm, film laid at {film_c:.0f} °C, air {air_c:g} °C",
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
            f"The cloth rules the freezing: {cloth_words(known)}; a measured table",
            "temperature always wins over these (--measured; marked * where it did).",
            "The stone after the last sheet, bare: "
            + ", ".join(f"{c:.0f} °C after {h} h" for h, c in rests.items())
            + ".",
            f"Bare stone would freeze the same film in about {bare_s:.1f} s (Schwarz's solution, no contact resistance).",
        ],
    )


@click.command(short_help="Learn the shop's coefficients from its casting log.")
@click.argument("log_file", metavar="LOG.csv", type=FILE)
@click.option(
    "--explain", "explained", metavar="CAST", help="Why this cast came out so, and what the next should change."
)
@click.option(
    "--against", metavar="CAST", help="With --explain: the cast to compare with. Default: a near one before it."
)
@cards_option
@pictures_option("With --explain: write thickness along the sheet with band and readings as SVG.")
@json_option
def calibrate(
    log_file: Path, explained: str | None, against: str | None, cards: Path | None, folder: Path | None, as_json: bool
) -> None:
    """Learn from LOG.csv: coefficients with intervals, what was left out and why, and what to log next.

    Groups (gate, box, cloth, crew) that cast thicker, and drift, are named where the log tells them.
    """
    from pipemetal.casting.calibrate import calibrate as fit
    from pipemetal.casting.decides import log_decides
    from pipemetal.casting.groups import drift, group_effects
    from pipemetal.casting.learn import cloth_from_log, limits_from_verdicts

    casts = read_log(log_file)
    found = fit(casts)
    if explained is None and (against is not None or folder is not None):
        raise click.UsageError("--against and --pictures need --explain CAST")
    if explained is not None:
        if folder is not None:
            cast_picture(folder, explained, casts, found.coefficients)
        _explain(explained, against, casts, found, as_json)
        return
    groups, moved, decided = group_effects(found, casts), drift(found), log_decides(found, casts)
    cloth = cloth_from_log(casts)
    verdicts = limits_from_verdicts(casts, cloth.settings)
    intervals = found.coefficients.intervals()
    if cards is not None:
        learned_drawing(cards, found, moved, cloth, verdicts)
    left_out = [{"id": x.id, "reason": x.reason} for x in (*found.casts_left_out, *found.readings_left_out)]
    if as_json:
        print_json(
            {
                "coefficients": {
                    k: {"value": rounded(v[0], 5), "low": rounded(v[1], 5), "high": rounded(v[2], 5)}
                    for k, v in intervals.items()
                },
                "casts_used": found.casts_used,
                "left_out": left_out,
                "predictive_half_width_percent": rounded(found.predictive_half_width_percent, 2),
                "cloth_factor": rounded(cloth.factor, 3),
                "shortest_mobile_s": rounded(verdicts.limits.shortest_mobile_s, 2),
                "longest_mobile_s": rounded(verdicts.limits.longest_mobile_s, 2),
                "log_next": found.log_next,
                "words": found.words,
                "drift": {
                    "now_percent": rounded(moved.now_percent, 2),
                    "low_percent": rounded(moved.low_percent, 2),
                    "high_percent": rounded(moved.high_percent, 2),
                    "words": moved.words,
                },
                "decides": [
                    {
                        "name": d.name,
                        "value": rounded(d.value, 3),
                        "low": rounded(d.low, 3),
                        "high": rounded(d.high, 3),
                        "modelled": d.modelled,
                        "differs": d.differs,
                        "words": d.words,
                    }
                    for d in decided
                ],
                "groups": [
                    {
                        "kind": g.kind,
                        "name": g.name,
                        "casts": g.casts,
                        "thicker_percent": rounded(g.thicker_percent, 2),
                        "low_percent": rounded(g.low_percent, 2),
                        "high_percent": rounded(g.high_percent, 2),
                        "words": g.words,
                    }
                    for g in groups
                ],
            }
        )
        return
    names = {
        "discharge": "discharge of the gate, Cd",
        "gate_zero_mm": "gate opens wider than set, mm",
        "drag_ratio": "drag of the cloth over Cd",
        "superheat_effect": "ln thickness per 20 K of superheat",
    }
    print_table(
        f"What {log_file.name} teaches",
        ["", "value", "between (95 %)"],
        [(names[k], f"{v[0]:.3f}", f"{v[1]:.3f} to {v[2]:.3f}") for k, v in intervals.items()]
        + [
            ("resistance of the cloth, times the default", f"{cloth.factor:.2f}", f"from {cloth.casts_used} casts"),
            (
                "a film should run, s",
                f"{verdicts.limits.shortest_mobile_s:.1f} to {verdicts.limits.longest_mobile_s:.1f}",
                f"from {verdicts.verdicts_used} verdicts",
            ),
        ],
        [f"{found.words}.", f"To learn most from the next casts: {found.log_next}.", f"Drift: {moved.words}."]
        + [f"The log on the {d.words}." for d in decided]
        + [f"{g.words}." for g in groups]
        + [f"Left out: {x['id']}: {x['reason']}" for x in left_out],
    )


def _explain(cast_id: str, against: str | None, casts: Any, found: Any, as_json: bool) -> None:
    from pipemetal.casting.explain import explain

    why = explain(cast_id, casts, found, against)
    if as_json:
        print_json(
            {
                "cast": why.cast,
                "reference": why.reference,
                "measured_mean_mm": rounded(why.measured_mean_mm, 3),
                "expected_mean_mm": rounded(why.expected_mean_mm, 3),
                "reference_mean_mm": rounded(why.reference_mean_mm, 3),
                "causes": [
                    {
                        "name": c.name,
                        "start_mm": rounded(c.start_mm, 3),
                        "middle_mm": rounded(c.middle_mm, 3),
                        "end_mm": rounded(c.end_mm, 3),
                        "mean_mm": rounded(c.mean_mm, 3),
                        "words": c.words,
                    }
                    for c in why.causes
                ],
                "within_scatter": why.within_scatter,
                "next": why.next_words,
                "rests_on": why.rests_on,
            }
        )
        return
    print_table(
        f"Why {why.cast} came out {why.measured_mean_mm:.2f} mm on the mean, against the settings of {why.reference}",
        ["mm", "start", "middle", "end", "mean", ""],
        [(f"as {why.reference}", "", "", "", f"{why.reference_mean_mm:.2f}", "")]
        + [
            (c.name, f"{c.start_mm:+.2f}", f"{c.middle_mm:+.2f}", f"{c.end_mm:+.2f}", f"{c.mean_mm:+.2f}", c.words)
            for c in why.causes
        ]
        + [("measured", "", "", "", f"{why.measured_mean_mm:.2f}", "")],
        [f"Next: {why.next_words}.", f"Rests on {why.rests_on}: the look of the metal decides."],
    )

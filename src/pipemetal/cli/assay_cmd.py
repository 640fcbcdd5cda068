"""`pipemetal metal assay`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipemetal.alloys import assay as assays
from pipemetal.alloys.composition import Composition
from pipemetal.alloys.library import HistoricAnalysis, historic_analyses, likest
from pipemetal.alloys.naming import names_of
from pipemetal.cli.common import FILE, json_option, load_recipes, print_json, print_table, recipes_option, rounded
from pipemetal.errors import AlloyError
from pipemetal.files.analyses_file import read_library, read_readings

__all__ = ["assay"]


def _antimony(_: click.Context, __: click.Parameter, value: str) -> float | None:
    if value.strip().casefold() == "unknown":
        return None
    try:
        return float(value)
    except ValueError:
        raise AlloyError("is no number", field="--antimony", value=value, allowed="percent, or unknown") from None


@click.command(short_help="Tin content from a weighing, or recipes near an analysis.")
@click.argument("analysis", metavar="[ANALYSIS.csv]", type=FILE, required=False)
@click.option("--air", "air_g", type=float, metavar="G", help="Grams weighed in air.")
@click.option("--water", "water_g", type=float, metavar="G", help="Grams weighed hanging in water.")
@click.option("--water-temperature", "water_temperature_c", type=float, default=20.0, show_default=True, metavar="C")
@click.option(
    "--balance",
    "balance_g",
    type=float,
    default=0.01,
    show_default=True,
    metavar="G",
    help="What the balance resolves.",
)
@click.option("--thread", "thread_water_g", type=float, default=0.0, metavar="G", help="Grams of the thread in water.")
@click.option("--antimony", "sb_wt_pct", callback=_antimony, default="unknown", show_default=True, metavar="PCT")
@click.option(
    "--antimony-uncertainty", "sb_uncertainty", type=float, default=0.0, metavar="PCT", help="95 % half-width."
)
@click.option("--as-cast", is_flag=True, help="The piece is a casting, neither rolled nor hammered.")
@click.option(
    "--pure-lead", "lead", type=float, nargs=2, metavar="AIR WATER", help="A piece of pure lead, weighed the same way."
)
@click.option(
    "--pure-tin", "tin", type=float, nargs=2, metavar="AIR WATER", help="A piece of pure tin, weighed the same way."
)
@click.option(
    "--library", "library_path", type=FILE, metavar="CSV", help="The shop's own analyses, beside the published."
)
@click.option("--historic", is_flag=True, help="List the published analyses of old pipe metal.")
@recipes_option
@json_option
def assay(
    analysis: Path | None,
    library_path: Path | None,
    historic: bool,
    recipes_path: Path | None,
    as_json: bool,
    **weighing: Any,
) -> None:
    """Tin content of a piece weighed in air and in water, or the recipes nearest to ANALYSIS.csv.

    ANALYSIS.csv has the columns element, wt_pct and optionally plus_minus (95 %) and method; several rows for one element
    are weighed together, and <0.05 is a detection limit.
    """
    library = historic_analyses() + (read_library(library_path) if library_path else ())
    if analysis is not None:
        _match(analysis, recipes_path, library, as_json)
    elif historic or (library_path and weighing["air_g"] is None):
        _list(library, as_json)
    else:
        _weigh(as_json, **weighing)


def _weigh(
    as_json: bool,
    *,
    air_g: float | None,
    water_g: float | None,
    water_temperature_c: float,
    balance_g: float,
    thread_water_g: float,
    sb_wt_pct: float | None,
    sb_uncertainty: float,
    as_cast: bool,
    lead: tuple[float, float] | None,
    tin: tuple[float, float] | None,
) -> None:
    if air_g is None or water_g is None:
        raise AlloyError("are both needed, or an analysis", field="--air and --water", allowed="grams")
    if (lead is None) != (tin is None):
        raise AlloyError("are both needed", field="--pure-lead and --pure-tin", allowed="grams in air and in water")
    calibration = None
    if lead is not None and tin is not None:
        pieces = [(air, water - thread_water_g) for air, water in (lead, tin)]
        calibration = assays.calibrate_weighing(pieces[0], pieces[1], water_temperature_c, balance_g)
    found = assays.tin_from_weighing(
        assays.Weighing(air_g, water_g, water_temperature_c, balance_g, thread_water_g=thread_water_g),
        assays.Beside(sb_wt_pct, sb_uncertainty),
        state="as cast" if as_cast else "worked",
        calibration=calibration,
    )
    if as_json:
        print_json(
            {
                "sn_wt_pct": rounded(found.sn_wt_pct, 2),
                "sn_wt_pct_low": rounded(found.sn_wt_pct_low, 2),
                "sn_wt_pct_high": rounded(found.sn_wt_pct_high, 2),
                "density_g_cm3": rounded(found.density_g_cm3),
                "notes": list(found.notes),
            }
        )
        return
    names = [n.name for n in names_of(Composition.from_wt_pct({"Sn": found.sn_wt_pct, "Pb": 100.0 - found.sn_wt_pct}))]
    print_table(
        "Tin from a weighing in air and in water",
        ["", "value"],
        [
            ("tin", f"{found.sn_wt_pct:.1f} % by mass"),
            ("between (95 %)", f"{found.sn_wt_pct_low:.1f} and {found.sn_wt_pct_high:.1f} %"),
            ("density", f"{found.density_g_cm3:.3f} g/cm3"),
            *([("also called (naming, not a standard)", "; ".join(names))] if names else []),
        ],
        list(found.notes),
    )


def _list(library: tuple[HistoricAnalysis, ...], as_json: bool) -> None:
    if as_json:
        print_json({"analyses": [_analysis_json(held) for held in library]})
        return
    print_table(
        "Published analyses of old pipe metal",
        ["metal", "percent by mass", "note", "source (what was read)"],
        [(held.name, _ranges(held), held.note, f"{held.source} ({held.status or 'own'})") for held in library],
        ["Few full tables can be had. A shop's own come in with --library CSV."],
    )


def _ranges(held: HistoricAnalysis) -> str:
    parts = [f"{e} {low:g}" if high - low < 1e-9 else f"{e} {low:g} to {high:g}" for e, low, high in held.ranges_wt_pct]
    return ", ".join([*parts, *([held.others] if held.others else [])]) or "no figures"


def _analysis_json(held: HistoricAnalysis) -> dict[str, object]:
    return {
        "object": held.name,
        "wt_pct": {e: [rounded(low, 4), rounded(high, 4)] for e, low, high in held.ranges_wt_pct},
        "others": held.others,
        "note": held.note,
        "source": held.source,
        "status": held.status,
    }


def _match(path: Path, recipes_path: Path | None, library: tuple[HistoricAnalysis, ...], as_json: bool) -> None:
    recipes = load_recipes(recipes_path, path)
    readings = read_readings(path)
    matches, old = assays.match_analysis(readings, list(recipes.values())), likest(readings, library)
    try:
        whole = assays.analysed(readings)
    except AlloyError as error:
        raise error.at(path.name) from None
    if as_json:
        print_json(
            {
                "composition": whole.composition.text(),
                "intervals_wt_pct": {e: [rounded(low, 3), rounded(high, 3)] for e, low, high in whole.intervals_wt_pct},
                "notes": list(whole.notes),
                "matches": [
                    {
                        "recipe": m.recipe.name,
                        "distance": rounded(m.distance, 3),
                        "words": m.words,
                        "sigmas": {miss.element: rounded(miss.sigmas, 2) for miss in m.misses},
                    }
                    for m in matches
                ],
                "historic": [{"object": o.analysis.name, "distance": rounded(o.distance, 3)} for o in old],
            }
        )
        return
    print_table(
        f"{path.name}: {whole.composition.text()}",
        ["element", "percent by mass", "between (95 %)"],
        [
            (e, f"{whole.composition.wt_pct(e):.3g}", f"{low:.3g} and {high:.3g}")
            for e, low, high in whole.intervals_wt_pct
        ],
        list(whole.notes),
    )
    print_table(
        "Nearest recipes",
        ["recipe", "distance", "why"],
        [(m.recipe.name, f"{m.distance:.2f}", m.words) for m in matches],
        ["Distance: standard uncertainties outside the windows, all elements together."],
    )
    print_table(
        "Likest old metal",
        ["metal", "distance", "source"],
        [(o.analysis.name, f"{o.distance:.2f}", o.analysis.source) for o in old[:4]],
        ["Few elements were published of old metal: likeness in them proves nothing about where a piece is from."],
    )

"""`pipemetal alloy` and `pipemetal assay`."""

from __future__ import annotations

from pathlib import Path

import click

from pipemetal.alloys import assay as assays
from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import heat_to_liquid_kj_kg, solid_density_g_cm3
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c
from pipemetal.cli.common import FILE, json_option, load_recipes, print_json, print_table, recipes_option, rounded
from pipemetal.errors import AlloyError
from pipemetal.files.csv_table import read_csv

__all__ = ["alloy", "assay"]


@click.command(short_help="Melting, freezing, density and heat of a composition.")
@click.argument("composition", nargs=-1, required=True)
@json_option
def alloy(composition: tuple[str, ...], as_json: bool) -> None:
    """Melting, freezing, density and heat of COMPOSITION, as in: pipemetal alloy "Sn 50 Sb 0.5 Pb bal"."""
    comp = Composition.parse(" ".join(composition))
    melting, curve = liquidus(comp), freezing_curve(comp)
    pairs = [
        {"temperature_c": round(float(t), 2), "fraction_solid": round(float(f), 5)}
        for t, f in zip(curve.temperature_c, curve.fraction_solid, strict=True)
    ]
    result = {
        "composition": comp.text(),
        "liquidus_c": rounded(melting.temperature_c, 2),
        "solidus_c": rounded(solidus_c(comp), 2),
        "first_solid": melting.first_solid,
        "density_g_cm3": rounded(solid_density_g_cm3(comp)),
        "heat_to_liquid_kj_kg": rounded(heat_to_liquid_kj_kg(comp), 2),
        "freezing": pairs,
        "within_range": melting.within_range,
        "uncertainty_k": rounded(melting.uncertainty_k, 1),
    }
    if as_json:
        print_json(result)
        return
    print_table(
        comp.text(),
        ["", "value", "how sure"],
        [
            ("liquidus", f"{melting.temperature_c:.1f} °C", f"± {melting.uncertainty_k:.0f} K"),
            ("first solid", melting.first_solid, ""),
            ("solidus, slow cooling", f"{solidus_c(comp):.1f} °C", f"± {melting.uncertainty_k:.0f} K"),
            ("half solid, quick cooling", f"{curve.temperature_at(0.5):.1f} °C", ""),
            ("density at 20 °C", f"{solid_density_g_cm3(comp):.3f} g/cm3", "0.3 % for 30 to 90 % Sn"),
            ("heat from 25 °C to liquid", f"{heat_to_liquid_kj_kg(comp):.1f} kJ/kg", "3 %"),
        ],
        ["Computed from assessed Gibbs energies (NIST solder assessment, Kattner 1999, and others: docs/alloys.md)."]
        + ([] if melting.within_range else ["Outside the range that was assessed: extrapolated."]),
    )


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
@recipes_option
@json_option
def assay(
    analysis: Path | None, air_g: float | None, water_g: float | None, water_temperature_c: float, balance_g: float,
    recipes_path: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Tin content of a piece weighed in air and in water, or the recipes nearest to ANALYSIS.csv.

    ANALYSIS.csv has the columns element, wt_pct and optionally plus_minus.
    """
    if analysis is not None:
        _match(analysis, recipes_path, as_json)
        return
    if air_g is None or water_g is None:
        raise AlloyError("are both needed, or an analysis", field="--air and --water", allowed="grams")
    found = assays.tin_from_weighing(air_g, water_g, water_temperature_c, balance_g=balance_g)
    result = {
        "sn_wt_pct": rounded(found.sn_wt_pct, 2),
        "sn_wt_pct_low": rounded(found.sn_wt_pct_low, 2),
        "sn_wt_pct_high": rounded(found.sn_wt_pct_high, 2),
        "density_g_cm3": rounded(found.density_g_cm3),
        "notes": list(found.notes),
    }
    if as_json:
        print_json(result)
        return
    print_table(
        "Tin from a weighing in air and in water",
        ["", "value"],
        [
            ("tin", f"{found.sn_wt_pct:.1f} % by mass"),
            ("between", f"{found.sn_wt_pct_low:.1f} and {found.sn_wt_pct_high:.1f} %"),
            ("density", f"{found.density_g_cm3:.3f} g/cm3"),
        ],
        list(found.notes),
    )


def _match(path: Path, recipes_path: Path | None, as_json: bool) -> None:
    recipes = load_recipes(recipes_path, path)
    table = read_csv(path)
    table.check(["element", "wt_pct"], ["plus_minus"])
    analysis: dict[str, float | tuple[float, float]] = {}
    for row in table:
        element = row.text("element")
        if element in analysis:
            raise row.error("stands twice", "element", element)
        if element not in ELEMENTS:
            raise row.error("is not an element of pipe metal", "element", element, ", ".join(ELEMENTS))
        percent, half = row.number("wt_pct", 0.0, 100.0), row.maybe_number("plus_minus", 0.001, 50.0)
        # an analysis states a 95 % half-width; the room wants one standard uncertainty
        analysis[element] = percent if half is None else (percent, half / 1.96)
    matches = assays.match_analysis(analysis, list(recipes.values()))
    if as_json:
        print_json(
            {
                "matches": [
                    {"recipe": m.recipe.name, "distance": rounded(m.distance, 3), "words": m.words} for m in matches
                ]
            }
        )
        return
    print_table(
        f"Recipes nearest to {path.name}",
        ["recipe", "distance", "why"],
        [(m.recipe.name, f"{m.distance:.2f}", m.words) for m in matches],
    )

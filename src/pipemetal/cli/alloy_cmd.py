"""`pipemetal metal alloy`."""

from __future__ import annotations

from pathlib import Path

import click

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.elements import checked_temperature_c
from pipemetal.alloys.liquidus import Liquidus, liquidus, outside_assessed_range
from pipemetal.alloys.naming import names_of
from pipemetal.alloys.properties import (
    heat_to_liquid_kj_kg,
    pot_check,
    solid_density_g_cm3,
)
from pipemetal.alloys.property_table import PROPERTY_SOURCES, Value, value_of
from pipemetal.alloys.scheil import FreezingCurve, freezing_curve
from pipemetal.alloys.solidus import solidus_c
from pipemetal.cli.common import json_option, out_option, print_json, print_table, rounded
from pipemetal.errors import AlloyError

__all__ = ["alloy"]

_SOURCE = "Computed from assessed Gibbs energies (NIST solder assessment, Kattner 1999, and others: docs/alloys.md)."
# A usual heat above the liquidus for pouring (common practice, no source), where no temperature is asked for.
_POURING_K = 30.0
_HOT_C = (20.0, 600.0)
_OUTSIDE = "outside the assessed range"


@click.command(short_help="Melting, freezing, density and heat of a composition.")
@click.argument("composition", nargs=-1, required=True)
@click.option("--at", "at_c", type=float, metavar="C", help="Every property too, hot ones at this temperature.")
@click.option("--properties", is_flag=True, help="Every property, hot ones 30 K above the liquidus.")
@out_option("--pictures", "--svg", "svg_folder", metavar="DIR", help="Write the freezing curve and the diagram as SVG.")
@json_option
def alloy(
    composition: tuple[str, ...], at_c: float | None, properties: bool, svg_folder: Path | None, as_json: bool
) -> None:
    """Melting, freezing, density and heat of COMPOSITION, as in: pipemetal metal alloy "Sn 50 Sb 0.5 Pb bal"."""
    comp = Composition.parse(" ".join(composition))
    melting, curve = liquidus(comp), freezing_curve(comp)
    if at_c is None and properties:
        at_c = round(melting.temperature_c + _POURING_K, 1)
    values, without = ({}, []) if at_c is None else _values(comp, checked_temperature_c(at_c, *_HOT_C))
    cautions = () if at_c is None else (*without, *_cautions(comp, at_c))
    written = [] if svg_folder is None else _write_pictures(comp, svg_folder)
    if as_json:
        print_json(_as_json(comp, melting, curve, values, cautions, at_c, written))
        return
    _print_melting(comp, melting, curve)
    if at_c is not None:
        _print_values(values, cautions, at_c)
    for name in written:
        click.echo(f"wrote {name}")


def _values(comp: Composition, at_c: float) -> tuple[dict[str, Value], list[str]]:
    """Every property that can be had at this temperature, and in words why one cannot."""
    found, without = {}, []
    for name, held in PROPERTY_SOURCES.items():
        if name == "solid_hot_density_kg_m3" and at_c > solidus_c(comp):
            continue
        try:
            found[name] = value_of(name, comp, at_c)
        except AlloyError as error:
            without.append(f"no {held.words}: {error}")
    return found, without


def _cautions(comp: Composition, at_c: float) -> tuple[str, ...]:
    return pot_check(comp, at_c).cautions if 150.0 <= at_c <= 600.0 else ()


def _write_pictures(comp: Composition, folder: Path) -> list[str]:
    from pipemetal.documents.alloy_pictures import diagram_picture, freezing_picture
    from pipemetal.documents.svg import to_svg
    from pipemetal.files.outbox import write_all

    pictures = {"freezing.svg": freezing_picture(comp), "lead-tin.svg": diagram_picture(comp)}
    return [str(path) for path in write_all(folder, {name: to_svg(drawing) for name, drawing in pictures.items()})]


def _as_json(
    comp: Composition,
    melting: Liquidus,
    curve: FreezingCurve,
    values: dict[str, Value],
    cautions: tuple[str, ...],
    at_c: float | None,
    written: list[str],
) -> dict[str, object]:
    result: dict[str, object] = {
        "composition": comp.text(),
        "names": [name.name for name in names_of(comp)],
        "liquidus_c": rounded(melting.temperature_c, 2),
        "solidus_c": rounded(solidus_c(comp), 2),
        "first_solid": melting.first_solid,
        "density_g_cm3": rounded(solid_density_g_cm3(comp)),
        "heat_to_liquid_kj_kg": rounded(heat_to_liquid_kj_kg(comp), 2),
        "freezing": [
            {"temperature_c": round(float(t), 2), "fraction_solid": round(float(f), 5)}
            for t, f in zip(curve.temperature_c, curve.fraction_solid, strict=True)
        ],
        "solids": [{"solid": name, "mass_fraction": rounded(share, 5)} for name, share in curve.solids],
        "eutectic_share": rounded(curve.eutectic_share, 4),
        "within_range": melting.within_range,
        "outside": outside_assessed_range(comp),
        "uncertainty_k": rounded(melting.uncertainty_k, 1),
    }
    if at_c is not None:
        result["at_c"] = rounded(at_c, 1)
        result["properties"] = [
            {
                "name": name,
                "value": _figures(v.value),
                "low": _figures(v.low),
                "high": _figures(v.high),
                "unit": v.unit,
                "source": v.source,
                "within_range": v.within_range,
            }
            for name, v in values.items()
        ]
        result["cautions"] = list(cautions)
    if written:
        result["pictures"] = written
    return result


def _figures(value: float) -> float:
    return float(f"{value:.6g}")


def _print_melting(comp: Composition, melting: Liquidus, curve: FreezingCurve) -> None:
    outside = outside_assessed_range(comp)
    sure = f"± {melting.uncertainty_k:.0f} K" + (f", {_OUTSIDE}" if outside else "")
    mark = _OUTSIDE if outside else ""
    solids = ", ".join(f"{100.0 * share:.1f} % {name}" for name, share in curve.solids[:4])
    names = [f"{name.name}" for name in names_of(comp)]
    print_table(
        comp.text(),
        ["", "value", "how sure"],
        [
            *([("by its tin also called", "; ".join(names), "naming, not a standard")] if names else []),
            ("liquidus", f"{melting.temperature_c:.1f} °C", sure),
            ("first solid", melting.first_solid, mark),
            ("solidus, slow cooling", f"{solidus_c(comp):.1f} °C", sure),
            ("half solid, quick cooling", f"{curve.temperature_at(0.5):.1f} °C", mark),
            ("solids, quick cooling", solids, mark),
            ("density at 20 °C", f"{solid_density_g_cm3(comp):.3f} g/cm3", mark or "0.3 % for 30 to 90 % Sn"),
            ("heat from 25 °C to liquid", f"{heat_to_liquid_kj_kg(comp):.1f} kJ/kg", mark or "3 %"),
        ],
        [_SOURCE] + ([f"{_OUTSIDE.capitalize()}: {'; '.join(outside)}. Extrapolated."] if outside else []),
    )


def _print_values(values: dict[str, Value], cautions: tuple[str, ...], at_c: float) -> None:
    print_table(
        f"Properties, hot ones at {at_c:g} °C",
        ["", "value", "between", "by"],
        [
            (
                PROPERTY_SOURCES[name].words,
                f"{v.value:.4g} {v.unit}",
                f"{v.low:.4g} and {v.high:.4g}",
                v.source if v.within_range else f"{_OUTSIDE}; {v.source}",
            )
            for name, v in values.items()
        ],
        list(cautions),
    )

"""A plan as files: one JSON, a page that opens without a server, sheets to print, and tables as CSV and a workbook.

Everything is written beside its place first and then moved, so that a folder never holds half a plan.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipemetal.documents.cutting_sheet import cutting_sheet
from pipemetal.documents.drawing import Drawing
from pipemetal.documents.pictures import half_tone_picture, metal_picture, push_picture
from pipemetal.documents.plan_paper import PAPERS, cutting_pdf, plan_paper
from pipemetal.documents.shown import units_of
from pipemetal.documents.svg import to_svg
from pipemetal.files.outbox import write_all
from pipemetal.files.plan_json import plan_dict
from pipemetal.files.sheet_out import OutTable, csv_of, workbook_of
from pipemetal.layout.jsonform import plan_to_dict, problem_to_dict
from pipemetal.planning.plan import Plan
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["environment", "safe_name", "write_plan_files"]


def environment(units: UnitSystem | None = None, say: Words | None = None) -> Environment:
    """The templates, every one escaped, svg and txt included; quantities in these units, texts in this language."""
    units, say = units or UnitSystem(), say or Words()
    made = Environment(
        loader=PackageLoader("pipemetal.documents", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "mass": units.show_mass,
        "size": units.show_length,
        "temperature": units.show_temperature,
        "along": units.show_along,
        "bare_mass": lambda kg: units.show_mass(kg, 2).split()[0],
        "number": units.number,
        "short": lambda value: units.number(value, 4).rstrip("0").rstrip(".,"),
        "made": say.made,
    }
    made.globals |= {"mass_unit": units.mass, "say": say}
    return made


def safe_name(text: str) -> str:
    """A file name of an id.

    >>> safe_name("R47-1"), safe_name("../x y")
    ('R47-1', 'x-y')
    """
    return re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-") or "sheet"


def _tables(data: dict[str, Any]) -> dict[str, tuple[Sequence[str], list[Sequence[object]]]]:
    """The tables of a plan by name: headings with units, and rows."""
    pipe_keys = [k for k in data["pipes"][0] if k != "id"] if data["pipes"] else ["rank"]
    cut_keys = [
        "number",
        "blank",
        "kind",
        "x_mm",
        "y_mm",
        "turn_deg",
        "length_mm",
        "width_mm",
        "wanted_mouth_mm",
        "wanted_top_mm",
        "tolerance_mm",
        "actual_mouth_mm",
        "actual_top_mm",
        "mass_kg",
    ]
    sheets = [*data["rolls_used"], *data["new_sheets"]]
    weighing = [
        (m["name"], m["recipe"], i, lot["id"], lot["kind"], lot["mass_kg"], lot["pieces"] or "", lot["composition"])
        for m in data["melts"]
        for i, lot in enumerate(m.get("lots", []), start=1)
    ]
    pour_keys = [
        "day",
        "number",
        "sheet",
        "alloy",
        "melt",
        "length_mm",
        "width_mm",
        "cast_start_mm",
        "cast_end_mm",
        "charge_kg",
        "left_kg",
        "scoops",
        "gate_mm",
        "stone_temperature_c",
    ]
    metal = data["metal"]["by_alloy"] | {"in all": data["metal"]["in_all"]}
    places = list(data["metal"]["in_all"])
    rolls = [
        "id",
        "alloy",
        "length_mm",
        "width_mm",
        "place",
        "mass_kg",
        "blanks_kg",
        "remnants_kg",
        "offcut_kg",
        "kerf_kg",
    ]
    return {
        "pipes": (pipe_keys, [[p[k] for k in pipe_keys] for p in data["pipes"]]),
        "rolls": (rolls, [[s[k] for k in rolls] for s in sheets]),
        "cuts": (["roll", *cut_keys], [[s["id"], *(c[k] for k in cut_keys)] for s in sheets for c in s["cuts"]]),
        "weighing": (["melt", "recipe", "order", "lot", "kind", "mass_kg", "pieces", "composition"], [*weighing]),
        "pours": (
            [*pour_keys, "try_low_c", "try_high_c"],
            [
                [p.get(k, "") for k in pour_keys]
                + [p.get("pour_window_c", {}).get("try_low", ""), p.get("pour_window_c", {}).get("try_high", "")]
                for p in data["pours"]
            ],
        ),
        "metal": (["alloy", *places], [[alloy, *(row[p] for p in places)] for alloy, row in metal.items()]),
        "not-served": (
            ["blank", "reason", "nearest_roll", "miss_mm"],
            [[u["blank"], u["reason"], u["nearest_roll"], u["miss_mm"]] for u in data["unserved"]],
        ),
    }


def _printed(plan: Plan, data: dict[str, Any], units: UnitSystem) -> dict[str, bytes]:
    """What is printed: cutting sheets and all papers of a plan, in the shop's language and on its paper."""
    say, paper = Words(plan.settings.language), plan.settings.paper
    found = {f"paper/{name}.pdf": plan_paper(name, data, units, say, paper) for name in PAPERS}
    found["paper/cutting.pdf"] = cutting_pdf(plan.cut_rolls, plan.organ.name, units, say, paper)
    return found


def _pictures(plan: Plan, units: UnitSystem) -> dict[str, Drawing]:
    found = {}
    for division in dict.fromkeys(p.division for p in plan.pipes):
        members = [p for p in plan.pipes if p.division == division]
        found[f"pictures/scales-{safe_name(division).lower()}.svg"] = half_tone_picture(
            members, f"{division}: scales in half tones, at sounding pitch"
        )
    found["pictures/metal.svg"] = metal_picture(plan.account)
    for pour in plan.pours:
        if pour.card is not None:
            name = f"pictures/push-{safe_name(pour.order.sheet.id)}.svg"
            found[name] = push_picture(pour.card, f"{pour.order.sheet.id}: thickness that the push should give")
    for cut in plan.cut_rolls:
        found[f"cutting/{safe_name(cut.roll.id)}.svg"] = cutting_sheet(cut, plan.organ.name, units)
    return found


def write_plan_files(plan: Plan, folder: Path) -> dict[str, Any]:
    """Write a plan into a folder and return its dictionary.

    Gives plan.json, index.html, paper/*.pdf, cutting/*.svg, pictures/*.svg, seven CSV tables and plan.xlsx with them, and
    layout-problem.json with layout-plan.json, which anyone may check again; what an earlier plan left there under these names
    is replaced. Pages and sheets are in the units, the language and on the paper of the shop's settings, JSON and tables metric.
    """
    data = plan_dict(plan)
    settings = plan.settings
    units = units_of(settings)
    tables = _tables(data)
    files: dict[str, str | bytes] = {
        "plan.json": json.dumps(data, allow_nan=False, ensure_ascii=False, indent=1) + "\n"
    }
    files["layout-problem.json"] = json.dumps(problem_to_dict(plan.problem), allow_nan=False, ensure_ascii=False) + "\n"
    files["layout-plan.json"] = json.dumps(plan_to_dict(plan.layout), allow_nan=False, ensure_ascii=False) + "\n"
    files |= {f"{name}.csv": csv_of(headings, rows) for name, (headings, rows) in tables.items()}
    files |= {name: to_svg(drawing) for name, drawing in _pictures(plan, units).items()}
    files |= _printed(plan, data, units)
    files["index.html"] = (
        environment(units, Words(settings.language))
        .get_template("plan.html")
        .render(
            plan=data,
            safe_name=safe_name,
            scales=[n for n in files if n.startswith("pictures/scales-")],
            papers=[n for n in files if n.startswith("paper/")],
        )
    )
    files["plan.xlsx"] = workbook_of([OutTable(name, *table) for name, table in tables.items()])
    write_all(folder, files, drop=("cutting", "pictures", "paper"))
    return data

"""A plan as files: one JSON, a page that opens without a server, cutting sheets as SVG, and tables as CSV.

Everything is written beside its place first and then moved, so that a folder never holds half a plan.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipemetal.documents.cutting_sheet import cutting_sheet
from pipemetal.documents.drawing import Drawing
from pipemetal.documents.pictures import half_tone_picture, metal_picture, push_picture
from pipemetal.documents.svg import to_svg
from pipemetal.files.plan_json import plan_dict
from pipemetal.layout.jsonform import plan_to_dict, problem_to_dict
from pipemetal.planning.plan import Plan
from pipemetal.units import UnitSystem

__all__ = ["csv_text", "environment", "safe_name", "write_plan_files"]

FORMULA_START = ("=", "+", "-", "@", "\t", "\r")


def environment(units: UnitSystem | None = None) -> Environment:
    """The templates, every one escaped, svg and txt included; quantities are shown in these units."""
    units = units or UnitSystem()
    made = Environment(
        loader=PackageLoader("pipemetal.documents", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters |= {
        "mass": units.show_mass, "size": units.show_length, "temperature": units.show_temperature,
        "along": units.show_along, "bare_mass": lambda kg: units.show_mass(kg, 2).split()[0],
    }  # fmt: skip
    made.globals["mass_unit"] = units.mass
    return made


def safe_name(text: str) -> str:
    """A file name of an id.

    >>> safe_name("R47-1"), safe_name("../x y")
    ('R47-1', 'x-y')
    """
    return re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-") or "sheet"


def csv_text(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A CSV table; texts that a spreadsheet would take for a formula get an apostrophe in front.

    >>> csv_text(["a"], [["=1+1"], [-2.5]])
    "a\\n'=1+1\\n-2.5\\n"
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(headings)
    for row in rows:
        writer.writerow([f"'{v}" if isinstance(v, str) and v.startswith(FORMULA_START) else v for v in row])
    return out.getvalue()


def _tables(data: dict[str, Any]) -> dict[str, str]:
    """The CSV files of a plan."""
    pipe_keys = [k for k in data["pipes"][0] if k != "id"] if data["pipes"] else ["rank"]
    cut_keys = [
        "number", "blank", "kind", "x_mm", "y_mm", "turn_deg", "length_mm", "width_mm", "wanted_mouth_mm", "wanted_top_mm",
        "tolerance_mm", "actual_mouth_mm", "actual_top_mm", "mass_kg",
    ]  # fmt: skip
    sheets = [*data["rolls_used"], *data["new_sheets"]]
    weighing = [
        (m["name"], m["recipe"], i, lot["id"], lot["kind"], lot["mass_kg"], lot["pieces"] or "", lot["composition"])
        for m in data["melts"]
        for i, lot in enumerate(m.get("lots", []), start=1)
    ]
    pour_keys = ["day", "number", "sheet", "alloy", "melt", "length_mm", "width_mm", "cast_start_mm", "cast_end_mm",
                 "charge_kg", "left_kg", "scoops", "gate_mm", "stone_temperature_c"]  # fmt: skip
    metal = data["metal"]["by_alloy"] | {"in all": data["metal"]["in_all"]}
    places = list(data["metal"]["in_all"])
    return {
        "pipes.csv": csv_text(pipe_keys, ([p[k] for k in pipe_keys] for p in data["pipes"])),
        "cuts.csv": csv_text(["roll", *cut_keys], ([s["id"], *(c[k] for k in cut_keys)] for s in sheets for c in s["cuts"])),
        "weighing.csv": csv_text(["melt", "recipe", "order", "lot", "kind", "mass_kg", "pieces", "composition"], weighing),
        "pours.csv": csv_text(
            [*pour_keys, "try_low_c", "try_high_c"],
            (
                [p.get(k, "") for k in pour_keys]
                + [p.get("pour_window_c", {}).get("try_low", ""), p.get("pour_window_c", {}).get("try_high", "")]
                for p in data["pours"]
            ),
        ),
        "metal.csv": csv_text(["alloy", *places], ([alloy, *(row[p] for p in places)] for alloy, row in metal.items())),
        "not-served.csv": csv_text(
            ["blank", "reason", "nearest_roll", "miss_mm"],
            ([u["blank"], u["reason"], u["nearest_roll"], u["miss_mm"]] for u in data["unserved"]),
        ),
    }  # fmt: skip


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

    Gives plan.json, index.html, cutting/*.svg, pictures/*.svg, six CSV tables, and layout-problem.json with layout-plan.json,
    which anyone may check again; what an earlier plan left there under these names is replaced. Pages and sheets are in the
    units of the shop's settings, JSON and tables metric.
    """
    data = plan_dict(plan)
    settings = plan.settings
    units = UnitSystem(settings.length_unit, settings.mass_unit, settings.temperature_unit)
    files: dict[str, str] = {"plan.json": json.dumps(data, allow_nan=False, ensure_ascii=False, indent=1) + "\n"}
    files["layout-problem.json"] = json.dumps(problem_to_dict(plan.problem), allow_nan=False, ensure_ascii=False) + "\n"
    files["layout-plan.json"] = json.dumps(plan_to_dict(plan.layout), allow_nan=False, ensure_ascii=False) + "\n"
    files |= _tables(data)
    files |= {name: to_svg(drawing) for name, drawing in _pictures(plan, units).items()}
    files["index.html"] = (
        environment(units)
        .get_template("plan.html")
        .render(plan=data, safe_name=safe_name, scales=[n for n in files if n.startswith("pictures/scales-")])
    )
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".writing-") as beside:
        for name, text in files.items():
            path = Path(beside) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        for old in ("cutting", "pictures"):
            shutil.rmtree(folder / old, ignore_errors=True)
        for name in files:
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            (Path(beside) / name).replace(target)
    return data

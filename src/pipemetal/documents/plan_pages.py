"""A plan as files: one JSON, a page that opens without a server, sheets to print, and tables as CSV and a workbook.

Everything is written beside its place first and then moved, so that a folder never holds half a plan.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipemetal.documents.cutting_sheet import cutting_sheet
from pipemetal.documents.day_picture import day_picture
from pipemetal.documents.drawing import Drawing
from pipemetal.documents.pictures import half_tone_picture, metal_picture, push_picture
from pipemetal.documents.plan_paper import PAPERS, plan_paper
from pipemetal.documents.shown import NOTES_NAMED, units_of
from pipemetal.documents.svg import to_svg
from pipemetal.documents.waste_picture import waste_picture
from pipemetal.files.outbox import write_all
from pipemetal.files.sheet_out import OutTable, csv_of, workbook_of
from pipemetal.layout.jsonform import plan_to_dict, problem_to_dict
from pipemetal.layout.waste import Waste, waste_by_alloy
from pipemetal.planning.plan import Plan as Planned
from pipemetal.plans.codec import as_dict, write
from pipemetal.plans.making import plan_record
from pipemetal.plans.record import PipeRow, Plan, Pour
from pipemetal.plans.unserved import unserved_pipes
from pipemetal.texts import clock_text
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
        "weighed": units.show_weighed,
        "size": units.show_length,
        "temperature": units.show_temperature,
        "along": units.show_along,
        "bare_mass": lambda kg: units.show_mass(kg, 2).split()[0],
        "number": units.number,
        "area": units.bare_area,
        "short": lambda value: units.number(value, 4).rstrip("0").rstrip(".,"),
        "read": lambda text: say.read(text, units),
    }
    made.globals |= {"mass_unit": units.mass, "area_unit": units.area_unit, "say": say}
    return made


def safe_name(text: str) -> str:
    """A file name of an id.

    >>> safe_name("R47-1"), safe_name("../x y")
    ('R47-1', 'x-y')
    """
    return re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-") or "sheet"


CUT_KEYS: Final = (
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
    "mouth_at_small_arc",
    "chance",
)
ROLL_KEYS: Final = (
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
)
POUR_KEYS: Final = (
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
)
TABLE_PLACES: Final = 4
"""Decimals of the tables: a tenth of a micrometre, a tenth of a gram. plan.json holds every figure in full."""

Table = tuple[Sequence[str], list[Sequence[object]]]


def _tables(plan: Plan) -> dict[str, Table]:
    """The tables of a plan by name: headings with units, and rows."""
    pipes = [as_dict(p) for p in plan.pipes]
    pipe_keys = [f.name for f in fields(PipeRow) if f.name != "id"]
    weighing: list[Sequence[object]] = [
        (melt.name, melt.recipe, i, lot.id, lot.kind, lot.mass_kg, lot.pieces or "", lot.composition)
        for melt in plan.melts
        for i, lot in enumerate(melt.lots, start=1)
    ]
    cuts: list[Sequence[object]] = [
        [sheet.id, *_picked(as_dict(cut), CUT_KEYS)] for sheet in plan.sheets for cut in sheet.cuts
    ]
    metal = plan.metal.by_alloy | {"in all": plan.metal.in_all}
    places = list(plan.metal.in_all)
    made: dict[str, Table] = {
        "pipes": (pipe_keys, [_picked(p, pipe_keys) for p in pipes]),
        "rolls": (ROLL_KEYS, [_picked(vars(s), ROLL_KEYS) for s in plan.sheets]),
        "cuts": (("roll", *CUT_KEYS), cuts),
        "weighing": (("melt", "recipe", "order", "lot", "kind", "mass_kg", "pieces", "composition"), weighing),
        "pours": ((*POUR_KEYS, "try_low_c", "try_high_c"), [_pour_line(p) for p in plan.pours]),
        "metal": (("alloy", *places), [[alloy, *(row[p] for p in places)] for alloy, row in metal.items()]),
        "not-served": (
            ("blank", "reason", "nearest_roll", "miss_mm"),
            [(u.blank, u.reason, u.nearest_roll, u.miss_mm) for u in plan.unserved],
        ),
    }
    return {name: (heads, [_rounded(row) for row in rows]) for name, (heads, rows) in made.items()}


def _picked(row: Mapping[str, object], keys: Sequence[str]) -> list[object]:
    return [row.get(key, "") for key in keys]


def _rounded(row: Sequence[object]) -> list[object]:
    return [round(value, TABLE_PLACES) + 0.0 if isinstance(value, float) else value for value in row]


def _pour_line(pour: Pour) -> list[object]:
    window = pour.pour_window_c
    return _picked(as_dict(pour), POUR_KEYS) + ([window.try_low, window.try_high] if window is not None else ["", ""])


def _printed(planned: Planned, plan: Plan, units: UnitSystem) -> dict[str, bytes]:
    """What is printed: cutting sheets and all papers of a plan, in the shop's language and on its paper."""
    say, paper = Words(planned.settings.language), planned.settings.paper
    return {f"paper/{name}.pdf": plan_paper(name, plan, units, say, paper) for name in PAPERS}


def _pictures(plan: Planned, record: Plan, units: UnitSystem) -> dict[str, Drawing]:
    found = {}
    if record.days:
        found["pictures/days.svg"] = day_picture(record.days, Words(plan.settings.language))
    for division in dict.fromkeys(p.division for p in plan.pipes):
        members = [p for p in plan.pipes if p.division == division]
        found[f"pictures/scales-{safe_name(division).lower()}.svg"] = half_tone_picture(
            members, f"{division}: scales in half tones, at sounding pitch"
        )
    found["pictures/metal.svg"] = metal_picture(plan.account)
    found["pictures/waste.svg"] = waste_picture(plan.waste, Words(plan.settings.language))
    for pour in plan.pours:
        if pour.card is not None:
            name = f"pictures/push-{safe_name(pour.order.sheet.id)}.svg"
            found[name] = push_picture(pour.card, f"{pour.order.sheet.id}: thickness that the push should give")
    for cut in plan.cut_rolls:
        found[f"cutting/{safe_name(cut.roll.id)}.svg"] = cutting_sheet(cut, plan.organ.name, units)
    return found


def write_plan_files(planned: Planned, folder: Path) -> Plan:
    """Write a plan into a folder and return its record.

    Gives plan.json, index.html, paper/*.pdf, cutting/*.svg, pictures/*.svg, seven CSV tables and plan.xlsx with them, and
    layout-problem.json with layout-plan.json, which anyone may check again; what an earlier plan left there under these names
    is replaced. Pages and sheets are in the units, the language and on the paper of the shop's settings, JSON and tables metric.
    """
    plan, settings = plan_record(planned), planned.settings
    units = units_of(settings)
    tables = _tables(plan)
    files: dict[str, str | bytes] = {"plan.json": write(plan)}
    files["layout-problem.json"] = _json(problem_to_dict(planned.problem))
    files["layout-plan.json"] = _json(plan_to_dict(planned.layout))
    files |= {f"{name}.csv": csv_of(headings, rows) for name, (headings, rows) in tables.items()}
    files |= {name: to_svg(drawing) for name, drawing in _pictures(planned, plan, units).items()}
    files |= _printed(planned, plan, units)
    files["index.html"] = (
        environment(units, Words(settings.language))
        .get_template("plan.html")
        .render(
            plan=plan,
            notes_named=NOTES_NAMED,
            unserved=unserved_pipes(plan),
            safe_name=safe_name,
            clock=clock_text,
            scales=[n for n in files if n.startswith("pictures/scales-")],
            waste=waste_by_alloy(planned.waste),
            kinds=list(Waste),
            papers=[n for n in files if n.startswith("paper/")],
        )
    )
    files["plan.xlsx"] = workbook_of([OutTable(name, *table) for name, table in tables.items()])
    write_all(folder, files, drop=("cutting", "pictures", "paper"))
    return plan


def _json(value: object) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False) + "\n"

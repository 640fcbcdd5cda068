"""What goes to the bench: patterns that open clean, sheets on which nothing overlaps, tables that run nothing."""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import ezdxf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipemetal.documents.charts import Axis, round_step
from pipemetal.documents.cutting_letters import number_mm
from pipemetal.documents.cutting_map import close_ups
from pipemetal.documents.cutting_sheet import cutting_sheet
from pipemetal.documents.drawing import LEAST_LETTERS_MM, Drawing, Polygon, Text, text_width_mm
from pipemetal.documents.patterns import write_patterns
from pipemetal.documents.pictures import half_tone_picture
from pipemetal.documents.plan_pages import safe_name
from pipemetal.documents.svg import to_svg
from pipemetal.files.sheet_out import csv_of
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.planning.blanks import SheetLimits, blanks_for
from pipemetal.planning.cuts import CutRoll, ForPipe, cut_rolls
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.units import UnitSystem
from pipemetal.words import Words


@pytest.fixture(scope="module")
def pipes() -> tuple[Pipe, ...]:
    ranks = (
        Rank("Tapered 4", "I", "m", Fraction(4), 0, 11, construction="tapered", top_ratio=0.6),
        Rank("Stopped 8", "I", "m", Fraction(8), 0, 11, construction="stopped", tuning="cap"),
    )
    return organ_pipes(Organ("O", Pitch(), ranks), lambda _: 9.0)


def test_patterns_open_clean_and_have_true_arcs(pipes: tuple[Pipe, ...], tmp_path: Path) -> None:
    parts = [part for pipe in pipes for part in pipe.parts]
    files = write_patterns(parts, tmp_path)
    assert {f.name for f in files} >= {"tapered-4-body.dxf", "stopped-8-cap-rim.dxf", "tapered-4-foot.dxf"}
    for path in files:
        document = ezdxf.readfile(path)
        assert document.units == ezdxf.units.MM
        assert not document.audit().errors
    space = ezdxf.readfile(tmp_path / "tapered-4-body.dxf").modelspace()
    bodies = [p for p in parts if p.kind == "body" and p.sector is not None]
    arcs = sorted(arc.dxf.radius for arc in space.query("ARC") if arc.dxf.layer == "cut")
    assert len(arcs) == 2 * len(bodies)
    for part in bodies:
        assert part.sector is not None
        assert any(math.isclose(r, part.sector.outer_radius_mm, rel_tol=1e-9) for r in arcs)
    # the finished outline lies within, and the mouth is marked
    within = sorted(arc.dxf.radius for arc in space.query("ARC") if arc.dxf.layer == "finished")
    assert len(within) == 2 * len(bodies)
    assert any(math.isclose(r, bodies[0].development.outer_radius_mm, rel_tol=1e-9) for r in within)  # type: ignore[union-attr]
    assert {e.dxf.layer for e in space} >= {"cut", "finished", "label", "check"}
    checks = [line for line in space.query("LINE") if line.dxf.layer == "check"]
    assert math.isclose(checks[0].dxf.start.distance(checks[0].dxf.end), 100.0)


def one_sheet(pipes: tuple[Pipe, ...], count: int) -> CutRoll:
    """Bodies side by side on a roll of their own, thickness of no matter."""
    ordered = blanks_for(pipes, SheetLimits(20_000.0, 3000.0))
    chosen = [o for o in ordered if o.blank.kind in ("languid", "cap disc")][:count]
    width = max(o.blank.width_mm for o in chosen) + 40.0
    placements, x = [], 15.0
    for o in chosen:
        placements.append(Placement(o.blank.id, "R1", x, 15.0))
        x += o.blank.length_mm + 1.0
    field = ThicknessField.from_grid([0.0, x + 20.0], [[1.2, 0.8]] * 2, width_mm=width)
    roll = Roll("R1", "m", x + 20.0, width, 15.0, field)
    layout = LayoutPlan(tuple(placements), (), (), 1.0, 1.0, 0.5, 1.0, 0.0, 0, 0)
    made_for = [ForPipe(o.blank, o.pipe.id, o.pipe.rank, o.pipe.note) for o in chosen]
    return cut_rolls(layout, {"R1": roll}, made_for, {"m": 9.0}, {"R1": 20.0}, 1.0)[0]


@pytest.mark.parametrize("count", [1, 12, 36])
def test_every_blank_stands_in_the_list_of_its_cutting_sheet(pipes: tuple[Pipe, ...], count: int) -> None:
    cut = one_sheet(pipes, count)
    drawing = cutting_sheet(cut, "An organ with a rather long name that goes on and on")
    texts = [s for s in drawing.shapes if isinstance(s, Text)]
    listed = [t.text for t in texts if t.layer == "list"]
    for piece in cut.cuts:
        assert piece.blank.id in listed
    for text in texts:
        width = text_width_mm(text.text, text.size_mm) if not text.turn_deg else text.size_mm
        left = {"start": text.at[0], "middle": text.at[0] - width / 2, "end": text.at[0] - width}[text.anchor]
        assert left >= -1.0
        assert left + width <= drawing.width_mm + 1.0, text.text
        assert 0.0 <= text.at[1] <= drawing.height_mm
    blanks = [s for s in drawing.shapes if isinstance(s, Polygon) and s.layer == "blank"]
    assert len(blanks) == count


@pytest.mark.parametrize("units", [UnitSystem(), UnitSystem("in", "lb", "F")], ids=["mm", "in"])
def test_list_columns_do_not_run_into_each_other(pipes: tuple[Pipe, ...], units: UnitSystem) -> None:
    drawing = cutting_sheet(one_sheet(pipes, 36), "O", units)
    rows: dict[float, list[tuple[float, float, str]]] = {}
    for text in drawing.shapes:
        if isinstance(text, Text) and text.layer == "list":
            wide = text_width_mm(text.text, text.size_mm, bold=text.bold)
            left = text.at[0] - (wide if text.anchor == "end" else 0.0)
            rows.setdefault(round(text.at[1], 2), []).append((left, left + wide, text.text))
    assert len(rows) >= 9
    for row in rows.values():
        for before, after in itertools.pairwise(sorted(row)):
            assert before[1] < after[0], (before, after)


def test_svg_is_well_formed_and_escapes_what_people_write() -> None:
    drawing = Drawing(100.0, 50.0, 'A <b> & "c"')
    drawing.text("t", 1, 1, "</text><script>alert(1)</script>")
    drawing.rectangle("r", 1, 1, 5, 5, title="<i>&")
    text = to_svg(drawing)
    root = ElementTree.fromstring(text)
    assert root.attrib["width"] == "100mm"
    assert "<script" not in text


def test_half_tone_picture_has_a_line_for_each_rank(pipes: tuple[Pipe, ...]) -> None:
    names = {s.text for s in half_tone_picture(pipes, "Scales").shapes if isinstance(s, Text)}
    assert {"Tapered 4", "Stopped 8", "half tones"} <= names


@given(st.floats(1e-3, 1e6), st.integers(2, 12))
def test_axis_steps_are_round_and_few(span: float, most: int) -> None:
    step = round_step(span, most)
    assert span / step <= most * 1.002  # a hair more than asked is worth a rounder step
    assert re.fullmatch(r"[125]e[+-]\d+", f"{step:.0e}")


@given(st.floats(-1e3, 1e3), st.floats(0.01, 1e3))
def test_an_axis_holds_its_values(low: float, span: float) -> None:
    axis = Axis.round(low, low + span, "x")
    assert axis.low <= low + 1e-6 * span + 1e-9
    assert axis.high >= low + span - 1e-6 * span - 1e-9


@given(st.lists(st.text(max_size=12), min_size=1, max_size=6))
def test_tables_run_nothing_in_a_spreadsheet_and_read_back(cells: list[str]) -> None:
    cells = [c.replace("\r", "").replace("\n", "").replace("\0", "") for c in cells]
    rows = list(csv.reader(io.StringIO(csv_of([f"c{i}" for i in range(len(cells))], [cells]))))
    if all(c == "" for c in cells):
        return
    for cell, read in zip(cells, rows[1], strict=True):
        assert not read.startswith(("=", "+", "-", "@", "\t"))
        assert read.removeprefix("'") == cell.removeprefix("'")


@given(st.text(max_size=40))
def test_names_of_files_stay_in_their_folder(name: str) -> None:
    assert re.fullmatch(r"[A-Za-z0-9_-]+", safe_name(name))


def test_blanks_too_small_to_read_are_drawn_enlarged(pipes: tuple[Pipe, ...]) -> None:
    """A rank of small languids on a long sheet: their numbers stand again in a part drawn larger, in letters that are read."""
    cut = one_sheet(pipes, 36)
    small = tuple(
        replace(c, placement=replace(c.placement, x_mm=20.0 + 9.0 * (k % 9), y_mm=20.0 + 9.0 * (k // 9)))
        for k, c in enumerate(cut.cuts)
    )
    small = tuple(replace(c, blank=replace(c.blank, length_mm=8.0, width_mm=8.0)) for c in small)
    parts = close_ups(small, 0.06, (273.0, 80.0), Words())
    assert parts and {c.number for part in parts for c in part.cuts} >= {c.number for c in small[9:]}
    for part in parts:
        assert part.width_mm <= 273.0 and part.height_mm <= 80.0 and part.gain > 0.06
        assert all(number_mm(c, part.gain) >= LEAST_LETTERS_MM for c in part.cuts)
    assert close_ups(small, 1.0, (273.0, 80.0), Words()) == []

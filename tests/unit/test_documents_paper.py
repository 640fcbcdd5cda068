"""Paper: what is printed measures what it says, scans, fits its page, and is the same every time."""

from __future__ import annotations

import io
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pypdfium2
import pytest
import zxingcpp
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from pipemetal.cli.main import cli
from pipemetal.documents.drawing import Arc, Drawing
from pipemetal.documents.dxf import to_dxf
from pipemetal.documents.labels import Label, label_pages, label_pdf, label_sheet, label_sheets, test_page_pdf
from pipemetal.documents.patterns import pattern_drawing
from pipemetal.documents.plan_paper import PAPERS, plan_paper
from pipemetal.documents.sheet import Paragraph, Sheet, table
from pipemetal.documents.tiles import MARGIN_MM, OVERLAP_MM, tile_pdf, tiles_of
from pipemetal.documents.typeset import to_pdf
from pipemetal.errors import UnitError
from pipemetal.files.sheet_out import OutTable, write_tables
from pipemetal.pipes.pipe import Part, RingSector
from pipemetal.plans.codec import NEEDED, from_value
from pipemetal.units import UnitSystem
from pipemetal.words import Words

DPI = 300.0
PIXEL_MM = 25.4 / DPI


def pages_of(pdf: bytes, dpi: float = DPI) -> list[npt.NDArray[np.uint8]]:
    """Pages of a PDF as grey pictures, row 0 at the top."""
    return [np.asarray(page.render(scale=dpi / 72.0).to_pil().convert("L")) for page in pypdfium2.PdfDocument(pdf)]


def text_of(pdf: bytes) -> str:
    return "\n".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(pdf))


def dark_runs(line: npt.NDArray[np.uint8]) -> list[tuple[int, int]]:
    """First and last pixel of every run of ink."""
    dark = np.flatnonzero(np.diff(np.concatenate(([0], (line < 128).astype(int), [0]))))
    return [(int(a), int(b) - 1) for a, b in zip(dark[::2], dark[1::2], strict=True)]


def cone(outer: float, inner: float, angle: float) -> Part:
    ring = RingSector(outer, inner, angle)
    length, width = ring.box_mm()
    return Part("Flute 4 c body", "body", "plain-30", length, width, 0.8, 0.7, 0.08, (0,), ring, 1.0, 1.0, 1.0, 1.0)


def plate(length: float, width: float, name: str = "Principal 8 C body") -> Part:
    return Part(name, "body", "plain-30", length, width, 0.8, 0.7, 0.08, (0,), None, 1.0, 1.0, 1.0, 1.0)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_check_line_of_a_tile_is_a_hundred_millimetres_on_the_page(paper: str) -> None:
    page = pages_of(tile_pdf(pattern_drawing([plate(150.0, 100.0)]), paper))[0]
    y = page.shape[0] - round((MARGIN_MM - 4.0) / PIXEL_MM)
    runs = [run for row in range(y - 3, y + 4) for run in dark_runs(page[row])]
    longest = max(last - first + 1 for first, last in runs) * PIXEL_MM
    assert longest == pytest.approx(
        100.0, abs=0.2 + 0.3
    )  # the strokes at its ends are 0.3 mm wide, half of each beyond it


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_blank_across_two_tiles_goes_on_where_it_left_off(paper: str) -> None:
    """A plate 320 mm wide: its edges lie 320 mm apart when the second page is laid on the first one's broken line."""
    drawing = Drawing(352.0, 120.0, "plate")
    drawing.rectangle("cut", 16.0, 20.0, 320.0, 80.0, width_mm=0.3)
    tiles = tiles_of(drawing, paper)
    assert [tile.name for tile in tiles] == ["A1", "B1"]
    first, second = pages_of(tile_pdf(drawing, paper))
    y = first.shape[0] - round((MARGIN_MM + 60.0) / PIXEL_MM)

    def upright_at(page: npt.NDArray[np.uint8], expected_mm: float) -> float:
        runs = [(a + b + 1) / 2.0 * PIXEL_MM for a, b in dark_runs(page[y])]
        return min(runs, key=lambda x: abs(x - expected_mm))

    left = upright_at(first, MARGIN_MM + 16.0) - MARGIN_MM + tiles[0].left_mm
    right = upright_at(second, MARGIN_MM + 336.0 - tiles[1].left_mm) - MARGIN_MM + tiles[1].left_mm
    assert right - left == pytest.approx(320.0, abs=0.2)
    assert tiles[1].left_mm == pytest.approx(
        pypdfium2.PdfDocument(tile_pdf(drawing, paper))[0].get_width() / 72 * 25.4 - 2 * MARGIN_MM - OVERLAP_MM,
        abs=0.01,
    )


def test_every_part_of_a_drawing_lies_on_some_tile() -> None:
    drawing = pattern_drawing([plate(1200.0, 300.0), cone(900.0, 500.0, 40.0)])
    tiles = tiles_of(drawing)
    wide, high = 210.0 - 2 * MARGIN_MM, 297.0 - 2 * MARGIN_MM
    for shape in drawing.shapes:
        points = getattr(shape, "points", None) or (shape.end_points() if isinstance(shape, Arc) else ())
        for x, y in points:
            assert any(t.left_mm <= x <= t.left_mm + wide and t.bottom_mm <= y <= t.bottom_mm + high for t in tiles)


def test_a_drawing_of_too_many_pages_is_refused() -> None:
    with pytest.raises(ValueError, match="pages for one drawing"):
        tile_pdf(pattern_drawing([plate(5000.0, 900.0, f"P {i}") for i in range(12)]))


@given(st.floats(200.0, 4000.0), st.floats(0.05, 0.9), st.floats(8.0, 170.0))
@settings(max_examples=30, deadline=None)
def test_a_cone_in_dxf_has_its_radii_and_its_area(outer: float, share: float, angle: float) -> None:
    part = cone(outer, outer * share, angle)
    space = to_dxf(pattern_drawing([part])).modelspace()
    radii = sorted(arc.dxf.radius for arc in space.query("ARC"))
    assert radii == pytest.approx([outer * share, outer], rel=1e-9)
    spans = [(arc.dxf.end_angle - arc.dxf.start_angle) % 360.0 for arc in space.query("ARC")]
    area = 0.5 * math.radians(spans[0]) * (radii[1] ** 2 - radii[0] ** 2)
    assert part.sector is not None
    assert area == pytest.approx(part.sector.area_mm2(), rel=1e-6)


def test_a_plate_in_dxf_has_its_area() -> None:
    (outline,) = to_dxf(pattern_drawing([plate(1234.5, 321.25)])).modelspace().query("LWPOLYLINE")
    xs, ys = zip(*[(p[0], p[1]) for p in outline.get_points()], strict=True)
    assert (max(xs) - min(xs)) * (max(ys) - min(ys)) == pytest.approx(1234.5 * 321.25, rel=1e-9)


@pytest.mark.parametrize("name", list(label_sheets()))
def test_every_label_of_every_sheet_scans(name: str) -> None:
    labels = [
        Label(f"R{100 + i}-{i}", (f"R{100 + i}-{i}", "spotted-50", "2350 x 640 mm", "rack B, arm 4")) for i in range(3)
    ]
    pages = pages_of(label_pdf(labels, name))
    read = {code.text for page in pages for code in zxingcpp.read_barcodes(page)}
    assert read == {label.code for label in labels}


def test_labels_begin_at_the_first_free_position_and_go_on_over_the_page() -> None:
    labels = [Label(f"R{i}", (f"R{i}",)) for i in range(10)]
    sheet = label_sheet("a4 2x4")
    pages = label_pages(labels, sheet, first=7)
    assert len(pages) == 2
    read = [
        sorted(code.text for code in zxingcpp.read_barcodes(page))
        for page in pages_of(label_pdf(labels, "a4 2x4", first=7))
    ]
    assert read[0] == ["R0", "R1"]


def test_a_label_lies_on_its_sheet_where_the_measures_say_and_moves_with_the_printer() -> None:
    sheet = label_sheet("a4 2x7")
    for right, down in ((0.0, 0.0), (1.5, -2.0)):
        page = pages_of(test_page_pdf("a4 2x7", right_mm=right, down_mm=down))[0]
        y = round((sheet.top_mm + down + sheet.height_mm * 0.7) / PIXEL_MM)
        first = dark_runs(page[y])[0][0] * PIXEL_MM
        assert first == pytest.approx(sheet.left_mm + right, abs=0.2)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: label_pdf([Label("a", ("a",))], "a4 9x9"), "not a label sheet"),
        (lambda: label_pdf([Label("a", ("a",))], "a4 2x4", first=9), "not a position"),
        (lambda: label_pdf([Label("a", ("a",))], "a4 2x4", right_mm=80.0), "moves too far"),
        (lambda: to_pdf([Sheet("a")], "a9"), "not a paper"),
        (lambda: Words("fr"), "not a language"),
    ],
)
def test_refused(make: Any, says: str) -> None:
    with pytest.raises(UnitError, match=says):
        make()


HOSTILE = 'a "quoted" #strong[x] $1+1$ \\ @ref <label> // no *bold* _it_ \u202e\x07 =SUM(1) ]]}'


def test_no_text_is_taken_for_a_command_of_the_typesetter() -> None:
    sheet = Sheet(HOSTILE, HOSTILE, (Paragraph(HOSTILE), table([HOSTILE, "kg"], [(HOSTILE, "1")])), foot=HOSTILE)
    text = text_of(to_pdf([sheet]))
    assert "#strong[x]" in text
    assert "*bold*" in text


def test_the_same_sheet_gives_the_same_bytes() -> None:
    sheets = [Sheet("Melt", "x", (table(["lot", "kg"], [("P1", "12.5")]), Paragraph("ü ß ½ ′")))]
    assert to_pdf(sheets) == to_pdf(sheets)
    labels = [Label("R1", ("R1", "spotted"))]
    assert label_pdf(labels, "a4 3x8") == label_pdf(labels, "a4 3x8")


def test_the_same_tables_give_the_same_workbook_that_runs_nothing(tmp_path: Path) -> None:
    rows = [["=1+1", 12.5, None], ["+x", 0.123456, "-2"]]
    tables = [OutTable("lots", ["id", "mass_kg", "note"], rows)]
    write_tables(tmp_path / "a.xlsx", tables)
    write_tables(tmp_path / "b.xlsx", tables)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    sheet = load_workbook(tmp_path / "a.xlsx")["lots"]
    assert sheet.freeze_panes == "B2"
    assert sheet["A2"].data_type == "s"
    assert sheet["A2"].value == "=1+1"
    assert sheet["B2"].number_format == "0.000"


LOT = {
    "id": "S1",
    "kind": "scrap",
    "mass_kg": 73.0,
    "pieces": 0,
    "composition": "Sn 50 Pb bal",
    "note": "offcuts of a very long name " * 3,
}
MELT: dict[str, Any] = {
    "name": "M01",
    "recipe": "spotted-50",
    "sheets": ["N001"],
    "wanted_kg": 400.0,
    "pot_emptied_before": True,
    "heel_kg": 15.0,
    "lots": [LOT] * 14,
    "charged_kg": 390.5,
    "dross_kg": 4.2,
    "left_kg": 31.0,
    "composition_wt_pct": {"Pb": 49.5, "Sn": 50.1, "Sb": 0.3},
    "interval_wt_pct": {"Pb": [49.1, 50.0], "Sn": [49.6, 50.6], "Sb": [0.2, 0.4]},
    "window_wt_pct": {"Sn": [48.5, 51.5]},
    "heat": {"hours": 2.5, "natural_gas_m3": 6.3, "propane_kg": 4.9},
}
POUR: dict[str, Any] = {
    "sheet": "N001",
    "alloy": "spotted-50",
    "melt": "M01",
    "day": 1,
    "number": 1,
    "length_mm": 4000.0,
    "width_mm": 900.0,
    "cast_start_mm": 1.49,
    "cast_end_mm": 1.09,
    "charge_kg": 113.4,
    "stone_temperature_c": 17.0,
    "starts_after_min": 75,
    "problem": "",
    "pour_window_c": {"too_cold_below": 243.0, "try_low": 249.0, "try_high": 267.1, "too_hot_above": 350.0},
    "time_to_solid_s": 35.1,
    "lift_after_s": 180.0,
    "scoops": 10,
    "gate_mm": 2.3,
    "push_time_s": 4.57,
    "beat_s": 0.5,
    "marks": [{"distance_m": 0.25 * i, "time_s": 0.3 * i, "speed_m_s": 0.8} for i in range(23)],
    "beats": [{"distance_m": 0.4, "time_s": 0.5, "speed_m_s": 0.8}] * 10,
    "speed_change": "keep a steady push",
    "warnings": ["first cast"],
    "rests_on": "28 logged casts",
}
UNCAST = {k: v for k, v in POUR.items() if k not in ("gate_mm", "scoops", "marks", "beats")} | {
    "number": 2,
    "problem": "too thin",
    "sheet": "N002",
}
PIPE: dict[str, Any] = {
    "id": "Gedecktpommer 8 C",
    "rank": "Gedecktpommer mit sehr langem Namen 8",
    "division": "Great",
    "alloy": "spotted-50",
    "construction": "stopped",
    "note": "C",
    "key": 0,
    "choir": 1,
    "footage": "8'",
    "diameter_mm": 121.4,
    "half_tones": -2.5,
    "mouth_width_mm": 90.0,
    "cut_up_mm": 30.0,
    "body_length_mm": 1120.0,
    "foot_length_mm": 240.0,
    "thickness_mouth_mm": 1.1,
    "thickness_top_mm": 0.9,
    "thickness_foot_mm": 1.2,
    "languid_thickness_mm": 3.0,
    "flue_mm": 0.7,
    "toe_bore_mm": 10.0,
    "mass_kg": 6.2,
    "stress_toe_mpa": 2.4,
    "toe_flag": True,
    "wall_source": "",
}
PLAN: dict[str, Any] = {
    **{kind: [] for kind in NEEDED},
    "format": "pipemetal plan 1",
    "organ": "Merrowby Chapel",
    "shop": "Tinbrook pipe shop (invented)",
    "program": "pipemetal 0",
    "cautions": ["Dry and warm."],
    "melts": [
        MELT,
        {
            "name": "M02",
            "recipe": "tin-75",
            "blocked_by": [],
            "words": "no tin",
            "pot_emptied_before": False,
            "heel_kg": 0.0,
            "sheets": [],
        },
    ],
    "pours": [POUR, UNCAST],
    "pipes": [PIPE | {"key": k, "note": f"n{k}", "half_tones": k / 10.0} for k in range(56)],
    "rolls_used": [{"id": "R101", "alloy": "spotted-50", "blanks_kg": 12.0, "place": "rack A"}],
    "metal": {
        "by_alloy": {"spotted-50": {"new_metal_kg": 100.0, "pipes_kg": 60.0}},
        "in_all": {"new_metal_kg": 100.0, "pipes_kg": 60.0},
        "by_element_kg": {"new metal": {"Sn": 50.0, "Pb": 50.0}},
        "unexplained_kg": 0.0,
    },
    "to_buy_kg": {"Sn": 25.0},
    "sheets_to_buy": [{"metal": "zinc", "thickness_mm": 0.8, "blanks": 12, "blank_area_m2": 3.2, "blank_kg": 18.0}],
    "lots_without_analysis": ["X1"],
}


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", list(PAPERS))
def test_every_paper_keeps_its_ink_within_the_page(name: str, paper: str, language: str) -> None:
    units = UnitSystem("in", "lb", "F") if paper == "letter" else UnitSystem(comma=language == "de")
    pdf = plan_paper(name, from_value(PLAN), units, Words(language), paper)
    for page in pages_of(pdf, 60.0):
        margin = 12  # pixels, 5 mm: nothing runs off the paper or into the printer's edge
        edge = np.concatenate(
            [page[:, :margin].ravel(), page[:, -margin:].ravel(), page[:margin].ravel(), page[-margin:].ravel()]
        )
        assert int(edge.min()) > 200
    assert plan_paper(name, from_value(PLAN), units, Words(language), paper) == pdf


def test_a_weighing_list_says_what_to_weigh_and_leaves_room_for_the_scale() -> None:
    text = text_of(plan_paper("weighing", from_value(PLAN), UnitSystem(), Words()))
    for words in (
        "390.5 kg to weigh",
        "Empty the pot first",
        "scale says",
        "on a heel of 15.0 kg",
        "Cannot be charged: no tin",
    ):
        assert words in text


def test_a_casting_day_has_cautions_first_and_a_card_for_every_pour() -> None:
    text = text_of(plan_paper("casting-days", from_value(PLAN), UnitSystem(), Words()))
    assert text.index("Read first") < text.index("249")
    assert "1:15" in text
    assert "No push gives this sheet: too thin" in text
    assert "249 – 267 °C" in text


def test_a_rank_sheet_flags_the_toes() -> None:
    assert "! marks pipes whose toes bear much" in text_of(plan_paper("ranks", from_value(PLAN), UnitSystem(), Words()))


def test_german_says_everything_in_german_with_a_comma() -> None:
    text = text_of(plan_paper("weighing", from_value(PLAN), UnitSystem(comma=True), Words("de")))
    assert "390,5 kg" in text
    assert "Schmelze M01" in text
    for english in ("to weigh", "scale says", "pieces", "window"):
        assert english not in text


SAID = re.compile(r'\bsay\(\s*((?:"(?:[^"\\]|\\.)*"\s*)+)')


def said_texts() -> set[str]:
    """Every text that the code hands to `say`, adjacent literals joined."""
    found = set()
    root = Path(__file__).parents[2] / "src" / "pipemetal"
    for path in [*root.rglob("*.py"), *(root / "documents" / "templates").glob("*.html")]:
        for match in SAID.finditer(path.read_text(encoding="utf-8")):
            parts = re.findall(r'"((?:[^"\\]|\\.)*)"', match[1])
            found.add("".join(parts).replace('\\"', '"'))
    return found


def test_the_german_catalogue_has_every_text_with_the_same_places_for_values() -> None:
    german = Words("de")
    missing = sorted(text for text in said_texts() if german(text) == text and text not in UNCHANGED)
    assert not missing
    for text in said_texts():
        assert set(re.findall(r"\{(\w+)", german(text))) == set(re.findall(r"\{(\w+)", text)), text


UNCHANGED = {"± (95 %), {unit}", "Element"}
"""Texts that are the same in both languages."""


def test_papers_are_printed_again_in_another_language(tmp_path: Path) -> None:
    plan = tmp_path / "plan.json"
    plan.write_text(json.dumps(PLAN), encoding="utf-8")
    words = ["paper", str(plan), "weighing", "--out", str(tmp_path / "p"), "--language", "de", "--paper", "letter"]
    assert CliRunner().invoke(cli, words, catch_exceptions=False).exit_code == 0
    pdf = pypdfium2.PdfDocument(io.BytesIO((tmp_path / "p" / "weighing.pdf").read_bytes()))
    assert pdf[0].get_width() == pytest.approx(215.9 / 25.4 * 72.0, abs=0.5)


def test_the_blanks_of_a_roll_get_labels(tmp_path: Path) -> None:
    cut = {
        "number": 1,
        "blank": "Principal 8 C body",
        "kind": "body",
        "rank": "Principal 8",
        "note": "C",
        "x_mm": 15.0,
        "y_mm": 15.0,
        "mass_kg": 5.0,
        "length_mm": 2500.0,
        "width_mm": 480.0,
        "actual_mouth_mm": 1.1,
        "actual_top_mm": 0.9,
    }
    body = PLAN | {
        "rolls_used": [{"id": "R101", "cuts": [cut, cut | {"number": 2, "blank": "Principal 8 D body"}]}],
        "new_sheets": [],
    }
    (tmp_path / "plan.json").write_text(json.dumps({kind: [] for kind in NEEDED} | body), encoding="utf-8")
    out = tmp_path / "l.pdf"
    words = ["label", "R101", "--blanks", str(tmp_path / "plan.json"), "--out", str(out), "--sheet", "a4 2x7"]
    assert CliRunner().invoke(cli, words, catch_exceptions=False).exit_code == 0
    read = {code.text for page in pages_of(out.read_bytes()) for code in zxingcpp.read_barcodes(page)}
    assert read == {"Principal 8 C body", "Principal 8 D body"}
    assert "no.2ofR101" in text_of(out.read_bytes()).replace(" ", "")


# every kind of letter that a shop's names hold: wide, narrow, figures, other scripts, and some that the face lacks
WIDE = ("SCRMIX", "WWWWMMMM@@", "R101-1.25", "ÄÖÜẞ ÉÆŒ", "lot:Zinn (fein) 99,9 %", "illl'''...", "ЩЖЮМ", "龍龍龍龍龍龍")


@pytest.mark.parametrize("name", list(label_sheets()))
@pytest.mark.parametrize("text", WIDE)
def test_every_letter_prints_within_its_label(name: str, text: str) -> None:
    sheet = label_sheet(name)
    labels = [Label("R1", (text, text * 2, text * 4)) for _ in range(min(sheet.count, 4))]
    image = pages_of(label_pdf(labels, name))[0]
    for position in range(len(labels)):
        row, column = divmod(position, sheet.columns)
        right = sheet.left_mm + column * sheet.across_mm + sheet.width_mm
        top = sheet.top_mm + row * sheet.down_mm
        rows = slice(round((top + 0.2) / PIXEL_MM), round((top + sheet.height_mm - 0.2) / PIXEL_MM))
        strip = image[rows, round((right - 1.6) / PIXEL_MM) : round((right - 0.2) / PIXEL_MM)]
        assert strip.min() > 200, f"label {position + 1} of {name}: {text!r} runs over its right edge"


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize("text", WIDE[:-1])
def test_a_text_is_as_wide_as_it_prints(text: str, bold: bool) -> None:
    from pipemetal.documents.drawing import Drawing, text_width_mm
    from pipemetal.documents.typeset import drawing_pages

    drawing = Drawing(300.0, 20.0)
    drawing.text("t", 10.0, 8.0, text, 8.0, bold=bold)
    inked = np.flatnonzero((pages_of(drawing_pages([drawing], "t"))[0] < 200).any(axis=0)) * PIXEL_MM
    printed = inked[-1] - 10.0
    # a letter's ink may end a little before its width does
    assert printed <= text_width_mm(text, 8.0, bold=bold) <= printed * 1.03 + 1.2
    assert inked[0] >= 9.0


@pytest.mark.parametrize("mass_kg", [0.05, 0.1, 0.25, 0.35, 1.25, 9.75, 62.5])
@pytest.mark.parametrize("unit", ["kg", "lb"])
def test_what_is_to_be_weighed_is_printed_to_a_part_in_two_hundred(mass_kg: float, unit: str) -> None:
    """A quarter kilogram of antimony printed as 0.2 took a melt out of its window."""
    shown = float(UnitSystem(mass=unit).show_weighed(mass_kg).split()[0])
    assert shown == pytest.approx(mass_kg if unit == "kg" else mass_kg / 0.45359237, rel=0.005)


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_sheet_that_no_temperature_suits_is_not_to_be_poured(language: str) -> None:
    """Its card has a push and no range: the paper says so, and why, instead of a headline to follow."""
    pour = {k: v for k, v in POUR.items() if k != "pour_window_c"} | {"warnings": ["below 377 C it sets too soon"]}
    plan = from_value({"format": "pipemetal plan 2", "organ": "Chapel", "pours": [pour]})
    pdf = pypdfium2.PdfDocument(plan_paper("casting-days", plan, UnitSystem(), Words(language)))
    told = " ".join("\n".join(page.get_textpage().get_text_bounded() for page in pdf).split())
    assert Words(language)("Do not pour it so: no pouring temperature suits this sheet.") in told
    assert "below 377 C it sets too soon" in told.replace("Below", "below")
    assert "push 4.6 s" not in told and "10 scoops" not in told

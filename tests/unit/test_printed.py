"""Every kind of paper, in both languages, on both papers, metric and in inches, printed and looked at."""

from __future__ import annotations

import io
import re
import socket
import threading
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
import zxingcpp
from click.testing import CliRunner
from PIL import Image
from printed_pages import Page, lying_on_each_other, pages_of

from pipemetal.cli.main import cli
from pipemetal.documents.cutting_letters import labels_of
from pipemetal.documents.cutting_list import LARGE_MM, cut_lists
from pipemetal.documents.cutting_map import close_ups
from pipemetal.documents.drawing import Drawing, point_mm
from pipemetal.documents.labels import Label, label_images, label_pages, label_pdf, label_sheet, label_sheets
from pipemetal.documents.pattern_pages import pattern_pdfs, roll_pdf
from pipemetal.documents.pictures import half_tone_picture
from pipemetal.documents.plan_paper import PAPERS, cutting_pdf, plan_paper
from pipemetal.documents.sheet import Lines, Paragraph, Sheet, table
from pipemetal.documents.typeset import drawing_pages, to_pdf
from pipemetal.errors import PipemetalError, UnitError
from pipemetal.files.label_printer import send, zpl_of
from pipemetal.pipes.pipe import Part, RingSector
from pipemetal.plans.codec import read, write
from pipemetal.plans.record import Plan
from pipemetal.texts import Text
from pipemetal.units import UnitSystem
from pipemetal.words import Words, catalogue

WAYS = {
    "en": (Words(), UnitSystem(), "a4"),
    "en letter": (Words(), UnitSystem("in", "lb", "F"), "letter"),
    "de": (Words("de"), UnitSystem(comma=True), "a4"),
    "de letter": (Words("de"), UnitSystem("in", "lb", "F", comma=True), "letter"),
}
LEAST_PT = 5.95
"""Six points, and what rounding of a letter's box may take of them."""
MARGIN_MM = 5.0


@pytest.fixture(scope="module")
def plan(planned_file: Path) -> Iterator[Plan]:
    from pipemetal.shop.book import Book

    with Book.open(planned_file, who="tester") as book:
        found = book.plans.plan()
    assert found is not None and found.rolls_used and found.new_sheets and found.pours
    yield found


def looked_at(pdf: bytes, language: str) -> list[Page]:
    """The pages, each found to be whole: named, numbered, within its margins, legible, nothing on anything else."""
    pages = list(pages_of(pdf))
    of = Words(language)("page {page} of {pages}", page="{page}", pages=len(pages))
    for number, page in enumerate(pages, start=1):
        told = f"page {number}: "
        assert of.format(page=number) in page.text.replace("\r\n", " "), told + "is not numbered"
        assert page.ink_mm is not None, told + "is empty"
        left, bottom, right, top = page.ink_mm
        wide, high = page.size_mm
        assert min(left, bottom, wide - right, high - top) >= MARGIN_MM, told + "runs into the margin"
        assert not [(r.text, r.size_pt) for r in page.runs if r.size_pt < LEAST_PT], told + "letters too small"
        assert not lying_on_each_other(page), told + "texts lie on each other"
        assert max(r.size_pt for r in page.runs) >= 8.0, told + "has no title"
    return pages


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", PAPERS)
def test_every_paper_is_whole(plan: Plan, name: str, way: str) -> None:
    say, units, paper = WAYS[way]
    pdf = plan_paper(name, plan, units, say, paper)
    pages = looked_at(pdf, say.language)
    # a part of the organ's file that is short is a page of its own
    least = 0.15 if name == "organ-file" else 1.0 / 3.0
    assert len(pages) == 1 or min(page.filled for page in pages[1:]) >= least
    assert plan_paper(name, read(write(plan)), units, say, paper) == pdf  # the same plan, the same bytes


def test_a_size_of_letters_is_read_from_the_page_as_it_was_drawn() -> None:
    drawing = Drawing(120.0, 40.0)
    for y, size in ((10.0, 6.0), (20.0, 8.0), (30.0, 12.0)):
        drawing.text("t", 10.0, y, "Measure 123", point_mm(size))
    (page,) = pages_of(drawing_pages([drawing], "t"))
    sizes = sorted({round(run.size_pt, 1) for run in page.runs})
    assert sizes == pytest.approx([6.0, 8.0, 12.0], abs=0.15)


def test_a_roll_takes_one_page_and_says_all(plan: Plan) -> None:
    pages = looked_at(cutting_pdf(plan, UnitSystem(), Words()), "en")
    assert "Order of cutting" in pages[0].text
    sheets = [s for s in plan.sheets if s.cuts]
    first = next(k for k, page in enumerate(pages) if "cutting sheet of" in page.text)
    assert len(pages) == first + len(sheets)
    listed = " ".join(" ".join(page.text.split()) for page in pages[:first])
    for number, page in enumerate(pages[first:], start=first + 1):
        roll = page.text.split("cutting sheet of ")[1].split()[0]
        assert re.search(rf"\b{roll} .*?\b{number}\b", listed), roll  # the order of work names its page
    for sheet in sheets:
        (own,) = (p for p in pages[first:] if f"cutting sheet of {sheet.id}" in p.text)
        for cut in sheet.cuts:
            assert cut.note in own.text
        assert own.filled >= 1.0 / 3.0
    only = looked_at(cutting_pdf(plan, UnitSystem(), Words(), only=sheets[0].id), "en")
    assert len(only) == 1


def test_what_the_hand_does_stands_in_eight_points(plan: Plan) -> None:
    sheet = max(plan.sheets, key=lambda s: len(s.cuts))
    (page, *_) = pages_of(cutting_pdf(plan, UnitSystem(), Words(), only=sheet.id))
    for cut in sheet.cuts:
        size = [f"{cut.length_mm:.0f}", f"{cut.width_mm:.0f}"]
        found = [r for r in page.runs if r.text in size]
        assert found and max(r.size_pt for r in found) >= 7.85, cut.blank


def test_two_pour_cards_a_page_after_the_days_order_of_work(plan: Plan) -> None:
    pages = looked_at(plan_paper("casting-days", plan, UnitSystem(), Words()), "en")
    days = {p.day for p in plan.pours}
    cards = sum(-(-sum(p.day == day for p in plan.pours) // 2) for day in days)
    assert len(pages) == len(days) + cards
    for pour in plan.pours:
        (own,) = (p for p in pages if "pour cards" in p.text and f"{pour.number}." in p.text and pour.sheet in p.text)
        if pour.card is not None and pour.pour_window_c is not None:
            seconds = [r for r in own.runs if r.text == f"{pour.card.push_time_s:.1f}"]
            # letters of 15 mm are read at three metres
            assert max(r.size_pt for r in seconds) * 25.4 / 72.0 >= 14.5


def test_what_is_kept_is_pdf_a(plan: Plan) -> None:
    made = plan_paper("organ-file", plan, UnitSystem(), Words())
    assert b"pdfaid" in made and b"OutputIntent" in made
    text = " ".join(page.text for page in pages_of(made))
    for rank in {p.rank for p in plan.pipes}:
        assert rank in text
    assert "Where the metal comes from" in text


@pytest.mark.parametrize("rows", [20, 52, 58, 110, 130])
def test_no_last_page_is_left_nearly_empty(rows: int) -> None:
    """A signature alone, three rows alone: the sheet is set a little smaller or larger instead."""
    sheet = Sheet(
        "Melt",
        "x",
        (table(["lot", "kg"], [(f"P{k}", "12.5") for k in range(rows)]), Paragraph("a"), Lines(("signed",))),
    )
    pages = looked_at(to_pdf([sheet]), "en")
    assert len(pages) == 1 or pages[-1].filled >= 1.0 / 3.0
    assert all("Melt" in page.text for page in pages)


@pytest.mark.parametrize("name", [n for n, sheet in label_sheets().items() if sheet.count > 1])
def test_labels_keep_off_the_edges_that_a_printer_cannot_reach(name: str) -> None:
    sheet = label_sheet(name)
    labels = [Label(f"R{k}", (f"R{k}", "spotted-50", "2350 x 640 mm")) for k in range(sheet.count)]
    for page in pages_of(label_pdf(labels, name), 150.0):
        assert page.ink_mm is not None
        left, bottom, right, top = page.ink_mm
        assert min(left, bottom, page.size_mm[0] - right, page.size_mm[1] - top) >= 5.0 - 25.4 / 150.0
    assert len(label_pages(labels, sheet)) == 1


@pytest.mark.parametrize("dots", [203, 300])
def test_a_label_as_a_picture_scans_and_is_as_large_as_its_roll(dots: int) -> None:
    (image,) = label_images([Label("R101-1", ("R101-1", "spotted-50"))], "roll 90x50", dots)
    with Image.open(io.BytesIO(image)) as picture:
        assert picture.size == (pytest.approx(90 / 25.4 * dots, abs=1), pytest.approx(50 / 25.4 * dots, abs=1))
        (code,) = zxingcpp.read_barcodes(np.asarray(picture.convert("L")))
    assert code.text == "R101-1"


def dots_of(zpl: bytes) -> np.ndarray[Any, Any]:
    """The picture of a graphic field, as a printer would lay it down: 1 for black."""
    head, data = zpl.decode().split("^GFA,")[1].split("^FS")[0].split(",")[:3], zpl.decode().split("^GFA,")[1]
    total, _, row = (int(number) for number in head)
    raw = bytes.fromhex(data.split(",", 3)[3].split("^FS")[0])
    assert len(raw) == total
    return np.unpackbits(np.frombuffer(raw, dtype=np.uint8).reshape(-1, row), axis=1)


def test_what_goes_to_a_label_printer_is_one_label_each_and_scans() -> None:
    labels = [Label(f"R{k}", (f"R{k}", "lead-15")) for k in range(3)]
    zpl = zpl_of(label_images(labels, "roll 57x32"))
    single = zpl.split(b"^XZ\n")[:-1]
    assert len(single) == 3 and zpl.count(b"^PQ1") == 3
    for k, one in enumerate(single):
        (code,) = zxingcpp.read_barcodes(((1 - dots_of(one)) * 255).astype(np.uint8))
        assert code.text == f"R{k}"


def test_labels_are_sent_to_a_printer_on_the_network_and_a_dead_one_is_named(tmp_path: Path) -> None:
    held: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]

        def take() -> None:
            connection, _ = server.accept()
            with connection:
                held.append(b"".join(iter(lambda: connection.recv(65536), b"")))

        thread = threading.Thread(target=take)
        thread.start()
        send(b"^XA^XZ", f"127.0.0.1:{port}")
        thread.join()
    assert held == [b"^XA^XZ"]
    with pytest.raises(PipemetalError, match="cannot be reached"):
        send(b"^XA^XZ", f"127.0.0.1:{port}")
    with pytest.raises(PipemetalError, match="is no address of a printer"):
        send(b"^XA^XZ", "printer:ninety")


def test_many_labels_on_one_sheet_are_no_picture() -> None:
    with pytest.raises(UnitError, match="is a sheet of many labels"):
        label_images([Label("R1", ("R1",))], "a4 2x7")
    with pytest.raises(UnitError, match="label printers"):
        label_images([Label("R1", ("R1",))], "roll 90x50", 96)


def part(name: str, length: float, width: float, ring: RingSector | None = None) -> Part:
    kind = "foot" if ring else "body"
    return Part(f"{name} {kind}", kind, "plain-30", length, width, 0.8, 0.7, 0.08, (0,), ring, 1.0, 1.0, 1.0, 1.0)


def test_a_large_rectangle_is_its_sizes_on_one_page() -> None:
    plate = part("Principal 8 C", 2400.0, 448.0)
    made = pattern_pdfs([plate], "Principal 8 C body", {}, UnitSystem(), Words())
    assert list(made) == [""]
    (page,) = looked_at(made[""], "en")
    for words in ("2400.0 mm", "448.0 mm", "2441.5 mm", "corner to corner"):
        assert words in page.text
    many = [part(f"Principal 8 n{k}", 2400.0 - 30.0 * k, 448.0) for k in range(13)]
    assert len(looked_at(pattern_pdfs(many, "Principal 8 body", {}, UnitSystem(), Words())[""], "en")) == 3


def test_a_sector_is_tiled_without_empty_pages_and_a_small_blank_stays_whole() -> None:
    ring = RingSector(900.0, 300.0, 100.0)
    length, width = ring.box_mm()
    made = pattern_pdfs([part("Flute 8 C", length, width, ring)], "Flute 8 C foot", {}, UnitSystem(), Words())
    pages = list(pages_of(made[""]))
    assert 4 < len(pages) < 40
    for page in pages:
        # something besides frame, name and check line: the tile's own lines reach beyond their places
        assert page.ink_mm is not None and "page" in page.text
    small = pattern_pdfs([part("Flute 2 c", 150.0, 120.0)], "Flute 2 c body", {}, UnitSystem(), Words())
    assert len(list(pages_of(small[""]))) == 1


def test_long_blanks_go_on_a_plotters_roll() -> None:
    blanks = [part(f"Principal 16 n{k}", 4000.0 - 100.0 * k, 260.0) for k in range(4)]
    pdf = pypdfium2.PdfDocument(roll_pdf(blanks, "Principal 16 body", {}, UnitSystem(), Words(), 610.0))
    assert [round(page.get_width() / 72.0 * 25.4) for page in pdf] == [610, 610]
    assert pdf[0].get_height() / 72.0 * 25.4 > 4000.0
    with pytest.raises(UnitError, match="narrower than a blank"):
        roll_pdf(blanks, "x", {}, UnitSystem(), Words(), 250.0)


def test_all_papers_come_from_the_command_line(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(write(plan), encoding="utf-8")
    words = [
        "paper",
        str(tmp_path / "plan.json"),
        "--out",
        str(tmp_path / "p"),
        "--language",
        "de",
        "--paper",
        "letter",
    ]
    result = CliRunner().invoke(cli, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert {p.name for p in (tmp_path / "p").glob("*.pdf")} == {f"{name}.pdf" for name in PAPERS}


def test_nothing_that_a_card_says_is_dropped(plan: Plan) -> None:
    """Long warnings in German on the shorter paper: all of it stands there, smaller if it must."""
    say, units, paper = WAYS["de letter"]
    told = tuple(
        f"{'Wellen und Überläufe erstarren früher, als das Metall am Spalt dick wird ' * 2}ENDE{k}" for k in range(3)
    )
    long = replace(plan, pours=tuple(replace(p, warnings=told) for p in plan.pours))
    text = " ".join(
        " ".join(page.text.split()) for page in looked_at(plan_paper("casting-days", long, units, say, paper), "de")
    )
    poured = [p for p in plan.pours if p.card is not None and p.pour_window_c is not None]
    for k in range(3):
        assert text.count(f"ENDE{k}") == len(poured)
    for pour in poured:
        assert pour.card is not None
        assert " ".join(say.read(pour.card.rests_on, units).split()[-4:]) in text


def test_letters_that_the_face_lacks_and_very_long_names_are_printed(plan: Plan) -> None:
    name = "Ω 東京 Principal with a name that does not end for quite a while, and then some more of it 8"
    rank = plan.pipes[0].rank
    odd = replace(
        plan, organ="ΑΩ 東京 Ж", pipes=tuple(replace(p, rank=name if p.rank == rank else p.rank) for p in plan.pipes)
    )
    for paper in ("ranks", "organ-file"):
        pages = looked_at(plan_paper(paper, odd, UnitSystem(), Words()), "en")
        assert any("□□" in page.text for page in pages)


def test_a_rank_of_one_key_is_planned_and_drawn(plan: Plan) -> None:
    one = replace(plan, pipes=plan.pipes[:1])
    for paper in ("ranks", "organ-file"):
        looked_at(plan_paper(paper, one, UnitSystem(), Words()), "en")
    drawing = half_tone_picture(plan.pipes[:1], "one pipe")
    assert drawing.shapes


def test_a_printer_that_goes_away_in_the_middle_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]

        def rude() -> None:
            connection, _ = server.accept()
            connection.recv(100)
            connection.close()

        thread = threading.Thread(target=rude)
        thread.start()
        with pytest.raises(PipemetalError, match="cannot be reached"):
            send(b"^XA" + b"0" * 4_000_000 + b"^XZ", f"127.0.0.1:{port}")
        thread.join()


def test_large_blanks_keep_their_order_and_a_few_small_ones_their_number_beside_them(plan: Plan) -> None:
    from pipemetal.plans.drawn import drawn_sheets

    cuts = max(drawn_sheets(plan), key=lambda c: len(c.cuts)).cuts
    for listed in cut_lists(cuts, 273.0, UnitSystem(), Words()):
        numbers = [int(line.cells[0]) for line in listed.lines if line.cells]
        assert sorted(numbers) == sorted(c.number for c in cuts)
        large = [n for n in numbers if max(next(c for c in cuts if c.number == n).box) >= LARGE_MM]
        assert large == sorted(large)
    blank = replace(cuts[0].blank, length_mm=12.0, width_mm=8.0, sector=None)
    places = [(0.0, 0.0), (1000.0, 300.0), (1014.0, 300.0), (1028.0, 300.0), (2000.0, 600.0)]
    tiny = [
        replace(cuts[0], number=95 + k, blank=blank, placement=replace(cuts[0].placement, x_mm=x, y_mm=y, turn_deg=0))
        for k, (x, y) in enumerate(places)
    ]
    labels = labels_of(tiny, 0.05, Words())
    assert sorted(labels) == [95, 96, 97, 98, 99] and any(label.aside_mm != (0.0, 0.0) for label in labels.values())
    boxes = [label.box for label in labels.values()]
    for k, (x0, y0, x1, y1) in enumerate(boxes):
        assert not any(a < x1 and b < y1 and c > x0 and d > y0 for a, b, c, d in boxes[k + 1 :])
    assert not close_ups(tiny, 0.05, (273.0, 80.0), Words())


def test_papers_printed_again_are_as_the_plan_was_printed_unless_told_otherwise(tmp_path: Path) -> None:
    """Language, units and paper of the shop stay with its plan; plans of before have none and print as they did."""
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.plans.codec import read, write
    from pipemetal.plans.making import printed_row
    from pipemetal.plans.record import Plan, Printed

    settings = ShopSettings(language="de", paper="letter", length_unit="in", mass_unit="lb")
    held = Printed("letter", "de", "in", "lb", "C")
    assert printed_row(settings) == held and read(write(Plan("C", printed=held))).printed == held
    (tmp_path / "new.json").write_text(write(Plan("C", printed=held)), encoding="utf-8")
    (tmp_path / "old.json").write_text(write(Plan("C")), encoding="utf-8")
    told = ["--language", "de", "--paper", "letter", "--lengths", "in", "--masses", "lb"]
    for name, options in (("new", []), ("old", told), ("plain", [])):
        plan = tmp_path / f"{'old' if name == 'plain' else name}.json"
        words = ["print", "paper", str(plan), "metal-account", "--out", str(tmp_path / name), *options]
        assert CliRunner().invoke(cli, words, catch_exceptions=False).exit_code == 0
    new, old, plain = ((tmp_path / name / "metal-account.pdf").read_bytes() for name in ("new", "old", "plain"))
    assert new == old != plain


def told_by(value: object) -> Iterator[str]:
    """The templates of every text that a record holds, and of the texts within them."""
    if isinstance(value, Text):
        yield value.template
        yield from told_by(tuple(value.values.values()))
    elif isinstance(value, tuple):
        for item in value:
            yield from told_by(item)
    elif isinstance(value, dict):
        yield from told_by(tuple(value.values()))
    elif is_dataclass(value):
        for field in fields(value):
            yield from told_by(getattr(value, field.name))


def test_everything_that_a_plan_says_is_said_in_german(plan: Plan) -> None:
    held = catalogue("de")
    letters = re.compile(r"[a-z]{2}")
    templates = {t for t in told_by(plan) if letters.search(re.sub(r"\{\w+\}|\b(mm|kg|cm3)\b", "", t))}
    assert len(templates) > 20 and sorted(templates - set(held)) == []
    limits = {text for row in plan.exposure_limits for text in (row.what, row.limit, row.seen)}
    assert sorted(({*plan.cautions} | limits) - set(held)) == []


def test_a_plan_kept_by_an_older_program_is_read_in_todays_words(plan: Plan) -> None:
    from pipemetal.planning.cautions import CAUTIONS, FORMER_WORDS

    older = write(plan)
    for former, now in FORMER_WORDS.items():
        older = older.replace(now, former)
    assert older != write(plan) and read(older) == plan and plan.cautions == CAUTIONS
    for pages in (looked_at(plan_paper("casting-days", read(older), UnitSystem(comma=True), Words("de")), "de"),):
        text = " ".join(page.text for page in pages)
        assert "Die Zahlen sind eine Hilfe" in " ".join(text.split()) and " box " not in text


def test_places_to_gauge_stand_in_the_order_of_their_numbers(plan: Plan) -> None:
    from pipemetal.documents.cutting_order import cutting_order_sheet
    from pipemetal.planning.cuts import GaugeMark
    from pipemetal.plans.drawn import drawn_sheets

    held = drawn_sheets(plan)
    marks = tuple(GaugeMark(n, held[0].roll.id, 100.0, 100.0) for n in (11, 2, 10, 1))
    sheet = cutting_order_sheet(plan, [replace(held[0], gauge=marks), *held[1:]], {}, UnitSystem(), Words())
    (told,) = (b.text for b in sheet.blocks if "Gauge first" in getattr(b, "text", ""))
    assert [int(n) for n in re.findall(r"(\d+): ", told)] == [1, 2, 10, 11]


def test_a_german_paper_that_names_notes_says_how(plan: Plan) -> None:
    for paper in ("ranks", "organ-file", "casting-days"):
        pages = looked_at(plan_paper(paper, plan, UnitSystem(comma=True), Words("de")), "de")
        assert all("Tonnamen" in page.text for page in pages), paper
        assert not any("Tonnamen" in p.text for p in looked_at(plan_paper(paper, plan, UnitSystem(), Words()), "en"))

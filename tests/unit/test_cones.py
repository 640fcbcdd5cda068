"""Cones whose mouth is at either arc: drawn, named and laid with the mouth where it is."""

import io
from collections.abc import Sequence
from fractions import Fraction

import pypdfium2
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.documents.bench_card_sheet import card_facts, card_sheets, part_rows
from pipemetal.documents.cutting_sheet import cutting_sheet
from pipemetal.documents.drawing import Line, Polygon, Text
from pipemetal.documents.flat_picture import body_pictures, mouth_picture
from pipemetal.documents.patterns import pattern_drawing
from pipemetal.documents.typeset import to_pdf
from pipemetal.layout.verify import verify
from pipemetal.melts.lots import Lot
from pipemetal.pipes.bench_card import BenchCard
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.profile import Step
from pipemetal.pipes.rank import Chimney, Organ, Rank
from pipemetal.pipes.reeds import Resonator
from pipemetal.pipes.walls import GivenWall
from pipemetal.planning.bench_cards import bench_cards
from pipemetal.planning.plan import Plan as Planned
from pipemetal.planning.plan import Search, make_plan
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.stock import Stock
from pipemetal.plans.by_hand import bench_of, changed_plan, faults_of
from pipemetal.plans.codec import read, write
from pipemetal.plans.making import plan_record
from pipemetal.units import UnitSystem
from pipemetal.words import Words


def card_of(footage: Fraction = Fraction(4), **rest: object) -> BenchCard:
    rank = Rank("Octave", "Great", "m", footage, 0, 0, **rest)  # type: ignore[arg-type]
    organ = Organ("Chapel", Pitch(), (rank,))
    (card,) = bench_cards(organ, rank_pipes(organ, rank, lambda alloy: 8.9), ShopSettings(), {"m": 50.0})
    return card


def extent(shapes: Sequence[Line | Polygon], axis: int) -> tuple[float, float]:
    """The least and the most of one of the two coordinates."""
    values = [point[axis] for shape in shapes for point in shape.points]
    return min(values), max(values)


@pytest.mark.parametrize("top", [0.5, 1.6, 2.4])
def test_the_mouth_is_drawn_at_the_end_that_has_the_mouths_arc(top: float) -> None:
    """At the left of the flat body and at the bottom of the enlarged one, whichever arc that is."""
    card = card_of(construction="tapered", top_ratio=top)
    (body,) = body_pictures(card, UnitSystem(), Words(), 180.0, 80.0)
    mouth = mouth_picture(card, UnitSystem(), Words(), 180.0, 112.0)
    assert mouth is not None
    for drawing, axis in ((body, 0), (mouth, 1)):
        held = [s for s in drawing.shapes if isinstance(s, Line | Polygon)]
        lines = {kind: [s for s in held if s.layer == kind] for kind in ("mouth", "upper lip", "finished")}
        # of the enlarged one the foot's outline comes after the body's
        metal = extent(lines["finished"][:1], axis)
        low, high = extent(lines["mouth"], axis)
        assert metal[0] - 1e-6 <= low < high < sum(metal) / 2.0
        assert low <= extent(lines["upper lip"], axis)[0]
    ends = [p for s in body.shapes if isinstance(s, Polygon) and s.layer == "finished" for p in s.points]
    middle = sum(extent([s for s in body.shapes if isinstance(s, Polygon) and s.layer == "finished"], 0)) / 2.0
    left, right = (max(p[1] for p in ends if (p[0] < middle) == here) for here in (True, False))
    assert (left < right) == (top > 1.0)


CONSTRUCTIONS: tuple[dict[str, object], ...] = (
    {},
    {"construction": "tapered", "top_ratio": 0.5},
    {"construction": "tapered", "top_ratio": 1.6},
    {"construction": "stopped"},
    {"construction": "chimney", "chimney": Chimney()},
    {"construction": "resonator", "resonator": Resonator(0.9, 14.0, 9.0)},
    {"construction": "stepped", "steps": (Step(0.4, 1.0, 1.3), Step(0.6, 1.3, 0.6))},
)


@pytest.fixture(scope="module")
def planned() -> Planned:
    ranks = tuple(
        Rank(f"R{n}", "I", "m", Fraction(4), 0, 4, wall=GivenWall(0.9, 0.8), **rest)  # type: ignore[arg-type]
        for n, rest in enumerate(CONSTRUCTIONS)
    )
    recipe = Recipe("m", Composition.parse("Sn 50 Pb bal"), (("Sn", 48.5, 51.5),))
    lots = (
        Lot("tin", "pig", Composition.parse("Sn 99.9 Pb bal"), 400.0, 25.0),
        Lot("lead", "pig", Composition.parse("Pb 99.95 Bi 0.05"), 400.0, 25.0),
    )
    return make_plan(
        Organ("Chapel", Pitch(), ranks), Stock({"m": recipe}, (), lots), search=Search(iterations=100, seed=4)
    )


def test_every_blanks_mouth_has_the_wall_of_the_pipes_mouth(planned: Planned) -> None:
    """Whichever arc it lies at; the layout is sound, and the metal under each end is what that end wants."""
    assert planned.faults == () and verify(planned.problem, planned.layout) == ()
    plan = read(write(plan_record(planned)))
    rows = {row.id: row for row in plan.blanks}
    cuts = {cut.blank: cut for sheet in plan.sheets for cut in sheet.cuts}
    for pipe in planned.pipes:
        bodies = [p for p in pipe.parts if p.kind.startswith("body")]
        for part, wall in ((bodies[0], "thickness_mouth_mm"), (bodies[-1], "thickness_top_mm")):
            end = "mouth" if wall == "thickness_mouth_mm" else "top"
            want = getattr(pipe, wall) + part.planed_mm
            assert getattr(rows[part.id], f"{end}_thickness_mm") == pytest.approx(want, abs=0.001), pipe.id
            cut = cuts[part.id]
            assert getattr(cut, f"wanted_{end}_mm") == pytest.approx(want, abs=0.001), pipe.id
            assert getattr(cut, f"actual_{end}_mm") == pytest.approx(want, abs=cut.tolerance_mm + 0.001), pipe.id
    assert {cut.rank for cut in cuts.values() if cut.mouth_at_small_arc} >= {"R2", "R5"}


def test_a_bench_lays_the_blanks_of_a_plan_as_they_were_laid(planned: Planned) -> None:
    plan = plan_record(planned)
    bench = bench_of(plan, [sheet.id for sheet in plan.sheets], {}, trim_mm=0.0, kerf_mm=0.0)
    assert faults_of(bench, bench.placements) == ()
    held = {blank.id: blank for blank in planned.problem.blanks}
    for blank in bench.problem.blanks:
        walls = blank.mouth_thickness_mm, blank.top_thickness_mm
        assert walls == pytest.approx((held[blank.id].mouth_thickness_mm, held[blank.id].top_thickness_mm), abs=1e-6)
    changed = changed_plan(plan, bench, bench.placements, {"m": 8.9})
    before = {c.blank: c for s in plan.sheets for c in s.cuts}
    for cut in (c for s in changed.sheets for c in s.cuts):
        assert (cut.wanted_mouth_mm, cut.wanted_top_mm) == (
            before[cut.blank].wanted_mouth_mm,
            before[cut.blank].wanted_top_mm,
        )
        assert cut.mouth_at_small_arc == before[cut.blank].mouth_at_small_arc


def test_the_mark_of_a_mouth_lies_on_the_half_of_the_blank_where_its_mouth_is(planned: Planned) -> None:
    marked = 0
    for roll in planned.cut_rolls:
        drawing = cutting_sheet(roll, "Chapel", page_mm=1200.0)
        outlines = [s for s in drawing.shapes if isinstance(s, Polygon) and s.layer == "blank"]
        marks = [s.at for s in drawing.shapes if isinstance(s, Text) and s.text == "M"]
        for cut, outline in zip(roll.cuts, outlines, strict=False):
            (x0, x1), (y0, y1) = extent([outline], 0), extent([outline], 1)
            for x, _ in (m for m in marks if x0 < m[0] < x1 and y0 < m[1] < y1):
                right = (cut.placement.turn_deg == 180) != cut.mouth_at_small_arc
                assert (x > (x0 + x1) / 2.0) == right, cut.blank.id
                marked += 1
    assert marked > 10


def test_the_label_of_a_pattern_begins_with_the_wall_at_the_mouth() -> None:
    part = card_of(construction="tapered", top_ratio=1.6, wall=GivenWall(0.9, 0.6)).parts[0].part
    texts = [s.text for s in pattern_drawing([part]).shapes if isinstance(s, Text)]
    assert any(text.startswith("0.90/0.60 mm (first at the small arc)") for text in texts), texts


@pytest.mark.parametrize("rest", CONSTRUCTIONS)
def test_radii_diameters_and_walls_of_a_card_stand_in_one_order(rest: dict[str, object]) -> None:
    """The wider end has the larger radius: both columns begin at the lower end in the pipe, or the row is no cone."""
    card = card_of(**rest)
    for row in part_rows(card, UnitSystem(), Words()):
        if row[3].startswith("R "):
            radii, across = ([float(v) for v in cell.split(" / ")] for cell in (row[3][2:].split(",")[0], row[4]))
            assert (radii[0] > radii[1]) == (across[0] > across[1]), row
            cut = [float(v) for v in row[2][2:].split(",")[0].split(" / ")]
            assert (cut[0] > cut[1]) == (radii[0] > radii[1]), row
    cone = any(held.flat is not None for held in card.parts if held.part.kind.startswith("body"))
    assert (
        any(words.startswith("first the lower end's") for _, words in card_facts(card, UnitSystem(), Words())) == cone
    )


@pytest.mark.parametrize(("top", "said"), [(0.5, False), (1.6, True)])
def test_a_card_says_where_its_first_length_is_when_that_is_not_the_mouth(top: float, said: bool) -> None:
    """Length 1 has the largest radius; on an inverted cone that is at the top."""
    card = card_of(Fraction(32), construction="tapered", top_ratio=top, wall=GivenWall(1.2, 0.9))
    assert card.parts[0].lengths > 1
    walls = {piece.length_number: piece.wall_below_mm for piece in card.parts[0].pieces}
    assert (walls[1] < walls[2]) == said
    assert any(w.startswith("length 1 is at the large") for _, w in card_facts(card, UnitSystem(), Words())) == said


@pytest.mark.parametrize("footage", [4, 16])
@pytest.mark.parametrize("rest", [r for r in CONSTRUCTIONS if r.get("construction") in ("tapered", "resonator")])
def test_a_cones_card_is_one_page(rest: dict[str, object], footage: int) -> None:
    sheets = card_sheets([card_of(Fraction(footage), **rest)], UnitSystem("in", comma=True), Words("de"), "letter")
    assert len(pypdfium2.PdfDocument(io.BytesIO(to_pdf(sheets, "letter", Words("de"))))) == 1

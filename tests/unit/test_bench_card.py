"""The bench card: flat and round sizes, mouth on the flat metal, mandrel, seams and solder, on paper and for a program."""

import io
import json
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pypdfium2
import pytest
from click.testing import CliRunner

from pipemetal.cli.card_cmd import card_dict
from pipemetal.cli.main import cli
from pipemetal.documents.bench_card_sheet import card_facts, card_sheets, part_headings, part_rows
from pipemetal.documents.cap_picture import cap_picture
from pipemetal.documents.drawing import Line, Polygon, Text, text_width_mm
from pipemetal.documents.flat_picture import body_pictures, joint_lines, mouth_picture
from pipemetal.documents.patterns import pattern_drawing
from pipemetal.documents.typeset import to_pdf
from pipemetal.errors import PipeError
from pipemetal.files.shop_file import settings_of
from pipemetal.pipes.bench_card import BenchCard, bench_card
from pipemetal.pipes.caps import Cap
from pipemetal.pipes.flat import FlatPart, flat_lines
from pipemetal.pipes.fronts import Lining, Lips
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.mandrels import choose_mandrel, parse_mandrels
from pipemetal.pipes.pipe import Part
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.profile import Step
from pipemetal.pipes.ranges import NoteRange
from pipemetal.pipes.rank import Allowances, Chimney, Organ, Rank
from pipemetal.pipes.reeds import Boot, Resonator, length_share
from pipemetal.pipes.walls import GivenWall
from pipemetal.planning.bench_cards import bench_cards
from pipemetal.planning.settings import ShopSettings
from pipemetal.units import UnitSystem
from pipemetal.words import Words

DEMO = Path(__file__).parents[2] / "src" / "pipemetal" / "demo_shop"
SHOP = ShopSettings(mandrels="60, 90, 150, 10-400")


def cards_of(rank: Rank, **allow: float) -> tuple[BenchCard, ...]:
    organ = Organ("Chapel", Pitch(), (rank,), Allowances(**allow))
    return bench_cards(organ, rank_pipes(organ, rank, lambda alloy: 8.9), SHOP, {"m": 50.0})


def plain(footage: Fraction = Fraction(4), **rest: object) -> Rank:
    return Rank("Octave", "Great", "m", footage, 0, 0, **rest)  # type: ignore[arg-type]


def test_a_card_says_the_body_flat_and_round_and_where_its_mouth_lies() -> None:
    (card,) = cards_of(plain())
    pipe, body = card.pipe, card.parts[0]
    assert body.flat_width_mm == pytest.approx(math.pi * (pipe.diameter_mm + _mean_wall(card)))
    assert body.below_mm == pytest.approx(pipe.diameter_mm)
    assert card.mouth is not None
    # a quarter of the way round, on the middle of the wall
    assert card.mouth.flat_width_mm == pytest.approx(math.pi / 4 * (pipe.diameter_mm + pipe.thickness_mouth_mm))
    assert card.mouth.centre_mm == pytest.approx(body.flat_width_mm / 2)
    assert card.stamp == ("Chapel", "Octave", "C")
    assert body.mandrel is not None and body.mandrel.mandrel is not None
    assert (body.mandrel.mandrel.name, body.mandrel.fits) == ("90", True)
    assert card.keep_outside


def _mean_wall(card: BenchCard) -> float:
    return (card.pipe.thickness_mouth_mm + card.pipe.thickness_top_mm) / 2


@pytest.mark.parametrize("footage", [Fraction(8), Fraction(4), Fraction(2), Fraction(1)])
def test_solder_is_near_the_share_that_shops_speak_of(footage: Fraction) -> None:
    # 1 to 2 % of a pipe's mass (common practice, no source): the interval said must reach it
    (card,) = cards_of(plain(footage))
    assert card.solder.least_kg < 0.02 * card.parts_kg
    assert card.solder.most_kg > 0.01 * card.parts_kg
    assert card.whole_kg == pytest.approx(card.parts_kg + card.solder.mass_kg)


def test_a_long_body_shows_its_joints_where_the_blanks_meet() -> None:
    (card,) = cards_of(plain(Fraction(32)))
    body = card.parts[0]
    assert body.lengths >= 2 and body.strips >= 2
    first = [p for p in body.pieces if p.length_number == 1]
    up = {round(y, 3) for line in joint_lines(body) if len(line.points) > 2 for _, y in line.points}
    assert up == {round(body.flat_length_mm * n / body.lengths, 3) for n in range(1, body.lengths)}
    assert first[0].length_mm == pytest.approx(body.flat_length_mm / body.lengths + 2 * body.part.end_mm)
    # every joint around and every seam along is counted
    assert card.solder.length_mm > body.flat_length_mm * body.strips


@pytest.mark.parametrize(
    "rank",
    [
        plain(),
        plain(construction="tapered", top_ratio=0.5),
        plain(construction="tapered", top_ratio=1.6),
        plain(lip="arched", arch=0.1),
    ],
)
def test_lines_lie_within_the_finished_part(rank: Rank) -> None:
    (card,) = cards_of(rank)
    for held in card.parts:
        if held.part.kind not in ("body", "foot"):
            continue
        lines = {line.kind: line for line in flat_lines(card.pipe, held.part, rank)}
        xs, ys = zip(*lines["finished"].points, strict=True)
        for kind, line in lines.items():
            assert min(xs) - 1e-6 <= min(x for x, _ in line.points), kind
            assert max(y for _, y in line.points) <= max(ys) + 1e-6, kind
        if held.part.kind == "body":
            mouth = lines["mouth"].points
            flat = FlatPart.of(held.part, at_small_arc=rank.top_ratio > 1.0)
            assert mouth[0] == pytest.approx(flat.at(-card.mouth.flat_width_mm / 2, 0.0))  # type: ignore[union-attr]


def test_a_sectors_finished_outline_is_as_far_inside_as_the_trims_say() -> None:
    (card,) = cards_of(plain(), side_trim_mm=3.0, end_trim_mm=2.0, seam_bevel_mm=0.5)
    foot = next(c.part for c in card.parts if c.part.kind == "foot")
    assert (foot.edge_mm, foot.end_mm) == (3.5, 2.0)
    outline = FlatPart.of(foot).outline().points
    ring = foot.sector
    assert ring is not None
    # distance of the finished corner at the large arc from the blank's straight edge
    half = math.radians(ring.angle_deg) / 2.0
    apex = ring.outer_radius_mm - foot.end_mm
    x, y = max(outline)
    assert x * -math.cos(half) + (apex - y) * math.sin(half) == pytest.approx(3.5)


def test_mandrels_are_refused_and_chosen() -> None:
    assert not choose_mandrel((), 60.0, 60.0).fits
    assert choose_mandrel(parse_mandrels("200"), 60.0, 60.0).mandrel is not None
    assert not choose_mandrel(parse_mandrels("20-40, 60"), 30.0, 50.0).fits
    assert settings_of({"shop.mandrels": "60; 10-150"}).mandrels == "60; 10-150"
    for wrong in ("thick", "60 mm", "-3", "150-10", ",".join(str(n + 1) for n in range(400))):
        with pytest.raises(PipeError, match="mandrels"):
            parse_mandrels(wrong)


def test_front_pipes_get_lips_lining_and_metal_to_burnish() -> None:
    rank = plain(
        Fraction(8),
        front=((0, 2900.0),),
        lips=Lips("applied", sheet_mm=1.5),
        foot_lining=Lining(0.5, 0.8, "copper"),
        burnish_mm=0.05,
    )
    (card,) = cards_of(rank)
    kinds = {c.part.kind: c.part for c in card.parts}
    flat = card.mouth.flat_width_mm  # type: ignore[union-attr]
    assert kinds["lip upper"].finished_area_mm2 == pytest.approx(1.25 * flat**2 / 2)
    assert kinds["lining"].bought and kinds["lining"].alloy == "copper"
    assert kinds["body"].thickness_mouth_mm == pytest.approx(card.pipe.thickness_mouth_mm + 0.05)
    with pytest.raises(PipeError, match="burnish_mm"):
        plain(burnish_mm=0.05)
    with pytest.raises(PipeError, match="applied"):
        Lips("raised", sheet_mm=1.0)


def test_reeds_have_what_is_sheet_metal() -> None:
    boot = Boot(220.0, 60.0, 30.0)
    long = Resonator(length_share("half", "cylindrical"), 14.0, 7.0, shape="cylindrical", boot=boot, sleeve_mm=30.0)
    rank = plain(Fraction(8), construction="resonator", tuning="none", resonator=long)
    (card,) = cards_of(rank)
    kinds = {c.part.kind: c for c in card.parts}
    assert set(kinds) == {"body 1", "body 2", "boot toe", "boot", "sleeve"}
    # a cylinder of half length has a quarter of the half wave
    assert card.pipe.body_length_mm == pytest.approx(0.25 * Pitch().speed_m_s * 500.0 / card.pipe.frequency_hz)
    assert kinds["body 1"].flat_length_mm + kinds["body 2"].flat_length_mm >= card.pipe.cut_length_mm
    assert kinds["boot"].below_mm == pytest.approx(60.0)
    hooded = plain(Fraction(8), construction="resonator", tuning="none", resonator=Resonator(0.8, 14.0, 7.0, hood=0.8))
    (bent,) = cards_of(hooded)
    (straight,) = cards_of(
        plain(Fraction(8), construction="resonator", tuning="none", resonator=Resonator(0.8, 14.0, 7.0))
    )
    assert bent.parts_kg == pytest.approx(straight.parts_kg)
    assert any(line.kind == "hood" for line in flat_lines(bent.pipe, bent.parts[0].part, hooded))
    split = replace(hooded, resonator=Resonator(0.8, 14.0, 7.0, sections=2, hood=0.8))
    (two,) = cards_of(split)
    at = [
        k for k, held in enumerate(two.parts) if any(x.kind == "hood" for x in flat_lines(two.pipe, held.part, split))
    ]
    assert at == [1]  # the cut lies in the upper piece, as its share of the length says


@pytest.mark.parametrize(("paper", "units", "language"), [("a4", "mm", "en"), ("letter", "in", "de")])
def test_a_card_is_one_page_of_either_paper(paper: str, units: str, language: str) -> None:
    for rank in (
        plain(),
        plain(Fraction(8), construction="stopped"),
        plain(Fraction(16), construction="chimney", chimney=_chimney()),
    ):
        cards = cards_of(rank)
        sheets = card_sheets(cards, UnitSystem(units, comma=language == "de"), Words(language), paper)
        pdf = pypdfium2.PdfDocument(io.BytesIO(to_pdf(sheets, paper, Words(language))))
        assert len(pdf) == 1
        text = pdf[0].get_textpage().get_text_bounded()
        assert ("Aufschn" if language == "de" else "cut-up") in text


def _chimney() -> object:
    from pipemetal.pipes.rank import Chimney

    return Chimney()


def test_pictures_keep_within_their_page() -> None:
    (card,) = cards_of(plain(Fraction(8)))
    for drawing in (
        *body_pictures(card, UnitSystem(), Words(), 186.0, 60.0),
        mouth_picture(card, UnitSystem(), Words(), 186.0, 110.0),
    ):
        assert drawing is not None
        assert drawing.width_mm == 186.0 and drawing.height_mm <= 120.0


def run(*args: object) -> str:
    result = CliRunner().invoke(cli, [str(a) for a in args])
    assert result.exit_code == 0, result.output
    return result.output


def test_the_command_prints_writes_and_gives_json(tmp_path: Path) -> None:
    asked = ["card", DEMO / "organ.toml", "--rank", "Principal 8"]
    held = json.loads(run(*asked, "--note", "C", "--json"))
    assert held["cards"][0]["pipe"] == "Principal 8 C"
    assert held["cards"][0]["whole_kg"] > held["cards"][0]["parts_kg"]
    assert "stamp on body and foot: Merrowby Chapel" in run(*asked, "--note", "C")
    assert "c#1" in run(*asked)
    run(*asked, "--note", "C", "--out", tmp_path / "card.pdf")
    assert (tmp_path / "card.pdf").read_bytes()[:5] == b"%PDF-"


def test_wall_rules_are_listed_with_their_spread() -> None:
    held = {w["name"]: w for w in json.loads(run("walls", "--json"))["walls"]}
    assert held["principal-lead"]["wall_mm"]["8'"] > 1.3 * held["principal-spotted"]["wall_mm"]["8'"]
    for wall in held.values():
        low, high = wall["span_at_8_foot_c_mm"]
        assert low <= wall["wall_mm"]["8'"] <= high
        assert "no source" in wall["source"]
    assert "front-tin" in run("walls")


@pytest.mark.parametrize("construction", ["chimney", "half_covered"])
def test_the_hole_of_a_cap_is_drawn_with_its_size(construction: str) -> None:
    """On the pattern and on the card: the disc's finished area is the circle less the hole that is drawn."""
    more = {"chimney": Chimney(0.3, 1.0)} if construction == "chimney" else {"hole_ratio": 0.2}
    rank = Rank("Flute 8", "Great", "plain", Fraction(8), 0, 0, construction=construction, tuning="cap", **more)  # type: ignore[arg-type]
    (pipe,) = rank_pipes(Organ("Chapel", Pitch(), (rank,)), rank, lambda alloy: 9.0)
    (disc,) = (part for part in pipe.parts if part.kind == "cap disc")
    lines = {line.kind: line for line in flat_lines(pipe, disc, rank)}
    across, hole = lines["finished"].width_mm, lines["hole"].width_mm
    assert disc.finished_area_mm2 == pytest.approx(math.pi / 4.0 * (across**2 - hole**2), rel=2e-3)
    drawing = pattern_drawing([disc], marks={disc.id: tuple(lines.values())}, say=Words("de"), units=UnitSystem("in"))
    words = [shape.text for shape in drawing.shapes if isinstance(shape, Text)]
    assert f"Loch {hole / 25.4:.3f} in" in words
    card = bench_card(pipe, rank, "Chapel")
    picture = cap_picture(card, UnitSystem(), Words(), 180.0, 32.0)
    assert picture is not None and picture.height_mm <= 32.0 + 1e-6
    assert any(f"hole Ø {hole:.1f} mm" in shape.text for shape in picture.shapes if isinstance(shape, Text))


def test_the_label_of_a_pattern_stays_within_its_blank() -> None:
    part = Part("Rohrflöte 8 a# languid", "languid", "m", 40.0, 60.0, 2.5, 2.5, 0.3, (0,), None, 1.0, 1.0, 1.0, 1.0)
    drawing = pattern_drawing([part])
    low = min(y for shape in drawing.shapes if isinstance(shape, Polygon) for _, y in shape.points)
    for shape in drawing.shapes:
        if isinstance(shape, Text) and shape.layer == "label":
            assert low < shape.at[1]
            assert shape.at[1] + text_width_mm(shape.text, shape.size_mm) < low + part.length_mm


def rows_of(card: BenchCard) -> dict[str, tuple[str, ...]]:
    return {row[0]: row for row in part_rows(card, UnitSystem(), Words())}


def facts_of(card: BenchCard) -> dict[str, str]:
    return dict(card_facts(card, UnitSystem(), Words()))


@pytest.mark.parametrize(
    "rank",
    [
        plain(construction="resonator", resonator=Resonator(1.0, 14.0, 14.0, sections=3), wall=GivenWall(1.0, 0.7)),
        plain(construction="tapered", top_ratio=1.6, wall=GivenWall(1.0, 0.7)),
        plain(construction="tapered", top_ratio=0.5, wall=GivenWall(1.0, 0.7)),
        plain(
            construction="stepped",
            steps=(Step(0.4, 1.0, 1.3), Step(0.6, 1.3, 0.6)),
            wall=GivenWall(1.0, 0.7),
        ),
    ],
)
def test_walls_stand_in_the_order_of_their_diameters_from_the_lower_end_up(rank: Rank) -> None:
    """Along a body the wall falls from the lower end to the top, whichever end of the blank the large arc is at."""
    (card,) = cards_of(rank)
    bodies = [c for c in card.parts if c.part.kind.startswith("body")]
    walls = [w for c in bodies for w in (c.part.wall_below_mm, c.part.wall_above_mm)]
    across = [d for c in bodies for d in (c.below_mm, c.above_mm)]
    assert walls == sorted(walls, reverse=True) and walls[0] > walls[-1]
    assert walls[0] == pytest.approx(card.pipe.thickness_mouth_mm)
    first = card.pipe.tip_diameter_mm or card.pipe.diameter_mm
    assert across[0] == pytest.approx(first, abs=0.2)
    assert across[1:-1:2] == pytest.approx(across[2::2], abs=0.2)
    for held in bodies:
        said = card_dict(card)["parts"][card.parts.index(held)]  # type: ignore[index]
        assert (said["wall_below_mm"], said["inner_below_mm"]) == (held.part.wall_below_mm, held.below_mm)
        for piece in held.pieces:
            assert (piece.wall_below_mm >= piece.wall_above_mm) == (held.part.wall_below_mm >= held.part.wall_above_mm)


def test_every_part_names_its_own_alloy() -> None:
    zinc = NoteRange(0, 0, "sheet", alloy="zinc", sheet_mm=0.8, languid_alloy="lead")
    (card,) = cards_of(plain(ranges=(zinc,), foot_lining=Lining(0.5, 0.8, "copper")))
    rows = rows_of(card)
    assert part_headings(UnitSystem(), Words())[1] == "alloy"
    assert {name: rows[name][1] for name in ("body", "foot", "languid", "lining")} == {
        "body": "zinc",
        "foot": "zinc",
        "languid": "lead",
        "lining": "copper",
    }


def test_a_burnished_wall_is_given_as_cut_and_finished() -> None:
    (card,) = cards_of(plain(front=((0, 1300.0),), burnish_mm=0.05, wall=GivenWall(1.0, 1.0)))
    assert rows_of(card)["body"][5] == "1.05, finished 1.00"


def test_a_card_of_wood_says_nothing_that_is_true_of_metal_alone() -> None:
    rank = plain(ranges=(NoteRange(0, 0, "wood"),), construction="stopped")
    (card,) = cards_of(rank)
    assert part_rows(card, UnitSystem(), Words()) == []
    assert set(facts_of(card)) == {"stamp on the body", "of wood", "not worked out"}
    words = " ".join(facts_of(card).values())
    assert not any(metal in words for metal in ("lips", "solder", "toe", "planed", "cents"))
    (sheet,) = card_sheets([card], UnitSystem(), Words())
    assert to_pdf([sheet])[:5] == b"%PDF-"


def test_a_reeds_card_gives_its_toe_and_the_size_of_its_hoods_cut_and_names_what_is_not_drawn() -> None:
    held = Resonator(1.0, 14.0, 14.0, sections=2, hood=0.8, boot=Boot(230.0, 60.0, 40.0), sleeve_mm=25.0)
    (card,) = cards_of(plain(construction="resonator", resonator=held, wall=GivenWall(0.8, 0.8), tuning="none"))
    facts = facts_of(card)
    assert facts["toe of the boot"] == "12.0 mm inside, open"
    # a cone's mean diameter at four fifths of its length, and the wave of a cut at half a right angle is as high
    rise = 14.0 + 0.8 * (card.pipe.diameter_mm - 14.0) + 0.8
    assert f"rises {rise:.1f} mm" in facts["hood"]
    line = next(x for c in card.parts for x in flat_lines(card.pipe, c.part, card.rank) if x.kind == "hood")
    assert line.points
    assert facts["not drawn"] == "boot toe, boot, sleeve: their sizes are in the list"


def test_a_cap_says_its_packing_and_thick_metal_is_not_planed() -> None:
    (card,) = cards_of(plain(construction="stopped", cap=Cap(packing_mm=1.5)))
    assert "leather or cloth of 1.5 mm on each side" in facts_of(card)["cap"]
    thick = replace(card, planed_up_to_mm=0.1)
    assert facts_of(thick)["planed side"] == "not planed: the shop planes sheets up to 0.10 mm"
    some = replace(card, planed_up_to_mm=1.0)
    assert facts_of(some)["planed side"].endswith("; parts over 1.00 mm are not planed")
    assert "2 ears, one strip" in rows_of(card)


@pytest.mark.parametrize("top", [0.5, 1.6])
def test_a_size_line_on_a_sector_is_as_long_as_what_it_says(top: float) -> None:
    """A bracket is straight: on a cone it spans the chord, and the arc is named as such."""
    (card,) = cards_of(plain(construction="tapered", top_ratio=top))
    ring = card.parts[0].flat
    assert ring is not None
    turn = math.radians(ring.angle_deg)
    radii = sorted((ring.outer_radius_mm, ring.inner_radius_mm), reverse=top < 1.0)
    chords = [2.0 * radius * math.sin(turn / 2.0) for radius in radii]
    (drawing,) = body_pictures(card, UnitSystem(), Words(), 180.0, 80.0)
    words = [s.text for s in drawing.shapes if isinstance(s, Text) and "chord" in s.text]
    # the lower end stands at the left, the upper one at the right
    assert words == [f"chord {c:.1f} mm, arc {r * turn:.1f} mm" for c, r in zip(chords, radii, strict=True)]
    scale = float(
        next(s.text for s in drawing.shapes if isinstance(s, Text) and "1 : " in s.text).split("1 : ")[1].split(",")[0]
    )
    brackets = [s.points for s in drawing.shapes if isinstance(s, Line) and s.layer == "size" and len(s.points) == 2]
    upright = sorted(p for p in brackets if p[0][0] == p[1][0] and abs(p[1][1] - p[0][1]) > 2.5)
    assert [abs(y1 - y0) * scale for (_, y0), (_, y1) in upright] == pytest.approx(chords)
    mouth = mouth_picture(card, UnitSystem(), Words(), 180.0, 112.0)
    assert mouth is not None
    named = [s.text for s in mouth.shapes if isinstance(s, Text) and s.text.startswith("mouth ")]
    assert named == [f"mouth {card.mouth.flat_width_mm:.1f} mm on the arc"]  # type: ignore[union-attr]

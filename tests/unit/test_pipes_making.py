"""What a shop may ask for beyond a plain rank: other metals, old pipes, borrowed notes, fronts, reeds, steps, slides."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli, main
from pipemetal.errors import PipeError
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.borrowed import notes_without_pipe
from pipemetal.pipes.make import organ_pipes, rank_pipes
from pipemetal.pipes.materials import bought_density_g_cm3
from pipemetal.pipes.mouth import Mouth
from pipemetal.pipes.old import OldPipe
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.profile import Step
from pipemetal.pipes.ranges import NoteRange
from pipemetal.pipes.rank import Allowances, Chimney, Organ, Rank
from pipemetal.pipes.reeds import Resonator
from pipemetal.pipes.scale import HalfToneScale
from pipemetal.pipes.totals import sheets_to_buy, totals
from pipemetal.pipes.walls import WallRule
from pipemetal.planning.blanks import SheetLimits, blanks_for
from pipemetal.plans.codec import as_dict
from pipemetal.plans.rows import blank_row


def density(alloy: str) -> float:
    return {"m": 9.0, "n": 11.0}[alloy]


def made(rank: Rank, allowances: Allowances | None = None, **rest: object) -> tuple[Pipe, ...]:
    return rank_pipes(Organ("O", Pitch(), (rank,), allowances or Allowances(), **rest), rank, density)  # type: ignore[arg-type]


def octave(*ranges: NoteRange, **rest: object) -> Rank:
    return Rank("Octave", "I", "m", Fraction(4), 0, 23, ranges=ranges, **rest)  # type: ignore[arg-type]


def test_a_bass_of_zinc_is_bought_and_the_rest_is_cast() -> None:
    rank = octave(NoteRange(0, 5, "sheet", alloy="zinc", sheet_mm=1.0))
    pipes = made(rank)
    assert [p.made for p in pipes] == ["sheet"] * 6 + ["cast"] * 18
    for pipe in pipes[:6]:
        body = next(p for p in pipe.parts if p.kind == "body")
        assert (body.alloy, body.bought, body.thickness_mouth_mm, body.thickness_top_mm) == ("zinc", True, 1.0, 1.0)
        assert body.finished_mass_kg == pytest.approx(body.finished_area_mm2 * 1.0 * 7.14e-6)
        languid = next(p for p in pipe.parts if p.kind == "languid")
        assert (languid.alloy, languid.bought) == ("m", False)
        assert pipe.cast_kg == pytest.approx(languid.finished_mass_kg)
    blanks = blanks_for(pipes, SheetLimits(5170.0, 870.0))
    assert {b.blank.alloy for b in blanks} == {"m"}
    (zinc,) = sheets_to_buy(pipes)
    assert (zinc.metal, zinc.thickness_mm, zinc.parts) == ("zinc", 1.0, 12)
    assert zinc.blank_kg == pytest.approx(zinc.blank_area_m2 * 1e6 * 1.0 * bought_density_g_cm3("zinc") * 1e-6)


def test_sheet_bought_of_a_recipe_is_even_and_not_cast() -> None:
    pipes = made(octave(NoteRange(0, 23, "sheet", sheet_mm=0.8)))
    body = pipes[0].parts[0]
    assert body.bought
    assert body.thickness_mouth_mm == body.thickness_top_mm == 0.8
    assert body.alloy == "m"
    assert sheets_to_buy(pipes)[0].metal == "m"


def test_wooden_notes_are_listed_and_order_no_metal() -> None:
    pipes = made(octave(NoteRange(0, 11, "wood")))
    assert len(pipes) == 24
    assert all(p.mass_kg == 0.0 and not p.parts and "wood" in p.remarks[0] for p in pipes[:12])
    assert all(p.parts for p in pipes[12:])


def test_borrowed_notes_have_no_pipe_and_name_the_one_they_sound() -> None:
    lender = Rank("Principal", "I", "m", Fraction(8), 0, 55)
    rank = octave(NoteRange(0, 11, "borrowed", lender="Principal"), NoteRange(12, 12, "silent"))
    organ = Organ("O", Pitch(), (lender, rank))
    pipes = organ_pipes(organ, density)
    assert sum(p.rank == "Octave" for p in pipes) == 11
    held = notes_without_pipe(organ)
    assert [(n.note, n.lender_note) for n in held[:2]] == [("C", "c"), ("C#", "c#")]
    assert held[-1].lender == ""
    by_key = {p.key: p for p in pipes if p.rank == "Principal"}
    for note in held[:12]:
        assert note.lender_key is not None
        wanted = organ.pitch.frequency_hz(note.key, Fraction(4))
        assert by_key[note.lender_key].frequency_hz == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("lender", "words"),
    [
        (Rank("Other", "I", "m", Fraction(8), 0, 55), "is not another rank"),
        (Rank("Principal", "I", "m", Fraction(8), 0, 6), "has no pipe of its own at c"),
        (Rank("Principal", "I", "m", Fraction(16, 3), 0, 55), "does not sound this pitch"),
        (Rank("Principal", "I", "m", Fraction(8), 0, 55, ranges=(NoteRange(10, 20, "silent"),)), "no pipe of its own"),
    ],
)
def test_a_lender_must_have_the_pipe(lender: Rank, words: str) -> None:
    rank = octave(NoteRange(0, 3, "borrowed", lender="Principal"))
    with pytest.raises(PipeError, match=words):
        notes_without_pipe(Organ("O", Pitch(), (lender, rank)))


OLD = tuple(
    OldPipe(k, "", 90.0 - 3 * k, 0.9, 1150.0 - 50 * k if k else 1000.0, mass_kg=2.5 if k else None) for k in range(6)
)


def test_old_pipes_keep_their_sizes_and_only_new_parts_are_ordered() -> None:
    pipes = made(octave(NoteRange(0, 5, "old", old=OLD, new_parts=("foot", "languid"))))
    for pipe, old in zip(pipes[:6], OLD, strict=True):
        assert pipe.diameter_mm == old.diameter_mm
        assert pipe.thickness_mouth_mm == 0.9
        assert pipe.cut_length_mm == old.length_mm
        assert {p.kind for p in pipe.parts} == {"foot", "languid"}
        assert pipe.mass_kg > pipe.cast_kg > 0.0
    assert pipes[1].old_mass_kg < 2.5
    assert any("sharp" in r for r in pipes[0].remarks)
    assert {b.blank.kind for b in blanks_for(pipes[:6], SheetLimits(5170.0, 870.0))} == {"foot", "languid"}


def test_an_old_pipe_too_short_says_by_how_many_cents() -> None:
    (pipe,) = made(
        Rank(
            "R",
            "I",
            "m",
            Fraction(4),
            0,
            0,
            ranges=(NoteRange(0, 0, "old", old=(OldPipe(0, "C", 92.46, 0.9, 1100.0),)),),
        )
    )
    short = pipe.body_length_mm - 1100.0
    words = next(r for r in pipe.remarks if "sharp" in r)
    cents = float(words.split("about ")[1].split(" ")[0])
    assert cents == pytest.approx(1731.0 * short / 1312.0, rel=0.05)


@pytest.mark.parametrize(
    "make",
    [
        lambda: NoteRange(0, 5, "sheet", alloy="zinc"),
        lambda: NoteRange(0, 5, "borrowed"),
        lambda: NoteRange(0, 5, "old"),
        lambda: NoteRange(0, 6, "old", old=OLD),
        lambda: NoteRange(0, 5, "old", old=(*OLD, OLD[0])),
        lambda: NoteRange(0, 5, "tin foil"),
        lambda: NoteRange(5, 0, "wood"),
        lambda: NoteRange(0, 5, "wood", alloy="zinc"),
        lambda: NoteRange(0, 5, "old", old=OLD, new_parts=("beard",)),
        lambda: NoteRange(0, 5, "sheet", sheet_mm=20.0),
        lambda: octave(NoteRange(0, 5, "wood"), NoteRange(4, 8, "silent")),
        lambda: octave(NoteRange(20, 30, "wood")),
        lambda: octave(front=((12, 500.0), (0, 900.0))),
        lambda: octave(construction="stopped", tuning="cap", front=((0, 900.0),)),
        lambda: octave(construction="half_covered"),
        lambda: octave(construction="stepped"),
        lambda: octave(construction="stepped", steps=(Step(0.5, 1.0, 1.0),)),
        lambda: octave(construction="resonator"),
        lambda: octave(hole_ratio=0.2),
        lambda: octave(lip="arched"),
        lambda: octave(arch=0.1),
        lambda: octave(lip="arched", arch=0.3),
        lambda: octave(wind_mm_water=5000.0),
        lambda: Mouth(lip="bearded"),
        lambda: Step(0.5, 1.0, 9.0),
        lambda: Resonator(3.0, 10.0, 5.0),
        lambda: WallRule("w", ((10.0, 0.5),), kind="power"),
        lambda: WallRule("w", kind="guess"),
        lambda: WallRule("w", alloy_factors=(("x", 9.0),)),
        lambda: Organ("O", Pitch(), (octave(),), naming="french"),
        lambda: Pitch(transpose_semitones=40),
        lambda: bought_density_g_cm3("gold"),
    ],
)
def test_what_cannot_be_is_refused(make) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(PipeError):
        make()


def test_front_pipes_are_cut_to_what_is_seen_and_open_at_the_back() -> None:
    rank = octave(front=((0, 1500.0), (6, 1200.0)))
    pipes = made(rank)
    assert [round(p.cut_length_mm) for p in pipes[:7]] == [1500, 1450, 1400, 1350, 1300, 1250, 1200]
    assert pipes[7].visible_length_mm == 0.0
    plain = made(octave())
    for front, other in zip(pipes, plain, strict=True):
        assert front.body_length_mm == pytest.approx(other.body_length_mm)
    assert "opening at the back" in pipes[0].remarks[0]
    assert pipes[0].mass_kg > plain[0].mass_kg
    with pytest.raises(PipeError, match=r"note C: front is shorter than the pipe must sound"):
        made(octave(front=((0, 500.0),)))


def test_a_reeds_resonator_is_a_cone_standing_on_its_tip() -> None:
    rank = Rank(
        "Trumpet",
        "I",
        "m",
        Fraction(8),
        0,
        24,
        construction="resonator",
        tuning="none",
        resonator=Resonator(0.8, 14.0, 7.0, sections=3),
        scale=HalfToneScale(((0.0, -4.0),)),
    )
    pipes = made(rank)
    for pipe in pipes:
        kinds = [p.kind for p in pipe.parts]
        assert kinds == ["body 1", "body 2", "body 3"]
        half_wave = Pitch().speed_m_s * 500.0 / pipe.frequency_hz
        assert pipe.cut_length_mm == pytest.approx(0.8 * half_wave)
        wide, tip = pipe.diameter_mm + pipe.thickness_top_mm, pipe.tip_diameter_mm + pipe.thickness_mouth_mm
        slant = math.hypot(pipe.cut_length_mm, (wide - tip) / 2)
        assert sum(p.finished_area_mm2 for p in pipe.parts) == pytest.approx(
            math.pi * (wide + tip) / 2 * slant, rel=1e-3
        )
    assert (pipes[0].tip_diameter_mm, pipes[-1].tip_diameter_mm) == pytest.approx((14.0, 7.0))
    assert pipes[0].mouth_width_mm == pipes[0].foot_length_mm == 0.0


def test_a_stepped_body_is_made_of_its_pieces() -> None:
    steps = (Step(0.5, 1.0, 1.0), Step(0.3, 0.8, 0.8), Step(0.2, 0.8, 0.4))
    pipes = made(octave(construction="stepped", steps=steps))
    kinds = [p.kind for p in pipes[0].parts]
    assert kinds[:4] == ["body 1", "joint 1", "body 2", "body 3"]
    body = sum(p.length_mm - 4.0 for p in pipes[0].parts if p.kind in ("body 1", "body 2"))
    assert body == pytest.approx(0.8 * pipes[0].body_length_mm)
    d = pipes[0].diameter_mm
    joint = pipes[0].parts[1]
    assert joint.finished_area_mm2 == pytest.approx(math.pi / 4 * d**2 * (1 - 0.64))


def test_a_tuning_slide_is_cut_and_the_body_shorter() -> None:
    pipes = made(octave(tuning="slide"))
    for pipe in pipes:
        slide = next(p for p in pipe.parts if p.kind == "slide")
        assert slide.length_mm == pytest.approx(max(1.25 * pipe.diameter_mm, 20.0) + 4.0)
        assert slide.width_mm > math.pi * (pipe.top_diameter_mm + 2 * pipe.thickness_top_mm)
        assert pipe.cut_length_mm < pipe.body_length_mm < pipe.cut_length_mm + slide.length_mm


def test_a_half_covered_pipe_lies_between_stopped_and_open() -> None:
    lengths = [
        made(octave(construction=kind, hole_ratio=hole, tuning="none"))[0].body_length_mm
        for kind, hole in (("stopped", None), ("half_covered", 0.1), ("half_covered", 0.3), ("open", None))
    ]
    assert lengths == sorted(lengths)
    disc = next(p for p in made(octave(construction="half_covered", hole_ratio=0.3))[0].parts if p.kind == "cap disc")
    whole = next(p for p in made(octave(construction="stopped"))[0].parts if p.kind == "cap disc")
    assert disc.finished_area_mm2 < whole.finished_area_mm2


def test_an_arched_lip_counts_by_its_mean_height() -> None:
    flat = made(octave(cut_up_fraction=0.25))[0]
    arched = made(octave(cut_up_fraction=0.30, lip="arched", arch=0.15))[0]
    assert arched.cut_up_mm > flat.cut_up_mm
    assert arched.body_length_mm == pytest.approx(flat.body_length_mm)


def test_bevel_and_planing_are_cut_and_do_not_stay() -> None:
    plain = made(octave())[0].parts[0]
    worked = made(octave(), Allowances(seam_bevel_mm=0.7, planing_mm=0.1))[0].parts[0]
    assert worked.width_mm == pytest.approx(plain.width_mm + 1.4)
    assert worked.thickness_mouth_mm == pytest.approx(plain.thickness_mouth_mm + 0.1)
    assert worked.finished_mass_kg == pytest.approx(plain.finished_mass_kg)
    assert worked.blank_mass_kg > plain.blank_mass_kg
    assert worked.planed_share == pytest.approx(
        (plain.thickness_mouth_mm + plain.thickness_top_mm) / (worked.thickness_mouth_mm + worked.thickness_top_mm)
    )
    assert plain.planed_share == pytest.approx(1.0)


def test_walls_by_steps_power_and_share() -> None:
    steps = WallRule("s", ((10.0, 0.5), (50.0, 0.7)), kind="step")
    assert [steps.mouth_mm(d) for d in (5.0, 10.0, 49.9, 50.0, 500.0)] == [0.5, 0.5, 0.5, 0.7, 0.7]
    power = WallRule("p", ((50.0, 0.6), (200.0, 1.2)), kind="power")
    assert power.mouth_mm(100.0) == pytest.approx(0.6 * 2**0.5)
    assert power.mouth_mm(400.0) == pytest.approx(1.2 * 2**0.5)
    assert power.mouth_mm(25.0) == pytest.approx(0.6 / 2**0.5)
    assert WallRule("t", top_share=0.8).top_mm(1.0, 5000.0) == 0.8
    lead = replace(steps, alloy_factors=(("n", 1.5),))
    pipes = made(octave(NoteRange(0, 11, "cast", alloy="n"), wall=lead))
    assert pipes[0].thickness_mouth_mm == pytest.approx(1.05)
    assert pipes[12].thickness_mouth_mm == pytest.approx(0.7)


def test_placeholder_walls_say_so_and_given_ones_do_not() -> None:
    assert "placeholder" in made(octave())[0].wall_source
    assert (
        "placeholder" not in made(octave(wall=WallRule("w", ((10.0, 0.5),), source="the shop's table")))[0].wall_source
    )


def test_cones_wider_than_a_sheet_are_cut_as_equal_sectors() -> None:
    rank = Rank("Pedal", "P", "m", Fraction(32), 0, 0, foot_length_mm=900.0, construction="tapered", top_ratio=0.5)
    pipes = made(rank)
    parts = {p.kind: p for p in pipes[0].parts}
    blanks = blanks_for(pipes, SheetLimits(20_000.0, 600.0))
    for kind in ("body", "foot"):
        pieces = [b for b in blanks if b.part.kind == kind]
        assert len(pieces) >= 2
        assert all(b.blank.width_mm <= 600.0 for b in pieces)
        assert sum(b.share for b in pieces) == pytest.approx(1.0)
        assert sum(b.blank.area_mm2() for b in pieces) >= parts[kind].blank_area_mm2
        bare = sum(b.blank.area_mm2() for b in pieces) - parts[kind].finished_area_mm2
        assert bare / parts[kind].finished_area_mm2 < 0.1


def test_shallow_cones_carry_their_offset_tables() -> None:
    pipes = made(octave(construction="tapered", top_ratio=2 / 3))
    body = as_dict(blank_row(pipes[0].parts[0]))
    assert body["sector"]["outer_radius_mm"] > 3000.0
    arc = body["offsets"]["outer_arc_mm"]
    assert arc[0][1] == arc[-1][1] == 0.0
    assert max(height for _, height in arc) == arc[5][1] > 1.0
    assert "offsets" not in as_dict(blank_row(next(p for p in pipes[0].parts if p.kind == "foot")))


def test_totals_add_up_by_rank_and_by_alloy() -> None:
    pipes = made(octave(NoteRange(0, 5, "sheet", alloy="zinc", sheet_mm=1.0)))
    whole = sum(p.mass_kg for p in pipes)
    for by in (lambda pipe, part: (pipe.rank,), lambda pipe, part: (part.alloy, part.kind)):
        assert sum(t.finished_kg for t in totals(pipes, by)) == pytest.approx(whole)
        assert sum(t.parts for t in totals(pipes, by)) == sum(len(p.parts) for p in pipes)


ORGAN = """
[organ]
name = "Invented"
note_names = "german"
wind_mm = 70
[pitch]
temperament = "vallotti"
transpose_semitones = 0
[allowances]
seam_bevel_mm = 0.5
planing_mm = 0.05
[wall.gauges]
kind = "step"
table_mm = [[10, 0.5], [50, 0.7], [100, 1.0]]
top = "90 %"
alloys = { lead-15 = 1.2 }
[[rank]]
name = "Prestant 8"
division = "I"
footage = "8'"
compass = "C-f3"
alloy = "tin-75"
scale = { smooth_mm = [["C", 145], ["c'", 55], ["f3", 14]] }
wall = "gauges"
front_mm = [["C", 2900], ["H", 1700]]
lip = "arched"
arch = "1/10"
cut_up = "3/10"
[[rank]]
name = "Octave 4"
division = "I"
footage = "4'"
compass = "C-f3"
alloy = "lead-15"
scale = { half_tones = [["2'", -1], ["1/2'", 0]] }
wall = "gauges"
[[rank.range]]
notes = "C-F"
made = "sheet"
alloy = "zinc"
sheet_mm = 0.9
[[rank.range]]
notes = "Fis-H"
made = "old"
measured = "old.csv"
new_parts = ["foot"]
[[rank.range]]
notes = "c-h"
made = "borrowed"
lender = "Prestant 8"
[[rank.range]]
notes = "c3-f3"
made = "wood"
[[rank]]
name = "Trompete 8"
division = "I"
footage = "8'"
compass = "C-f3"
alloy = "tin-75"
construction = "resonator"
scale = { points_mm = [["C", 130], ["f3", 45]] }
resonator = { length = "80 %", tip_mm = 14, tip_last_mm = 6, sections = 2 }
[[rank]]
name = "Koppel 4"
division = "I"
footage = "4'"
compass = "C-f3"
alloy = "spotted-50"
construction = "stepped"
steps = [[0.6, 1.0, 1.0], [0.4, 1.0, 0.45]]
scale = { half_tones = 3 }
"""
OLD_CSV = "note,diameter_mm,thickness_mm,length_mm,mass_kg\n" + "".join(
    f"{n},{60 - k},0.8,{800 - 20 * k},0.9\n" for k, n in enumerate(["Fis", "G", "Gis", "A", "B", "H"])
)


@pytest.fixture
def organ_path(tmp_path: Path) -> Path:
    (tmp_path / "old.csv").write_text(OLD_CSV, encoding="utf-8")
    (tmp_path / "organ.toml").write_text(ORGAN, encoding="utf-8")
    return tmp_path / "organ.toml"


def test_an_organ_file_with_everything_in_it(organ_path: Path, tmp_path: Path) -> None:
    organ = read_organ(organ_path)
    assert organ.pitch.temperament == "vallotti"
    held = CliRunner().invoke(cli, ["pipes", str(organ_path), "--json", "--lengths"])
    assert held.exit_code == 0, held.output
    data = json.loads(held.output)
    fourth = [p for p in data["pipes"] if p["rank"] == "Octave 4"]
    assert [p["made"] for p in fourth] == ["sheet"] * 6 + ["old"] * 6 + ["cast"] * 24 + ["wood"] * 6
    assert [p["note"] for p in fourth[6:12]] == ["Fis", "G", "Gis", "A", "B", "H"]
    assert len(data["notes_without_pipe"]) == 12
    assert data["notes_without_pipe"][0]["lender_note"] == "c1"
    assert [s["metal"] for s in data["sheets_to_buy"]] == ["zinc"]
    assert data["pipes"][0]["ising"] is not None
    assert next(r["rule"] for r in data["pipes"][0]["lengths"]) == "mass load (default)"
    for args in (
        ["pipes"],
        ["pipes", "--more"],
        ["pipes", "--lengths"],
        ["blanks"],
        ["blanks", "--offsets"],
        ["blanks", "--csv", str(tmp_path / "b.csv")],
        ["pipes", "--csv", str(tmp_path / "p.csv")],
        ["pipes", "--rank", "Koppel 4", "--note", "cis1", "--svg", str(tmp_path / "p.svg")],
    ):
        result = CliRunner().invoke(cli, [args[0], str(organ_path), *args[1:]])
        assert result.exit_code == 0, result.output
        assert result.output.strip()
    assert "<svg" in (tmp_path / "p.svg").read_text(encoding="utf-8")
    table = CliRunner().invoke(cli, ["pipes", str(organ_path)]).output
    for words in (
        "Flat sheet to buy: zinc 0.9 mm",
        "No pipe of its own: Octave 4 c to h, from Prestant 8 c1 on",
        "placeholder",
    ):
        assert words in table


def test_a_plan_orders_only_what_is_cast(organ_path: Path) -> None:
    from pipemetal.files.rack_file import read_rack
    from pipemetal.files.recipe_file import read_recipes
    from pipemetal.planning.plan import Search, make_plan
    from pipemetal.planning.stock import Stock
    from pipemetal.plans.making import plan_record

    recipes = read_recipes(packaged_file("recipes.toml"))
    organ = read_organ(organ_path, recipes)
    small = replace(
        organ, ranks=(organ.ranks[0], replace(organ.ranks[1], last_key=40, ranges=organ.ranks[1].ranges[:3]))
    )
    stock = Stock(recipes, read_rack(packaged_file("rack.csv"), recipes)[:6])
    plan = make_plan(small, stock, search=Search(iterations=5))
    data = as_dict(plan_record(plan))
    cast = sum(p.cast_kg for p in plan.pipes)
    assert plan.account.total_kg("pipes") == pytest.approx(cast, rel=0.06)
    assert cast < 0.9 * sum(p.mass_kg for p in plan.pipes)
    assert not any(b["alloy"] == "zinc" for b in data["blanks"])
    assert data["sheets_to_buy"][0]["metal"] == "zinc"
    assert len(data["notes_without_pipe"]) == 12
    assert plan.pipes_served == len(plan.pipes)
    json.dumps(data, allow_nan=False)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('lender = "Prestant 8"', 'lender = "Prinzipal"', "lender is not another rank of this organ"),
        ('measured = "old.csv"', 'measured = "lost.csv"', "does not exist"),
        ('notes = "Fis-H"', 'notes = "Fis-c"', "no measured diameter for c"),
        ('notes = "C-F"', 'notes = "C-Fis"', "lies over another range"),
        ('notes = "C-F"', 'notes = "X-F"', "is not a note"),
        ('made = "wood"', 'made = "plastic"', "made is not known"),
        ('alloy = "zinc"', 'alloy = "brass"', "is not a recipe of this shop"),
        ('alloy = "spotted-50"', 'alloy = "zinc"', "is bought as flat sheet, not cast"),
        ("sheet_mm = 0.9", "", "sheet_mm is missing"),
        ('front_mm = [["C", 2900]', 'front_mm = [["C", 900]', "shorter than the pipe must sound"),
        ('front_mm = [["C", 2900]', 'front_mm = [["C"]', "is not pairs of note and number"),
        ('temperament = "vallotti"', 'temperament = "valotti"', "did you mean 'vallotti'"),
        ('note_names = "german"', 'note_names = "english"', "is not a note"),
        ("steps = [[0.6, 1.0, 1.0], [0.4, 1.0, 0.45]]", "steps = [[0.6, 1.0, 1.0]]", "must make up the whole body"),
        ("steps = [[0.6, 1.0, 1.0], [0.4, 1.0, 0.45]]", "steps = [[0.6, true, 1.0]]", "is not a list of steps"),
        ("tip_mm = 14, ", "", "tip_mm is missing"),
        ('kind = "step"', 'kind = "power"', "too few or too many rows"),
        ('top = "90 %"', 'top = "90 %"\ntaper_mm_per_m = 0.1', "is given twice"),
        ('new_parts = ["foot"]', 'new_parts = ["feet"]', "is not a part"),
        ('arch = "1/10"', 'arch = "2/5"', "leaves no opening"),
        ("wind_mm = 70", "wind_mm = 7", "out of range"),
        ("transpose_semitones = 0", "transpose_semitones = 13", "out of range"),
        (
            'scale = { smooth_mm = [["C", 145], ["c\'", 55], ["f3", 14]] }',
            'scale = { smooth_mm = [["C", 145]] }',
            "at least two",
        ),
    ],
)
def test_mistakes_in_an_organ_file_end_with_one_message(
    old: str, new: str, words: str, organ_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = organ_path.read_text(encoding="utf-8")
    assert old in text
    organ_path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main(["pipes", str(organ_path)])
    message = capsys.readouterr().err
    assert stopped.value.code == 2, message
    assert words in message
    assert "organ.toml" in message or "lost.csv" in message or "rank 'Prestant 8'" in message
    assert len(message.strip().splitlines()) == 1


def test_every_construction_is_drawn_within_its_sheet() -> None:
    from pipemetal.documents.pipe_picture import pipe_picture

    ranks = [
        octave(tuning="slide"),
        octave(construction="stopped"),
        octave(construction="chimney", chimney=Chimney()),
        octave(construction="tapered", top_ratio=1.4),
        octave(lip="arched", arch=0.1),
        octave(front=((0, 2000.0), (23, 900.0))),
        octave(construction="half_covered", hole_ratio=0.2),
        octave(construction="resonator", tuning="none", resonator=Resonator(0.8, 14.0, 7.0)),
        Rank("A rank whose name is rather long and goes on", "I", "m", Fraction(32), 0, 23),
    ]
    for rank in ranks:
        for pipe in (made(rank)[0], made(rank)[-1]):
            drawing = pipe_picture(pipe)
            for shape in drawing.shapes:
                points = getattr(shape, "points", None) or (shape.at,)  # type: ignore[union-attr]
                assert all(0 <= x <= 210 and 0 <= y <= 297 for x, y in points), (rank.construction, pipe.note)

"""Old pipes in an organ's places: what is to be done to each, and an assignment that no other beats."""

import json
import math
import random
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy.optimize import linear_sum_assignment

from pipemetal.cli.main import cli
from pipemetal.errors import FileFormatError, PipeError
from pipemetal.files.measured_file import read_measured
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.old import CONDITIONS, OldPipe
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.reuse import A_NEW_PIPE, OldOne, ReuseRules, match_old, offer

RANK = Rank("Octave", "Great", "m", Fraction(4), 0, 23)
ORGAN = Organ("Chapel", Pitch(), (RANK,))
PLACES = rank_pipes(ORGAN, RANK, lambda alloy: 8.9)


def old_of(pipe: Pipe, **changed: object) -> OldOne:
    old = OldPipe(
        pipe.key,
        pipe.note,
        pipe.diameter_mm,
        pipe.thickness_mouth_mm,
        pipe.cut_length_mm,
        pipe.foot_length_mm,
        pipe.mouth_width_mm,
        pipe.cut_up_mm,
    )
    return OldOne("old", replace(old, **changed))  # type: ignore[arg-type]


def test_a_rank_goes_back_to_its_own_places() -> None:
    olds = [old_of(p) for p in PLACES]
    random.Random(3).shuffle(olds)
    for one in match_old(ORGAN, PLACES, olds):
        assert one.offer is not None
        assert (one.verdict, one.todo) == ("reuse", ())
        assert one.offer.place.key == one.old.pipe.key
        assert one.offer.points == pytest.approx(0.0, abs=1e-6)


def test_what_is_to_be_done_is_named_with_its_sizes() -> None:
    pipe = PLACES[6]
    (short,) = match_old(ORGAN, [pipe], [old_of(pipe, length_mm=pipe.body_length_mm - 40.0)])
    over = pipe.cut_length_mm - pipe.body_length_mm
    # new metal comes with what it is tuned by
    assert (short.verdict, short.offer.longer_mm) == ("lengthen", pytest.approx(40.0 + over))  # type: ignore[union-attr]
    # a pipe left short by so much is sharp by what the whole length over it gives, near enough
    assert short.offer.cents == pytest.approx(  # type: ignore[union-attr]
        1200 * math.log2(1.0 + 40.0 / (500.0 * Pitch().speed_m_s / pipe.frequency_hz)), rel=0.08
    )
    (long,) = match_old(ORGAN, [pipe], [old_of(pipe, length_mm=pipe.cut_length_mm + 25.0, condition="oval")])
    assert (long.verdict, long.todo) == ("shorten", ("round again", "shorten"))
    (torn,) = match_old(ORGAN, [pipe], [old_of(pipe, length_mm=pipe.body_length_mm, condition="top")])
    assert torn.offer.longer_mm == pytest.approx(0.5 * pipe.diameter_mm + over)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"condition": "cracked"}, "cracked"),
        ({"condition": "corroded"}, "corroded"),
        ({"diameter_mm": 300.0}, "fits no place"),
        ({"thickness_mm": 0.2}, "fits no place"),
        ({"cut_up_mm": 90.0}, "fits no place"),
    ],
)
def test_what_cannot_serve_is_melted_and_why(changed: dict[str, object], why: str) -> None:
    (one,) = match_old(ORGAN, PLACES[:8], [old_of(PLACES[3], **changed)])
    assert one.verdict == "melt" and why in one.why


@pytest.mark.parametrize("lacking", ["length_mm", "diameter_mm"])
def test_what_was_not_measured_is_not_condemned(lacking: str) -> None:
    (one,) = match_old(ORGAN, PLACES[:8], [old_of(PLACES[3], **{lacking: None})])
    assert one.verdict == "measure" and "not measured" in one.why
    (lost,) = match_old(ORGAN, PLACES[:8], [old_of(PLACES[3], **{lacking: None, "condition": "cracked"})])
    assert lost.verdict == "melt"


@pytest.mark.parametrize("share", [0.75, 0.9, 1.1])
def test_the_cents_of_an_old_pipe_are_those_of_its_length(share: float) -> None:
    """Far off as near by: the pitch at which the rank's own rule asks for the length that is there."""
    place = PLACES[0]
    found = offer(
        ORGAN, RANK, place, old_of(place, length_mm=share * place.cut_length_mm).pipe, ReuseRules(lengthened=0.5)
    )
    assert found is not None
    acts = share * place.cut_length_mm
    per_mm = 1200.0 / math.log(2.0)
    least = per_mm * math.log(place.body_length_mm / acts)  # without an end correction
    assert 0.8 * abs(least) < abs(found.cents) < abs(least) * 1.01


def test_an_old_open_pipe_can_become_a_stopped_one() -> None:
    stopped = Rank("Bourdon", "Great", "m", Fraction(8), 12, 12, construction="stopped")
    organ = Organ("Chapel", Pitch(), (stopped,))
    (place,) = rank_pipes(organ, stopped, lambda alloy: 8.9)
    (one,) = match_old(organ, [place], [old_of(place, length_mm=place.cut_length_mm + 80.0)])
    assert one.todo == ("shorten", "new cap")


@pytest.mark.parametrize("seed", range(6))
def test_no_assignment_is_better(seed: int) -> None:
    chance = random.Random(seed)
    olds = []
    for _ in range(18):
        pipe = chance.choice(PLACES)
        changed = {
            "diameter_mm": pipe.diameter_mm * chance.uniform(0.95, 1.05),
            "length_mm": pipe.cut_length_mm * chance.uniform(0.8, 1.2),
            "condition": chance.choice(CONDITIONS),
        }
        olds.append(old_of(pipe, **changed))
    found = match_old(ORGAN, PLACES, olds)
    used = [one.offer.place.id for one in found if one.offer is not None]
    assert len(used) == len(set(used))
    offers = [[offer(ORGAN, RANK, place, one.pipe, ReuseRules()) for place in PLACES] for one in olds]
    cost = [[min(o.points, A_NEW_PIPE) - A_NEW_PIPE if o else 0.0 for o in row] for row in offers]
    rows, columns = linear_sum_assignment(cost)
    best = sum(cost[r][c] for r, c in zip(rows, columns, strict=True))
    assert sum(one.offer.points - A_NEW_PIPE for one in found if one.offer is not None) == pytest.approx(best)


def test_the_command_reads_conditions(tmp_path: Path) -> None:
    demo = Path(__file__).parents[2] / "src" / "pipemetal" / "demo_shop" / "organ.toml"
    listed = json.loads(CliRunner().invoke(cli, ["pipes", str(demo), "--rank", "Principal 8", "--json"]).output)[
        "pipes"
    ]
    lines = ["note;footage;diameter_mm;thickness_mm;length_mm;condition"]
    lines += [
        f"{p['note']};8;{p['diameter_mm']:.2f};{p['thickness_mouth_mm']:.2f};{p['cut_length_mm']:.1f};{word}"
        for p, word in zip(listed, ("good", "dented", "cracked"), strict=False)
    ]
    path = tmp_path / "old.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    asked = ["reuse", str(path), str(demo), "--rank", "Principal 8"]
    result = CliRunner().invoke(cli, [*asked, "--json", "--csv", str(tmp_path / "out.csv")])
    assert result.exit_code == 0, result.output
    held = json.loads(result.output)
    assert [row["verdict"] for row in held["old_pipes"]][2] == "melt"
    assert "round again" in held["old_pipes"][1]["todo"]
    assert (tmp_path / "out.csv").exists()
    assert "restorer" in CliRunner().invoke(cli, asked).output
    path.write_text("note;footage;diameter_mm;condition\nC;8;140;fine\n", encoding="utf-8")
    result = CliRunner().invoke(cli, asked)
    assert "condition" in str(result.exception)


CONE = Rank("Gemshorn", "Great", "m", Fraction(4), 0, 23, construction="tapered", top_ratio=0.4)
CONES = rank_pipes(Organ("Chapel", Pitch(), (CONE,)), CONE, lambda alloy: 8.9)


def cone_of(pipe: Pipe, longer_mm: float = 0.0) -> OldOne:
    """The pipe with so much more of its cone, narrower or wider at the top by its own slope."""
    length = pipe.cut_length_mm + longer_mm
    top = pipe.diameter_mm - (pipe.diameter_mm - pipe.top_diameter_mm) * length / pipe.cut_length_mm
    return old_of(pipe, length_mm=length, top_diameter_mm=top)


def test_a_cone_goes_to_tapered_places_alone_and_a_cylinder_to_straight_ones() -> None:
    organ = Organ("Chapel", Pitch(), (RANK, CONE))
    places = [*PLACES, *CONES]
    for one in match_old(organ, places, [cone_of(CONES[5]), old_of(PLACES[5])]):
        assert one.offer is not None and (one.verdict, one.todo) == ("reuse", ())
        assert one.offer.place.rank == ("Gemshorn" if one.old.pipe.is_cone else "Octave")
        assert one.offer.longer_mm == pytest.approx(0.0, abs=1e-6)
        # of the cut length: flat by what is left to tune, no more
        assert -100.0 < one.offer.cents < 0.0


@pytest.mark.parametrize("tuning", ["cone", "slot"])
def test_a_pipe_that_is_exactly_right_is_used_as_it_is(tuning: str) -> None:
    """Sounding lengths are compared: what a new pipe has over is for tuning, and a tuned pipe has it no more."""
    rank = replace(RANK, tuning=tuning)
    organ = Organ("Chapel", Pitch(), (rank,))
    places = rank_pipes(organ, rank, lambda alloy: 8.9)
    olds = [old_of(p, length_mm=p.body_length_mm) for p in places]
    for one in match_old(organ, places, olds):
        assert (one.verdict, one.todo) == ("reuse", ())
        assert one.offer is not None and one.offer.place.key == one.old.pipe.key
        assert one.offer.longer_mm == 0.0
        assert one.offer.cents == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("share", "verdict"), [(-0.5, "lengthen"), (0.0, "reuse"), (0.5, "reuse"), (1.0, "reuse"), (1.5, "shorten")]
)
def test_what_the_cone_still_takes_is_left_on(share: float, verdict: str) -> None:
    """`share` of the allowance for tuning that is left over the sounding length."""
    pipe = PLACES[6]
    over = pipe.cut_length_mm - pipe.body_length_mm
    (one,) = match_old(ORGAN, [pipe], [old_of(pipe, length_mm=pipe.body_length_mm + share * over)])
    assert one.verdict == verdict
    assert one.offer is not None and (one.offer.longer_mm == 0.0) == (verdict == "reuse")


def test_a_cone_is_judged_by_its_own_top() -> None:
    organ = Organ("Chapel", Pitch(), (CONE,))
    for place in CONES[::6]:
        over = place.cut_length_mm - place.body_length_mm
        (one,) = match_old(organ, [place], [cone_of(place, -over)])
        assert one.offer is not None and one.verdict == "reuse"
        assert abs(one.offer.cents) <= 10.0


@pytest.mark.parametrize("condition", ["good", "cracked"])
def test_a_wall_that_no_pipe_has_is_measured_again(condition: str) -> None:
    (one,) = match_old(ORGAN, PLACES[:8], [old_of(PLACES[3], thickness_mm=9.9, condition=condition)])
    assert one.verdict == ("melt" if condition == "cracked" else "measure")
    thick = 3.0 * PLACES[3].thickness_mouth_mm
    (kept,) = match_old(ORGAN, PLACES[:8], [old_of(PLACES[3], thickness_mm=thick)])
    assert kept.verdict == "reuse"


@pytest.mark.parametrize("longer_mm", [60.0, -60.0])
def test_a_cone_too_long_or_short_follows_its_own_slope(longer_mm: float) -> None:
    """Cut back, or gone on with, it is the place's own pipe again: the slope is the same."""
    organ = Organ("Chapel", Pitch(), (CONE,))
    found = offer(organ, CONE, CONES[3], cone_of(CONES[3], longer_mm).pipe)
    assert found is not None
    assert found.longer_mm == pytest.approx(-longer_mm, abs=1e-3)
    assert found.top_half_tones == pytest.approx(0.0, abs=1e-4)
    assert math.copysign(1.0, found.cents) == -math.copysign(1.0, longer_mm)


def test_a_cone_of_another_slope_fits_no_place() -> None:
    organ = Organ("Chapel", Pitch(), (CONE,))
    steep = old_of(CONES[3], top_diameter_mm=0.25 * CONES[3].diameter_mm)
    assert offer(organ, CONE, CONES[3], steep.pipe) is None


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("C;92.5;;;330;", r"row 2.*mouth_width_mm is wider than the pipe is around"),
        ("C;92.5;;1200;;1300", r"row 2.*cut_up_mm is (out of range|higher than the body)"),
        ("C;92.5;9;1200;;", r"row 2.*top_diameter_mm is no taper of a pipe"),
        ("C;;50;1200;;", r"row 2.*top_diameter_mm stands without the diameter at the mouth"),
    ],
)
def test_an_old_pipe_that_cannot_be_is_told_with_its_row_and_field(tmp_path: Path, row: str, told: str) -> None:
    path = tmp_path / "old.csv"
    path.write_text(f"note;diameter_mm;top_diameter_mm;length_mm;mouth_width_mm;cut_up_mm\n{row}\n", encoding="utf-8")
    with pytest.raises((PipeError, FileFormatError), match=told):
        read_measured(path, footage=Fraction(4))


def test_top_and_bottom_circumference_give_the_cone(tmp_path: Path) -> None:
    path = tmp_path / "old.csv"
    path.write_text(
        "note;outer_circumference_mm;outer_top_circumference_mm;thickness_mm\nC;314,159;157,080;0,5\n", encoding="utf-8"
    )
    ((pipe,),) = (rank.pipes for rank in read_measured(path, footage=Fraction(4)))
    assert pipe.diameter_mm == pytest.approx(99.0, abs=1e-3)
    assert pipe.top_diameter_mm == pytest.approx(49.0, abs=1e-3)

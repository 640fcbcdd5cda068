"""What is said of a whole rank: what was held and what would mend it, said once, in German too."""

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from pipemetal.errors import PipeError
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.advice import rank_advice
from pipemetal.pipes.caps import Cap
from pipemetal.pipes.fronts import Lining, Lips
from pipemetal.pipes.make import organ_pipes, rank_pipes
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Chimney, Organ, Rank
from pipemetal.pipes.reeds import Resonator
from pipemetal.pipes.scale import HalfToneScale
from pipemetal.pipes.walls import GivenWall
from pipemetal.texts import Text
from pipemetal.words import Words

OCTAVE = Rank("Octave", "Great", "m", Fraction(4), 0, 47)
STOPPED = replace(OCTAVE, name="Stopped", construction="stopped", tuning="cap")
RESONATOR = Resonator(0.8, 12.0, 6.0)


def said(rank: Rank, wind_mm: float | None = None) -> tuple[Text, ...]:
    organ = Organ("Chapel", Pitch(), (rank,), wind_mm_water=wind_mm)
    return rank_advice(organ, rank, rank_pipes(organ, rank, lambda alloy: 8.9))


def about(words: str, rank: Rank) -> list[str]:
    return [line for line in said(rank) if words in line]


@pytest.mark.parametrize(
    ("words", "rank"),
    [
        ("the toe of", replace(OCTAVE, toe_diameter_mm=40.0)),
        ("the cap's travel", replace(STOPPED, cap=Cap(travel_mm=60.0))),
        ("the cap's travel", replace(STOPPED, cap=Cap(least_mm=60.0))),
        ("bore of", replace(OCTAVE, toe_bore_mm=20.0, toe_diameter_mm=21.0)),
    ],
)
def test_what_is_held_is_said_once_with_what_would_mend_it(words: str, rank: Rank) -> None:
    (line,) = about(words, rank)
    assert "To mend it:" in line


def test_what_would_mend_it_mends_it() -> None:
    rank = replace(OCTAVE, toe_diameter_mm=40.0)
    (line,) = about("the toe of", rank)
    found = re.search(r"a toe of ([\d.]+) mm or less", line)
    assert found is not None
    assert not about("the toe of", replace(rank, toe_diameter_mm=float(found[1])))
    assert not about("the toe of", replace(rank, toe_diameter_mm=None))
    assert not about("travel", replace(STOPPED, cap=Cap(travel_cents=80.0)))


def mended(rank: Rank, line: str) -> Rank:
    """The rank with the number that a line names put in the place that it names."""
    found = re.search(r"To mend it: .*?(\w+) = ([\d.]+)", line)
    assert found is not None, line
    key, value = found[1], float(found[2])
    if key in ("travel_mm", "least_mm", "travel_cents"):
        return replace(rank, cap=replace(rank.cap, **{key: value}))
    return replace(rank, **{key: value})


STOPPED_2 = replace(
    STOPPED,
    footage=Fraction(2),
    last_key=35,
    construction="chimney",
    chimney=Chimney(0.3, 2.0),
    scale=HalfToneScale(((0.0, 8.0),)),
)


@pytest.mark.parametrize(
    ("words", "rank"),
    [
        ("bore of", replace(OCTAVE, toe_bore_mm=20.0, toe_diameter_mm=21.0)),
        ("bore of", replace(OCTAVE, footage=Fraction(1, 2), last_key=12, toe_bore_mm=80.0)),
        ("bore of", replace(OCTAVE, footage=Fraction(1, 2), last_key=12, toe_bore_mm=80.0, toe_diameter_mm=100.0)),
        ("bore that", replace(OCTAVE, toe_diameter_mm=9.0)),
        ("bore that", replace(OCTAVE, toe_diameter_mm=12.0, foot_lining=Lining(0.5, 1.5))),
        ("the cap's travel", replace(STOPPED, cap=Cap(travel_mm=60.0))),
        ("the cap's travel", replace(STOPPED, cap=Cap(least_mm=60.0))),
        ("the cap's travel", replace(STOPPED_2, cap=Cap(travel_cents=400.0))),
        ("give way", replace(OCTAVE, footage=Fraction(8), toe_bore_mm=6.0)),
        ("give way", replace(OCTAVE, footage=Fraction(16), first_key=12, toe_bore_mm=7.0)),
    ],
)
def test_the_number_that_is_named_mends_it(words: str, rank: Rank) -> None:
    (line,) = about(words, rank)
    assert not about(words, mended(rank, line))


def test_a_lining_of_the_foot_mends_a_toe_too() -> None:
    rank = replace(OCTAVE, footage=Fraction(8), toe_bore_mm=6.0)
    assert about("give way", rank)
    assert not about("give way", replace(rank, foot_lining=Lining(0.5, 2.0)))


@pytest.mark.parametrize("footage", [Fraction(16), Fraction(8), Fraction(4), Fraction(2), Fraction(1), Fraction(1, 2)])
@pytest.mark.parametrize("kind", ["outer", "stopper"])
@pytest.mark.parametrize("steps", [-6.0, 0.0, 6.0])
def test_no_default_of_a_cap_warns_of_itself(footage: Fraction, kind: str, steps: float) -> None:
    last = 31 if footage == Fraction(1, 2) else 43
    rank = replace(STOPPED, footage=footage, cap=Cap(kind=kind), last_key=last, scale=HalfToneScale(((0.0, steps),)))
    try:
        assert not about("travel", rank) and not about("pressed down", rank)
    except PipeError as error:
        assert "no body" in str(error)  # so wide a pipe does not exist at this pitch


@pytest.mark.parametrize("kind", ["outer", "stopper"])
def test_a_cap_that_does_not_travel_is_said(kind: str) -> None:
    rank = replace(STOPPED, cap=Cap(kind=kind, travel_mm=0.0))
    assert "cannot be pressed down: 0.0 cents" in about("pressed down", rank)[0]
    assert not about("pressed down", replace(STOPPED, cap=Cap(kind="soldered")))


def test_a_lining_holds_the_bore_and_may_not_close_it() -> None:
    lined = replace(OCTAVE, foot_lining=Lining(0.5, 0.8), toe_diameter_mm=9.0)
    organ = Organ("Chapel", Pitch(), (lined,))
    for pipe in rank_pipes(organ, lined, lambda alloy: 8.9):
        room = pipe.toe_diameter_mm - 2.0 * (pipe.thickness_foot_mm + 0.8)
        assert pipe.toe_bore_mm <= room + 1e-9
    free = replace(lined, toe_diameter_mm=None)
    for pipe in rank_pipes(Organ("Chapel", Pitch(), (free,)), free, lambda alloy: 8.9):
        assert pipe.toe_bore_mm == pytest.approx(free.mouth.toe_bore(pipe.flue_mm, pipe.mouth_width_mm))
    closed = replace(OCTAVE, foot_lining=Lining(1.0, 3.0), toe_diameter_mm=8.0)
    with pytest.raises(PipeError, match=r"foot_lining\.sheet_mm closes the toe.*wider toe"):
        said(closed)


def test_at_most_a_tenth_of_the_large_examples_pipes_are_warned_of_their_toes() -> None:
    organ = read_organ(Path(__file__).parents[2] / "examples" / "large_organ.toml", None)
    pipes = organ_pipes(organ, lambda alloy: 9.5)
    warned = 0
    for rank in organ.ranks:
        lines = rank_advice(organ, rank, [p for p in pipes if p.rank == rank.name])
        toes = [line for line in lines if "give way" in line]
        assert len(toes) <= 1
        warned += sum(int(re.search(r"toe: (\d+),", line)[1]) for line in toes)  # type: ignore[index]
    assert warned <= 0.1 * len(pipes)


def test_a_mouth_wider_than_a_third_is_said() -> None:
    assert about("comes out flat", replace(OCTAVE, mouth_fraction=0.4))
    for share in (2 / 7, 1 / 3):
        assert not about("comes out flat", replace(OCTAVE, mouth_fraction=share))


def test_a_toe_that_is_all_wall_is_said() -> None:
    rank = replace(OCTAVE, toe_diameter_mm=4.0, wall=GivenWall(2.5, 2.5), last_key=5)
    assert "leaves no bore" in about("the toe of", rank)[0]


def test_sound_ranks_are_left_alone() -> None:
    assert said(replace(OCTAVE, first_key=12)) == ()
    assert said(replace(STOPPED, first_key=12)) == ()


@pytest.mark.parametrize(
    "rank",
    [
        replace(OCTAVE, toe_diameter_mm=40.0),
        replace(OCTAVE, toe_diameter_mm=4.0, wall=GivenWall(2.5, 2.5), last_key=5),
        replace(OCTAVE, toe_bore_mm=20.0, toe_diameter_mm=21.0),
        replace(STOPPED, cap=Cap(travel_mm=60.0)),
        replace(OCTAVE, footage=Fraction(16)),
        replace(OCTAVE, footage=Fraction(32)),
        replace(STOPPED, cap=Cap(least_mm=60.0)),
        replace(STOPPED, cap=Cap(travel_mm=0.0)),
        replace(STOPPED_2, cap=Cap(travel_cents=400.0)),
        replace(OCTAVE, toe_diameter_mm=9.0),
        replace(OCTAVE, footage=Fraction(8), toe_bore_mm=6.0),
        replace(OCTAVE, mouth_fraction=0.4),
        replace(OCTAVE, lips=Lips("raised")),
        replace(OCTAVE, lips=Lips("applied")),
        replace(OCTAVE, construction="resonator", tuning="none", resonator=RESONATOR),
    ],
)
def test_every_line_has_its_german(rank: Rank) -> None:
    lines = [*said(rank), *said(rank, 300.0)]
    assert lines
    for line in lines:
        german = Words("de").read(line)
        assert german != line, line
        assert not re.search(r"\b(the|of|and|is|are|pipes|mend|not)\b", german), german

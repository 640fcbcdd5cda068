"""What is said of a whole rank: what was held and what would mend it, said once, in German too."""

import re
from dataclasses import replace
from fractions import Fraction

import pytest

from pipemetal.pipes.advice import rank_advice
from pipemetal.pipes.caps import Cap
from pipemetal.pipes.fronts import Lips
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.reeds import Resonator
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
        replace(OCTAVE, footage=Fraction(8), last_key=0),
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

"""What is advised mends what it is said of, and may be written in an organ file."""

import re
from dataclasses import replace
from fractions import Fraction

import pytest

from pipemetal.errors import PipeError
from pipemetal.pipes.advice import rank_advice
from pipemetal.pipes.fronts import Lining
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.scale import HalfToneScale


def said(rank: Rank) -> list[str]:
    organ = Organ("Chapel", Pitch(), (rank,), wind_mm_water=80.0)
    return [str(words) for words in rank_advice(organ, rank, rank_pipes(organ, rank, lambda alloy: 10.0))]


def bass(**rest: object) -> Rank:
    return Rank("R", "G", "m", Fraction(16), 0, 12, scale=HalfToneScale(((0.0, -6.0),)), **rest)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "rest",
    [
        {},
        {"toe_diameter_mm": 14.0},
        {"toe_diameter_mm": 16.0},
        {"toe_diameter_mm": 20.0, "foot_factor": 0.5},
        {"toe_diameter_mm": 150.0, "foot_factor": 0.5},
        {"toe_diameter_mm": 16.0, "toe_bore_mm": 9.0},
        {"toe_diameter_mm": 17.0, "toe_bore_mm": 20.0},
        {"toe_diameter_mm": 20.0, "foot_lining": Lining(0.2, 0.5, "m")},
        {"construction": "stopped", "toe_diameter_mm": 10.0},
        {"construction": "tapered", "top_ratio": 0.6, "toe_diameter_mm": 16.0},
    ],
)
def test_a_foot_factor_that_is_advised_mends_the_toe(rest: dict[str, object]) -> None:
    rank = bass(**rest)
    words = " ".join(said(rank))
    assert "give way" in words
    factor = re.search(r"foot_factor = ([\d.]+)", words)
    assert factor is not None
    mended = replace(rank, foot_factor=float(factor[1]))
    toe = re.search(r"toe_diameter_mm = ([\d.]+) mm", words)
    if toe is not None:
        mended = replace(mended, toe_diameter_mm=float(toe[1]))
    after = " ".join(said(mended))
    assert "give way" not in after and "does not go into" not in after


@pytest.mark.parametrize("mouth", [0.1, 0.25, 0.45])
@pytest.mark.parametrize("cut_up", [0.1, 0.3, 0.8])
@pytest.mark.parametrize(("construction", "footage"), [("open", 16), ("open", 4), ("stopped", 1)])
@pytest.mark.parametrize("flue_mm", [None, 0.05, 5.0])
def test_a_flue_or_a_cut_up_that_is_advised_may_be_named(
    mouth: float, cut_up: float, construction: str, footage: int, flue_mm: float | None
) -> None:
    rank = Rank(
        "R",
        "G",
        "m",
        Fraction(footage),
        0,
        24,
        scale=HalfToneScale(((0.0, 9.0),)),
        construction=construction,
        mouth_fraction=mouth,
        cut_up_fraction=cut_up,
        flue_mm=flue_mm,
    )
    words = " ".join(w for w in said(rank) if "Ising" in w)
    flue = re.search(r"a flue of ([\d.]+) mm", words)
    if flue is not None:
        replace(rank, flue_mm=float(flue[1]))
    height = re.search(r"On ([^,]+), .*a cut-up of ([\d.]+) mm", words)
    if height is not None:
        organ = Organ("Chapel", Pitch(), (rank,), wind_mm_water=80.0)
        pipe = next(p for p in rank_pipes(organ, rank, lambda alloy: 10.0) if p.note == height[1])
        replace(rank, cut_up_fraction=float(height[2]) / pipe.mouth_width_mm)


def test_a_flue_beyond_the_limits_is_refused() -> None:
    for flue in (0.04, 10.9):
        with pytest.raises(PipeError):
            bass(flue_mm=flue)

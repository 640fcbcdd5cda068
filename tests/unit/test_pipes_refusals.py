"""What a pipe shop must be told at once about ranks, scales and walls."""

from fractions import Fraction

import pytest

from pipemetal.errors import PipeError
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pitch import Pitch, parse_note, speed_of_sound_m_s
from pipemetal.pipes.rank import Break, Chimney, Organ, Rank
from pipemetal.pipes.scale import DiameterPoints, DiameterTable, HalfToneScale, HalvingScale
from pipemetal.pipes.walls import GivenWall, WallRule


def test_a_compass_past_the_scale_names_the_note() -> None:
    rank = Rank("Octave", "I", "m", Fraction(4), 0, 55, scale=DiameterTable(0, (90.0, 86.0, 82.0)))
    with pytest.raises(PipeError, match=r"rank 'Octave' note D#: compass reaches past the table of diameters"):
        rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)
    with pytest.raises(PipeError, match="past the ends"):
        DiameterPoints(((0, 90.0), (12, 50.0))).diameter_mm(13, 25.0)


def test_a_flute_too_wide_for_its_pitch_has_no_body() -> None:
    rank = Rank("Wide", "I", "m", Fraction(1), 0, 55, scale=HalvingScale(100.0, 0, 49))
    with pytest.raises(PipeError, match="leaves no body"):
        rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)


def test_a_compound_rank_breaks_where_it_says() -> None:
    breaks = (Break(0, (Fraction(4, 3), Fraction(1))), Break(24, (Fraction(2), Fraction(4, 3), Fraction(1))))
    rank = Rank("Mixture", "I", "m", None, 0, 55, breaks=breaks)
    pipes = rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)
    assert len(pipes) == 24 * 2 + 32 * 3
    assert [p.choir for p in pipes if p.key == 24] == [1, 2, 3]
    assert len({p.id for p in pipes}) == len(pipes)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Rank("R", "I", "m", Fraction(8), 0, 55, construction="square"),
        lambda: Rank("R", "I", "m", Fraction(8), 55, 0),
        lambda: Rank("R", "I", "m", Fraction(8), 0, 55, mouth_fraction=0.6),
        lambda: Rank("R", "I", "m", Fraction(8), 0, 55, top_ratio=0.5),
        lambda: Rank("R", "I", "m", Fraction(8), 0, 55, construction="chimney"),
        lambda: Rank("R", "I", "m", Fraction(8), 0, 55, chimney=Chimney()),
        lambda: Rank("R", "I", "m", None, 0, 55),
        lambda: Rank("R", "I", "m", None, 0, 55, breaks=(Break(12, (Fraction(2),)),)),
        lambda: Rank("R", "I", "m", Fraction(8), 0, 55, foot_length_mm=-3.0),
        lambda: Organ("O", Pitch(), ()),
        lambda: Pitch(a_hz=44.0),
        lambda: Pitch(tuning_c=75.0),
        lambda: Pitch(temperament_cents=(0.0,) * 11),
        lambda: HalvingScale(155.5, 0, 3),
        lambda: HalfToneScale(()),
        lambda: HalfToneScale(((0.0, 1.0), (0.0, 2.0))),
        lambda: DiameterTable(0, (90.0, -1.0)),
        lambda: WallRule("w", ((10.0, 0.4), (5.0, 0.5))),
        lambda: GivenWall(0.05, 0.05),
        lambda: Chimney(diameter_ratio=1.5),
        lambda: parse_note("H9x"),
        lambda: speed_of_sound_m_s(20.0, standard="guess"),
    ],
)
def test_what_cannot_be_is_refused(make) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(PipeError):
        make()


def test_a_top_thicker_than_the_mouth_is_refused_unless_it_is_asked_for() -> None:
    with pytest.raises(PipeError, match=r"top_mm.*thicker than the wall at the mouth.*reverse = true"):
        GivenWall(0.8, 0.9)
    assert GivenWall(0.8, 0.9, reverse=True).top_mm(0.8, 900.0) == 0.9
    # an old pipe measured thinner than the wall given keeps a top that is no thicker than its mouth
    assert GivenWall(0.9, 0.8).top_mm(0.7, 900.0) == 0.7


def test_a_tapered_rank_without_its_top_is_refused() -> None:
    with pytest.raises(PipeError, match=r"top.*is missing or 1.*construction tapered needs it"):
        Rank("Gemshorn", "I", "m", Fraction(8), 0, 12, construction="tapered")


def test_a_wall_thicker_than_half_of_the_pipe_is_refused_with_its_note() -> None:
    rank = Rank("Fifteenth", "I", "m", Fraction(2), 0, 60, wall=GivenWall(3.0, 3.0))
    with pytest.raises(PipeError, match=r"rank 'Fifteenth' note .*wall is thicker than half"):
        rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)

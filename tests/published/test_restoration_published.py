"""Old ranks against what is in print: the temperament of the chest organ of Kamien Pomorski, and pitches at their temperature.

The paper on that organ (Sensors 2021, 21(12), 4163) gives pipe lengths; only its abstract and its outline could be read, so that its
lengths are not checked here. Neither could the tables of the 1864 rank (McNeil & Sedlak, The Diapason, August to November
2018) nor those of Dom Bedos (1766) be read.
"""

from __future__ import annotations

import pytest

from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.scale_fit import Estimate
from pipemetal.pipes.temperament import TEMPERAMENTS
from pipemetal.restoration.background import PITCHES, near_pitches

AARON = (0, 76, 193, 310, 386, 503, 579, 697, 773, 890, 1007, 1083)
"""Cents above C of the temperament of P. Aaron (1523): K. Gann's table of historical tunings in whole cents, as a public library of
tunings repeats it; read."""


def test_the_temperament_named_for_the_chest_organ_is_one_of_the_list() -> None:
    """Abstract, read: "the tuning system proposed in 1523 by Pietro Aaron proved to be the most probable temperament"."""
    assert TEMPERAMENTS["meantone4"].from_c_cents() == pytest.approx(AARON, abs=0.5)


def test_two_published_pitches_are_one_at_their_temperatures() -> None:
    """435 Hz at 15 C (law of 1859) and 439 Hz at 68 F (1896), whole hertz, read: the same pipes."""
    brought = 435.0 * speed_of_sound_m_s(20.0) / speed_of_sound_m_s(15.0)
    assert brought == pytest.approx(439.0, abs=0.5)
    held = {p.a_hz for p in near_pitches(Estimate(435.0, 434.0, 436.0), 15.0)}
    assert held == {435.0, 439.0}
    assert len(PITCHES) == 9

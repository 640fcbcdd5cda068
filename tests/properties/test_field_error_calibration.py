"""The error that a field states, held against true metal of many kinds: `bench/field_error.py` with fewer sheets."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))
import field_error

# By kind: the least and the most that the true error may be of the stated one (root mean square). Few sheets say it within a
# sixth; what no readings can tell (ripples between few stations, sheets without waves gauged at six places) is wider.
USUAL = (0.7, 1.25)
KINDS = {
    "no waves, 12 readings": USUAL,
    "no waves, 30 readings": USUAL,
    "waves 0.06 m, 12 readings": USUAL,
    "waves 0.3 m, 6 readings": USUAL,
    "waves 0.3 m, 0.03 mm, 30 readings": USUAL,
    "small, 12 readings, rack of 1": USUAL,
    "small, 6 readings, rack of 4": USUAL,
    "thick 4 mm, 12 readings": USUAL,
    "thick 2 mm, small, 6 readings": USUAL,
    "0.5 to 5 mm in one rack": USUAL,
    "middle alone": USUAL,
    "short ripples 0.014 mm": (0.7, 1.6),
    "ripples, 12 readings": (0.7, 1.8),
    "ends alone, 6 readings": (0.5, 1.1),
    "no waves, 6 readings": (0.45, 1.0),
}


@pytest.mark.parametrize("name", KINDS)
def test_the_error_that_a_field_states_is_that_of_the_metal(name: str) -> None:
    kind = next(k for k in field_error.KINDS if k.name == name)
    tally = field_error.judged(field_error.racks(kind, 321, 1.0 / 3.0), 321)
    (least, most), (places, means) = KINDS[name], tally.rms()
    assert tally.refused == 0
    assert least <= places <= most and means <= 1.2 * most, (places, means)
    if most <= USUAL[1]:
        outside, far_outside = tally.outside()
        assert outside <= 0.12 and far_outside <= 0.03

"""Holes in caps, chimneys and open ends against finite elements in axial symmetry (`bench/ends_fem.py`).

The finite elements share nothing with the formulas; they are held against the two published ends first.
"""

import math
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))

from ends_fem import Opening, acting_length
from pipemetal.pipes.ends import flanged_mm, hole_mm, inside_mm
from pipemetal.pipes.length import half_covered_length_mm, mouth_correction_mm, stopped_length_mm

SPEED = 343.2


def test_the_finite_elements_give_the_published_open_ends() -> None:
    """Thin tube 0.6133 r (Levine & Schwinger 1948); a wide flange 0.8217 r (as in Dalmont, Nederveen & Joly 2001)."""
    assert acting_length(Opening(1.0, 0.05, 0.005), 2.0) - 0.05 == pytest.approx(0.6133, abs=0.005)
    assert acting_length(Opening(1.0, 0.05, 39.0), 2.0) - 0.05 == pytest.approx(0.8217, abs=0.005)


@pytest.mark.parametrize("share", [0.1, 0.15, 0.25, 0.4, 0.6])
@pytest.mark.parametrize("thick", [0.03, 0.1, 0.3, 1.0])
def test_a_hole_in_a_cap(share: float, thick: float) -> None:
    cap = thick * share
    found = acting_length(Opening(share, cap, 0.03), 1.5)
    assert hole_mm(share, 1.0, 1.03, cap) == pytest.approx(found, abs=0.012 * share)


@pytest.mark.parametrize("share", [0.15, 0.25, 1 / 3, 0.5, 0.7])
def test_a_chimney(share: float) -> None:
    opening = Opening(share, 0.02, 0.03, 3.0, 0.03)
    ends = acting_length(opening, 1.5) - opening.top
    assert inside_mm(share, 1.0) + flanged_mm(share, share + 0.03) == pytest.approx(ends, abs=0.005 * share)


@pytest.mark.parametrize("share", [0.15, 0.25, 0.40])
def test_half_covered_bodies_sound_within_two_cents_of_the_finite_elements(share: float) -> None:
    """c1 of 65.38 mm with a cap of 0.6 mm: the pitch at which body, mouth and the computed hole are in resonance."""
    d, hz = 65.38, 261.626
    width, cut_up = math.pi * d / 4, math.pi * d / 12
    body = half_covered_length_mm(hz, SPEED, d, width, cut_up, share * d, 0.6, d + 2.4)
    assert body > stopped_length_mm(hz, SPEED, d, width, cut_up)
    acting = acting_length(Opening(share, 1.2 / d, 2.4 / d), 2.0) * d / 2.0

    def unbalance(frequency: float) -> float:
        k = 2.0 * math.pi * frequency / (SPEED * 1000.0)
        neck = math.atan(math.tan(k * acting) / share**2)
        return k * body + math.atan(k * mouth_correction_mm(d, width, cut_up)) + neck - math.pi

    low, high = 0.8 * hz, 1.25 * hz
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if unbalance(middle) < 0.0 else (low, middle)
    assert abs(1200.0 * math.log2(low / hz)) < 2.0

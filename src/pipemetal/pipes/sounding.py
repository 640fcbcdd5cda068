"""The length of body that sounds a pitch, by the construction of its rank."""

from __future__ import annotations

from typing import Final

from pipemetal.pipes import length as lengths
from pipemetal.pipes.profile import profile_length_mm
from pipemetal.pipes.rank import Rank

__all__ = ["sounding_length_mm"]

USUAL_WALL_MM: Final = 0.6
"""Wall of cap and chimney where a length is asked for without one (common practice, no source)."""


def sounding_length_mm(
    rank: Rank,
    frequency_hz: float,
    speed_m_s: float,
    diameter_mm: float,
    mouth_width_mm: float,
    cut_up_mm: float,
    wall_mm: float = USUAL_WALL_MM,
) -> float:
    """Length of body that sounds a frequency, by the rank's construction; `cut_up_mm` is the mean one, `wall_mm` that of body,
    cap and chimney.

    >>> from fractions import Fraction
    >>> rank = Rank("R", "I", "m", Fraction(8), 0, 0)
    >>> round(sounding_length_mm(rank, 65.4064, 343.2, 155.5, 122.13, 30.53), 1)
    2355.1
    """
    size = (frequency_hz, speed_m_s, diameter_mm, mouth_width_mm, cut_up_mm)
    match rank.construction:
        case "stopped":
            return lengths.stopped_length_mm(*size)
        case "chimney":
            assert rank.chimney is not None
            neck, tall = diameter_mm * rank.chimney.diameter_ratio, diameter_mm * rank.chimney.length_ratio
            return lengths.chimney_length_mm(*size, neck, tall, wall_mm)
        case "half_covered":
            assert rank.hole_ratio is not None
            rim = 2.0 * rank.cap.packing_mm + 2.0 * wall_mm if rank.cap.kind == "outer" else 0.0
            outside = diameter_mm + 2.0 * wall_mm + rim
            return lengths.half_covered_length_mm(*size, diameter_mm * rank.hole_ratio, wall_mm, outside)
        case "tapered":
            return lengths.tapered_length_mm(*size, rank.top_ratio)
        case "stepped":
            return profile_length_mm(*size, rank.steps)
        case "harmonic":
            return lengths.harmonic_length_mm(*size)
        case "resonator":
            assert rank.resonator is not None
            return rank.resonator.length_share * speed_m_s * 500.0 / frequency_hz
        case _:
            return lengths.open_length_mm(*size)

"""A pipe that was trimmed to its pitch and heard, against what the length rule says for it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.learned import Traits
from pipemetal.pipes.length_rules import cents_per_mm
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ
from pipemetal.pipes.sounding import sounding_length_mm

__all__ = ["Trimmed", "trimmed_of"]


@dataclass(frozen=True)
class Trimmed:
    """A pipe that was heard, with the length that it had.

    Parameters
    ----------
    name, rank : rank and note; the rank, with its organ where there are several
    traits : what its length may depend on
    length_mm : from the lower lip to the top, or to the inner face of the cap
    rule_mm : what the length rule says for what it sounded, in the air of that moment
    cents_per_mm : how the pitch goes with the length
    """

    name: str
    rank: str
    traits: Traits
    length_mm: float
    rule_mm: float
    cents_per_mm: float


def trimmed_of(organ: Organ, pipe: Pipe, length_mm: float, heard_hz: float, air_c: float) -> Trimmed:
    """A pipe of an organ that was heard in some air, with the length that it had."""
    rank = next(r for r in organ.ranks if r.name == pipe.rank)
    speed = speed_of_sound_m_s(
        air_c, organ.pitch.humidity_percent, organ.pitch.pressure_pa, standard=organ.pitch.standard
    )
    mean_cut_up = pipe.cut_up_mm - rank.arch * pipe.mouth_width_mm / 3.0
    size = (pipe.diameter_mm, pipe.mouth_width_mm, mean_cut_up, pipe.thickness_mouth_mm)

    def by_rule(hz: float) -> float:
        return sounding_length_mm(rank, hz, speed, *size)

    shape = pipe.mouth_width_mm / (math.pi * pipe.diameter_mm), pipe.cut_up_mm / pipe.mouth_width_mm
    return Trimmed(
        f"{pipe.rank} {pipe.note}",
        f"{organ.name} {pipe.rank}",
        Traits(pipe.construction, heard_hz, pipe.diameter_mm, *shape, organ.wind_of(rank)),
        length_mm,
        by_rule(heard_hz),
        abs(cents_per_mm(by_rule, heard_hz)),
    )

"""Every pipe of a rank: sizes, walls and masses, from the organ's pitch and the rank's rules."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Final

from pipemetal.errors import InputError, PipeError
from pipemetal.pipes import length as lengths
from pipemetal.pipes.parts import pipe_parts
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import note_name
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.scale import half_tones

__all__ = ["organ_pipes", "rank_pipes"]

BASS_HZ: Final = 65.406
TREBLE_HZ: Final = 4186.0

Density = Callable[[str], float]


def _sounding_length_mm(rank: Rank, frequency_hz: float, speed_m_s: float, d: float, b: float, h: float) -> float:
    if rank.construction == "stopped":
        return lengths.stopped_length_mm(frequency_hz, speed_m_s, d, b, h)
    if rank.construction == "chimney":
        assert rank.chimney is not None
        return lengths.chimney_length_mm(
            frequency_hz, speed_m_s, d, b, h, d * rank.chimney.diameter_ratio, d * rank.chimney.length_ratio
        )
    if rank.construction == "tapered":
        return lengths.tapered_length_mm(frequency_hz, speed_m_s, d, b, h, rank.top_ratio)
    if rank.construction == "harmonic":
        return lengths.harmonic_length_mm(frequency_hz, speed_m_s, d, b, h)
    return lengths.open_length_mm(frequency_hz, speed_m_s, d, b, h)


def _cut_length_mm(organ: Organ, rank: Rank, frequency_hz: float, body_mm: float, diameter_mm: float) -> float:
    allow = organ.allowances
    if rank.tuning == "cone":
        octaves = math.log2(min(max(frequency_hz, BASS_HZ), TREBLE_HZ) / BASS_HZ)
        share = octaves / math.log2(TREBLE_HZ / BASS_HZ)
        percent = allow.tuning_bass_percent + (allow.tuning_treble_percent - allow.tuning_bass_percent) * share
        return body_mm + max(body_mm * percent / 100.0, allow.tuning_least_mm)
    if rank.tuning == "slot":
        return body_mm + allow.slot_above * diameter_mm
    if rank.tuning == "cap":
        return body_mm + max(allow.cap_travel * diameter_mm, allow.cap_least_mm)
    return body_mm


def _pipe(organ: Organ, rank: Rank, key: int, choir: int, footage: Fraction, density_g_cm3: Density) -> Pipe:
    semitones = organ.pitch.semitones(key, footage, pure=rank.pure_mutations)
    frequency = organ.pitch.frequency_hz(key, footage, pure=rank.pure_mutations)
    diameter = rank.scale.diameter_mm(key, semitones)
    mouth_width = rank.mouth_fraction * math.pi * diameter
    cut_up = rank.cut_up_fraction * mouth_width
    body = _sounding_length_mm(rank, frequency, organ.pitch.speed_m_s, diameter, mouth_width, cut_up)
    cut = _cut_length_mm(organ, rank, frequency, body, diameter)
    mouth_wall = rank.wall.mouth_mm(diameter)
    note = note_name(key)
    name = f"{rank.name} {note}" if rank.footage is not None else f"{rank.name} {note}/{choir}"
    draft = Pipe(
        id=name, rank=rank.name, division=rank.division, alloy=rank.alloy, construction=rank.construction, key=key,
        note=note, choir=choir, footage=footage, frequency_hz=frequency, diameter_mm=diameter,
        top_diameter_mm=diameter * rank.top_ratio, half_tones=half_tones(diameter, semitones),
        mouth_width_mm=mouth_width, cut_up_mm=cut_up, body_length_mm=body, cut_length_mm=cut,
        foot_length_mm=rank.foot_length_mm,
        chimney_diameter_mm=diameter * rank.chimney.diameter_ratio if rank.chimney else 0.0,
        chimney_length_mm=diameter * rank.chimney.length_ratio if rank.chimney else 0.0,
        thickness_mouth_mm=mouth_wall, thickness_top_mm=rank.wall.top_mm(mouth_wall, cut),
        thickness_foot_mm=mouth_wall * rank.foot_factor,
        languid_thickness_mm=organ.languids.thickness_mm(diameter), parts=(),
    )  # fmt: skip
    return replace(draft, parts=pipe_parts(draft, rank, organ.allowances, density_g_cm3))


def rank_pipes(organ: Organ, rank: Rank, density_g_cm3: Density) -> tuple[Pipe, ...]:
    """All pipes of a rank, from the lowest key up, choir by choir.

    `density_g_cm3` gives the density of an alloy by its name.

    Errors: PipeError that names rank and note where a pipe cannot exist (no body left, past the scale's ends).
    """
    pipes = []
    for key in rank.keys:
        for choir, footage in enumerate(rank.choirs_at(key), start=1):
            try:
                pipes.append(_pipe(organ, rank, key, choir, footage, density_g_cm3))
            except PipeError as error:
                raise error.at(f"rank {rank.name!r} note {note_name(key)}") from None
    return tuple(pipes)


def organ_pipes(organ: Organ, density_g_cm3: Density) -> tuple[Pipe, ...]:
    """All pipes of an organ, rank by rank.

    Errors: PipeError as `rank_pipes`; InputError where an alloy's density is not known.
    """
    pipes: list[Pipe] = []
    for rank in organ.ranks:
        try:
            pipes += rank_pipes(organ, rank, density_g_cm3)
        except KeyError as error:
            raise InputError("is not a recipe of this shop", field="alloy", value=str(error.args[0])) from None
    return tuple(pipes)

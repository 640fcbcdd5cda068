"""Old ranks made up with known truth: pitch, temperament, scale and errors are chosen, the pipes are worked out and measured."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from fractions import Fraction

from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.old import OldPipe
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.rank import Rank
from pipemetal.pipes.sounding import sounding_length_mm
from pipemetal.pipes.temperament import PURE_FIFTH_CENTS, TEMPERAMENTS
from pipemetal.restoration.record import FoundPipe, Restoration

AIR_C = 15.0


@dataclass(frozen=True)
class World:
    """What is true of an old rank, and how it was measured.

    Parameters
    ----------
    pipes : how many are left of 49
    scatter_cents : of a pipe about the rule
    smooth_cents, smooth_octaves : size and period of the rule's smooth error
    common_cents : standard deviation of the error common to all
    temperament : a name, "any" of the list, or "unlisted"
    moved : half tones by which pipes stand from the keys of their temperament
    odd : share of pipes that are half a tone and more off
    shortened : share of pipes cut shorter by some later hand, and noted as such
    lost : share of mouths, cut-ups and diameters that were not measured
    reading_mm : standard error of a reading
    heard : how many pipes still speak and were recorded
    construction, top_ratio, footage, scale_steps : of the rank
    """

    pipes: int = 24
    scatter_cents: float = 8.0
    smooth_cents: float = 8.0
    smooth_octaves: float = 5.0
    common_cents: float = 15.0
    temperament: str = "any"
    moved: int = 0
    odd: float = 0.0
    shortened: float = 0.0
    lost: float = 0.0
    reading_mm: float = 0.15
    heard: int = 0
    construction: str = "open"
    top_ratio: float = 1.0
    footage: Fraction = Fraction(4)
    scale_steps: float = 16.0


@dataclass(frozen=True)
class OldOne:
    """A made-up old rank and its truth."""

    record: Restoration
    a_hz: float
    temperament: str
    odd_keys: frozenset[int]
    diameters_mm: dict[int, float]


def unlisted(rng: random.Random) -> tuple[float, ...]:
    """A temperament that is none of the named ones: meantone of 2/7 or 1/3 comma, or a circle of fifths anyhow tempered."""
    kind = rng.randrange(3)
    if kind < 2:
        narrowed = [21.506 * (2 / 7, 1 / 3)[kind]] * 11
    else:
        shares = [rng.choice([0.0, 0.0, 1.0, 2.0, 3.0]) + rng.uniform(0.0, 0.3) for _ in range(12)]
        narrowed = [23.46 * share / sum(shares) for share in shares[:11]]
    cents = [0.0] * 12
    # from E flat up to G sharp, so that the wolf of a meantone lies between them
    at, step = 0.0, 3
    offsets = {3: 0.0}
    for fall in narrowed:
        at, step = at + PURE_FIFTH_CENTS - fall, (step + 7) % 12
        offsets[step] = at % 1200.0
    for step, value in offsets.items():
        cents[step] = (value - 100.0 * ((step - 3) % 12) + 600.0) % 1200.0 - 600.0
    return tuple(c - cents[9] for c in cents)


def old_rank(world: World, seed: int) -> OldOne:
    """One rank of a world."""
    rng = random.Random(seed)
    name = rng.choice(sorted(TEMPERAMENTS)) if world.temperament == "any" else world.temperament
    offsets = unlisted(rng) if name == "unlisted" else TEMPERAMENTS[name].offsets_cents()
    a_hz = math.exp(rng.uniform(math.log(385.0), math.log(545.0)))
    common, phase = rng.gauss(0.0, world.common_cents), rng.uniform(0.0, 2.0 * math.pi)
    speed = speed_of_sound_m_s(AIR_C)
    kind = {"top_ratio": world.top_ratio} if world.construction == "tapered" else {}
    rank = Rank("R", "I", "m", world.footage, 0, 48, construction=world.construction, **kind)
    at_c = 155.5 * 2.0 ** (rng.gauss(0.0, 2.0) / 16.0)
    mouth_share, cut_share = rng.uniform(0.21, 0.28), rng.uniform(0.22, 0.33)
    keys = sorted(rng.sample(range(49), world.pipes))
    speaking = set(rng.sample(keys, world.heard))
    pipes, odd, diameters = [], set(), {}
    for key in keys:
        semitones = sounding_semitones(key, world.footage)
        across = at_c * 2.0 ** (-semitones / world.scale_steps) * math.exp(rng.gauss(0.0, 0.004))
        width = mouth_share * math.pi * across * math.exp(rng.gauss(0.0, 0.01))
        cut_up = cut_share * width * math.exp(rng.gauss(0.0, 0.03))
        pattern = offsets[(key + world.moved) % 12] - offsets[(9 + world.moved) % 12]
        tuned = pattern + rng.gauss(0.0, world.scatter_cents / math.sqrt(2.0))
        if rng.random() < world.odd:
            tuned += rng.choice([-200.0, -100.0, -60.0, 60.0, 100.0, 200.0])
            odd.add(key)
        rule = common + world.smooth_cents * math.sin(2.0 * math.pi * key / 12.0 / world.smooth_octaves + phase)
        rule += rng.gauss(0.0, world.scatter_cents / math.sqrt(2.0))
        plain = a_hz * 2.0 ** ((semitones - 33.0) / 12.0)
        length = sounding_length_mm(rank, plain * 2.0 ** ((tuned + rule) / 1200.0), speed, across, width, cut_up)
        altered = "as made"
        if rng.random() < world.shortened:
            length, altered = length * (1.0 - rng.uniform(0.01, 0.06)), "shortened"
        sounds = (
            plain * 2.0 ** ((tuned + rng.gauss(0.0, 1.0)) / 1200.0)
            if key in speaking and altered == "as made"
            else None
        )
        pipe = OldPipe(
            key,
            note_name(key),
            None if rng.random() < 0.5 * world.lost else _read(rng, across, world),
            length_mm=_read(rng, length, world),
            mouth_width_mm=None if rng.random() < world.lost else _read(rng, width, world),
            cut_up_mm=None if rng.random() < world.lost else _read(rng, cut_up, world),
        )
        if world.construction == "tapered" and pipe.diameter_mm is not None:
            pipe = replace(pipe, top_diameter_mm=_read(rng, across * world.top_ratio, world))
        half = dict.fromkeys(("diameter_mm", "length_mm", "mouth_width_mm", "cut_up_mm"), 1.96 * world.reading_mm)
        air = AIR_C if sounds is not None else None
        pipes.append(FoundPipe(pipe, altered=altered, sounds_hz=sounds, air_c=air, plus_minus_mm=half))
        diameters[key] = across
    record = Restoration("made up", "R", world.footage, 0, 48, tuple(pipes))
    return OldOne(record, a_hz, name, frozenset(odd), diameters)


def _read(rng: random.Random, true_mm: float, world: World) -> float:
    return max(round(true_mm + rng.gauss(0.0, world.reading_mm), 2), 2.0)

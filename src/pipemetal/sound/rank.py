"""A rank recorded from one end to the other in one go: its pipes found apart, named, and held against their own smooth curve."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.sound.measure import Measured, cents_between, measure
from pipemetal.sound.recording import LEAST_S, LEVEL_S, Recording, bridged, levels, runs
from pipemetal.texts import Amount, Text

__all__ = ["HeardPipe", "HeardRank", "Unheard", "compared", "hear_rank"]

GAP_S: Final = 0.1
"""A dip this short is within one tone."""
UNDER_DB: Final = 25.0
FLOOR_DB: Final = 8.0
STANDS_OUT: Final = 3.5
LEAST_CENTS: Final = 3.0
LEAST_DB: Final = 6.0
STANDS_OUT_DB: Final = 5.0
"""Of partials, by their usual scatter: a room alone moves levels far, and many are looked at."""
STANDS_OUT_TOGETHER: Final = 4.0
LEAST_TOGETHER_DB: Final = 3.0
"""Of the mean of all upper partials."""
LEAST_PIPES: Final = 5
NEAREST_CENTS: Final = 80.0
COMPARED: Final = (1, 2, 3, 4, 5, 6)
"""Partials that are held against those of the neighbours."""


@dataclass(frozen=True)
class HeardPipe:
    """One pipe of the rank.

    Parameters
    ----------
    key : its key
    start_s : where it begins in the recording
    heard : what was measured
    cents : against what it should sound
    curve_cents : what the smooth curve of the rank says
    stands_out : its pitch is not that of its neighbours
    odd_partials : partials that are stronger or weaker than in its neighbours: number and dB
    """

    key: int
    start_s: float
    heard: Measured
    cents: float
    curve_cents: float = 0.0
    stands_out: bool = False
    odd_partials: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class Unheard:
    """A stretch of sound that is no pipe of the rank, and why."""

    start_s: float
    seconds: float
    why: str


@dataclass(frozen=True)
class HeardRank:
    """The pipes in the order of their keys, what could not be used, keys that were not heard."""

    pipes: tuple[HeardPipe, ...]
    unheard: tuple[Unheard, ...]
    missing: tuple[int, ...]


def tones(recording: Recording) -> list[tuple[float, float]]:
    """Where the tones of a recording are: beginnings and ends in seconds."""
    level = levels(recording)
    if len(level) == 0:
        return []
    floor, top = float(np.percentile(level, 5)), float(np.percentile(level, 90))
    threshold = max(top - UNDER_DB, min(floor + FLOOR_DB, top - FLOOR_DB))
    loud = bridged(level > threshold, round(GAP_S / LEVEL_S))
    return [(a * LEVEL_S, b * LEVEL_S) for a, b in runs(loud) if (b - a) * LEVEL_S >= LEAST_S]


def hear_rank(recording: Recording, wanted_hz: Mapping[int, float]) -> HeardRank:
    """Every pipe of a rank in one recording.

    `wanted_hz` says what each key should sound in this air. Each tone gets the key that it is nearest to, within 80 cents;
    a key that sounds twice keeps its last tone, since that is the one that was tuned.

    Errors: SoundError where no pipe of the rank is heard.
    """
    found: dict[int, tuple[float, Measured]] = {}
    unheard: list[Unheard] = []
    for start, end in tones(recording):
        try:
            heard = _one(recording.part(start, end), wanted_hz)
        except SoundError as error:
            unheard.append(Unheard(start, end - start, error.text()))
            continue
        key = _nearest(heard.frequency_hz, wanted_hz)
        if abs(cents_between(heard.frequency_hz, wanted_hz[key])) > NEAREST_CENTS:
            why = Text("{hz} Hz is no pitch of this rank", hz=Amount(heard.frequency_hz, "", 1))
            unheard.append(Unheard(start, end - start, why))
            continue
        found[key] = (start, heard)
    if not found:
        raise SoundError("holds no pipe of this rank", field="recording", code="no-tone")
    held = [
        HeardPipe(key, start, heard, cents_between(heard.frequency_hz, wanted_hz[key]))
        for key, (start, heard) in sorted(found.items())
    ]
    missing = tuple(sorted(set(wanted_hz) - set(found)))
    return HeardRank(tuple(compared(held)), tuple(unheard), missing)


def _one(part: Recording, wanted_hz: Mapping[int, float]) -> Measured:
    """One tone; where its octave is in doubt, by the pitches of the rank."""
    try:
        return measure(part)
    except SoundError as error:
        doubted = error.value
        if error.code != "octave" or not isinstance(doubted, Amount):
            raise
        return measure(part, wanted_hz[_nearest(doubted.value, wanted_hz)])


def _nearest(hertz: float, wanted_hz: Mapping[int, float]) -> int:
    return min(wanted_hz, key=lambda key: abs(math.log(hertz / wanted_hz[key])))


def smooth(key: NDArray[np.float64], value: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """A smooth curve through values that a few do not move (parabola, Tukey's weights), and the spread about it."""
    degree = 2 if len(key) >= 8 else 1 if len(key) >= 4 else 0
    at = (key - np.mean(key)) / max(float(np.std(key)), 1.0)
    weight = np.ones(len(key))
    curve = np.full(len(key), float(np.median(value)))
    spread = 0.0
    for _ in range(12):
        left = value - curve
        spread = 1.4826 * float(np.median(np.abs(left)))
        if spread <= 1e-9:
            break
        weight = np.clip(1.0 - (left / (4.7 * spread)) ** 2, 0.0, None) ** 2
        if np.count_nonzero(weight) <= degree + 1:
            break
        curve = np.polyval(np.polyfit(at, value, degree, w=np.sqrt(weight)), at)
    return curve, spread


def compared(held: Sequence[HeardPipe]) -> list[HeardPipe]:
    """The pipes of a rank, each held against the smooth curve of pitch and of partials."""
    key = np.array([float(p.key) for p in held])
    cents = np.array([p.cents for p in held])
    curve, spread = smooth(key, cents)
    out = np.abs(cents - curve) > max(LEAST_CENTS, STANDS_OUT * spread)
    odd: list[list[tuple[int, float]]] = [[] for _ in held]
    whole = np.array(
        [10.0 * math.log10(math.fsum(10.0 ** (x.level_db / 10.0) for x in p.heard.partials)) for p in held]
    )
    away = np.full((len(COMPARED), len(held)), np.nan)
    for row, number in enumerate(COMPARED):
        level = [next((x.level_db for x in p.heard.partials if x.number == number), math.nan) for p in held]
        value = np.array(level) - whole
        there = np.flatnonzero(np.isfinite(value))
        if len(there) < LEAST_PIPES:
            continue
        line, wide = smooth(key[there], value[there])
        away[row, there] = value[there] - line
        for place, off in zip(there.tolist(), (value[there] - line).tolist(), strict=True):
            if abs(off) > max(LEAST_DB, STANDS_OUT_DB * wide):
                odd[place].append((number, off))
    for place in _dull_or_sharp(away[1:]):
        named = {number for number, _ in odd[place]}
        same = np.sign(np.nansum(away[1:, place]))
        more = [(n, float(x)) for n, x in zip(COMPARED[1:], away[1:, place], strict=True) if n not in named]
        odd[place] = sorted([*odd[place], *((n, x) for n, x in more if same * x > LEAST_TOGETHER_DB)])
    return [
        HeardPipe(p.key, p.start_s, p.heard, p.cents, float(c), bool(o), tuple(x))
        for p, c, o, x in zip(held, curve, out, odd, strict=True)
    ]


def _dull_or_sharp(away: NDArray[np.float64]) -> list[int]:
    """Pipes whose upper partials together, partials by pipes in dB, are weaker or stronger than their neighbours'. A room moves
    each by itself, so their mean scatters less than one of them."""
    counts = np.sum(np.isfinite(away), axis=0)
    if int(np.count_nonzero(counts >= 2)) < LEAST_PIPES:
        return []
    mean = np.nansum(away, axis=0) / np.maximum(counts, 1)
    told = counts >= 2
    wide = 1.4826 * float(np.median(np.abs(mean[told] - np.median(mean[told]))))
    off = np.abs(mean - np.median(mean[told]))
    return [int(k) for k in np.flatnonzero(told & (off > np.maximum(LEAST_TOGETHER_DB, STANDS_OUT_TOGETHER * wide)))]

"""Two pipes at once: how far apart they are, and whether they have locked together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.sound.phases import Phases, phases_of
from pipemetal.sound.recording import Recording, steady_part
from pipemetal.sound.spectrum import tone_of
from pipemetal.texts import Amount, Text

__all__ = ["Beats", "beats", "refuse_beats"]

LEAST_BEATS: Final = 2.5
"""Fewer turns than this in the recording do not show as two lines."""
LEAST_TURNS: Final = 1.5
LEAST_DEPTH: Final = 0.35
"""How deep the power of a partial must go up and down: a second pipe 15 dB under the first."""
LEAST_HIDDEN: Final = 3
HIDDEN_DEPTH: Final = 0.2
ALONE_BY: Final = 1.8
"""How far a beat must stand out of all else that the power does."""
MOST_PARTIALS: Final = 4
LEAST_S: Final = 1.0


@dataclass(frozen=True)
class Beats:
    """Two pipes in unison, or nearly.

    Parameters
    ----------
    state : `beating`, or `together` where no second line was found: locked, or closer than the recording can tell
    hertz : by how much the quieter pipe is above (under: negative) the louder; 0 where together
    cents : the same in cents
    half_width_hz : 95 % interval; where together, the least difference that would have been seen
    frequency_hz : of the louder
    """

    state: Literal["beating", "together"]
    hertz: float
    cents: float
    half_width_hz: float
    frequency_hz: float


@dataclass(frozen=True)
class _Envelope:
    """How the power of one partial goes up and down: at its strongest frequency, and how deep (1: to silence)."""

    number: int
    hertz: float
    depth: float


def _strong(held: Phases) -> NDArray[np.int64]:
    """Columns of the strongest partials."""
    loud = np.mean(held.amplitudes, axis=0)
    order = np.argsort(-loud)[:MOST_PARTIALS]
    result: NDArray[np.int64] = order[loud[order] > 0.1 * np.max(loud)]
    return result


def _spectrum(held: Phases, column: int, of_power: bool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Size of one partial's movement by its frequency, of its power or of its wave itself; a steady partial is 1 at 0."""
    count, step = len(held.at_s), float(held.at_s[1] - held.at_s[0])
    window = np.hanning(count + 2)[1:-1]
    wave = np.abs(held.waves[:, column]) ** 2 if of_power else held.waves[:, column]
    mean = np.sum(wave * window) / np.sum(window) if of_power else 0.0
    padded = 1 << (8 * count - 1).bit_length()
    size = np.abs(np.fft.fftshift(np.fft.fft((wave - mean) * window, padded))) / np.sum(window)
    if of_power:
        size = size / max(float(mean), 1e-30)
    return np.fft.fftshift(np.fft.fftfreq(padded, step)), size


def _envelope(held: Phases, column: int, length_s: float) -> _Envelope:
    offset, size = _spectrum(held, column, of_power=True)
    inside = (offset > LEAST_BEATS / length_s) & (offset < 0.8 * offset[-1])
    size = np.where(inside, size, 0.0)
    place = int(np.argmax(size))
    # at the edge of what is looked at it is the slope of something slower
    top = float(size[place]) if 0 < place < len(size) - 1 and size[place - 1] > 0.0 else 0.0
    other = float(np.max(np.where(np.abs(offset - offset[place]) > 2.2 / length_s, size, 0.0), initial=0.0))
    return _Envelope(int(held.numbers[column]), float(offset[place]), 2.0 * top if top > ALONE_BY * other else 0.0)


def _second(held: Phases, least_partials: int = 2) -> float | None:
    """Difference in hertz of the fundamentals, above or under the stronger, where all strong partials beat at their own multiple
    of it; None where they do not. What the wind does to them has the same frequencies in all."""
    length = float(held.at_s[-1] - held.at_s[0])
    if length < LEAST_S:
        return None
    found = [_envelope(held, int(column), length) for column in _strong(held)]
    deep = [x for x in found if x.depth > LEAST_DEPTH]
    even = [x for x in found if x.number % 2 == 0]
    is_octave = len(deep) == len(even) and deep == even  # the second pipe speaks an octave above
    if len(deep) < least_partials or (len(deep) < 0.7 * len(found) and not is_octave):
        return None
    hertz = sum(x.hertz for x in deep) / sum(x.number for x in deep)
    if hertz * length < LEAST_TURNS or any(
        abs(x.hertz - hertz * x.number) > 0.5 / length + 0.01 * x.hertz for x in deep
    ):
        return None
    sides = [_side(held, int(np.flatnonzero(held.numbers == x.number)[0]), x.hertz) for x in deep]
    return math.copysign(hertz, sum(sides))


def _side(held: Phases, column: int, hertz: float) -> float:
    """Over 0 where the second line is above the first, under it where below."""
    offset, size = _spectrum(held, column, of_power=False)
    at = offset[int(np.argmax(size))]
    above, below = np.interp([at + hertz, at - hertz], offset, size)
    return float(above - below)


def _hidden(held: Phases) -> float | None:
    """Difference in hertz where the wind moves some partials more than a second, quieter pipe does: two and more beat as two
    pipes do, and nearly all move at their own multiple of it too. Wind has its own low frequency in all instead."""
    length = float(held.at_s[-1] - held.at_s[0])
    if length < LEAST_S:
        return None
    columns = [int(c) for c in _strong(held)]
    deep = [x for c in columns if (x := _envelope(held, c, length)).depth > LEAST_DEPTH]
    spectra = [(int(held.numbers[c]), _spectrum(held, c, of_power=True)) for c in columns]
    for first in deep:
        hertz = first.hertz / first.number
        alike = [x for x in deep if abs(x.hertz - hertz * x.number) < 0.3 / length + 0.01 * x.hertz]
        if len(alike) < 2 or hertz * length < LEAST_BEATS:
            continue
        hertz = sum(x.hertz for x in alike) / sum(x.number for x in alike)
        if any(number > 1 and _peak_near(*spectrum, hertz, length) for number, spectrum in spectra):
            continue  # the wind's own
        also = sum(_peak_near(*spectrum, hertz * number, length) for number, spectrum in spectra)
        if len(spectra) >= LEAST_HIDDEN and also >= len(spectra) - 1:
            return hertz
    return None


def _peak_near(offset: NDArray[np.float64], size: NDArray[np.float64], hertz: float, length_s: float) -> bool:
    """Whether a power moves at a frequency, by itself: a peak there, and of some depth."""
    near = np.abs(offset - hertz) < 0.5 / length_s
    beside = (np.abs(offset - hertz) < 1.5 / length_s) & (offset > 0.0)
    if not np.any(near):
        return False
    at = offset[beside][int(np.argmax(size[beside]))]
    return bool(abs(at - hertz) < 0.5 / length_s) and 2.0 * float(np.max(size[near])) > HIDDEN_DEPTH


def refuse_beats(held: Phases) -> None:
    """Errors: SoundError where the partials of one tone show a second pipe beside it."""
    second = _second(held)
    if second is None:
        second = _hidden(held)
    if second is not None:
        raise SoundError(
            "holds two pipes that beat",
            field="recording",
            value=Text("{hertz} Hz", hertz=Amount(abs(second), "", 2)),
            allowed="one pipe alone, or ask for the beats",
            code="two-pipes",
        )


def beats(recording: Recording, expected_hz: float | None = None) -> Beats:
    """The difference of two pipes that sound together in unison, nearly in unison, or locked.

    The power of every partial of two pipes goes up and down at the difference times its number. Differences under 2.5 turns in
    the recording cannot be told from pipes that have locked.

    Errors: SoundError as `measure`.

    >>> t = np.arange(5 * 16_000) / 16_000
    >>> def pipe(hz): return sum(np.sin(2 * np.pi * hz * k * t + k) / k for k in (1, 2, 3))
    >>> found = beats(Recording(0.2 * pipe(440.0) + 0.15 * pipe(441.0), 16_000))
    >>> found.state, round(found.hertz, 2), round(found.cents, 1)
    ('beating', 1.0, 3.9)
    """
    part = steady_part(recording)
    held = phases_of(part, tone_of(part, expected_hz, alone=False).frequency_hz)
    line = _line_hz(held)
    hertz = _second(held, least_partials=1)
    if hertz is None:
        return Beats("together", 0.0, 0.0, LEAST_BEATS / part.duration_s, line)
    column = int(_strong(held)[0])
    depth = _envelope(held, column, part.duration_s).depth
    half = 0.3 / part.duration_s / max(depth, LEAST_DEPTH) / float(held.numbers[column])
    return Beats("beating", hertz, 1200.0 * math.log2((line + hertz) / line), half, line)


def _line_hz(held: Phases) -> float:
    """The first pipe's frequency: the strongest line of the strongest partial."""
    column = int(_strong(held)[0])
    offset, size = _spectrum(held, column, of_power=False)
    return held.base_hz + float(offset[int(np.argmax(size))]) / float(held.numbers[column])

"""The phase that every partial passes through, and the one phase that they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.sound.recording import Recording

__all__ = ["Phases", "phases_of"]

Floats = NDArray[np.float64]

FRAME_S: Final = (0.02, 0.05)
"""Frames of high and of low pipes."""
LEAST_PERIODS: Final = 4.0
USUAL_PERIODS: Final = 24.0
HOPS: Final = 4
"""Frames begin this many times in the length of one."""
MOST_PARTIALS: Final = 24
CLEAR_BY: Final = 5.0
"""How much more power than the noise beside it a partial must have."""
MOST_AWAY: Final = 0.035
"""How far the pitch may be from its mean at any time: 60 cents, as a share."""
MOST_STEP: Final = 0.0046
"""How far it may move from one frame to the next: 8 cents; TURN_COST is what that costs, by the worth of one frame."""
TURN_COST: Final = 0.15
MOST_TURN: Final = 0.45
MOST_SHARE: Final = 0.6
MOST_BEYOND: Final = 4.0
"""No partial is trusted this much beyond the next, however quiet it was by chance."""
LEAST_ALIKE: Final = 0.5
"""Partials less alike to the shared phase (mean of the turned amplitudes by that of their sizes) say nothing of the pitch."""


@dataclass(frozen=True)
class Phases:
    """What the partials did.

    Parameters
    ----------
    base_hz : what the phases are counted against
    at_s : the middles of the frames, n
    phase : phase of the fundamental beyond `base_hz`, in radians, by all partials together, n
    numbers : the partials, m
    waves : what they did against the multiples of `base_hz`, complex, n by m
    used : which of them are steady against the others, m; k of them
    apart : the phase of each used one by its number, less the shared one, n by k
    spread : how steady each was, in radians of the fundamental, k
    """

    base_hz: float
    at_s: Floats
    phase: Floats
    numbers: NDArray[np.int64]
    waves: NDArray[np.complex128]
    used: NDArray[np.bool_]
    apart: Floats
    spread: Floats

    @property
    def amplitudes(self) -> Floats:
        """How strong each partial was from frame to frame, n by m."""
        result: Floats = np.abs(self.waves)
        return result


def _demodulated(recording: Recording, base_hz: float) -> tuple[Floats, NDArray[np.complex128], NDArray[np.int64]]:
    """Middles of frames and the complex amplitude of every clear partial there.

    A frame is a whole number of periods under a Hann window, so that the other partials lie on its zeros. What is heard half
    way between two partials is noise: a partial must be clear of it.
    """
    rate = recording.rate_hz
    most = int(min(MOST_PARTIALS, max(1.0, 0.45 * rate / base_hz)))
    numbers = np.arange(2, 2 * most + 1) / 2.0
    frame_s = min(max(USUAL_PERIODS / base_hz, FRAME_S[0]), FRAME_S[1])
    periods = max(LEAST_PERIODS, np.ceil(frame_s * base_hz))
    size = min(round(periods * rate / base_hz), len(recording.samples) // 4)
    # so often that the step of the fundamental from frame to frame is no half turn, however far it may be away
    hop = max(1, min(size // HOPS, int(MOST_TURN / MOST_AWAY * rate / base_hz)))
    frames = np.lib.stride_tricks.sliding_window_view(recording.samples, size)[::hop]
    middle = (size - 1) / 2.0
    inside = (np.arange(size) - middle) / rate
    window = 0.5 + 0.5 * np.cos(2.0 * np.pi * (np.arange(size) - middle) / size)
    angle = 2.0 * np.pi * base_hz * np.outer(inside, numbers)
    scale = (2.0 * window / np.sum(window))[:, None]
    real, imaginary = np.cos(angle) * scale, -np.sin(angle) * scale
    at_s = (np.arange(len(frames)) * hop + middle) / rate
    found = np.empty((len(frames), len(numbers)), dtype=np.complex128)
    for first in range(0, len(frames), 256):  # a copy of some frames at a time
        held = np.ascontiguousarray(frames[first : first + 256])
        found[first : first + 256] = held @ real + 1j * (held @ imaginary)
    power = np.mean(np.abs(found) ** 2, axis=0)
    between = np.interp(numbers[::2], numbers[1::2], power[1::2]) if len(numbers) > 1 else 1e-30
    heard = (power[::2] > CLEAR_BY * between) | (power[::2] == np.max(power[::2]))
    partials = np.arange(1, most + 1)[heard]
    turn = np.exp(-2j * np.pi * base_hz * np.outer(at_s, partials))
    return at_s, found[:, ::2][:, heard] * turn, partials


def _smooth_way(suits: Floats, reach: int) -> NDArray[np.int64]:
    """The way through a table, one column for each row, that suits best and turns least (Viterbi).

    >>> _smooth_way(np.array([[0.0, 1.0, 0.0], [0.1, 0.0, 0.2], [0.0, 1.0, 0.0]]), 1).tolist()
    [1, 1, 1]
    """
    moves = np.arange(-reach, reach + 1)
    cost = TURN_COST * (moves / reach) ** 2
    width = suits.shape[1]
    index = np.arange(width)
    came = np.empty(suits.shape, dtype=np.int64)
    total = suits[0]
    padded = np.full(width + 2 * reach, -np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    for row in range(1, len(suits)):
        padded[reach : reach + width] = total
        offers = windows - cost
        chosen = np.argmax(offers, axis=1)
        came[row] = index + moves[chosen]
        total = offers[index, chosen] + suits[row]
    way = np.empty(len(suits), dtype=np.int64)
    way[-1] = int(np.argmax(total))
    for row in range(len(suits) - 1, 0, -1):
        way[row - 1] = came[row, way[row]]
    return way


def _followed(waves: NDArray[np.complex128], numbers: NDArray[np.int64], most_rad: float) -> Floats:
    """A first shared phase: from frame to frame the step, up to `most_rad`, that suits all partials best.

    Where the room quenches a partial its phase may jump by a whole turn; it then has next to no weight, and its neighbours in
    time and the other partials say how to go on.
    """
    steps = waves[1:] * np.conj(waves[:-1])
    size = np.abs(steps)
    top = np.sqrt(np.mean(size**2, axis=0))
    steps = steps / np.sqrt(top * max(float(np.max(top)), 1e-30))
    grid = np.linspace(-most_rad, most_rad, 2 * max(40, round(8.0 * most_rad * float(numbers[-1]) / np.pi)) + 1)
    suits = np.real(steps @ np.exp(-1j * np.outer(numbers, grid)))
    padded = np.pad(suits, ((1, 1), (0, 0)), mode="edge")
    suits = suits + 0.5 * (padded[2:] + padded[:-2])
    suits /= max(float(np.mean(np.max(suits, axis=1))), 1e-30)
    best = np.clip(_smooth_way(suits, max(1, round(MOST_STEP / MOST_AWAY * (len(grid) // 2)))), 1, len(grid) - 2)
    rows = np.arange(len(suits))
    left, middle, right = suits[rows, best - 1], suits[rows, best], suits[rows, best + 1]
    bend = np.minimum(left - 2.0 * middle + right, -1e-12)
    rate = grid[best] + np.clip(0.5 * (left - right) / bend, -1.0, 1.0) * (grid[1] - grid[0])
    return np.concatenate([[0.0], np.cumsum(rate)])


def _shared(
    waves: NDArray[np.complex128], numbers: NDArray[np.int64], most_rad: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """The shared phase; each partial's own less the shared one, and its spread, both by its number; how alike it is, 0 to 1."""
    common = _followed(waves, numbers, most_rad)
    size = np.abs(waves)
    strength = size**2 / np.mean(size**2, axis=0)
    loud = np.mean(size, axis=0)
    weight = numbers * loud / np.max(loud)
    apart, spread, alike = np.zeros(waves.shape), np.ones(len(numbers)), np.ones(len(numbers))
    for _ in range(8):
        turned = waves * np.exp(-1j * np.outer(common, numbers))
        middle = np.sum(turned * size, axis=0)
        own = np.angle(turned * np.exp(-1j * np.angle(middle)))
        # about the shared phase of the others: a partial that makes the shared phase must not look steady for that
        alone = 1.0 - np.minimum(weight / np.sum(weight), MOST_SHARE)
        raw = np.maximum(np.sqrt(np.mean(strength * own**2, axis=0)), 1e-6) / alone
        apart, spread = own / numbers, raw / numbers
        alike = np.abs(middle) / np.sum(size**2, axis=0)
        weight = (alike / spread) ** 2
        weight = np.minimum(weight, np.partition(weight, -2)[-2] * MOST_BEYOND) if len(weight) > 1 else weight
        local = weight * strength
        # by its sine: a phase half a turn away pulls to neither side, so that none makes the shared phase jump
        shift = np.sum(np.sin(own) / numbers * local, axis=1) / np.maximum(np.sum(local, axis=1), 1e-30)
        common = common + shift
        apart = apart - shift[:, None]
    return common, apart, spread, alike


def phases_of(recording: Recording, frequency_hz: float) -> Phases:
    """What all partials of a tone near `frequency_hz` did; counted against its own frequency in the end."""
    base = frequency_hz
    for _ in range(2):
        at_s, waves, numbers = _demodulated(recording, base)
        most_rad = 2.0 * np.pi * base * MOST_AWAY * float(at_s[1] - at_s[0])
        common, apart, spread, alike = _shared(waves, numbers, most_rad)
        slope = float(np.polyfit(at_s, common, 1)[0]) / (2.0 * np.pi)
        if abs(slope) < 2e-4 * base:
            break
        base += slope
    size = np.abs(waves)
    loud = np.mean(size, axis=0)
    used = (alike > LEAST_ALIKE) | (loud == np.max(loud))
    return Phases(base, at_s, common, numbers, waves, used, apart[:, used], spread[used])

"""A recording as numbers: where it is steady, and whether it was clipped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.texts import Amount, Text

__all__ = ["LEAST_S", "SETTLED_S", "Recording", "is_clipped", "levels", "steady_part"]

Samples = NDArray[np.float64]

LEAST_S: Final = 0.3
"""A shorter steady tone is refused."""
LEAST_RATE_HZ: Final = 8000
LONGEST_S: Final = 3600.0
LEVEL_S: Final = 0.02
"""Levels are taken this often."""
BRIDGED_S: Final = 0.4
"""A dip shorter than this is wind or a beat, not the end of a tone."""
SETTLED_S: Final = 0.12
"""What is left out after a beginning and before an end, so that onset and room have settled."""
FINE_FROM: Final = 0.3
FINE_VALUES: Final = 100
FLAT_S: Final = 1e-4
"""Of a tone of 65 Hz at 0.3 of full scale in 16 bits, a top is flat for 0.07 ms."""
DROP_DB: Final = 14.0
"""A tone has ended where its level is this far under its own."""
FALL_DB: Final = 5.0
"""A level that ends this far under its own has begun to die away."""
TAIL_S: Final = 1.2
"""How long before its end a tone may have begun to die away (14 dB at a T60 of 3 s and more)."""
HELD_S: Final = 0.3
LOUD_FROM_DB: Final = -82.0
"""Of full scale: under it 16 bits are too coarse to tell a pitch."""


@dataclass(frozen=True)
class Recording:
    """One channel of sound.

    Parameters
    ----------
    samples : 1-D, any scale, full scale taken as 1
    rate_hz : samples a second

    Errors: SoundError for less than 8000 samples a second, more than an hour, or samples that are no numbers.

    >>> import numpy as np
    >>> Recording(np.zeros(48_000), 48_000).duration_s
    1.0
    """

    samples: Samples
    rate_hz: float

    def __post_init__(self) -> None:
        if not LEAST_RATE_HZ <= self.rate_hz <= 400_000:
            raise SoundError(
                "is out of range", field="rate_hz", value=self.rate_hz, limits=(LEAST_RATE_HZ, 400_000, "Hz")
            )
        if self.samples.ndim != 1 or not np.all(np.isfinite(self.samples)):
            raise SoundError("must be one channel of finite numbers", field="samples")
        if self.duration_s > LONGEST_S:
            raise SoundError(
                "is too long",
                field="recording",
                value=round(self.duration_s),
                allowed=Text("up to {limit} s", limit=Amount(LONGEST_S)),
            )

    @property
    def duration_s(self) -> float:
        """How long it is."""
        return len(self.samples) / self.rate_hz

    def part(self, start_s: float, end_s: float) -> Recording:
        """The recording between two times."""
        return Recording(self.samples[round(start_s * self.rate_hz) : round(end_s * self.rate_hz)], self.rate_hz)


def levels(recording: Recording) -> Samples:
    """Level in dB of full scale, one for every 20 ms, without what does not change."""
    size = round(LEVEL_S * recording.rate_hz)
    count = len(recording.samples) // size
    held = recording.samples[: count * size].reshape(count, size)
    wide = (
        np.convolve(np.pad(np.mean(held, axis=1), 2, mode="edge"), np.ones(5) / 5.0, "valid") if count else np.zeros(0)
    )
    power = np.mean((held - wide[:, None]) ** 2, axis=1)
    result: Samples = 10.0 * np.log10(power + 1e-14)
    return result


def _empty(recording: Recording, count: int) -> NDArray[np.bool_]:
    """Where all samples are the same: nothing was recorded there."""
    size = round(LEVEL_S * recording.rate_hz)
    held = recording.samples[: count * size].reshape(count, size)
    result: NDArray[np.bool_] = np.ptp(held, axis=1) == 0.0
    return result


def runs(held: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where something holds: first and one past the last, run by run.

    >>> import numpy as np
    >>> runs(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def bridged(held: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """The same with gaps of fewer than `most` closed."""
    closed = held.copy()
    for start, end in runs(~held):
        if start > 0 and end < len(held) and end - start < most:
            closed[start:end] = True
    return closed


def loud_db(found: Samples) -> float:
    """The level of the loudest part that lasts, however much silence is around it; of what lasts less where nothing does.

    >>> loud_db(np.concatenate([np.full(500, -140.0), np.full(50, -20.0), np.full(500, -140.0)]))
    -20.0
    """
    top = -140.0
    for half in (round(HELD_S / LEVEL_S), 2):
        if len(found) > 2 * half:
            held = np.median(np.lib.stride_tricks.sliding_window_view(found, 2 * half + 1), axis=1)
            top = max(top, float(np.max(held)))
        if top > -100.0:
            break
    else:
        top = float(np.max(found, initial=top))
    return float(np.median(found[found > top - DROP_DB])) if top > -100.0 else top


def dying_from(level: Samples) -> int:
    """Where a tone that has ended begins to die away in its room: level against a straight fall, least squares.

    `level` ends where the tone is gone. Where it does not fall, that is its length.

    >>> dying_from(np.concatenate([np.full(50, -20.0), -20.0 - np.arange(14)]))
    50
    """
    own = float(np.median(level))
    first = max(1, len(level) - round(TAIL_S / LEVEL_S), len(level) // 4)
    if float(np.mean(level[-2:])) > own - FALL_DB:
        return len(level)
    best, place = math.inf, len(level)
    steady = np.cumsum((level - own) ** 2)
    for at in range(first, len(level)):
        tail = level[at:]
        count = np.arange(len(tail), dtype=float)
        slope, drop = np.polyfit(count, tail, 1) if len(tail) > 2 else (0.0, float(np.mean(tail)))
        drop = min(drop, own)
        missed = float(steady[at - 1] + np.sum((tail - drop - min(slope, 0.0) * count) ** 2))
        if missed < best:
            best, place = missed, at
    return place


def steady_part(recording: Recording) -> Recording:
    """The longest stretch at a level of its own, without its beginning, its end and what a room adds to that. A gap without
    any sound at all ends a stretch, however short it is.

    Errors: SoundError where there is next to nothing to hear, or no stretch of 0.3 s.
    """
    found = levels(recording)
    loud = loud_db(found)
    if loud < -100.0:
        raise SoundError("holds no sound", field="recording", code="silent")
    if loud < LOUD_FROM_DB:
        raise SoundError("is too quiet to tell a pitch", field="recording", code="quiet")
    spans = runs(bridged(found > loud - DROP_DB, round(BRIDGED_S / LEVEL_S)) & ~_empty(recording, len(found)))
    start, end = max(spans, key=lambda s: s[1] - s[0], default=(0, 0))
    gone = start + dying_from(found[start:end]) if start < end else end
    start_s = start * LEVEL_S + (SETTLED_S if start > 1 else 0.0)
    is_cut = gone < end or end < len(found) - 1
    end_s = gone * LEVEL_S - SETTLED_S if is_cut else recording.duration_s
    if end_s - start_s < LEAST_S:
        raise SoundError(
            "is too short to measure",
            field="steady tone",
            value=Amount(max(end_s - start_s, 0.0), "", 2),
            allowed=Text("{least} s and longer; 2 to 5 s are good", least=Amount(LEAST_S, "", 1)),
            code="short",
        )
    return recording.part(start_s, end_s)


def is_clipped(samples: Samples, rate_hz: float = 48_000.0) -> bool:
    """Whether the tops of a wave are cut off.

    Near its top any smooth wave spends a share of time that grows as the square root of the depth below the top, so that the
    uppermost 0.3 % holds less than half of what the next 2.7 % hold. A wave that was cut holds many times more. Where only the
    loudest tops are cut, these are runs of the very same sample, longer than a smooth wave makes them.
    """
    size = np.abs(samples)
    top = float(np.max(size, initial=0.0))
    if top <= 0.0:
        return False
    high = size[size >= 0.97 * top]
    first = int(np.count_nonzero(high >= 0.997 * top))
    if first > max(50, 2 * (len(high) - first)):
        return True
    # 16 bits of a loud wave are fine enough that a smooth top is no run
    if top < FINE_FROM or len(np.unique(high)) < FINE_VALUES:
        return False
    flat = (samples[1:] == samples[:-1]) & (size[1:] >= 0.99999 * top)
    long = max(4, round(FLAT_S * rate_hz))
    return sum(end - start >= long for start, end in runs(flat)) >= 5

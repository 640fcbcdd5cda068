"""The pitch of one steady pipe, with what it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.sound.beats import refuse_beats
from pipemetal.sound.phases import Phases, phases_of
from pipemetal.sound.recording import SETTLED_S, Recording, is_clipped, steady_part
from pipemetal.sound.spectrum import tone_of
from pipemetal.texts import Amount, Text

__all__ = ["Measured", "Partial", "after_reference", "cents_between", "measure", "reference_correction"]

CENTS: Final = 1200.0 / math.log(2.0)
ROOM_S: Final = 0.07
"""How far a room's answer lags behind the pipe, taken where nothing else is known (a T60 of 1 s; own computation)."""
LEAST_CENTS: Final = 0.004
"""No interval is narrower on each side: rounding, and windows that are not ideal (own computation)."""
MOST_WANDER_CENTS: Final = 60.0
"""More wander (standard deviation) is no steady tone."""
TREMULANT_CENTS: Final = 5.0
"""Faster and deeper wander than this (standard deviation) the room smears beyond repair; the interval says so."""
TREMBLES_CENTS: Final = 3.0
"""As deep a tremulant begins to count; where partials are loose by 0.6 rad and more, its mean is lost (own computation)."""
SLOW_HZ: Final = 2.5
COVER: Final = 1.96
END_S: Final = 0.12
"""The pitch at the beginning and at the end is that of so long."""


@dataclass(frozen=True)
class Partial:
    """One partial: its number, its level in dB by the strongest, how far its level moved (standard deviation)."""

    number: int
    level_db: float
    moved_db: float


@dataclass(frozen=True)
class Measured:
    """One steady pipe as it sounded.

    Parameters
    ----------
    frequency_hz : mean over the time measured
    half_width_cents : the 95 % interval of that mean, on each side
    pipe_half_width_cents : the same for the pitch about which the wind wandered
    seconds : how much was measured
    wander_cents : standard deviation of the pitch about its mean, slower than 2.5 Hz and faster
    partials : strongest is 0 dB
    noise_db : all that is no partial, by the tone
    """

    frequency_hz: float
    half_width_cents: float
    pipe_half_width_cents: float
    seconds: float
    wander_slow_cents: float
    wander_fast_cents: float
    partials: tuple[Partial, ...]
    noise_db: float

    @property
    def low_hz(self) -> float:
        """The lower end of the interval."""
        return self.frequency_hz * math.exp(-self.half_width_cents / CENTS)

    @property
    def high_hz(self) -> float:
        """The upper end of the interval."""
        return self.frequency_hz * math.exp(self.half_width_cents / CENTS)


def cents_between(frequency_hz: float, reference_hz: float) -> float:
    """How far a frequency lies above another.

    >>> round(cents_between(880.0, 440.0), 6)
    1200.0
    """
    return CENTS * math.log(frequency_hz / reference_hz)


def _passed(at_s: NDArray[np.float64], phase: NDArray[np.float64], length_s: float) -> NDArray[np.float64]:
    """Phase passed from the first sample to the last; at both ends carried on along the last frames."""
    held = 4
    ends = []
    for part, edge in ((slice(0, held), 0.0), (slice(-held, None), length_s)):
        t = at_s[part] - edge
        design = np.stack([np.ones_like(t), t], axis=1)
        ends.append(np.linalg.lstsq(design, phase[part], rcond=None)[0][0])
    result: NDArray[np.float64] = np.asarray(ends[1] - ends[0])
    return result


def _track_cents(held: Phases) -> NDArray[np.float64]:
    """The pitch from frame to frame about the base, in cents."""
    rate = np.gradient(held.phase, held.at_s) / (2.0 * np.pi)
    result: NDArray[np.float64] = CENTS * rate / held.base_hz
    return result


def _wander(track: NDArray[np.float64], step_s: float) -> tuple[float, float]:
    """Standard deviations of the slow and the fast part of a track."""
    size = max(1, min((len(track) - 1) // 2, round(0.5 / SLOW_HZ / step_s)))
    kernel = np.hanning(2 * size + 1)[1:-1]
    ones = np.convolve(np.ones(len(track)), kernel, "same")
    slow = np.convolve(track, kernel, "same") / ones
    return float(np.std(slow)), float(np.std(track - slow))


def _partials(held: Phases) -> tuple[Partial, ...]:
    level = 20.0 * np.log10(np.median(held.amplitudes, axis=0) + 1e-12)
    moved = np.std(20.0 * np.log10(held.amplitudes + 1e-12), axis=0)
    level -= np.max(level)
    return tuple(
        Partial(int(n), float(a), float(b)) for n, a, b in zip(held.numbers, level, moved, strict=True) if a > -70.0
    )


def _noise_db(recording: Recording, held: Phases) -> float:
    tone = float(np.sum(np.mean(held.amplitudes**2, axis=0)) / 2.0)
    whole = float(np.var(recording.samples))
    return 10.0 * math.log10(max(whole - tone, 1e-6 * tone) / tone)


def _lag_s(held: Phases, wander_cents: float) -> float:
    """How far what is heard lags behind the pipe: a room lets the partials of a wandering pitch fall apart, the more the longer
    it answers. Fitted over made-up rooms of 0.3 to 3 s, dry ones too (own computation)."""
    numbers = held.numbers[held.used]
    apart = held.spread * numbers
    moved = 2.0 * math.pi * numbers * held.base_hz * max(wander_cents, 1e-3) / CENTS
    by_wander = 1.0 - math.exp(-float(np.median(apart / moved)) / 0.018)
    return 0.025 * by_wander + 0.08 * min(max(float(np.median(apart)) - 0.3, 0.0), 0.8)


def _own_half_width(
    held: Phases, length_s: float, left_s: float, wander: tuple[float, float], ends_cents: float
) -> tuple[float, float]:
    """95 % half-widths: of the mean of what sounded, `left_s` of it left out, and of the pitch about which it wandered."""
    per_cent = CENTS / (2.0 * np.pi * held.base_hz * length_s)
    slopes = _passed(held.at_s, held.apart, length_s) * per_cent
    weight = 1.0 / held.spread**2
    weight = np.minimum(weight, 4.0 * np.median(weight))
    weight /= np.sum(weight)
    effective = 1.0 / float(np.sum(weight**2))
    expected = float(np.sum(weight**2 * 2.0 * (held.spread * per_cent) ** 2))
    seen = float(np.sum(weight * slopes**2)) / max(effective - 1.0, 1.0)
    apart = max(expected, seen)
    lag = (ROOM_S / length_s) ** 2 * (ends_cents**2 + 0.5 * (wander[0] ** 2 + wander[1] ** 2))
    fast = wander[1] ** 2 / (wander[1] ** 2 + TREMULANT_CENTS**2)
    shaken = fast * wander[1] * min(0.6, 0.1 * wander[1] / CENTS * held.base_hz)
    trembles = wander[1] ** 3 / (wander[1] ** 2 + TREMBLES_CENTS**2)
    loose = float(np.median(held.spread * held.numbers[held.used]))
    smeared = trembles * math.hypot(0.9 * min(max((loose - 0.6) / 0.8, 0.0), 1.0), 0.04)
    unheard = wander[0] * left_s / (left_s + length_s)
    mean = math.hypot(COVER * math.sqrt(apart + lag + shaken**2 + smeared**2 + unheard**2), LEAST_CENTS)
    turns = max(1.0, length_s * 0.7)
    return mean, math.hypot(mean, COVER * math.hypot(wander[0] / turns, wander[1] / math.sqrt(1.0 + 5.0 * length_s)))


def measure(recording: Recording, expected_hz: float | None = None) -> Measured:
    """The pitch of the one steady pipe that a recording holds.

    All partials are turned down to rest, and the phase that each passes through is followed from frame to frame. Divided by
    their numbers the phases agree; they are put together by how steady each is. The mean frequency is the phase passed
    through by the time that it took.

    `expected_hz` is what the pipe should sound about, within 250 cents; it settles the octave.

    Errors: SoundError with `code` `silent`, `short`, `clipped`, `no-tone`, `octave`, `other-note` or `two-pipes`.

    >>> import numpy as np
    >>> t = np.arange(48_000) / 48_000
    >>> found = measure(Recording(0.3 * np.sin(2 * np.pi * 440.1 * t), 48_000), expected_hz=440.0)
    >>> round(found.frequency_hz, 3)
    440.1
    """
    part = steady_part(recording)
    if is_clipped(part.samples, part.rate_hz):
        raise SoundError("is clipped: record it more quietly", field="recording", code="clipped")
    tone = tone_of(part, expected_hz)
    held = phases_of(part, tone.frequency_hz)
    track = _track_cents(held)
    wander = _wander(track, float(held.at_s[1] - held.at_s[0]))
    noise = _noise_db(part, held)
    if math.hypot(*wander) > MOST_WANDER_CENTS or noise > 10.0:
        raise SoundError("holds no steady tone", field="recording", code="no-tone")
    refuse_beats(held)
    passed = float(_passed(held.at_s, held.phase, part.duration_s))
    hz = held.base_hz + passed / (2.0 * math.pi * part.duration_s)
    count = max(1, min(len(track) // 4, round(END_S / float(held.at_s[1] - held.at_s[0]))))
    ends = float(np.mean(track[-count:]) - np.mean(track[:count]))
    hz *= math.exp(_lag_s(held, math.hypot(*wander)) * ends / part.duration_s / CENTS)
    left_s = min(recording.duration_s - part.duration_s, 2.0 * SETTLED_S)
    mean, pipe = _own_half_width(held, part.duration_s, left_s, wander, ends)
    return Measured(hz, mean, pipe, part.duration_s, *wander, _partials(held), noise)


def reference_correction(heard: Measured, true_hz: float) -> tuple[float, float]:
    """What a reference in the same recording says of clock and air: the factor on every other pitch, and its 95 % half-width
    in cents. A fork corrects the clock, a tuned pipe the air as well.

    Errors: SoundError where it lies more than 50 cents from what it should be.

    >>> m = Measured(440.022, 0.01, 0.01, 5.0, 0.0, 0.0, (), -60.0)
    >>> factor, cents = reference_correction(m, 440.0)
    >>> round(factor, 6), cents
    (0.99995, 0.01)
    """
    if abs(cents_between(heard.frequency_hz, true_hz)) > 50.0:
        raise SoundError(
            "is not the pitch that it should be",
            field="reference",
            value=Amount(heard.frequency_hz, "", 2),
            allowed="within 50 cents",
            code="reference",
        )
    return true_hz / heard.frequency_hz, heard.half_width_cents


def after_reference(recording: Recording, true_hz: float, until_s: float) -> tuple[Recording, float]:
    """What comes after a reference that begins the recording and has ended at a time; and the factor on every pitch in it.

    Errors: as `measure` and `reference_correction`.
    """
    if until_s >= recording.duration_s:
        raise SoundError(
            "lies after the end of the recording",
            field="reference_until_s",
            value=Amount(until_s, "", 1),
            allowed=Text("less than {limit} s", limit=Amount(recording.duration_s, "", 1)),
            code="reference",
        )
    fork = measure(recording.part(0.0, until_s), true_hz)
    return recording.part(until_s, recording.duration_s), reference_correction(fork, true_hz)[0]

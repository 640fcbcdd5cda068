"""The lines of a sound, and the one tone that they are the partials of."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.sound.recording import Recording
from pipemetal.texts import Amount, Text

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "Line", "Tone", "lines_of", "tone_of"]

LOWEST_HZ: Final = 28.0
HIGHEST_HZ: Final = 10_500.0
"""A half tone above the highest pipes; more is refused."""
FRAME_S: Final = 0.4
ABOVE_FLOOR_DB: Final = 11.0
RANGE_DB: Final = 60.0
"""Lines further under the strongest are left out."""
HUM_HZ: Final = (50.0, 60.0)
HUM_WITHIN_HZ: Final = 1.3
HUM_UNDER_DB: Final = 12.0
WIDTH_SHARE: Final = 0.02
"""A third of a half tone on each side is wander, not another line."""
OTHER_DB: Final = -22.0
"""A line of no partial that is stronger than this, by the tone's strongest, is another pipe."""
MOVED_CENTS: Final = 160.0
"""A line farther from a partial is not that partial moved by the wind."""
WEAK_DB: Final = -40.0
"""Odd partials all weaker than this leave the octave in doubt."""
NEAR_CENTS: Final = 250.0
"""How far a pipe may be from the note that it is said to be."""


@dataclass(frozen=True)
class Line:
    """A line of the spectrum: its frequency and its level in dB (of any scale)."""

    frequency_hz: float
    level_db: float

    @property
    def is_hum(self) -> bool:
        """Whether it lies on a multiple of the mains."""
        f = self.frequency_hz
        return f < 1000.0 and any(abs(f - round(f / m) * m) < HUM_WITHIN_HZ and f > 0.5 * m for m in HUM_HZ)


@dataclass(frozen=True)
class Tone:
    """The tone found: its frequency to within a few cents, and its lines."""

    frequency_hz: float
    lines: tuple[Line, ...]


def _power(recording: Recording) -> tuple[NDArray[np.float64], float]:
    """Mean power spectrum of overlapping frames, and the width of a bin in hertz."""
    size = min(round(FRAME_S * recording.rate_hz), len(recording.samples))
    hop = max(size // 2, (len(recording.samples) - size) // 24 + 1)
    frames = np.lib.stride_tricks.sliding_window_view(recording.samples, size)[::hop]
    window = np.hanning(size)
    padded = 1 << (size - 1).bit_length()
    spectra = np.fft.rfft((frames - np.mean(frames)) * window, padded, axis=1)
    return np.mean(np.abs(spectra) ** 2, axis=0), recording.rate_hz / padded


def _floor_db(level_db: NDArray[np.float64], bin_hz: float) -> NDArray[np.float64]:
    """The noise between the lines: a low quantile of about a third of an octave, 60 Hz at least."""
    count = len(level_db)
    frequency = np.arange(count) * bin_hz
    places, floors, at = [], [], LOWEST_HZ
    while at < frequency[-1]:
        half = max(40.0, 0.12 * at)
        low, high = int((at - half) / bin_hz), int((at + half) / bin_hz) + 2
        floors.append(float(np.percentile(level_db[max(low, 1) : high], 40)))
        places.append(at)
        at += half / 2.0
    result: NDArray[np.float64] = np.interp(frequency, places, floors)
    return result


def _width_hz(frequency_hz: float) -> float:
    """What a line and the wander of its pitch cover on each side."""
    return max(7.0, WIDTH_SHARE * frequency_hz)


def lines_of(recording: Recording) -> list[Line]:
    """The lines that stand out of the noise, strongest first; of lines within a quarter of a half tone the strongest."""
    power, bin_hz = _power(recording)
    level = 10.0 * np.log10(power + 1e-30)
    floor = _floor_db(level, bin_hz)
    inner = level[1:-1]
    peak = (inner >= level[:-2]) & (inner > level[2:]) & (inner > floor[1:-1] + ABOVE_FLOOR_DB)
    peak &= np.arange(1, len(level) - 1) * bin_hz >= 0.8 * LOWEST_HZ
    at = np.flatnonzero(peak) + 1
    at = at[np.argsort(-level[at])]
    found: list[Line] = []
    for k in at.tolist():
        if found and level[k] < found[0].level_db - RANGE_DB:
            break
        a, b, c = level[k - 1 : k + 2]
        place = k + 0.5 * (a - c) / (a - 2.0 * b + c)
        hz = float(place * bin_hz)
        if all(abs(hz - x.frequency_hz) > _width_hz(hz) for x in found):
            found.append(Line(hz, float(b)))
        if len(found) >= 60:
            break
    return found


def _multiple(line: Line, base_hz: float) -> int:
    """Which partial of a tone a line is; 0 for none."""
    number = round(line.frequency_hz / base_hz)
    away = abs(line.frequency_hz - number * base_hz)
    return number if number >= 1 and away < min(_width_hz(line.frequency_hz), 0.2 * base_hz) else 0


def _explained(base_hz: float, lines: list[Line], top_db: float) -> float:
    return math.fsum(10.0 ** ((x.level_db - top_db) / 20.0) for x in lines if _multiple(x, base_hz))


def _refined(base_hz: float, lines: list[Line]) -> float:
    """The base by its strong lines, the weight of each by its number."""
    held = [(n, x) for x in lines if (n := _multiple(x, base_hz)) and n <= 8]
    if not held:
        return base_hz
    top = max(x.level_db for _, x in held)
    weight = [n * n * 10.0 ** ((x.level_db - top) / 20.0) for n, x in held]
    return math.fsum(w * x.frequency_hz / n for w, (n, x) in zip(weight, held, strict=True)) / math.fsum(weight)


def _base(lines: list[Line]) -> float:
    """The highest line that nearly all others are multiples of; a divisor of the strongest where there is none."""
    top = max(x.level_db for x in lines)
    whole = sum(10.0 ** ((x.level_db - top) / 20.0) for x in lines)
    bases = [x.frequency_hz for x in lines if LOWEST_HZ <= x.frequency_hz <= HIGHEST_HZ and x.level_db > top - 50.0]
    if not bases:
        return 0.0
    best = {hz: _explained(hz, lines, top) for hz in bases}
    most = max(best.values())
    if most < 0.75 * whole:
        strong = lines[0].frequency_hz
        for number in range(2, 7):
            hz = strong / number
            low = {_multiple(x, hz) for x in lines} & {2, 3}
            if hz >= LOWEST_HZ and len(low) == 2 and _explained(hz, lines, top) > max(0.9 * whole, 1.3 * most):
                return hz
    return max(hz for hz, told in best.items() if told >= 0.97 * most)


def _other_note(sounds_hz: float, expected_hz: float) -> SoundError:
    cents = 1200.0 * math.log2(sounds_hz / expected_hz)
    sounds, away = Amount(sounds_hz, "", 1), Amount(abs(cents))
    if cents < 0.0:
        problem = Text("sounds {hz} Hz, {cents} cents under the note that was expected", hz=sounds, cents=away)
    else:
        problem = Text("sounds {hz} Hz, {cents} cents above the note that was expected", hz=sounds, cents=away)
    return SoundError(
        problem,
        field="tone",
        allowed=Text("within {cents} cents of {hz} Hz", cents=Amount(NEAR_CENTS), hz=Amount(expected_hz, "", 2)),
        code="other-note",
    )


def _expected_base(lines: list[Line], expected_hz: float) -> float:
    near = 2.0 ** (NEAR_CENTS / 1200.0)
    bases = [
        x.frequency_hz / k for x in lines for k in (1, 2, 3) if 1.0 / near < x.frequency_hz / k / expected_hz < near
    ]
    if not bases:
        raise _other_note(_base(lines) or lines[0].frequency_hz, expected_hz)
    top = max(x.level_db for x in lines)
    return max(bases, key=lambda hz: _explained(hz, lines, top))


def _refuse_high(lines: list[Line], expected_hz: float | None) -> None:
    """Errors: SoundError where the lowest strong line, or the note that was expected, is above what is measured."""
    top = max((x.level_db for x in lines), default=0.0)
    lowest = min((x.frequency_hz for x in lines if x.level_db > top + WEAK_DB and not x.is_hum), default=0.0)
    hertz = max(lowest, expected_hz or 0.0)
    if hertz > HIGHEST_HZ:
        raise SoundError(
            "is above the range that is measured",
            field="tone",
            value=Amount(hertz, "", 1),
            allowed=Text("up to {limit} Hz", limit=Amount(HIGHEST_HZ)),
            code="above",
        )


def _refuse_above(tone: Tone) -> None:
    """Errors: SoundError where all lines belong to an octave or a twelfth above the note that was expected."""
    numbers = [n for x in tone.lines if (n := _multiple(x, tone.frequency_hz)) and not x.is_hum]
    step = math.gcd(*numbers) if numbers else 1
    if step > 1:
        raise SoundError(
            "sounds a partial above the note that was expected",
            field="tone",
            value=Amount(tone.frequency_hz * step, "", 1),
            allowed=Text("about {hz} Hz; is it overblown, or another pipe?", hz=Amount(tone.frequency_hz, "", 1)),
            code="other-note",
        )


def _refuse_stranger(tone: Tone, expected_hz: float) -> None:
    """Errors: SoundError where nearly all lines are those of one tone that is far from the note that was expected."""
    lines = [x for x in tone.lines if not x.is_hum]
    base = _base(lines) if lines else 0.0
    if not base or abs(1200.0 * math.log2(base / expected_hz)) < NEAR_CENTS:
        return
    top = max(x.level_db for x in lines)
    whole = math.fsum(10.0 ** ((x.level_db - top) / 20.0) for x in lines)
    if _explained(base, lines, top) > 0.9 * whole and _explained(tone.frequency_hz, lines, top) < 0.6 * whole:
        raise _other_note(base, expected_hz)


def _refuse_doubt(tone: Tone) -> None:
    """Errors: SoundError where the lines fit a tone an octave away as well."""
    numbers = {_multiple(x, tone.frequency_hz): x.level_db for x in reversed(tone.lines)}
    top = max(level for n, level in numbers.items() if n)
    odd = max((level for n, level in numbers.items() if n % 2), default=-999.0)
    if 1 not in numbers or (odd < top + WEAK_DB):
        raise SoundError(
            "may be an octave higher or lower",
            field="tone",
            value=Amount(tone.frequency_hz, "", 1),
            allowed="say which note the pipe should sound",
            code="octave",
        )


def _refuse_other(tone: Tone) -> None:
    """Errors: SoundError where a strong line is no partial of the tone."""
    held = [x for x in tone.lines if _multiple(x, tone.frequency_hz)]
    top = max(x.level_db for x in held)
    for line in tone.lines:
        if not _multiple(line, tone.frequency_hz) and not line.is_hum and line.level_db > top + OTHER_DB:
            raise SoundError(
                "holds two tones that do not belong together",
                field="recording",
                value=Text(
                    "{a} and {b} Hz",
                    a=Amount(tone.frequency_hz, "", 1, bare=True),
                    b=Amount(line.frequency_hz, "", 1),
                ),
                allowed="one pipe alone",
                code="two-pipes",
            )


def _is_moved(recording: Recording, line_hz: float, partial_hz: float) -> bool:
    """Whether a line is a partial at another time: where one of both is strong the other is weak, as of one tone that wanders."""
    apart = abs(line_hz - partial_hz)
    if apart < 1e-6 or 1200.0 * abs(math.log2(line_hz / partial_hz)) > MOVED_CENTS:
        return False
    rate = recording.rate_hz
    size = min(round(2.5 / apart * rate), len(recording.samples) // 4)
    frames = np.lib.stride_tricks.sliding_window_view(recording.samples, size)[:: max(1, size // 4)]
    turns = np.exp(-2j * np.pi * np.outer(np.arange(size) / rate, [line_hz, partial_hz])) * np.hanning(size)[:, None]
    power = np.abs(frames @ turns) ** 2
    moved = np.std(power, axis=0) / np.maximum(np.mean(power, axis=0), 1e-30)
    if np.min(moved) < 0.4:
        return False
    return float(np.corrcoef(power.T)[0, 1]) < -0.2


def _refuse_moved(recording: Recording, tone: Tone) -> None:
    """Errors: SoundError where strong lines are partials of the tone that moved away: a tremulant, or wind that wanders."""
    top = max((x.level_db for x in tone.lines if _multiple(x, tone.frequency_hz)), default=0.0)
    for line in tone.lines:
        if _multiple(line, tone.frequency_hz) or line.is_hum or line.level_db < top + OTHER_DB:
            continue
        number = max(1, round(line.frequency_hz / tone.frequency_hz))
        if _is_moved(recording, line.frequency_hz, number * tone.frequency_hz):
            raise SoundError(
                "trembles or wanders too far to measure",
                field="tone",
                value=Text(
                    "{a} to {b} Hz",
                    a=Amount(min(line.frequency_hz / number, tone.frequency_hz), "", 1, bare=True),
                    b=Amount(max(line.frequency_hz / number, tone.frequency_hz), "", 1),
                ),
                allowed="a steady tone without a tremulant",
                code="tremulant",
            )


def tone_of(recording: Recording, expected_hz: float | None = None, *, alone: bool = True) -> Tone:
    """The tone that a steady recording holds; with `expected_hz` the one near it. Not `alone`, a second one
    near it is no fault.

    Errors: SoundError with `code` `above`, `no-tone`, `octave`, `other-note`, `tremulant` or `two-pipes`.
    """
    lines = lines_of(recording)
    _refuse_high(lines, expected_hz)
    without = [x for x in lines if not x.is_hum]
    tries = [without]
    if lines and lines[0].is_hum:
        # a pipe may lie on a multiple of the mains; or the hum is louder than the pipe
        loud = [x for x in lines if not x.is_hum or x.level_db > lines[0].level_db - HUM_UNDER_DB]
        loud = [x for x in loud if x is lines[0] or min(abs(x.frequency_hz - m) for m in HUM_HZ) > 0.5]
        tries = [loud, without, lines]
    for held in tries[:-1]:
        with suppress(SoundError):
            return _tone(recording, held, expected_hz, alone)
    return _tone(recording, tries[-1], expected_hz, alone)


def _tone(recording: Recording, lines: list[Line], expected_hz: float | None, alone: bool) -> Tone:
    if not lines:
        raise SoundError("holds no tone", field="recording", code="no-tone")
    base = _base(lines) if expected_hz is None else _expected_base(lines, expected_hz)
    tone = Tone(_refined(base, lines), tuple(lines)) if base else Tone(1.0, ())
    if not any(_multiple(x, tone.frequency_hz) for x in tone.lines):
        raise SoundError("holds no tone", field="recording", code="no-tone")
    if expected_hz is None:
        _refuse_doubt(tone)
    else:
        _refuse_stranger(tone, expected_hz)
        _refuse_above(tone)
    if alone:
        _refuse_moved(recording, tone)
        _refuse_other(tone)
    return tone

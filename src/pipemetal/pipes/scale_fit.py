"""From measured pipes back to the scale that explains them.

Diameters scatter by a share of themselves, so everything is fitted in log2 of the diameter over semitones BY SOUND. Wrong
pipes are found against their neighbours first, then against each model in turn until the set of wrong ones stays; of all
models the one is kept that says most with fewest numbers. A pipe called wrong counts as a number spent.

Sources: extended Bayes criterion (Chen & Chen, Biometrika 95 (2008) 759) over models, breaks and outliers, with the price
of a number raised for short rows (McQuarrie, Statist. Probab. Lett. 44 (1999) 79; both not checked); a simpler scale is
kept unless the odds for another are better than ten to one. The limit for a wrong pipe is Student's t shared over all
pipes (Bonferroni); the tolerance of 0.5 % that nobody calls wrong is common practice, no source. The intervals hold 95 %
if the model kept is the true one; with breaks they hold somewhat less (87 to 91 % in trials).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.errors import PipeError
from pipemetal.pipes.robust import Flags, local_residuals, mad_scale, student_t
from pipemetal.pipes.scale import REFERENCE_STEPS, half_tones
from pipemetal.pipes.scale_models import MODELS, WITH_A_STEP, ModelFit, Readings, fit_model
from pipemetal.texts import Text

__all__ = ["BreakPoint", "Candidate", "Estimate", "MeasuredPipe", "ScaleFit", "WrongPipe", "fit_scale"]

LEAST_PIPES: Final = 5
TOLERATED: Final = 0.005 / math.log(2.0)
"""log2 of the 0.5 % that nobody calls wrong."""
FORM_ERROR: Final = 0.005
"""Share of a diameter by which a good pipe is out of round (common practice): weighs it against the gauge's reading."""
SCATTER_OF_A_MIXTURE: Final = 4.0 * TOLERATED
LEAST_SCATTER: Final = 0.0007
"""Scatter in log2 that no list of diameters goes below (0.05 %)."""
OPEN_INTERVAL: Final = 20.0
EVEN_ODDS: Final = 10.0
"""A simpler scale is kept unless the odds for the other are better than this."""


@dataclass(frozen=True)
class MeasuredPipe:
    """A pipe that was measured, or one that is missing (`diameter_mm` None). `semitones` above 8' C by sound."""

    note: str
    key: int
    semitones: float
    diameter_mm: float | None
    remark: str = ""


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class BreakPoint:
    """Where a scale breaks: semitones by sound with their interval, and the half tones there.

    `step_half_tones` is zero for a line that only bends, else how much wider the scale goes on from this note.
    """

    semitones: Estimate
    half_tones: float
    step_half_tones: float = 0.0


@dataclass(frozen=True)
class WrongPipe:
    """A pipe that the scale does not explain. `fits_semitones` is the note by sound where it would fit, if near by."""

    pipe: MeasuredPipe
    expected_mm: float
    half_tones_off: float
    fits_semitones: float | None


@dataclass(frozen=True)
class Candidate:
    """A model that was tried: how many numbers it spends, its score (less is better), its scatter, pipes it calls wrong."""

    model: str
    numbers: int
    score: float
    scatter_half_tones: float
    wrong: int


@dataclass(frozen=True)
class ScaleFit:
    """The scale that explains measured pipes.

    `diameter_8_foot_c` in mm, constant included; `halving_pipe` is N, of N - 1 steps, of the first straight line; the
    scatter is one standard deviation of a pipe. `warnings` say what a reader must know.
    """

    model: str
    diameter_8_foot_c: Estimate
    halving_pipe: Estimate
    constant_mm: Estimate | None
    breaks: tuple[BreakPoint, ...]
    scatter_half_tones: float
    good: tuple[MeasuredPipe, ...]
    wrong: tuple[WrongPipe, ...]
    missing: tuple[MeasuredPipe, ...]
    candidates: tuple[Candidate, ...]
    warnings: tuple[str, ...]
    span_semitones: tuple[float, float]
    fit: ModelFit
    degrees: int

    def diameter_mm(self, semitones: float) -> float:
        """Diameter by the fitted scale."""
        return float(np.exp2(self.fit.log_diameter(np.array([semitones]))[0]))

    def interval_mm(self, semitones: float, *, of_a_pipe: bool = False) -> tuple[float, float]:
        """95 % interval of the scale at a pitch, or of one pipe made to it with the scatter found."""
        at = np.array([semitones])
        gradient = self.fit.gradient(at)[0]
        variance = float(gradient @ self.fit.unscaled @ gradient) + (1.0 if of_a_pipe else 0.0)
        spread = self.scatter_half_tones / REFERENCE_STEPS
        # pipes that say nothing about a pitch far off leave it open: a factor of a million stands for that
        half = min(student_t(0.95, self.degrees) * spread * math.sqrt(max(variance, 0.0)), OPEN_INTERVAL)
        middle = float(self.fit.log_diameter(at)[0])
        return 2.0 ** (middle - half), 2.0 ** (middle + half)


def _readings(pipes: Sequence[MeasuredPipe], reading_mm: float) -> Readings:
    semitones = np.array([p.semitones for p in pipes])
    diameters = np.array([p.diameter_mm for p in pipes], dtype=np.float64)
    variance = 1.0 + (reading_mm / (FORM_ERROR * diameters)) ** 2
    return Readings(semitones, np.log2(diameters), 1.0 / variance)


@dataclass(frozen=True)
class _Settled:
    fit: ModelFit
    good: Flags
    scatter: float
    score: float


def _scatter(fit: ModelFit, used: int) -> float:
    return max(math.sqrt(fit.squares / max(used - fit.count, 1)), LEAST_SCATTER)


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def _settle(model: str, readings: Readings, good: Flags) -> _Settled | None:
    """Fit, find the wrong ones, fit again, until the set of good ones stays."""
    total = readings.semitones.size
    seen: set[bytes] = set()
    fit: ModelFit | None = None
    while good.tobytes() not in seen:
        seen.add(good.tobytes())
        used = int(good.sum())
        fit = fit_model(model, readings.only(good))
        if fit is None or used - fit.count < 2:
            return None
        limit = student_t(1.0 - 0.05 / total, used - fit.count) * _scatter(fit, used)
        off = np.abs(readings.log_diameter - fit.log_diameter(readings.semitones))
        good = off * np.sqrt(readings.weights) <= np.maximum(limit, TOLERATED * np.sqrt(readings.weights))
        if good.sum() < max(LEAST_PIPES, total // 2):
            return None
    fit = fit_model(model, readings.only(good))
    used, wrong = int(good.sum()), int(total - good.sum())
    if fit is None or used - fit.count < 2:
        return None
    per_reading = max(fit.squares / total, LEAST_SCATTER**2)
    numbers = fit.count + wrong
    price = numbers * total * math.log(total) / max(total - numbers - 2.0, 1.0)
    score = total * math.log(per_reading) + price + 2.0 * _log_choose(total, wrong)
    return _Settled(fit, good, _scatter(fit, used), score + 2.0 * _log_choose(total, len(fit.breaks)))


def _check(pipes: Sequence[MeasuredPipe], reading_mm: float, model: str | None) -> None:
    """Refuse what no scale can be found in. Errors: PipeError."""
    present = [p for p in pipes if p.diameter_mm is not None]
    if len(present) < LEAST_PIPES:
        raise PipeError(
            "has too few diameters",
            field="measured pipes",
            value=len(present),
            allowed=Text("{least_pipes} and up", least_pipes=LEAST_PIPES),
        )
    span = max(p.semitones for p in present) - min(p.semitones for p in present)
    if span < LEAST_PIPES - 1:
        raise PipeError(
            "lie too close together", field="measured pipes", value=f"{span:g} semitones", allowed="4 and up"
        )
    if model is not None and model not in MODELS:
        raise PipeError("is not known", field="model", value=model, allowed=", ".join(MODELS))
    if not 0.0 <= reading_mm <= 5.0:
        raise PipeError("is out of range", field="reading_mm", value=reading_mm, allowed="0 to 5 mm")


def _settled_models(models: Sequence[str], readings: Readings, first: Flags) -> dict[str, _Settled]:
    """The best that each model settles on, by its name; those that settle nowhere are left out."""
    found = {}
    for name in models:
        # neighbours of a step look wrong to each other, so every model also begins with all pipes held good
        starts = [first] if first.all() else [first, np.ones_like(first)]
        settled = [s for s in (_settle(name, readings, start) for start in starts) if s is not None]
        if settled:
            found[name] = min(settled, key=lambda s: s.score)
    return found


def fit_scale(pipes: Sequence[MeasuredPipe], *, reading_mm: float = 0.05, model: str | None = None) -> ScaleFit:
    """The scale that explains measured pipes; `model` forces one of them.

    `reading_mm` is the standard error of one reading. Missing pipes (no diameter) are passed over and named.

    Errors: PipeError for fewer than five diameters, for all at one pitch, for an unknown model, and where no model
    explains at least half of the pipes.

    >>> hidden = [MeasuredPipe("", n, float(n), 155.5 * 2 ** (-n / 17.0)) for n in range(0, 48, 3)]
    >>> fit = fit_scale(hidden)
    >>> fit.model, round(fit.halving_pipe.value, 2), round(fit.diameter_8_foot_c.value, 1)
    ('halving', 18.0, 155.5)
    """
    _check(pipes, reading_mm, model)
    present = [p for p in pipes if p.diameter_mm is not None]
    missing = tuple(p for p in pipes if p.diameter_mm is None)
    readings = _readings(present, reading_mm)
    off = local_residuals(readings.semitones, readings.log_diameter)
    first = np.abs(off) <= max(3.5 * mad_scale(off), TOLERATED)
    found = _settled_models([model] if model else list(MODELS), readings, first)
    if not found:
        raise PipeError(
            "are explained by no scale",
            field="measured pipes",
            value=len(present),
            allowed="at least half of them following one scale; check notes and footage",
        )
    least = min(s.score for s in found.values())
    near = [s for s in found.values() if s.score <= least + 2.0 * math.log(EVEN_ODDS)]
    best = min(near, key=lambda s: (s.fit.count, s.score))
    return _report(present, missing, best, tuple(_candidate(s) for s in found.values()))


def _candidate(settled: _Settled) -> Candidate:
    return Candidate(
        settled.fit.model,
        settled.fit.count,
        settled.score,
        settled.scatter * REFERENCE_STEPS,
        int((~settled.good).sum()),
    )


def _halving(fit: ModelFit, variance: float, t: float) -> Estimate:
    """N = steps + 1 from the slope's interval; a slope that may be level has no upper limit."""
    slope, half = float(fit.parameters[1]), t * math.sqrt(max(float(fit.unscaled[1, 1]), 0.0) * variance)

    def pipe(value: float) -> float:
        return 1.0 - 1.0 / value if value < -1e-6 else math.inf

    return Estimate(pipe(slope), pipe(slope - half), pipe(slope + half))


def _constant(fit: ModelFit, variance: float, t: float) -> Estimate | None:
    if "constant" not in fit.model:
        return None
    value, half = float(fit.parameters[2]), t * math.sqrt(max(float(fit.unscaled[2, 2]), 0.0) * variance)
    return Estimate(value, value - half, value + half)


def _wrong(pipe: MeasuredPipe, fit: ModelFit, scatter: float) -> WrongPipe:
    assert pipe.diameter_mm is not None
    expected = float(fit.log_diameter(np.array([pipe.semitones]))[0])
    near = pipe.semitones + np.array([s for s in range(-12, 13) if s], dtype=np.float64)
    off = np.abs(fit.log_diameter(near) - math.log2(pipe.diameter_mm))
    nearest = int(np.argmin(off))
    fits = float(near[nearest]) if off[nearest] <= 2.0 * scatter else None
    return WrongPipe(pipe, 2.0**expected, REFERENCE_STEPS * (math.log2(pipe.diameter_mm) - expected), fits)


def _report(
    pipes: Sequence[MeasuredPipe], missing: tuple[MeasuredPipe, ...], best: _Settled, candidates: tuple[Candidate, ...]
) -> ScaleFit:
    fit, good = best.fit, best.good
    used = int(good.sum())
    degrees = used - fit.count
    t, variance = student_t(0.95, degrees), best.scatter**2
    wrong = tuple(_wrong(p, fit, best.scatter) for p, ok in zip(pipes, good, strict=True) if not ok)
    kept = tuple(p for p, ok in zip(pipes, good, strict=True) if ok)
    span = (min(p.semitones for p in kept), max(p.semitones for p in kept))
    breaks = tuple(
        BreakPoint(
            Estimate(place, low, high),
            half_tones(2.0 ** float(fit.log_diameter(np.array([place]))[0]), place),
            REFERENCE_STEPS * float(fit.parameters[2]) if fit.model == WITH_A_STEP else 0.0,
        )
        for place, (low, high) in zip(fit.breaks, fit.breaks_within, strict=True)
    )
    answer = ScaleFit(
        fit.model,
        Estimate(0.0, 0.0, 0.0),
        _halving(fit, variance, t),
        _constant(fit, variance, t),
        breaks,
        best.scatter * REFERENCE_STEPS,
        kept,
        wrong,
        missing,
        tuple(sorted(candidates, key=lambda c: c.score)),
        _warnings(best, candidates, len(pipes), span),
        span,
        fit,
        degrees,
    )
    at_c = Estimate(answer.diameter_mm(0.0), *answer.interval_mm(0.0))
    return ScaleFit(**(vars(answer) | {"diameter_8_foot_c": at_c}))


def _warnings(
    best: _Settled, candidates: tuple[Candidate, ...], total: int, span: tuple[float, float]
) -> tuple[str, ...]:
    words = []
    wrong = total - int(best.good.sum())
    if wrong > total / 4:
        words.append(f"{wrong} of {total} pipes are called wrong: check notes, footage and whether this is one rank")
    if not span[0] <= 0.0 <= span[1]:
        words.append("the diameter at 8' C lies past the pipes that were measured")
    others = [
        c.model for c in candidates if c.model != best.fit.model and c.score < best.score + 2.0 * math.log(EVEN_ODDS)
    ]
    if others:
        words.append("these pipes hardly tell it from: " + "; ".join(others))
    if best.scatter > SCATTER_OF_A_MIXTURE:
        words.append(f"pipes scatter by {100 * math.log(2) * best.scatter:.1f} %: no one scale may be behind them")
    return tuple(words)

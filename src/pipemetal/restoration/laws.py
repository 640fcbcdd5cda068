"""Laws over the compass beside the scale: mouths, cut-ups, walls, feet, each as a share or a size that changes evenly.

A law is a straight line in log2 over semitones by sound, level where a slope is not ten times as likely. Pipes that it does
not explain are set aside by Student's t shared over all pipes (Bonferroni), as in the search for a scale, over the scatter and
the error of their own reading; a departure of 2 % is never called wrong (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.robust import Flags, Floats, LinearFit, least_squares, local_residuals, mad_scale, student_t
from pipemetal.pipes.scale_fit import Estimate
from pipemetal.restoration.record import FoundPipe, Restoration

__all__ = ["LAWS", "Law", "Misfit", "fit_law", "laws_of"]

LEAST: Final = 4
"""Fewer values make no law."""
TOLERATED: Final = math.log2(1.02)
LEAST_SCATTER: Final = math.log2(1.003)
ODDS: Final = 10.0
TOO_MANY_WRONG: Final = 0.34
ROUNDS: Final = 20


@dataclass(frozen=True)
class Misfit:
    """A pipe that a law does not explain, by its key: what it has and what it should have."""

    key: int
    value: float
    expected: float


@dataclass(frozen=True)
class Law:
    """A law over the compass.

    `middle` is the value at the middle of the pipes that it rests on, `per_octave` the factor by which it changes an octave
    higher, `scatter` one standard deviation of a pipe as a share. `rests_on` counts the pipes.
    """

    name: str
    middle: Estimate
    per_octave: float
    scatter: float
    rests_on: int
    wrong: tuple[Misfit, ...]
    at_semitones: float
    parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    def value(self, semitones: float, *, of_a_pipe: bool = True) -> Estimate:
        """Its value at a pitch with 95 % limits, of one pipe or of the law itself."""
        at = (np.array([1.0, semitones - self.at_semitones]))[: len(self.parameters)]
        middle = float(at @ np.array(self.parameters))
        sigma2 = float(at @ np.array(self.covariance) @ at) + (self.scatter_log2**2 if of_a_pipe else 0.0)
        half = student_t(0.95, max(self.rests_on - len(self.parameters), 1)) * math.sqrt(sigma2)
        half = min(half, 6.0)
        return Estimate(2.0**middle, 2.0 ** (middle - half), 2.0 ** (middle + half))

    @property
    def scatter_log2(self) -> float:
        """The scatter in log2."""
        return math.log2(1.0 + self.scatter)


def _first_guess(x: Floats, y: Floats) -> Flags:
    """Pipes that agree with their neighbours, where there are enough to say so."""
    away = np.abs(local_residuals(x, y)) if len(x) >= 6 else np.abs(y - np.median(y))
    return np.asarray(away <= max(4.0 * mad_scale(away), 2.0 * TOLERATED))


def _settled(design: Floats, y: Floats, own: Floats, good: Flags) -> tuple[Flags, float, LinearFit] | None:
    """Fit, find the wrong ones, fit again, until they stay; who is good, the scatter, and the fit."""
    count = design.shape[1]
    for _ in range(ROUNDS):
        used = int(good.sum())
        if used < max(count + 1, 3):
            return None
        fit = least_squares(design[good], y[good], np.ones(used))
        scatter = max(math.sqrt(fit.squares / (used - count)), LEAST_SCATTER)
        limit = np.maximum(student_t(1.0 - 0.05 / len(y), used - count) * np.hypot(scatter, own), TOLERATED)
        now = np.asarray(np.abs(y - design @ fit.parameters) <= limit)
        if np.array_equal(now, good):
            break
        good = now
    return good, scatter, fit


def fit_law(
    name: str,
    keys: Sequence[int],
    semitones: Sequence[float],
    values: Sequence[float],
    errors: Sequence[float] | None = None,
) -> Law | None:
    """The law behind values above zero at pitches (semitones above 8' C by sound); None for fewer than four.

    `errors` are the standard errors of measuring as shares: no pipe is called wrong for what its own reading may be off.

    >>> law = fit_law("mouth", range(12), [float(k) for k in range(12)], [0.25] * 11 + [0.3])
    >>> round(law.middle.value, 3), [m.key for m in law.wrong]
    (0.25, [11])
    """
    if len(values) < LEAST:
        return None
    x, y = np.array(semitones), np.log2(np.array(values))
    own = np.zeros_like(y) if errors is None else np.array(errors) / math.log(2.0)
    middle = float(np.mean(x))
    designs = [np.ones((len(x), 1)), np.stack([np.ones_like(x), x - middle], axis=1)]
    first = _first_guess(x, y)
    found = []
    for design in designs[: 2 if float(np.ptp(x)) >= 6.0 else 1]:
        settled = _settled(design, y, own, first)
        if settled is not None and settled[0].sum() >= (1.0 - TOO_MANY_WRONG) * len(x):
            good, scatter, fit = settled
            numbers = design.shape[1] + int((~good).sum())
            score = len(x) * math.log(scatter**2) + numbers * math.log(len(x))
            found.append((score, design, good, scatter, fit))
    if not found:
        return None
    _, design, good, scatter, fit = found[0]
    if len(found) > 1 and found[1][0] < found[0][0] - 2.0 * math.log(ODDS):
        _, design, good, scatter, fit = found[1]
    expected = np.exp2(design @ fit.parameters)
    wrong = tuple(
        Misfit(key, value, float(e)) for key, value, e, ok in zip(keys, values, expected, good, strict=True) if not ok
    )
    slope = float(fit.parameters[1]) if len(fit.parameters) > 1 else 0.0
    made = Law(
        name,
        Estimate(0.0, 0.0, 0.0),
        2.0 ** (12.0 * slope),
        2.0**scatter - 1.0,
        int(good.sum()),
        wrong,
        middle,
        tuple(float(v) for v in fit.parameters),
        tuple(tuple(float(v) for v in row) for row in fit.unscaled * scatter**2),
    )
    return Law(**(vars(made) | {"middle": made.value(middle, of_a_pipe=False)}))


def _share(of: str, over: str, factor: float = 1.0) -> Callable[[FoundPipe], float | None]:
    def share(found: FoundPipe) -> float | None:
        top, below = found.size_mm(of), found.size_mm(over)
        return None if top is None or below is None else top / (factor * below)

    return share


def _size(name: str) -> Callable[[FoundPipe], float | None]:
    return lambda found: found.size_mm(name)


LAWS: Final[dict[str, Callable[[FoundPipe], float | None]]] = {
    "mouth": _share("mouth_width_mm", "diameter_mm", math.pi),
    "cut_up": _share("cut_up_mm", "mouth_width_mm"),
    "wall_mm": _size("thickness_mm"),
    "wall_top_share": _share("wall_top_mm", "thickness_mm"),
    "wall_foot_mm": _size("wall_foot_mm"),
    "foot_mm": _size("foot_length_mm"),
    "toe_mm": _size("toe_mm"),
    "windway_mm": _size("windway_mm"),
    "taper": lambda found: (
        None
        if found.pipe.top_diameter_mm is None or found.pipe.diameter_mm is None
        else found.pipe.top_diameter_mm / found.pipe.diameter_mm
    ),
}
"""What may follow a law: the mouth as a share of the circumference, the cut-up of the mouth, sizes in mm, top over mouth."""


MEASURED_OF: Final[dict[str, tuple[str, ...]]] = {
    "mouth": ("mouth_width_mm", "diameter_mm"),
    "cut_up": ("cut_up_mm", "mouth_width_mm"),
    "wall_mm": ("thickness_mm",),
    "wall_top_share": ("wall_top_mm", "thickness_mm"),
    "wall_foot_mm": ("wall_foot_mm",),
    "foot_mm": ("foot_length_mm",),
    "toe_mm": ("toe_mm",),
    "windway_mm": ("windway_mm",),
    "taper": ("diameter_mm",),
}
"""The sizes whose errors are those of a law's values."""


def laws_of(old: Restoration) -> dict[str, Law]:
    """Every law that four pipes and more speak for."""
    laws = {}
    for name, value_of in LAWS.items():
        held = [(f.pipe.key, v) for f in old.there if (v := value_of(f)) is not None and v > 0.0]
        keys = [key for key, _ in held]
        errors = [f.share_error(MEASURED_OF[name]) for f in old.there if f.pipe.key in keys]
        law = fit_law(name, keys, [sounding_semitones(k, old.footage) for k in keys], [v for _, v in held], errors)
        if law is not None:
            laws[name] = law
    return laws

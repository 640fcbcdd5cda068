"""The kinds of scale that a row of measured pipes is tried against, each fitted by weighted least squares.

All of them give log2 of the diameter over semitones by sound:
- `halving`: halves in S steps (pipe S + 1): two numbers;
- `similar plus constant`: halves in 12 steps, plus a fixed width: two numbers, the old rule;
- `halving plus constant`: three numbers;
- `halving with a step`: one halving, wider or narrower by a share from some note on, as where pipes of another rank begin:
  four numbers, the place among them;
- `straight lines`: halves in S steps, with one to three points where the line breaks: two numbers more for each.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from pipemetal.pipes.robust import Flags, Floats, least_squares, student_t

__all__ = ["MODELS", "WITH_A_STEP", "ModelFit", "Readings", "fit_model"]

WITH_A_STEP: Final = "halving with a step"

LEAST_PIPES_IN_A_LINE: Final = 3
STEPS_TRIED: Final = (6.0, 60.0)


@dataclass(frozen=True)
class Readings:
    """Semitones by sound, log2 of the diameters in mm, and weights (inverse relative variances)."""

    semitones: Floats
    log_diameter: Floats
    weights: Floats

    def only(self, keep: Flags) -> Readings:
        """Those that are kept."""
        return Readings(self.semitones[keep], self.log_diameter[keep], self.weights[keep])


@dataclass(frozen=True)
class ModelFit:
    """A fitted model.

    The places of bends are free as well: `unscaled` and `gradient` have a row for each after those of the parameters.
    `parameters`: log2 of the varying diameter at 8' C, -1/steps, then the constant in mm, the height of the step or the
    changes of slope at `breaks`. `count` is how many numbers were free, the places of the breaks among them; `unscaled`
    is the covariance of the parameters over the variance of a reading of weight 1.
    """

    model: str
    parameters: Floats
    unscaled: Floats
    squares: float
    count: int
    breaks: tuple[float, ...] = ()
    breaks_within: tuple[tuple[float, float], ...] = ()

    def log_diameter(self, semitones: Floats) -> Floats:
        """log2 of the diameter in mm."""
        a, slope = self.parameters[0], self.parameters[1]
        line: Floats = a + slope * semitones
        if "constant" in self.model:
            return np.asarray(np.log2(np.maximum(np.exp2(line) + self.parameters[2], 1e-3)), dtype=np.float64)
        for place, change in zip(self.breaks, self.parameters[2:], strict=True):
            line = line + change * _shape(semitones, place, self.model)
        return line

    def gradient(self, semitones: Floats) -> Floats:
        """How log2 of the diameter moves with the parameters."""
        if "constant" in self.model:
            return _gradient_constant(self.parameters, semitones)
        return _with_places(_broken_design(semitones, self.breaks, self.model), semitones, self)


def _gradient_constant(parameters: Floats, semitones: Floats) -> Floats:
    varying = np.exp2(parameters[0] + parameters[1] * semitones)
    total = np.maximum(varying + parameters[2], 1e-3)
    share = varying / total
    return np.stack([share, share * semitones, 1.0 / (total * np.log(2.0))], axis=1)


def _shape(semitones: Floats, place: Floats | float, model: str) -> Floats:
    """What a break adds above its place: a line of slope 1, or a step of height 1."""
    above = semitones - place
    return np.asarray(above >= 0.0, dtype=np.float64) if model == WITH_A_STEP else np.maximum(above, 0.0)


def _broken_design(semitones: Floats, breaks: tuple[float, ...], model: str) -> Floats:
    columns = [np.ones_like(semitones), semitones, *(_shape(semitones, b, model) for b in breaks)]
    return np.stack(columns, axis=1)


def _fit_halving(readings: Readings) -> ModelFit:
    found = least_squares(_broken_design(readings.semitones, (), "halving"), readings.log_diameter, readings.weights)
    return ModelFit("halving", found.parameters, found.unscaled, found.squares, 2)


def _start_constant(readings: Readings, steps: float) -> tuple[float, Floats]:
    """Best width and constant for given steps by relative squares, which is linear; and what they leave."""
    diameter = np.exp2(readings.log_diameter)
    shape = np.exp2(-readings.semitones / steps)
    design = np.stack([shape, np.ones_like(shape)], axis=1)
    found = least_squares(design, diameter, readings.weights / diameter**2)
    width = max(float(found.parameters[0]), 1e-6)
    # a start must leave every pipe some width, else its logarithm does not exist
    constant = max(float(found.parameters[1]), 0.05 * float(diameter.min()) - width * float(shape.min()))
    return found.squares, np.array([np.log2(width), -1.0 / steps, constant])


def _refine_constant(readings: Readings, start: Floats, free: list[int]) -> tuple[Floats, Floats, float]:
    """Damped Gauss-Newton in the logarithm of the diameter over the free parameters."""
    parameters, damping = start.copy(), 1e-6

    def squares_of(trial: Floats) -> float:
        total = np.exp2(trial[0] + trial[1] * readings.semitones) + trial[2]
        if np.any(total <= 1e-3):
            return np.inf
        return float(np.sum(readings.weights * (readings.log_diameter - np.log2(total)) ** 2))

    squares = squares_of(parameters)
    for _ in range(60):
        slope = _gradient_constant(parameters, readings.semitones)[:, free]
        left = readings.log_diameter - np.log2(
            np.exp2(parameters[0] + parameters[1] * readings.semitones) + parameters[2]
        )
        normal = slope.T @ (readings.weights[:, None] * slope)
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slope.T @ (readings.weights * left))
        trial = parameters.copy()
        trial[free] += step
        tried = squares_of(trial)
        if tried <= squares:
            done = squares - tried <= 1e-12 * max(squares, 1e-15)
            parameters, squares, damping = trial, tried, damping / 5.0
            if done:
                break
        else:
            damping = max(damping * 10.0, 1e-8)
            if damping > 1e8:
                break
    slope = _gradient_constant(parameters, readings.semitones)[:, free]
    inverse = np.linalg.inv(slope.T @ (readings.weights[:, None] * slope))
    unscaled = np.zeros((3, 3))
    unscaled[np.ix_(free, free)] = inverse
    return parameters, unscaled, squares


def _fit_constant(readings: Readings) -> ModelFit:
    starts = [_start_constant(readings, s) for s in np.geomspace(*STEPS_TRIED, 40)]
    best = min((s for s in starts if np.isfinite(s[0])), key=lambda s: s[0])[1]
    parameters, unscaled, squares = _refine_constant(readings, best, [0, 1, 2])
    return ModelFit("halving plus constant", parameters, unscaled, squares, 3)


def _fit_similar(readings: Readings) -> ModelFit:
    _, start = _start_constant(readings, 12.0)
    parameters, unscaled, squares = _refine_constant(readings, start, [0, 2])
    return ModelFit("similar plus constant", parameters, unscaled, squares, 2)


def _places(readings: Readings) -> Floats:
    """Whole semitones where a line may break: enough pipes on both sides."""
    ordered = np.sort(readings.semitones)
    low, high = ordered[LEAST_PIPES_IN_A_LINE - 1], ordered[-LEAST_PIPES_IN_A_LINE]
    return np.arange(np.ceil(low), np.floor(high) + 1.0)


def _with_places(design: Floats, semitones: Floats, fit: ModelFit) -> Floats:
    """The design with a column for the place of every bend: moving it up takes its change of slope off all above it."""
    if fit.model == WITH_A_STEP:
        return design
    moved = [
        -change * np.asarray(semitones > place, dtype=np.float64)
        for place, change in zip(fit.breaks, fit.parameters[2:], strict=True)
    ]
    return np.concatenate([design, np.stack(moved, axis=1)], axis=1) if moved else design


def _squares_for(readings: Readings, breaks: list[tuple[float, ...]], model: str) -> Floats:
    """Squares left for many choices of breaks at once."""
    x, y, w = readings.semitones, readings.log_diameter, readings.weights
    places = np.array(breaks)
    hinges = _shape(x[None, :, None], places[:, None, :], model)
    base = np.broadcast_to(np.stack([np.ones_like(x), x], axis=1), (len(breaks), x.size, 2))
    design = np.concatenate([base, hinges], axis=2)
    weighted = design * w[None, :, None]
    normal = np.swapaxes(weighted, 1, 2) @ design
    right = np.swapaxes(weighted, 1, 2) @ y
    ridge = 1e-11 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(normal.shape[1])
    solved = np.linalg.solve(normal + ridge, right[..., None])[..., 0]
    left = y[None, :] - np.einsum("bij,bj->bi", design, solved)
    return np.asarray(np.sum(w[None, :] * left**2, axis=1), dtype=np.float64)


def _allowed(readings: Readings, breaks: tuple[float, ...]) -> bool:
    edges = (-np.inf, *breaks, np.inf)
    counts = [np.sum((readings.semitones >= a) & (readings.semitones <= b)) for a, b in itertools.pairwise(edges)]
    return all(int(c) >= LEAST_PIPES_IN_A_LINE for c in counts)


def _best_breaks(readings: Readings, number: int, model: str) -> tuple[float, ...] | None:
    places = [float(p) for p in _places(readings)]
    if number <= 2:
        tried = [c for c in itertools.combinations(places, number) if _allowed(readings, c)]
        return tried[int(np.argmin(_squares_for(readings, tried, model)))] if tried else None
    held = _best_breaks(readings, number - 1, model)
    if held is None:
        return None
    tried = [c for p in places if p not in held and _allowed(readings, c := tuple(sorted((*held, p))))]
    if not tried:
        return None
    best = tried[int(np.argmin(_squares_for(readings, tried, model)))]
    for _ in range(6):
        before = best
        for index in range(number):
            others = best[:index] + best[index + 1 :]
            tried = [c for p in places if p not in others and _allowed(readings, c := tuple(sorted((*others, p))))]
            best = tried[int(np.argmin(_squares_for(readings, tried, model)))]
        if best == before:
            break
    return best


def _within(readings: Readings, fit: ModelFit, index: int) -> tuple[float, float]:
    """Places of one break, the others held, that leave no more squares than its 95 % limit allows."""
    degrees = max(readings.semitones.size - fit.count, 1)
    limit = fit.squares * (1.0 + student_t(0.95, degrees) ** 2 / degrees) + 1e-15
    others = fit.breaks[:index] + fit.breaks[index + 1 :]
    places = [float(p) for p in _places(readings) if p not in others]
    tried = [tuple(sorted((*others, p))) for p in places]
    good = [p for p, squares in zip(places, _squares_for(readings, tried, fit.model), strict=True) if squares <= limit]
    return (min(good), max(good)) if good else (fit.breaks[index], fit.breaks[index])


def _fit_broken(model: str, number: int) -> Callable[[Readings], ModelFit | None]:
    def fit(readings: Readings) -> ModelFit | None:
        if readings.semitones.size < 4 + 3 * number:
            return None
        breaks = _best_breaks(readings, number, model)
        if breaks is None:
            return None
        design = _broken_design(readings.semitones, breaks, model)
        found = least_squares(design, readings.log_diameter, readings.weights)
        made = ModelFit(model, found.parameters, found.unscaled, found.squares, 2 + 2 * number, breaks)
        free = made.gradient(readings.semitones)
        unscaled: Any = np.linalg.inv(free.T @ (readings.weights[:, None] * free))
        made = replace(made, unscaled=unscaled)
        within = tuple(_within(readings, made, i) for i in range(number))
        return replace(made, breaks_within=within)

    return fit


def _broken_name(number: int) -> str:
    return f"straight lines, {number} break" + ("s" if number > 1 else "")


MODELS: Final[dict[str, Callable[[Readings], ModelFit | None]]] = {
    "halving": _fit_halving,
    "similar plus constant": _fit_similar,
    "halving plus constant": _fit_constant,
    WITH_A_STEP: _fit_broken(WITH_A_STEP, 1),
} | {_broken_name(k): _fit_broken(_broken_name(k), k) for k in (1, 2, 3)}


def fit_model(model: str, readings: Readings) -> ModelFit | None:
    """A model fitted to readings; None where there are too few of them, or they cannot tell its numbers apart.

    >>> x = np.arange(0.0, 24.0)
    >>> fit = fit_model("halving", Readings(x, np.log2(155.5) - x / 16.0, np.ones(24)))
    >>> round(float(-1.0 / fit.parameters[1]), 6)
    16.0
    """
    if readings.semitones.size < (4 if model in ("halving", "similar plus constant") else 6):
        return None
    try:
        # a trial step may run out of all numbers; its squares are then infinite and it is not taken
        with np.errstate(over="ignore", invalid="ignore"):
            return MODELS[model](readings)
    except np.linalg.LinAlgError:
        return None

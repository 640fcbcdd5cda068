"""What a shop's departure from the law may depend on, as columns of a linear model: powers first, then a Gaussian
process.

A departure is ln of the film that comes out over the film that a rival law gives. Its straight part is a level, an
error of the gate's zero, and powers of gate, speed, head, temperature, share of solid and place along the sheet; what
bends is a Gaussian process over the same, carried by a few points of the log (its own variance away from them is
added when predicting).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipemetal.casting.model import Array
from pipemetal.casting.rivals import At

__all__ = ["HABIT", "POWERS", "STRAIGHT", "Basis", "inputs"]

STRAIGHT = (
    "level",
    "gate zero",
    "gate",
    "speed",
    "head",
    "heat",
    "solid",
    "place",
    "habit",
    "solid bent",
    "solid by gate",
    "solid by speed",
    "solid by head",
)
# A common change of speed along sheets of which only the whole time was logged. No part of the law, so its column is zero
# wherever a cast is predicted; in the fit it keeps such a change from being taken for something of the place.
HABIT = STRAIGHT.index("habit")
POWERS = ("gate", "speed", "head", "heat", "solid", "place")
# The middle of usual casts, where a power changes nothing: gate 2.8 mm, 1 m/s, 25 mm of metal, 20 K, half-way.
_GATE_M, _SPEED_M_S, _HEAD_M = 2.8e-3, 1.0, 25e-3
_LEAST_HEAD_M = 2e-3
# One unit of each input: a usual change of it (e-fold of gate, speed and head; 20 K; a fifth solid; the whole length).
_HEAT_K, _SOLID = 20.0, 0.2
# Which of the inputs the share of solid is: how slush flows depends on gate, speed and head together with it.
_SOLID_INPUT = POWERS.index("solid")
# Spreads before any cast (estimates): the level; the gate's zero in mm; thickness for 20 K and for a fifth solid.
LEVEL_SD, GATE_ZERO_MM, HEAT_SD, SOLID_SD = 0.15, 0.1, 0.04, 0.15
# How much heat may matter, weighed against each other: ln thickness for 20 K, with weights before any cast (estimates).
HEATS = ((0.005, 0.6), (0.1, 0.4))
_HEAT = STRAIGHT.index("heat")
# Change of ln speed from end to end that a crew makes in all its pushes (estimate; the demand of usual tapers).
HABIT_SD = 0.5
# How much of the departure's size each input may carry (a gate that wears moves its zero: mm).
_SHARES = np.array([0.3, 0.6, 1.0, 1.0, 0.7, 0.4, 0.4, 0.3, 0.0, 0.4, 0.6, 0.6, 0.4])
_FLOOR = np.array([LEVEL_SD, GATE_ZERO_MM, 0.0, 0.0, 0.0, HEAT_SD, SOLID_SD, 0.0, HABIT_SD, 0.0, 0.0, 0.0, 0.0])
# Over how much of each input (gate, speed, head, heat, solid, place) the bending part changes (estimate).
_REACH = np.array([0.4, 0.5, 0.8, 1.2, 0.6, 0.5])
# Share of the bend that each input has for itself (estimate).
_ALONE = 0.7
MOST_KNOTS = 24
_JITTER = 1e-6


def inputs(at: At) -> Array:
    """Gate, speed, head (natural logarithms), heat, solid and place, each about its usual middle; shape (n, 6)."""
    columns = np.broadcast_arrays(
        np.log(at.gate_m / _GATE_M),
        np.log(at.speed_m_s / _SPEED_M_S),
        np.log(np.maximum(at.head_m, _LEAST_HEAD_M) / _HEAD_M),
        np.clip(at.superheat_k, 0.0, 150.0) / _HEAT_K - 1.0,
        at.solid / _SOLID,
        at.place - 0.5,
    )
    return np.stack([np.ravel(c) for c in columns], axis=1)


def straight_sds(size: float) -> Array:
    """Spreads of the straight columns for a departure of this size."""
    sds: Array = np.hypot(_FLOOR, size * _SHARES)
    return np.maximum(sds, 1e-4)


# A plain regression, as a spreadsheet has it: level and powers of gate, speed and head alone, wide (estimates).
_PLAIN_SDS = np.array([0.3, 0.0, 0.5, 0.6, 0.4, 0.0, 0.0, 0.0, HABIT_SD, 0.0, 0.0, 0.0, 0.0])


@dataclass(frozen=True, eq=False)
class Basis:
    """The columns of a log: straight ones, and the bending part by its knots (none: straight only)."""

    knots: Array = field(default_factory=lambda: np.empty((0, 6)))
    root: Array = field(default_factory=lambda: np.empty((0, 0)))

    @classmethod
    def of(cls, places: Array) -> Basis:
        """Knots at places of the log, the next always the furthest from those chosen."""
        scaled = np.unique(np.round(places / _REACH, 2), axis=0)
        if len(scaled) < 2:
            return cls()
        chosen = [int(np.argmin(((scaled - scaled.mean(axis=0)) ** 2).sum(axis=1)))]
        away = ((scaled - scaled[chosen[0]]) ** 2).sum(axis=1)
        while len(chosen) < min(MOST_KNOTS, len(scaled)) and float(away.max()) > 0.05:
            chosen.append(int(np.argmax(away)))
            away = np.minimum(away, ((scaled - scaled[chosen[-1]]) ** 2).sum(axis=1))
        knots = scaled[chosen]
        root = np.linalg.inv(np.linalg.cholesky(_kernel(knots, knots) + _JITTER * np.eye(len(knots))))
        return cls(knots, root)

    @property
    def straight(self) -> int:
        """Number of straight columns."""
        return len(STRAIGHT)

    @property
    def count(self) -> int:
        """Number of all columns."""
        return self.straight + len(self.knots)

    def columns(self, at: At, seen: Array) -> Array:
        """The columns at places whose inputs are `seen` (n, 6); shape (n, count)."""
        solid = seen[:, _SOLID_INPUT : _SOLID_INPUT + 1]
        slush = np.hstack([solid**2, solid * seen[:, :3]])
        straight = np.column_stack([np.ones(len(seen)), 1e-3 / np.ravel(at.gate_m), seen, np.zeros(len(seen)), slush])
        if not len(self.knots):
            return straight
        return np.hstack([straight, _kernel(seen / _REACH, self.knots) @ self.root.T])

    def sds(self, size: float, bend: float) -> Array:
        """Spreads of all columns for a straight part and a bending part of these sizes."""
        return np.append(straight_sds(size), np.full(len(self.knots), max(bend, 1e-5)))

    def plain_sds(self) -> Array:
        """Spreads of all columns for a plain regression of powers, which does not bend."""
        return np.append(np.maximum(_PLAIN_SDS, 1e-4), np.full(len(self.knots), 1e-5))

    def by_heat(self, sds: Array, heat: float) -> Array:
        """The same spreads with that of heat as given."""
        return np.concatenate([sds[:_HEAT], [heat], sds[_HEAT + 1 :]])

    def lacking(self, columns: Array) -> Array:
        """Share of the bending part's variance that the knots do not carry, at places with these columns; shape
        (n,).
        """
        if not len(self.knots):
            return np.ones(len(columns))
        carried = np.square(columns[:, self.straight : self.count]).sum(axis=1)
        lacking: Array = np.clip(1.0 - carried, 0.0, 1.0)
        return lacking


def _kernel(a: Array, b: Array) -> Array:
    """Each input bends by itself, and all together: shares of one in the variance."""
    alone, total = np.zeros((len(a), len(b))), np.zeros((len(a), len(b)))
    for i in range(a.shape[1]):
        far = -0.5 * np.square(a[:, i : i + 1] - b[:, i])
        total += far
        alone += np.exp(far)
    kernel: Array = (_ALONE / a.shape[1]) * alone + (1.0 - _ALONE) * np.exp(total)
    return kernel

"""How the film follows from the push, and the push from the film, while the sled empties. Units inside: SI.

Both ask the shop's law only. Arrays may hold many pushes at once: the last axis runs along the table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.model import Array, Fluid, Gate, Sled, fluid_of
from pipemetal.casting.mush import HALT_SOLID_SD, halts, solid_at_gate
from pipemetal.casting.rivals import At
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.texts import Amount, Text

__all__ = ["Box", "Laid", "Metal", "film_of_push", "used_of_film_kg"]

_ROUNDS, _SETTLED_M = 40, 1e-7
# Below this share of the gate the metal no longer fills the gap: the sled has run empty.
EMPTY_GATES = 0.5
_LEAST_HEAD_M = 4e-4


@dataclass(frozen=True)
class Metal:
    """Metal in the sled as the gate sees it: superheat (negative in slush), share of solid in the layer that leaves, and how
    unsure that is.
    """

    comp: Composition
    temperature_c: float
    superheat_k: float
    solid: float
    fluid: Fluid
    solid_sd: float = 0.0

    @classmethod
    def of(cls, comp: Composition, temperature_c: float, box_m: float = 0.25, table_c: float = 20.0) -> Metal:
        """Metal of an alloy at a temperature, liquid or slush."""
        start_c, read_c = liquidus(comp).temperature_c, round(float(temperature_c), 1)
        solid = solid_at_gate(comp, read_c, box_m, float(round(table_c)))
        return cls(
            comp,
            float(temperature_c),
            float(temperature_c) - start_c,
            solid,
            fluid_of(comp, max(read_c, round(start_c, 1))),
            HALT_SOLID_SD if solid and halts(comp, read_c) else 0.0,
        )


@dataclass(frozen=True, eq=False)
class Box:
    """A sled with its gate at one opening (or many, one for each push), in SI, the metal in it, and the shop's law."""

    length_m: float
    width_m: float
    gate_m: float | Array
    lip_m: float
    fall_m: float
    metal: Metal
    law: ShopLaw

    @classmethod
    def of(cls, sled: Sled, gate: Gate, gate_mm: float, metal: Metal, law: ShopLaw, slope_mm_m: float = 0.0) -> Box:
        """The sled with its gate set to gate_mm; a table that falls with the push takes metal from the rear wall."""
        length_m = sled.inner_length_mm * 1e-3
        return cls(
            length_m,
            sled.inner_width_mm * 1e-3,
            gate_mm * 1e-3,
            gate.lip_mm * 1e-3,
            0.5e-3 * slope_mm_m * length_m,
            metal,
            law,
        )

    def with_gates(self, gate_mm: Array) -> Box:
        """Many pushes, each with its own gate; shape (pushes, 1)."""
        return replace(self, gate_m=1e-3 * gate_mm)

    def head_m(self, mass_kg: float | Array) -> Array:
        """Depth at the gate of a mass of metal."""
        depth = np.asarray(mass_kg, dtype=float) / (self.metal.fluid.density_kg_m3 * self.length_m * self.width_m)
        head: Array = depth - self.fall_m
        return head

    def at(self, head_m: Array, speed_m_s: Array, place: Array) -> At:
        """The places of a push, or of many."""
        shape = np.broadcast_shapes(np.shape(head_m), np.shape(speed_m_s), np.shape(place), np.shape(self.gate_m))
        fluid = self.metal.fluid

        def even(value: float | Array) -> Array:
            return np.full(shape, value) if np.size(value) == 1 else np.broadcast_to(value, shape)

        return At(
            gate_m=even(self.gate_m),
            head_m=even(np.maximum(head_m, _LEAST_HEAD_M)),
            speed_m_s=even(speed_m_s),
            place=even(place),
            solid=even(self.metal.solid),
            superheat_k=even(self.metal.superheat_k),
            density_kg_m3=even(fluid.density_kg_m3),
            viscosity_pa_s=even(fluid.viscosity_pa_s),
            tension_n_m=even(fluid.surface_tension_n_m),
            lip_m=even(self.lip_m),
            box_m=even(self.length_m),
        )


@dataclass(frozen=True, eq=False)
class Laid:
    """A push and its film, place by place along the table: distance, liquid thickness, head, speed, time."""

    x_m: Array
    film_m: Array
    head_m: Array
    speed_m_s: Array
    time_s: Array
    left_kg: float
    run_up_kg: float

    def at(self, box: Box) -> At:
        """Its places as the law sees them."""
        return box.at(self.head_m, self.speed_m_s, self.x_m / self.x_m[-1])


def film_of_push(
    box: Box,
    x_m: Array,
    speed_m_s: Array,
    charge_kg: float,
    run_up_m: float,
    guess_m: Array | None = None,
    *,
    may_run_empty: bool = False,
) -> Laid | Text:
    """The film that a push lays; words instead, where the sled runs empty on the way (unless it may: for comparisons).

    The head follows from the film laid before, which follows from the head: repeated until it settles, from a guess.
    """
    place = x_m / x_m[-1]
    film = np.full(len(x_m), 1.5e-3) if guess_m is None else guess_m
    run_up_kg = 0.0
    for _ in range(_ROUNDS):
        before = film
        head = box.head_m(charge_kg - run_up_kg - used_of_film_kg(box, x_m, film))
        film = np.exp(box.law.ln_film(box.at(head, speed_m_s, place)))
        run_up_kg = run_up_of_kg(box, float(head[0]), float(film[0]), float(speed_m_s[0]), run_up_m)
        if float(np.abs(film - before).max()) < _SETTLED_M:
            break
    head = box.head_m(charge_kg - run_up_kg - used_of_film_kg(box, x_m, film))
    empty = np.flatnonzero(head < EMPTY_GATES * box.gate_m)
    if len(empty) and not may_run_empty:
        return Text("the sled runs empty at {a}", a=Amount(float(x_m[empty[0]]), "m", 2))
    left = charge_kg - run_up_kg - float(used_of_film_kg(box, x_m, film)[-1])
    return Laid(x_m, film, head, speed_m_s, times_s(x_m, speed_m_s), left, run_up_kg)


def run_up_of_kg(box: Box, head_m: float, film_m: float, speed_m_s: float, run_up_m: float) -> float:
    """What a run-up lays: by the shop's log; without one, at constant acceleration, the first film over its length, and what
    goes with one over speed once more.

    Sources: integral of a + b / U over U = U1 sqrt(s / s1); derived.
    """
    if run_up_m <= 0.0:
        return 0.0
    step = 1.05
    slower = box.law.ln_film(box.at(np.array([head_m]), np.array([speed_m_s / step]), np.array([0.0])))
    faster = box.law.ln_film(box.at(np.array([head_m]), np.array([speed_m_s * step]), np.array([0.0])))
    share = min(max(float(slower[0] - faster[0]) / (2.0 * math.log(step)), 0.0), 1.0)
    ratio = box.law.run_up.expected(1.0 + share)
    return float(box.metal.fluid.density_kg_m3 * box.width_m * film_m * run_up_m * ratio)


def used_of_film_kg(box: Box, x_m: Array, film_m: Array) -> Array:
    """Mass laid from the start to each place, by the trapezoidal rule."""
    pieces = 0.5 * (film_m[..., 1:] + film_m[..., :-1]) * np.diff(x_m)
    laid = np.concatenate([np.zeros((*film_m.shape[:-1], 1)), np.cumsum(pieces, axis=-1)], axis=-1)
    used: Array = box.metal.fluid.density_kg_m3 * box.width_m * laid
    return used


def times_s(x_m: Array, speed_m_s: Array) -> Array:
    """Time at each place since the gate passed the first."""
    pieces = 0.5 * (1.0 / speed_m_s[1:] + 1.0 / speed_m_s[:-1]) * np.diff(x_m)
    return np.concatenate([[0.0], np.cumsum(pieces)])

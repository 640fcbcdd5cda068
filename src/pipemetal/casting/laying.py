"""How the film follows from the push, and the push from the film, while the box empties. Units inside: SI.

The head along the table follows from the metal laid so far alone, so the push that lays a wanted film is a closed form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipemetal.casting.gate import gate_velocity_m_s
from pipemetal.casting.model import GRAVITY_M_S2, Array, Coefficients, Fluid, Gate, Sled
from pipemetal.errors import CastingError

__all__ = ["Box", "Laid", "film_of_push", "push_of_film", "used_of_film_kg"]


@dataclass(frozen=True)
class Box:
    """A sled with a gate at one opening, in SI, and what flows through it."""

    length_m: float
    width_m: float
    opening_m: float
    lip_m: float
    discharge: float
    beta: float
    fluid: Fluid

    @classmethod
    def of(
        cls, sled: Sled, gate: Gate, gate_mm: float, fluid: Fluid, coefficients: Coefficients, superheat_k: float
    ) -> Box:
        """The box with its gate set to gate_mm, by the shop's coefficients."""
        opening = (gate_mm + coefficients.gate_zero_mm) * 1e-3
        if opening <= 2e-4:
            raise CastingError("is closed, after the correction of its zero", field="gate_mm", value=gate_mm)
        return cls(
            sled.inner_length_mm * 1e-3,
            sled.inner_width_mm * 1e-3,
            opening,
            gate.lip_mm * 1e-3,
            coefficients.discharge_at(superheat_k),
            coefficients.beta,
            fluid,
        )

    def head_m(self, mass_kg: float | Array) -> Array:
        """Depth of a mass of metal."""
        return np.asarray(mass_kg, dtype=float) / (self.fluid.density_kg_m3 * self.length_m * self.width_m)

    def velocity_m_s(self, head_m: Array) -> Array:
        """Mean velocity through the opening without drag."""
        return gate_velocity_m_s(self.opening_m, head_m, self.fluid, self.discharge, self.lip_m)[0]

    def jet_m_s(self, head_m: Array) -> Array:
        """Speed of the free jet."""
        effective = gate_velocity_m_s(self.opening_m, head_m, self.fluid, self.discharge, self.lip_m)[1]
        jet: Array = np.sqrt(2.0 * GRAVITY_M_S2 * effective)
        return jet


@dataclass(frozen=True)
class Laid:
    """A push and its film, place by place along the table: distance, liquid thickness, head, speed, time."""

    x_m: Array
    film_m: Array
    head_m: Array
    speed_m_s: Array
    time_s: Array
    left_kg: float
    run_up_kg: float


def push_of_film(box: Box, x_m: Array, film_m: Array, charge_kg: float, run_up_m: float) -> Laid | str:
    """The push that lays a film; words instead, where none does.

    H(x) = H0 - (1/Lb) int t dx ; U(x) = g V(H) / (t - beta g) ; the time is int dx/U. The run-up at constant
    acceleration lays twice the first thickness over its length.
    """
    used_kg = used_of_film_kg(box, x_m, film_m)
    run_up_kg = box.fluid.density_kg_m3 * box.width_m * 2.0 * float(film_m[0]) * run_up_m
    left = charge_kg - run_up_kg - used_kg
    head = box.head_m(left)
    if float(head[-1]) <= 0.0:
        return "the box would be empty before the end"
    velocity = box.velocity_m_s(head)
    if float(velocity[-1]) <= 1e-3:
        return "the last of the metal would not pass the gate"
    free = film_m - box.beta * box.opening_m
    if float(free.min()) <= 0.0:
        return "the cloth alone drags more through the gate than the sheet needs"
    speed = box.opening_m * velocity / free
    return Laid(x_m, film_m, head, speed, _times(x_m, speed), float(left[-1]), run_up_kg)


def film_of_push(box: Box, x_m: Array, speed_m_s: Array, charge_kg: float, run_up_m: float) -> Laid | str:
    """The film that a push lays; words instead, where the box runs empty on the way.

    Runge-Kutta of fourth order on the falling head, one step from place to place.
    """
    first = float(speed_m_s[0])
    head = float(box.head_m(charge_kg))
    run_up_kg = 0.0
    for _ in range(60):
        film = _film(box, head, first)
        new_kg = box.fluid.density_kg_m3 * box.width_m * 2.0 * film * run_up_m
        head = float(box.head_m(charge_kg - new_kg))
        if abs(new_kg - run_up_kg) < 1e-10:
            break
        run_up_kg = 0.5 * (new_kg + run_up_kg) if run_up_kg else new_kg
    heads = np.empty(len(x_m))
    films = np.empty(len(x_m))
    for i, x in enumerate(x_m):
        heads[i] = head
        films[i] = _film(box, head, float(speed_m_s[i]))
        if films[i] <= box.beta * box.opening_m + 1e-7 or head <= 0.0:
            return f"the box runs empty at {x:.2f} m"
        if i + 1 < len(x_m):
            step = float(x_m[i + 1] - x)
            u0, u2 = float(speed_m_s[i]), float(speed_m_s[i + 1])
            u1 = 0.5 * (u0 + u2)
            k1 = -films[i] / box.length_m
            k2 = -_film(box, head + 0.5 * step * k1, u1) / box.length_m
            k3 = -_film(box, head + 0.5 * step * k2, u1) / box.length_m
            k4 = -_film(box, head + step * k3, u2) / box.length_m
            head += step * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
    left = heads[-1] * box.fluid.density_kg_m3 * box.length_m * box.width_m
    return Laid(x_m, films, heads, speed_m_s, _times(x_m, speed_m_s), float(left), run_up_kg)


def _film(box: Box, head_m: float, speed_m_s: float) -> float:
    velocity = float(box.velocity_m_s(np.array([head_m]))[0])
    return box.opening_m * (velocity + box.beta * speed_m_s) / speed_m_s


def used_of_film_kg(box: Box, x_m: Array, film_m: Array) -> Array:
    """Mass laid from the start to each place, by the trapezoidal rule."""
    pieces = 0.5 * (film_m[1:] + film_m[:-1]) * np.diff(x_m)
    return box.fluid.density_kg_m3 * box.width_m * np.concatenate([[0.0], np.cumsum(pieces)])


def _times(x_m: Array, speed_m_s: Array) -> Array:
    pieces = 0.5 * (1.0 / speed_m_s[1:] + 1.0 / speed_m_s[:-1]) * np.diff(x_m)
    return np.concatenate([[0.0], np.cumsum(pieces)])

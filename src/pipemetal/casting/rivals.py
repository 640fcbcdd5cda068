"""The rival laws of the gate: how thick a film leaves the sled, by each explanation that casters and physics leave
open.

No published cast decides between them, so each has a weight, and the shop's log chooses
(:mod:`pipemetal.casting.fitting`). Units inside: SI. Every law takes places of any shape and gives the liquid film
there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from pipemetal.casting.model import GRAVITY_M_S2, Array
from pipemetal.casting.mush import slurry_viscosity_pa_s, stirred_viscosity_pa_s, yield_stress_pa

__all__ = ["RIVALS", "At", "Rival", "cloth_film_m", "contact_film_m", "orifice_film_m"]

# The cloth's law. Thick metal: half the gap is dragged along through the gap itself, and the head drives the rest
# through a contraction of 0.385. Thin metal: what the cloth dragged under the whole sled arrives moving and carries
# itself through a contraction of 0.70, with friction of turbulence in the lip. Between them the share of thinness, 1
# / (1 + mu / 0.03 Pa s). Fitted (root mean square 2 %, worst 5 %) to the runs of bench/cloth_drag_2d.py, see
# docs/casting.md.


@dataclass(frozen=True, slots=True)
class ClothFit:
    """Numbers of the cloth's law: share dragged, contraction, and turbulence of the lip in Pa s by m/s, of thick and
    of thin metal; share of the dynamic pressure of metal that comes moving; viscosity between thick and thin."""

    dragged: tuple[float, float]
    contraction: tuple[float, float]
    turbulence: tuple[float, float]
    coming: float
    thin_pa_s: float = 0.0294


LAYERED = ClothFit((0.50, 0.065), (0.385, 0.704), (0.0, 0.0114), 0.298)
# The same with half the gap dragged along in thin metal too: what practice alone would have (rms 7 %, worst 24 % of
# the same runs).
HALF_DRAGGED = ClothFit((0.50, 0.50), (0.40, 0.40), (0.11, 0.11), 0.13)

# Roughness of a cloth (estimate); laminar momentum of Sakiadis' layer 0.8875; speed of what leaves over that of the
# cloth.
CLOTH_ROUGHNESS_M, SAKIADIS_MOMENTUM, LEAVING_SPEED = 3e-4, 0.8875, 0.7
# Where the head gives out the drive fades within this stress instead of at once.
_SOFT_PA = 15.0
# Solid that comes into the metal from the beginning of a push to its end (0.05 to 0.1: heat balance of sled, wait and
# gate).
SOLID_ON_THE_WAY = 0.05
_LEAST_HEAD_M = 5e-4


@dataclass(frozen=True, eq=False)
class At:
    """Places under the gate: all arrays of one shape, or that spread to one.

    ``gate_m`` true opening, ``head_m`` depth of metal at the gate, ``speed_m_s`` of the push, ``place`` share of the
    sheet's length, ``solid`` share of solid at the gate, ``superheat_k`` above the liquidus (negative in slush),
    ``density_kg_m3``, ``viscosity_pa_s`` of the liquid, ``tension_n_m``, ``lip_m`` along the flow, ``box_m`` inner
    length of the sled.
    """

    gate_m: Array
    head_m: Array
    speed_m_s: Array
    place: Array
    solid: Array
    superheat_k: Array
    density_kg_m3: Array
    viscosity_pa_s: Array
    tension_n_m: Array
    lip_m: Array
    box_m: Array

    @classmethod
    def stacked(cls, places: Sequence[At]) -> At:
        """Several places as one, one after the other."""
        return cls(*(np.concatenate([np.ravel(getattr(p, f.name)) for p in places]) for f in fields(cls)))

    def moved(self, *, speed: Array | float = 1.0, head: Array | float = 1.0, gate: Array | float = 1.0) -> At:
        """The same places with speed, head or gate times a factor."""
        return replace(self, speed_m_s=self.speed_m_s * speed, head_m=self.head_m * head, gate_m=self.gate_m * gate)


Thickening = Callable[[Array, Array], Array]


def cloth_film_m(
    at: At,
    thickening: Thickening | None = slurry_viscosity_pa_s,
    falling_gate: float = 0.0,
    *,
    fit: ClothFit = LAYERED,
    piling: bool = True,
) -> Array:
    """The cloth drags the metal along under the whole sled and through the gap; the head drives the rest.

    t = G (a + v/U);  rho g (H + rise - G/2) + 0.30 rho U^2/2 = rho v^2 / (2 c^2) + 12 (mu + 0.011 U) lip v / G^2,
    with a and c from thick to thin metal, mu from the share of solid (`thickening` by liquid viscosity and solid;
    None: liquid whatever the temperature) and the yield stress over the shear in the gap. `piling`: whether metal may
    stand higher at the rear wall.

    Sources: fitted to a two-dimensional boundary layer through box, contraction and gap (bench/cloth_drag_2d.py);
    derived.
    """
    gate = at.gate_m * (1.0 - falling_gate * (at.place - 0.5))
    viscosity = at.viscosity_pa_s
    if thickening is not None:
        solid = at.solid + SOLID_ON_THE_WAY * at.place * (at.solid > 0.0)
        viscosity = thickening(at.viscosity_pa_s, solid) + yield_stress_pa(solid) * gate / at.speed_m_s
    rho, speed = at.density_kg_m3, at.speed_m_s
    thin = 1.0 / (1.0 + viscosity / fit.thin_pa_s)
    dragged, contraction, turbulence = (
        thick + (last - thick) * thin for thick, last in (fit.dragged, fit.contraction, fit.turbulence)
    )
    head = np.maximum(at.head_m, _LEAST_HEAD_M)
    raised = head + (_rise_m(at, viscosity, gate, head) if piling else 0.0)
    drive = rho * GRAVITY_M_S2 * (raised - 0.5 * gate) + 0.5 * fit.coming * rho * speed**2
    drive = 0.5 * (drive + np.sqrt(drive**2 + _SOFT_PA**2))
    inertia = rho / (2.0 * contraction**2)
    friction = 12.0 * (viscosity + turbulence * speed) * at.lip_m / gate**2
    through = (np.sqrt(friction**2 + 4.0 * inertia * drive) - friction) / (2.0 * inertia)
    film: Array = gate * (dragged + through / speed)
    return film


def _rise_m(at: At, viscosity: Array, gate: Array, head: Array) -> Array:
    """How much higher the metal stands at the rear wall than on the mean: the cloth's pull, less what leaves with the
    sheet.

    Sources: momentum of a moving sheet's boundary layer, laminar (Sakiadis, AIChE J. 7 (1961) 467; not checked) or
        rough turbulent (Schlichting's formula for a rough plate; not checked), balanced by the slope of the surface;
        derived.
    """
    laminar = SAKIADIS_MOMENTUM * np.sqrt(viscosity / at.density_kg_m3 * at.box_m / at.speed_m_s)
    rough = 0.5 * at.box_m * (1.89 + 1.62 * np.log10(at.box_m / CLOTH_ROUGHNESS_M)) ** -2.5
    pulled = np.hypot(laminar, rough) * at.speed_m_s**2
    leaving = 0.75 * gate * LEAVING_SPEED * at.speed_m_s**2
    rise: Array = 0.5 * np.clip((pulled - leaving) / (GRAVITY_M_S2 * head), 0.0, 2.0 * head)
    return rise


def orifice_film_m(at: At, discharge: float = 0.60, drag: float = 0.03) -> Array:
    """Thin liquid through a sluice ruled by inertia: t = G (v + drag U) / U with G H' = v^2 / (2 Cd^2) + 12 nu lip v
    / G^2.

    Sources: contraction pi/(pi+2) (von Mises; not checked), velocity coefficient 0.95 (Trans. JSIDRE 88 (2020)
        I_125); H' = H less the film's back-pressure and the pull of the surface at the lip; derived.
    """
    weight = at.density_kg_m3 * GRAVITY_M_S2
    drive = at.head_m - discharge * at.gate_m - at.tension_n_m / (weight * at.gate_m)
    drive = 0.5 * (drive + np.sqrt(drive**2 + (_SOFT_PA / weight) ** 2))
    friction = 12.0 * at.viscosity_pa_s / at.density_kg_m3 * at.lip_m / at.gate_m**2
    inertia = 0.5 / discharge**2
    through = (np.sqrt(friction**2 + 4.0 * inertia * GRAVITY_M_S2 * drive) - friction) / (2.0 * inertia)
    film: Array = at.gate_m * (through / at.speed_m_s + drag)
    return film


def contact_film_m(at: At, gate_power: float = 0.25, head_power: float = 0.1) -> Array:
    """Metal that sticks to the table for as long as the sled stands over it: thickness as the root of the contact time.

    Sources: a leaf "more or less thick, according as the box was drawn more or less fast" (Encyclopedie, t. 11, 1765,
        p. 635; our translation); the powers of gate and head are estimates, the level is a usual sheet's.
    """
    film: Array = 1.8e-3 * np.sqrt(at.box_m / 0.25 / at.speed_m_s)
    return film * (at.gate_m / 3e-3) ** gate_power * (np.maximum(at.head_m, 1e-3) / 0.03) ** head_power


def plain_film_m(at: At) -> Array:
    """No law: a usual sheet that grows with the root of the gate, as far as a log has not said otherwise (estimate)."""
    film: Array = 1.8e-3 * np.sqrt(at.gate_m / 2.8e-3) + 0.0 * at.speed_m_s
    return film


@dataclass(frozen=True, slots=True)
class Rival:
    """One explanation: its name in the shop's words, its weight before any cast, and its law."""

    name: str
    regime: str
    weight: float
    film_m: Callable[[At], Array]


MUSH, LIQUID, FALLING, CONTACT, ORIFICE, PLAIN = (
    "thick metal on a dragging cloth",
    "thin metal on a dragging cloth",
    "a gate that falls on the way",
    "metal that sticks to the cloth by contact time",
    "thin metal driven by its own head",
    "none of these laws: powers found by the log alone",
)

# Weights before any cast: how well each agrees with common practice (no source) and with the two-dimensional runs;
# estimates.
RIVALS = (
    Rival("mush, stirred", MUSH, 0.12, partial(cloth_film_m, thickening=stirred_viscosity_pa_s, fit=HALF_DRAGGED)),
    Rival(
        "mush, grains closed",
        MUSH,
        0.13,
        partial(cloth_film_m, thickening=partial(slurry_viscosity_pa_s, grain=1.5), fit=HALF_DRAGGED),
    ),
    Rival("mush", MUSH, 0.21, cloth_film_m),
    Rival("mush, grains open", MUSH, 0.11, partial(cloth_film_m, thickening=partial(slurry_viscosity_pa_s, grain=2.1))),
    Rival("liquid on a rough cloth", LIQUID, 0.13, partial(cloth_film_m, thickening=None)),
    Rival("liquid, half dragged", LIQUID, 0.12, partial(cloth_film_m, thickening=None, fit=HALF_DRAGGED)),
    Rival("mush, gate falling", FALLING, 0.05, partial(cloth_film_m, falling_gate=0.12)),
    Rival("contact time and gate", CONTACT, 0.02, contact_film_m),
    Rival("contact time", CONTACT, 0.01, partial(contact_film_m, gate_power=0.0, head_power=0.0)),
    Rival("orifice", ORIFICE, 0.03, orifice_film_m),
    Rival("orifice, half dragged", ORIFICE, 0.02, partial(orifice_film_m, discharge=0.55, drag=0.25)),
    Rival("no law", PLAIN, 0.01, plain_film_m),
)

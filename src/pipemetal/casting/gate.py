"""Flow of metal under the gate: how much leaves per millimetre of width, and where the model stops holding.

The gate is a sluice ruled by inertia (Reynolds number 4 000 to 9 000). Units inside: SI.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipemetal.casting.model import GRAVITY_M_S2, Array, Coefficients, Fluid, Gate, checked
from pipemetal.errors import CastingError

__all__ = [
    "FREE_JET_CONTRACTION",
    "GateFlow",
    "breakthrough_head_mm",
    "capillary_length_mm",
    "doctor_blade_thickness_mm",
    "edge_retraction_m_s",
    "gate_flow",
    "gate_velocity_m_s",
    "gate_warnings",
    "puddle_height_mm",
]

# Potential flow under a thin vertical gate (von Mises; from memory); 0.598-0.611 by Henderson 1966.
FREE_JET_CONTRACTION = math.pi / (math.pi + 2.0)

# Capillary and oxide loss at the lip, in units of surface tension over opening. Estimate.
CAPILLARY_LOSS = 1.0


@dataclass(frozen=True, slots=True)
class GateFlow:
    """Flow under the gate at one moment.

    ``flow_m2_s`` is per metre of width; ``effective_head_mm`` what is left of the head after the film's back-pressure and
    the pull of the surface; ``match`` is push speed over jet speed (1 lays the metal down without slip).
    """

    flow_m2_s: float
    thickness_mm: float
    effective_head_mm: float
    jet_speed_m_s: float
    reynolds: float
    weber: float
    froude: float
    viscous_loss: float
    match: float


def gate_velocity_m_s(
    gate_m: float | Array, head_m: Array, fluid: Fluid, discharge: float, lip_m: float, slosh_m: float | Array = 0.0
) -> tuple[Array, Array]:
    """Mean velocity through the opening, and the effective head in m; both nought where the head does not push.

    G H' = V^2 / (2 Cd^2) + 12 nu lip V / g^2, with H' = H - Cd g - gamma / (rho G g) + slosh.

    Sources: sluice with laminar loss in the lip; derived.
    """
    effective = (
        np.asarray(head_m, dtype=float)
        - discharge * gate_m
        - CAPILLARY_LOSS * fluid.surface_tension_n_m / (fluid.density_kg_m3 * GRAVITY_M_S2 * gate_m)
        + slosh_m
    )
    effective = np.maximum(effective, 0.0)
    friction = 12.0 * fluid.viscosity_pa_s / fluid.density_kg_m3 * lip_m / gate_m**2
    inertia = 0.5 / discharge**2
    velocity = (np.sqrt(friction**2 + 4.0 * inertia * GRAVITY_M_S2 * effective) - friction) / (2.0 * inertia)
    return velocity, effective


def gate_flow(
    gate_mm: float,
    head_mm: float,
    push_speed_m_s: float,
    fluid: Fluid,
    coefficients: Coefficients | None = None,
    gate: Gate | None = None,
    *,
    superheat_k: float = 20.0,
    acceleration_m_s2: float = 0.0,
    sled_length_mm: float = 0.0,
) -> GateFlow:
    """Flow and laid thickness of the liquid at one gate opening, head and push speed.

    Arguments:
        gate_mm: set opening, 0.5 to 20 mm. head_mm: depth of metal above the cloth at the gate.
        push_speed_m_s: 0.05 to 5 m/s. acceleration_m_s2, sled_length_mm: tilt of the bath while the push changes.
    Raises:
        CastingError: input out of range, or a head that does not push metal through the opening.
    Sources: derived, see docs/casting.md; discharge coefficient by :class:`Coefficients`.

    >>> flow = gate_flow(3.5, 60, 1.12, Fluid(8470, 2.64e-3, 0.474), Coefficients.known(0.61), Gate(lip_mm=0))
    >>> round(flow.thickness_mm, 1), round(flow.flow_m2_s, 6)
    (2.0, 0.002243)
    """
    coefficients = coefficients or Coefficients.prior()
    gate = gate or Gate()
    speed = checked("push_speed_m_s", push_speed_m_s, 0.05, 5.0, "m/s")
    head = checked("head_mm", head_mm, 0.0, 500.0, "mm") * 1e-3
    opening = (checked("gate_mm", gate_mm, 0.5, 20.0, "mm") + coefficients.gate_zero_mm) * 1e-3
    discharge = coefficients.discharge_at(superheat_k)
    slosh = acceleration_m_s2 * sled_length_mm * 1e-3 / (2.0 * GRAVITY_M_S2)
    velocity, effective = gate_velocity_m_s(opening, np.array([head]), fluid, discharge, gate.lip_mm * 1e-3, slosh)
    mean, rise = float(velocity[0]), float(effective[0])
    if rise <= 0.0:
        raise CastingError(
            "does not push metal through the gate",
            field="head_mm",
            value=head_mm,
            allowed=f"above {least_head_mm(gate_mm, fluid, discharge):.1f} mm",
        )
    flow = opening * (mean + coefficients.beta * speed)
    jet = math.sqrt(2.0 * GRAVITY_M_S2 * rise)
    depth = discharge * opening
    return GateFlow(
        flow,
        1e3 * flow / speed,
        1e3 * rise,
        jet,
        flow * fluid.density_kg_m3 / fluid.viscosity_pa_s,
        fluid.density_kg_m3 * jet**2 * depth / max(fluid.surface_tension_n_m, 1e-9),
        jet / math.sqrt(GRAVITY_M_S2 * depth),
        1.0 - mean / (discharge * jet),
        speed / jet,
    )


def least_head_mm(gate_mm: float, fluid: Fluid, discharge: float) -> float:
    """Head below which nothing flows: back-pressure of the film and pull of the surface."""
    pull = CAPILLARY_LOSS * fluid.surface_tension_n_m / (fluid.density_kg_m3 * GRAVITY_M_S2 * gate_mm * 1e-3)
    return discharge * gate_mm + 1e3 * pull


def gate_warnings(flow: GateFlow, gate_mm: float, head_mm: float) -> tuple[str, ...]:
    """Where the model stops holding, in words; empty where it holds.

    Sources: limits by regimes, see docs/casting.md; the numbers are estimates.
    """
    ratio = flow.thickness_mm / gate_mm
    checks = (
        (flow.reynolds < 500.0, "thick, mushy metal: friction under the gate counts and the model does not hold"),
        (flow.weber < 5.0, "surface tension rules the jet: the model does not hold"),
        (ratio > 0.9, f"the sheet is {ratio:.2f} of the gate: above 0.9 the gate drowns and the model does not hold"),
        (ratio < 0.3, f"the sheet is {ratio:.2f} of the gate: below 0.3 the film is stretched, expect holes"),
        (not 0.7 <= flow.match <= 1.4, f"push and jet differ ({flow.match:.2f}; gentle is 0.7 to 1.4)"),
        (
            head_mm < 3.0 * gate_mm,
            f"only {head_mm:.0f} mm of metal over a gate of {gate_mm:.1f} mm: air may be drawn in",
        ),
    )
    return tuple(words for bad, words in checks if bad)


def doctor_blade_thickness_mm(
    gate_mm: float, pressure_pa: float, viscosity_pa_s: float, push_speed_m_s: float, lip_mm: float
) -> float:
    """Thickness by the formula of viscous tape casting: wrong here by hundreds, kept to show why the gate is no doctor blade.

    Sources: Chou, Ko & Yan, J. Am. Ceram. Soc. 70 (1987) C-280 (from memory): t = g/2 (1 + g^2 dP / (6 mu U L)).
    """
    g = gate_mm * 1e-3
    return 0.5 * gate_mm * (1.0 + g**2 * pressure_pa / (6.0 * viscosity_pa_s * push_speed_m_s * lip_mm * 1e-3))


def capillary_length_mm(fluid: Fluid) -> float:
    """Length at which surface tension and weight are alike.

    >>> round(capillary_length_mm(Fluid(8470, 2.64e-3, 0.474)), 2)
    2.39
    """
    return 1e3 * math.sqrt(fluid.surface_tension_n_m / (fluid.density_kg_m3 * GRAVITY_M_S2))


def puddle_height_mm(fluid: Fluid, contact_angle_deg: float) -> float:
    """Height to which a wide puddle stands on a surface that it does not wet: also the most a free edge's bead may rise.

    Sources: de Gennes, Brochard-Wyart & Quere (from memory): 2 lc sin(theta/2).
    """
    return 2.0 * capillary_length_mm(fluid) * math.sin(math.radians(contact_angle_deg) / 2.0)


def edge_retraction_m_s(fluid: Fluid, thickness_mm: float, contact_angle_deg: float) -> float:
    """Speed at which a clean film thinner than its puddle would draw back; oxide and the weave hold real sheets."""
    t = thickness_mm * 1e-3
    pull = fluid.surface_tension_n_m * (1.0 - math.cos(math.radians(contact_angle_deg)))
    rest = pull - 0.5 * fluid.density_kg_m3 * GRAVITY_M_S2 * t**2
    return math.sqrt(max(rest, 0.0) / (fluid.density_kg_m3 * t))


def breakthrough_head_mm(fluid: Fluid, gate_mm: float, contact_angle_deg: float = 150.0) -> float:
    """Head that a slot which the metal does not wet holds back: the last millimetres stay in the box."""
    hold = 2.0 * fluid.surface_tension_n_m * -math.cos(math.radians(contact_angle_deg))
    return 1e3 * hold / (fluid.density_kg_m3 * GRAVITY_M_S2 * gate_mm * 1e-3)

"""Worlds that a shop's law is learned in: each gives a film from physics or from a shop's troubles, apart from the program's
laws.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import freezing_shrinkage_pct, liquid_density_kg_m3
from pipemetal.casting.model import Sled
from pipemetal.casting.wanted import Outfit

Array = npt.NDArray[np.float64]
G = 9.81
SLED = Sled(250, 800)
OUTFIT = Outfit(SLED)
PLAIN, SPOTTED = Composition.parse("Sn 30 Sb 0.5 Pb bal"), Composition.parse("Sn 50 Sb 0.3 Pb bal")
METALS = (PLAIN, SPOTTED)
RHOS = tuple(liquid_density_kg_m3(c, liquidus(c).temperature_c + 20.0) for c in METALS)
SHRINK = tuple(1.0 / (1.0 - freezing_shrinkage_pct(c) / 100.0) for c in METALS)


@dataclass
class Now:
    """One cast as the world sees it: opening mm, superheat K, share solid, number of the cast, alloy, crew, luck."""

    gate_mm: float
    superheat_k: float
    solid: float
    number: int
    tin: bool
    crew: str
    luck: float


# A world gives the film in m at a head (m), a speed (m/s) and a share of the length.
World = Callable[[Now, float, float, float], float]


def orifice(now: Now, head: float, speed: float, place: float, discharge: float = 0.58, drag: float = 0.02) -> float:
    """A sluice: velocity by the head above the film's own pressure."""
    gate = 1e-3 * now.gate_mm + 1e-4
    jet = math.sqrt(2.0 * G * max(head - discharge * gate - 1.5e-3, 1e-4))
    return gate * (discharge * jet / speed + drag)


def contact_gate(now: Now, head: float, speed: float, place: float) -> float:
    """Contact time with a weak say of gate and head."""
    return 1.45e-3 * (1.0 / speed) ** 0.5 * (now.gate_mm / 3.0) ** 0.25 * (max(head, 1e-3) / 0.05) ** 0.1


def contact(now: Now, head: float, speed: float, place: float) -> float:
    """Contact time alone."""
    return 1.5e-3 * (1.0 / speed) ** 0.5


def hot_discharge(now: Now, head: float, speed: float, place: float) -> float:
    """Discharge that changes by a tenth for twenty kelvin."""
    return orifice(now, head, speed, place, 0.58 * math.exp(0.10 * (now.superheat_k - 25.0) / 20.0))


def mush(now: Now, head: float, speed: float, place: float) -> float:
    """Slush: plane Couette and Poiseuille flow in a lip of 15 mm, entrance loss, viscosity by an exponential of
    the solid.
    """
    gate, lip = 1e-3 * now.gate_mm, 0.015
    viscosity = 0.004 * math.exp(14.0 * (now.solid + 0.03 * place))
    rho = RHOS[now.tin]
    dragged, pressure = 0.55, rho * G * max(head - 0.5 * gate, 1e-4)
    a, b = 1.5 * rho, 12.0 * viscosity * lip / gate**2
    through = (math.sqrt(b * b + 4.0 * a * pressure) - b) / (2.0 * a)
    return gate * (dragged + through / speed)


def worn(now: Now, head: float, speed: float, place: float) -> float:
    """A gate that wears by a hundredth of a millimetre a cast."""
    return orifice(replace(now, gate_mm=now.gate_mm + 0.012 * now.number), head, speed, place)


def crews(now: Now, head: float, speed: float, place: float) -> float:
    """The second crew sets the sled down otherwise: a tenth thinner."""
    return orifice(now, head, speed, place) * (0.9 if now.crew == "B" else 1.0)


def season(now: Now, head: float, speed: float, place: float) -> float:
    """A twentieth up and down with the year (forty casts)."""
    return orifice(now, head, speed, place) * (1.0 + 0.05 * math.sin(2.0 * math.pi * now.number / 40.0))


def alloys(now: Now, head: float, speed: float, place: float) -> float:
    """The tin-rich alloy comes out a tenth thicker."""
    return orifice(now, head, speed, place) * (1.1 if now.tin else 1.0)


def dragged(now: Now, head: float, speed: float, place: float) -> float:
    """An orifice with a quarter of the speed dragged along."""
    return orifice(now, head, speed, place, 0.5, 0.25)


def cloth(now: Now, head: float, speed: float, place: float) -> float:
    """Half the gap goes with a rough cloth, the head drives the rest with a turbulent loss."""
    gate = 1e-3 * now.gate_mm
    loss = 1.0 / (2.0 * 0.45**2) + 0.025 * 0.02 / (4.0 * gate)
    return gate * (0.48 + math.sqrt(G * max(head - 0.5 * gate, 1e-4) / loss) / speed)


def bent(now: Now, head: float, speed: float, place: float) -> float:
    """No power law: contact time at low speed goes over into a gate that scrapes at a third of itself, thinner to
    the end.
    """
    scraped, stuck = 0.42e-3 * now.gate_mm, 1.5e-3 / math.sqrt(speed)
    return (scraped**4 + stuck**4) ** 0.25 * (1.0 - 0.06 * place)


@dataclass(frozen=True)
class Habits:
    """What a shop does and writes: whether marks are timed, whether the run-up goes at full speed, whether its crews take
    turns and are named where a sheet is asked, whether the leftover is weighed.
    """

    marked: bool = True
    full_run_up: bool = False
    turns: bool = False
    named: bool = True
    weighed: bool = True


HABITS: dict[str, Habits] = {
    "times only": Habits(marked=False),
    "times only cloth": Habits(marked=False),
    "crews in turn": Habits(turns=True),
    "crews unnamed": Habits(turns=True, named=False),
    "full run-up": Habits(full_run_up=True),
    "full run-up unweighed": Habits(full_run_up=True, weighed=False),
}

WORLDS: dict[str, World] = {
    "orifice": orifice,
    "contact and gate": contact_gate,
    "contact alone": contact,
    "hot discharge": hot_discharge,
    "mush": mush,
    "worn gate": worn,
    "crew change": crews,
    "rounded watch": orifice,
    "misreadings": orifice,
    "season": season,
    "two alloys": alloys,
    "drag": dragged,
    "cloth": cloth,
    "bent": bent,
    "times only": orifice,
    "times only cloth": cloth,
    "crews in turn": crews,
    "crews unnamed": crews,
    "full run-up": orifice,
    "full run-up unweighed": orifice,
}
# Worlds that pour slush, and those whose gates are as narrow.
SLUSHY, NARROW = ("mush",), ("cloth", "times only cloth")

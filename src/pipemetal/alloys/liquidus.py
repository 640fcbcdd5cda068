"""The liquidus: the temperature at which the first solid forms on cooling, and which solid that is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.gibbs import Array, Candidate, State, System, system_of
from pipemetal.errors import AlloyError, ConvergenceError
from pipemetal.texts import Amount, Text

__all__ = ["ASSESSED_LIMITS_WT_PCT", "Liquidus", "copper_saturation_wt_pct", "liquidus", "outside_assessed_range"]

ZERO_C_IN_K = 273.15

# Highest percentages for which the assessed data were checked against published points.
ASSESSED_LIMITS_WT_PCT = {"Sb": 3.0, "Bi": 2.0, "Cu": 0.5, "Ag": 0.3, "As": 0.05}

PHASE_NAMES = {
    "LIQUID": "liquid",
    "FCC_A1": "lead-rich",
    "FCC_A1#2": "copper- or silver-rich",
    "BCT_A5": "tin-rich",
    "RHOMBO_A7": "antimony-bismuth",
    "HCP_A3": "hexagonal lead-bismuth",
    "AG3SN": "Ag3Sn",
    "CU3SN": "Cu3Sn",
    "CU6SN5": "Cu6Sn5",
    "CU6SN5_L": "Cu6Sn5",
    "SB3SN4": "Sb3Sn4",
    "SBSN": "SbSn",
}

_LOW_K, _HIGH_K = 330.0, 1240.0
_SETTLED_K = 1e-4
_KEENER_J_MOL = 0.01
# Below this mole fraction an element changes no temperature by a hundredth of a kelvin and is left out.
_TRACE = 1e-8


@dataclass(frozen=True, slots=True)
class Liquidus:
    """Where freezing begins.

    ``first_solid`` is in words (``lead-rich``, ``tin-rich``, ``Cu6Sn5``, ``SbSn`` ...), ``within_range`` says whether
    the composition lies inside what the data were checked on, ``uncertainty_k`` the error to expect.
    """

    temperature_c: float
    first_solid: str
    within_range: bool
    uncertainty_k: float


@lru_cache(maxsize=4096)
def liquidus(comp: Composition) -> Liquidus:
    """The liquidus of an alloy.

    The highest temperature at which some solid lies below the tangent plane of the liquid. Arsenic is left out.

    Arguments:
        comp: any composition of the elements known; outside the assessed range the answer says so.
    Raises:
        AlloyError: nothing but arsenic. ConvergenceError: the search did not settle.
    Sources: assessed Gibbs energies, see the footer of ``data/pbsn_pipe.tdb``. Uncertainty from the standard solders in
        ``tests/published/test_alloys_published.py``: 3 K for lead-tin, 6 K with antimony, 10 K outside the range.

    >>> found = liquidus(Composition.parse("Sn 50 Pb bal"))
    >>> round(found.temperature_c, 1), found.first_solid, found.within_range
    (213.8, 'lead-rich', True)
    """
    system, x = dissolved(comp)
    temperature_k, solid = liquidus_k(system, x)
    within = not outside_assessed_range(comp)
    minor = max(comp.wt_pct(e) for e in ("Sb", "Bi", "Cu", "Ag", "As"))
    uncertainty_k = 10.0 if not within or solid.phase not in ("FCC_A1", "BCT_A5") else 6.0 if minor > 0.05 else 3.0
    return Liquidus(temperature_k - ZERO_C_IN_K, PHASE_NAMES[solid_key(solid, system.elements)], within, uncertainty_k)


def solid_key(solid: Candidate, elements: tuple[str, ...]) -> str:
    """The name under which a solid is kept: lead, copper and silver share one lattice and are two solids beside each other."""
    if solid.phase != "FCC_A1":
        return solid.phase
    noble = sum(
        float(share) for element, share in zip(elements, solid.mole_fractions, strict=True) if element in ("CU", "AG")
    )
    return "FCC_A1#2" if noble > 0.5 else "FCC_A1"


def outside_assessed_range(comp: Composition) -> list[str]:
    """Why a composition lies outside the assessed range, in words; empty when it lies inside.

    >>> outside_assessed_range(Composition.parse("Sn 50 Sb 4 Pb bal"))
    ['Sb 4 % is above 3 %']
    """
    return [
        f"{element} {comp.wt_pct(element):g} % is above {limit:g} %"
        for element, limit in ASSESSED_LIMITS_WT_PCT.items()
        if comp.wt_pct(element) > limit + 1e-9
    ]


def copper_saturation_wt_pct(comp: Composition, temperature_c: float) -> float:
    """The copper that the liquid metal holds at a pot temperature; more settles or floats as a copper-tin compound.

    Arguments:
        comp: the metal; its own copper is left out, the other elements keep their proportions.
        temperature_c: temperature of the pot, between the liquidus of the metal without copper and 600 C.
    Raises:
        AlloyError: the metal is not liquid there, or holds no tin.
    Sources: Cu-Sn by Shim et al., Z. Metallkd. 87 (1996) 205; beside it, not checked: about 0.3 % in
        Sn60 and 1.1-1.5 % in tin, both at 250 C.

    >>> round(copper_saturation_wt_pct(Composition.parse("Sn 60 Pb bal"), 250), 2)
    0.28
    """
    rest = {e: comp.wt_pct(e) for e in ELEMENTS if e != "Cu"}
    if rest["Sn"] <= 0.0 or sum(rest.values()) <= 0.0:
        raise AlloyError("holds no tin to bind copper", field="composition", value=comp.text())
    base = {e: value / sum(rest.values()) for e, value in rest.items()}
    start = liquidus(Composition.from_wt_pct({e: 100.0 * share for e, share in base.items()})).temperature_c
    if not start <= temperature_c <= 600.0:
        raise AlloyError(
            "must be that of liquid metal",
            field="temperature_c",
            value=temperature_c,
            allowed=Text("{start} to 600 C", start=Amount(start, "", 0)),
        )
    low, high = 0.0, 12.0
    for _ in range(40):
        copper = 0.5 * (low + high)
        trial = Composition.from_wt_pct({"Cu": copper} | {e: share * (100.0 - copper) for e, share in base.items()})
        low, high = (copper, high) if liquidus(trial).temperature_c < temperature_c else (low, copper)
        if high - low < 1e-3:
            return 0.5 * (low + high)
    raise ConvergenceError("the copper saturation did not settle")


def dissolved(comp: Composition) -> tuple[System, Array]:
    """The system of the elements present, arsenic and bare traces left out, and their mole fractions."""
    kept = [(e.upper(), x) for e, x in zip(ELEMENTS, comp.mole_fractions(), strict=True) if e != "As" and x > _TRACE]
    if not kept:
        raise AlloyError("holds nothing but arsenic", field="composition", value=comp.text())
    amounts = np.array([x for _, x in kept])
    return system_of(tuple(e for e, _ in kept)), amounts / amounts.sum()


def liquidus_k(system: System, x: Array, start_k: float = 560.0) -> tuple[float, Candidate]:
    """Liquidus in K of a liquid of mole fractions x, and the first solid as it forms.

    The temperature at which the keenest solid is in balance; if there another solid is keener still, its temperature
    lies higher, and so on up.
    """
    t = start_k
    solid = _keenest(system.at(t), x)
    for _ in range(12):
        t, solid = _balance_k(system, x, solid, t)
        keener = _keenest(system.at(t), x)
        if keener.force_j_mol < _KEENER_J_MOL or (keener.phase == solid.phase and _near(keener, solid)):
            return t, solid
        solid = keener
    raise ConvergenceError("the first solid could not be settled")


def _near(one: Candidate, other: Candidate) -> bool:
    return float(np.abs(one.mole_fractions - other.mole_fractions).max()) < 0.01


def _balance_k(system: System, x: Array, solid: Candidate, t: float) -> tuple[float, Candidate]:
    """Where a solid's driving force is zero: bracketed secant, the force falls nearly straight with temperature."""
    low_k, high_k = _LOW_K, _HIGH_K
    before: tuple[float, float] | None = None
    for _ in range(60):
        state = system.at(t)
        solid = state.candidate(solid.phase, state.liquid.potentials(x, state.rt), solid.mole_fractions)
        force = solid.force_j_mol
        low_k, high_k = (t, high_k) if force > 0.0 else (low_k, t)
        # About the entropy of melting of lead (8 J/molK) and of tin (14): the slope of the force, to begin with.
        slope = -8.0 if solid.phase == "FCC_A1" else -14.0
        if before is not None and abs(t - before[0]) > 1e-6:
            secant = (force - before[1]) / (t - before[0])
            slope = secant if secant < -0.5 else slope
        new = t - force / slope
        if not low_k < new < high_k:
            new = 0.5 * (low_k + high_k)
        if abs(new - t) < _SETTLED_K:
            return new, solid
        before, t = (t, force), new
    raise ConvergenceError(f"no liquidus found between {_LOW_K:g} and {_HIGH_K:g} K")


def _keenest(state: State, x: Array) -> Candidate:
    mu = state.liquid.potentials(x, state.rt)
    return max(state.candidates(mu), key=lambda c: c.force_j_mol)

"""The solidus: the temperature at which the last liquid freezes when everything has time to even out."""

from __future__ import annotations

from functools import lru_cache

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.equilibrium import Flash, flash
from pipemetal.alloys.gibbs import Array, System
from pipemetal.alloys.liquidus import ZERO_C_IN_K, dissolved, liquidus_k
from pipemetal.errors import ConvergenceError

__all__ = ["solidus_c"]

_LOWEST_K = 330.0
_SETTLED_K = 1e-3


@lru_cache(maxsize=4096)
def solidus_c(comp: Composition) -> float:
    """The equilibrium solidus of an alloy, in C.

    Found from the solids alone: the highest temperature at which no liquid lies below the common tangent plane of the
    solids in equilibrium. A sheet that freezes in a minute ends lower: see :mod:`pipemetal.alloys.scheil`.

    Raises:
        AlloyError: nothing but arsenic. ConvergenceError: no solidus above 57 C, or the search did not settle.
    Sources: assessed Gibbs energies, see the footer of ``data/pbsn_pipe.tdb``.

    >>> round(solidus_c(Composition.parse("Sn 50 Pb bal")), 1)
    182.2
    """
    system, x = dissolved(comp)
    high_k, _ = liquidus_k(system, x)
    if len(system.elements) == 1:
        return high_k - ZERO_C_IN_K
    low_k = _LOWEST_K
    low, found = _liquid_force(system, x, low_k, None)
    if low > 0.0:
        raise ConvergenceError(f"the alloy {comp.text()} still holds liquid at {_LOWEST_K - ZERO_C_IN_K:.0f} C")
    high, found = _liquid_force(system, x, high_k, found)
    if high <= 0.0:
        return high_k - ZERO_C_IN_K
    held = 0
    for _ in range(80):
        # Secant of a force that bends at every change of phase; halving the kept end's force keeps it moving (Illinois).
        t = high_k - high * (high_k - low_k) / (high - low)
        force, found = _liquid_force(system, x, t, found)
        if high_k - low_k < _SETTLED_K or abs(force) < 1e-4:
            return t - ZERO_C_IN_K
        if force > 0.0:
            high_k, high = t, force
            low = low / 2.0 if held == 1 else low
            held = 1
        else:
            low_k, low = t, force
            high = high / 2.0 if held == -1 else high
            held = -1
    raise ConvergenceError(f"the solidus of {comp.text()} did not settle")


def _liquid_force(system: System, x: Array, temperature_k: float, near: Flash | None) -> tuple[float, Flash]:
    state = system.at(temperature_k)
    found = flash(state, x, with_liquid=False, near=near)
    return state.candidate("LIQUID", found.potentials_j_mol).force_j_mol, found

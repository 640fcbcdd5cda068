"""Surface tension of clean liquid lead-tin metal by Butler's model: the surface is richer in lead than the bulk."""

from __future__ import annotations

import math

import numpy as np

from pipemetal.alloys.composition import ATOMIC_WEIGHTS_G_MOL, Composition
from pipemetal.alloys.elements import ZERO_C_IN_K, checked_temperature_c, element_value
from pipemetal.alloys.gibbs import GAS_CONSTANT_J_MOLK, system_of
from pipemetal.errors import AlloyError

__all__ = ["surface_tension_n_m"]

_AVOGADRO = 6.02214076e23
# Packing of a close-packed surface layer, and the share of bonds that an atom keeps in it: usual values for metals.
_PACKING = 1.091
_BONDS_KEPT = 0.83


def surface_tension_n_m(comp: Composition, temperature_c: float) -> float:
    """Surface tension of the clean liquid; other elements than lead and tin are left out.

    An oxide skin changes the working value much more than composition does.

    Arguments:
        temperature_c: 50 to 900 C.
    Raises:
        AlloyError: temperature outside that, or neither lead nor tin.
    Sources: J. A. V. Butler, Proc. R. Soc. A 135 (1932) 348 (not checked) with factor 0.83; pure metals by White,
        Metall. Trans. 2 (1971) 3067; excess energies from ``data/pbsn_pipe.tdb``.

    >>> round(surface_tension_n_m(Composition.parse("Sn 50 Pb bal"), 250), 3)
    0.475
    """
    t_c = checked_temperature_c(temperature_c)
    moles = [comp.fractions[i] / ATOMIC_WEIGHTS_G_MOL[i] for i in (0, 1)]
    if sum(moles) <= 0.0:
        raise AlloyError("holds neither lead nor tin", field="composition", value=comp.text())
    pure = [element_value("surface_tension", e, t_c) for e in ("Pb", "Sn")]
    sn = moles[1] / sum(moles)
    if sn in (0.0, 1.0):
        return pure[int(sn)]
    areas = [
        _PACKING
        * math.cbrt(_AVOGADRO)
        * (ATOMIC_WEIGHTS_G_MOL[i] * 1e-3 / element_value("liquid_density", e, t_c)) ** (2.0 / 3.0)
        for i, e in enumerate(("Pb", "Sn"))
    ]
    rt = GAS_CONSTANT_J_MOLK * (t_c + ZERO_C_IN_K)
    liquid = system_of(("PB", "SN")).at(t_c + ZERO_C_IN_K).liquid
    bulk = np.array([1.0 - sn, sn])
    bulk_excess = liquid.excess_potentials(bulk)

    def tensions(surface_sn: float) -> list[float]:
        surface = np.array([1.0 - surface_sn, surface_sn])
        gained = _BONDS_KEPT * liquid.excess_potentials(surface) - bulk_excess
        return [pure[i] + (rt * math.log(surface[i] / bulk[i]) + float(gained[i])) / areas[i] for i in (0, 1)]

    # The lead side falls and the tin side rises as tin enters the surface: one crossing.
    low, high = 1e-12, 1.0 - 1e-12
    for _ in range(60):
        middle = 0.5 * (low + high)
        lead, tin = tensions(middle)
        low, high = (middle, high) if lead > tin else (low, middle)
    return 0.5 * sum(tensions(0.5 * (low + high)))

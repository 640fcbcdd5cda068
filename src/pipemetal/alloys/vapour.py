"""Lead vapour over the pot, limits of lead in the air with law and year, and the temperature at which a pot turns red."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.elements import ZERO_C_IN_K, checked_temperature_c
from pipemetal.alloys.liquidus import dissolved, liquidus
from pipemetal.alloys.tables import read_rows

__all__ = [
    "RED_LIMIT_C",
    "LeadLimit",
    "PotCheck",
    "lead_limits",
    "lead_vapour_mg_m3",
    "lead_vapour_pressure_pa",
    "pot_check",
]

# Above this a pot is shown red. Common practice, no source; saturated vapour alone reaches 0.05 mg/m3 near 490 C.
RED_LIMIT_C = 450.0

_DUST = (
    "dust of dross, skimming and hands carry more lead than vapour does: damp or filtered cleaning, no food at the pot, "
    "wash before you eat"
)


@dataclass(frozen=True, slots=True)
class LeadLimit:
    """A limit of lead in the air at work: mg/m3, what it is a mean over and where, its law, the law's year, status."""

    limit_mg_m3: float
    what: str
    law: str
    year: int
    status: str


def lead_limits() -> tuple[LeadLimit, ...]:
    """Limits for comparison, each with its law and year. Laws change: local codes prevail.

    >>> [limit.limit_mg_m3 for limit in lead_limits()]
    [0.15, 0.05, 0.03]
    """
    return tuple(
        LeadLimit(float(row["limit_mg_m3"]), row["what"], row["law"], int(row["year"]), row["status"])
        for row in read_rows("lead_limits.csv")
    )


def lead_vapour_pressure_pa(comp: Composition, temperature_c: float) -> float:
    """Pressure of lead vapour over the liquid: that of pure lead times the activity of lead in the metal.

    Arguments:
        temperature_c: 150 to 600 C.
    Raises:
        AlloyError: temperature outside that.
    Sources: Sobolev 2011 in the OECD/NEA Lead-Bismuth Handbook (2015): ln p = ln 5.76e9 - 22131/T; agrees with Alcock,
        Itkin & Horrigan 1984 within 18 % (350 to 700 C). Activity from ``data/pbsn_pipe.tdb``.

    >>> f"{lead_vapour_pressure_pa(Composition.parse('Pb 100'), 500):.1e}"
    '2.1e-03'
    """
    t_k = checked_temperature_c(temperature_c, 150.0, 600.0) + ZERO_C_IN_K
    system, x = dissolved(comp)
    if "PB" not in system.elements:
        return 0.0
    lead = system.elements.index("PB")
    state = system.at(t_k)
    height = float(state.liquid.potentials(x, state.rt)[lead] - state.liquid.ends_j_mol[lead])
    return 5.76e9 * math.exp(-22131.0 / t_k) * math.exp(height / state.rt)


def lead_vapour_mg_m3(comp: Composition, temperature_c: float) -> float:
    """Lead that air saturated over the pot could hold as vapour: a ceiling for vapour, and no measure of dust.

    Dust from dross, skimming and hands is the greater danger; nothing here says that any pot is without danger.

    >>> round(lead_vapour_mg_m3(Composition.parse("Pb 100"), 500), 3)
    0.069
    """
    pascal = lead_vapour_pressure_pa(comp, temperature_c)
    return pascal * 207.2 / (8.31446 * (temperature_c + ZERO_C_IN_K)) * 1000.0


@dataclass(frozen=True, slots=True)
class PotCheck:
    """A pot at a temperature: red or not, vapour ceiling in mg/m3, the limits that it passes, and what to mind."""

    temperature_c: float
    red: bool
    above_liquidus_k: float
    vapour_mg_m3: float
    passed: tuple[LeadLimit, ...]
    cautions: tuple[str, ...]


def pot_check(comp: Composition, temperature_c: float) -> PotCheck:
    """What to mind about a pot of this metal at this temperature. A pot that is not red is not thereby without danger.

    Red: above 450 C (common practice, no source), or where saturated vapour passes the lowest limit that is listed.

    Arguments:
        temperature_c: 150 to 600 C.
    Raises:
        AlloyError: temperature outside that.
    Sources: as for :func:`lead_vapour_mg_m3` and :func:`lead_limits`.

    >>> found = pot_check(Composition.parse("Pb 100"), 500)
    >>> found.red, [limit.limit_mg_m3 for limit in found.passed]
    (True, [0.05, 0.03])
    """
    vapour = lead_vapour_mg_m3(comp, temperature_c)
    passed = tuple(limit for limit in lead_limits() if vapour > limit.limit_mg_m3)
    above = temperature_c - liquidus(comp).temperature_c
    cautions = [_DUST]
    if temperature_c > RED_LIMIT_C:
        cautions.insert(0, f"above {RED_LIMIT_C:g} C: turn the pot down (common practice, no source)")
    cautions += [
        f"air saturated over the pot may hold {vapour:.2g} mg/m3 of lead, more than {limit.limit_mg_m3:g} "
        f"({limit.law}, {limit.year}; laws change, local codes prevail)"
        for limit in passed
    ]
    if above < 0.0:
        cautions.append("not all of the metal is liquid")
    cautions.append("molten metal burns and spits at the least water: dry tools and moulds, face and hands covered")
    return PotCheck(temperature_c, temperature_c > RED_LIMIT_C or bool(passed), above, vapour, passed, tuple(cautions))

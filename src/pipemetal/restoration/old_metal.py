"""What readings of old metal do not agree in: two ways of measuring, and elements that do not make up the whole."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Final

from pipemetal.alloys.assay import Reading, combine_readings
from pipemetal.texts import Amount, Text

__all__ = ["doubts_of"]

DISAGREE_SIGMAS: Final = 3.0
WHOLE_WITHIN_WT_PCT: Final = 3.0
"""How far elements may miss 100 % that XRF and wet analyses give (common practice, no source)."""


def doubts_of(readings: Sequence[Reading]) -> list[Text]:
    """Where readings contradict each other or the whole, in words.

    >>> found = doubts_of([Reading("Sn", 28.4, 0.41, method="XRF"), Reading("Sn", 20.6, 0.51, method="weighing")])
    >>> [round(t.values["sigmas"].value, 1) for t in found]
    [11.9]
    """
    told = []
    for element in dict.fromkeys(r.element for r in readings):
        mine = [r for r in readings if r.element == element and not r.below_limit]
        pairs = [(_sigmas(a, b), a, b) for a, b in itertools.combinations(mine, 2)]
        if pairs and max(p[0] for p in pairs) > DISAGREE_SIGMAS:
            sigmas, one, other = max(pairs, key=lambda pair: pair[0])
            told.append(
                Text(
                    "{element}: {one} % ({way}) and {other} % ({other_way}) disagree by {sigmas} standard errors, so their mean "
                    "is no measure. XRF sees the skin alone, a weighing calls all tin that is lighter than lead and errs by "
                    "pores; or it was another pipe.",
                    element=element,
                    one=Amount(one.wt_pct, "", 1),
                    way=one.method or "–",
                    other=Amount(other.wt_pct, "", 1),
                    other_way=other.method or "–",
                    sigmas=Amount(sigmas, "", 1),
                )
            )
    found = {r.element: r for r in combine_readings(readings)}
    if "Sn" in found and "Pb" in found:
        whole = sum(r.wt_pct for r in found.values())
        sigma = math.hypot(*(r.uncertainty_wt_pct for r in found.values()))
        if abs(whole - 100.0) > WHOLE_WITHIN_WT_PCT + 2.0 * sigma:
            told.append(
                Text(
                    "The elements of the old metal make {sum} % together, which should be near 100: check the readings.",
                    sum=Amount(whole, "", 1),
                )
            )
    return told


def _sigmas(one: Reading, other: Reading) -> float:
    return abs(one.wt_pct - other.wt_pct) / math.hypot(one.uncertainty_wt_pct, other.uncertainty_wt_pct)

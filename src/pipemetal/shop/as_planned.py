"""What was weighed into a planned melt beside what its list says, so that a slip is told before it is booked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import ConflictError
from pipemetal.plans.record import Melt

__all__ = ["DIFFERS", "Difference", "NotAsPlannedError", "differences"]

LEAST_KG: Final = 0.5
"""Scales and whole pieces leave so much between list and scale (common practice, no source)."""
SHARE: Final = 0.03


@dataclass(frozen=True)
class Difference:
    """One thing that is not as the list says. `kind`: more, less, left out, added, whole (all lots together), or heel."""

    kind: str
    name: str
    planned_kg: float
    weighed_kg: float


DIFFERS: Final = {
    "more": "{name}: {weighed} weighed, {planned} planned",
    "less": "{name}: {weighed} weighed, {planned} planned",
    "left out": "{name}: nothing weighed, {planned} planned",
    "added": "{name}: {weighed} weighed, not on the list",
    "whole": "all together: {weighed} weighed, {planned} planned",
    "heel": "the list counts on a heel of {planned} in the pot, and no melt is named whose heel it is",
}
"""What each kind of difference says."""


class NotAsPlannedError(ConflictError):
    """A melt was weighed otherwise than planned, and nobody said that this is meant; nothing was booked."""

    def __init__(self, melt: str, found: tuple[Difference, ...]) -> None:
        self.melt, self.differences = melt, found
        told = "; ".join(
            DIFFERS[d.kind].format(name=d.name, weighed=f"{d.weighed_kg:.1f} kg", planned=f"{d.planned_kg:.1f} kg")
            for d in found
        )
        super().__init__(
            f"melt {melt} is not as planned: {told}. Nothing was booked; say that it is meant, and it will be."
        )


def differences(planned: Melt, weighed_kg: Mapping[str, float], heel_of: str) -> tuple[Difference, ...]:
    """Where the scale's masses by lot leave the list of a melt by more than scales and whole pieces do.

    >>> from pipemetal.plans.record import Charged, LotLine
    >>> melt = Melt("M1", "half", heel_kg=15.0, charge=Charged((LotLine("T1", "pig", 20.0),), charged_kg=20.0))
    >>> [d.kind for d in differences(melt, {"T1": 18.0}, "")]
    ['less', 'whole', 'heel']
    """
    found = []
    listed = {line.id: line.mass_kg for line in planned.lots if line.kind != "buy"}
    for name, kg in listed.items():
        held = weighed_kg.get(name, 0.0)
        if abs(held - kg) > max(LEAST_KG, SHARE * kg):
            kind = "left out" if held == 0.0 else "more" if held > kg else "less"
            found.append(Difference(kind, name, kg, held))
    bought = any(line.kind == "buy" for line in planned.lots)
    if not bought:
        found += [
            Difference("added", name, 0.0, kg) for name, kg in weighed_kg.items() if name not in listed and kg > 0.0
        ]
    whole, wanted = sum(weighed_kg.values()), sum(line.mass_kg for line in planned.lots)
    if abs(whole - wanted) > max(LEAST_KG, SHARE * wanted):
        found.append(Difference("whole", "", wanted, whole))
    if planned.heel_kg > LEAST_KG and not heel_of:
        found.append(Difference("heel", "", planned.heel_kg, 0.0))
    return tuple(found)

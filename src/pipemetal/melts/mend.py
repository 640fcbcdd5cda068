"""When a charge cannot be met: the nearest that can be reached, the true cause, and the smallest addition that would mend it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import ConvergenceError
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.lots import Lot
from pipemetal.melts.mixing import Effort, Mixing, Weighing, relaxed
from pipemetal.melts.nearest import nearest_wt_pct, weighed_without_windows
from pipemetal.melts.sawing import is_sawn, rejoined, sawable
from pipemetal.melts.worth import needed_elements
from pipemetal.texts import Amount, Text, joined

__all__ = ["Blockage", "Blocked", "Cause", "charge", "pure_additions"]

ADDITION_PREMIUM: Final = 9_999.0
"""Price of a kilogram of an addition in the search for the least of them: above any lot's."""
LARGEST_POT_KG: Final = 5000.0
"""The largest pot that is asked whether it would do."""
SECONDS, NODES = 60.0, 2_000
"""A search ends by its nodes, the same on every machine; the seconds are for a machine in trouble."""

CAUSES: Final = {
    "mass": "the lots give {kg} after skimming, less than is wanted",
    "windows": "the lots do not reach the recipe",
    "pieces": "whole pieces do not come out: the lots would do if one could be cut, or weighed finer",
    "unsure": "by their analyses the lots would do, but the analyses are too unsure, {name} most of all",
}
"""Why no mixture of the lots will do."""
REMEDIES: Final = {
    "saw": "saw {kg} off a piece of {name}, and they do",
    "add": "{what} would mend it",
    "more": "a melt of at least {kg} would do, for it thins what the heel brings; ask for that much",
    "pot": "it needs a pot of at least {kg}: this one is too small for what must be added",
    "ladle": "the heel brings too much {name}: ladle out at least {kg} of it first",
    "analyse": "no addition of pure metal mends it: analyse the lots that are unsure",
}
"""What would mend it."""


@dataclass(frozen=True)
class Blockage:
    """One element's window that the lots cannot meet: the nearest that can be reached, and the window."""

    element: str
    reached_wt_pct: float
    low_wt_pct: float
    high_wt_pct: float


@dataclass(frozen=True)
class Cause:
    """One of CAUSES or REMEDIES, with the mass and the name that stand in its sentence."""

    kind: str
    kg: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Blocked:
    """Why a melt cannot be charged, and what would mend it.

    `blockages` are the windows that the nearest mixture misses; none where the windows are not the cause. `missing_kg` are
    the least masses of pure metal to buy or find; empty where no addition helps.
    """

    request: ChargeRequest
    blockages: tuple[Blockage, ...]
    missing_kg: tuple[tuple[str, float], ...]
    cause: Cause
    remedy: Cause

    @property
    def words(self) -> Text:
        """Cause and remedy."""
        missing = [Text("{mass} of {element}", mass=Amount.short(kg, "kg"), element=e) for e, kg in self.missing_kg]
        return joined(
            Text(texts[said.kind], kg=Amount(said.kg, "kg", 1), name=said.name, what=joined(missing, ", "))
            for texts, said in ((CAUSES, self.cause), (REMEDIES, self.remedy))
        )


def pure_additions(
    mass_kg: float, wanted: Iterable[str], *, price_per_kg: float = ADDITION_PREMIUM, prefix: str = "buy"
) -> tuple[Lot, ...]:
    """A lot of each wanted element in its pure state, to be bought.

    Only what a recipe needs should be wanted (`needed_elements`): a window that leaves silver free does not ask for silver.

    >>> [lot.id for lot in pure_additions(10.0, ("Pb", "Sn"))]
    ['buy Pb', 'buy Sn']
    """
    return tuple(
        Lot(
            f"{prefix} {e}",
            "buy",
            Composition.from_wt_pct({e: 100.0}),
            mass_kg,
            price_per_kg=price_per_kg,
            note="to be bought",
        )
        for e in ELEMENTS
        if e in set(wanted)
    )


def charge(
    request: ChargeRequest,
    lots: Sequence[Lot],
    *,
    rules: Weighing | None = None,
    effort: Effort | None = None,
) -> Charge | Blocked:
    """The weighing list of one melt, or why there is none.

    Arguments and errors as `solve_charges`.

    >>> tin, lead = Composition.parse("Sn 100"), Composition.parse("Pb 100")
    >>> lots = (Lot("tin", "pig", tin, 25.0, 25.0), Lot("lead", "pig", lead, 300.0, 50.0))
    >>> from pipemetal.alloys.recipe import Recipe
    >>> recipe = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> answer = charge(ChargeRequest("M1", recipe, 100.0, 450.0), lots)
    >>> answer.blockages[0].element, round(answer.blockages[0].reached_wt_pct), answer.missing_kg
    ('Sn', 25, (('Sn', 26.0),))
    >>> print(answer.words)
    the lots do not reach the recipe; 26 kg of Sn would mend it
    """
    rules = rules or Weighing()
    found = solve_charges([request], lots, rules=rules, effort=effort or Effort())
    return found[0] if found is not None else _Why(request, lots, rules).blocked()


class _Why:
    """The search for the cause, from the simplest to the last."""

    def __init__(self, request: ChargeRequest, lots: Sequence[Lot], rules: Weighing) -> None:
        self.request, self.lots, self.losses = request, lots, rules.losses
        # any objective finds the same cause, and the scale's least mass is none
        self.rules = Weighing(rules.losses, certainty=rules.certainty, weigh_step_kg=rules.weigh_step_kg)

    def blocked(self) -> Blocked:
        most = weighed_without_windows(self.request, self.lots, self.losses)
        reached = nearest_wt_pct(self.request, self.lots, self.losses)
        if most < self.request.wanted_kg - 1e-6:
            cause = Cause("mass", most)
        elif reached is not None and self.request.recipe.misses(reached):
            cause = Cause("windows")
        else:
            cause = self._pieces_or_unsure()
        if cause.kind == "pieces" and (saw := self._saw()) is not None:
            return Blocked(self.request, (), (), cause, saw)
        blockages: tuple[Blockage, ...] = ()
        if reached is not None and cause.kind in ("windows", "mass"):
            blockages = tuple(Blockage(*missed) for missed in self.request.recipe.misses(reached))
        missing = self._missing(self.request)
        if missing is not None:
            return Blocked(self.request, blockages, missing, cause, Cause("add"))
        return Blocked(self.request, blockages, (), cause, self._without_addition())

    def _saw(self) -> Cause | None:
        """The one piece that has to be sawn where whole ones do not come out; None where sawing one does not help."""
        whole = list(self.lots)
        for place, lot in enumerate(whole):
            if lot.piece_kg is None:
                continue
            offered = [*whole[:place], *sawable([lot]), *whole[place + 1 :]]
            try:
                found = solve_charges([self.request], offered, rules=self.rules, effort=Effort(0.02, SECONDS, NODES))
            except ConvergenceError:
                continue
            for line in rejoined(found[0], self.lots).lines if found is not None else ():
                if is_sawn(line):
                    return Cause("saw", line.mass_kg - line.pieces * (line.lot.piece_kg or 0.0), lot.id)
        return None

    def _pieces_or_unsure(self) -> Cause:
        mixing = Mixing([self.request], self.lots, self.rules)
        if relaxed(mixing, SECONDS) is not None:
            return Cause("pieces")
        width = {e: max(high - low, 1e-3) for e, low, high in self.request.recipe.windows_wt_pct}

        def doubt(lot: Lot) -> float:
            return max((lot.half_width_wt_pct(e) / w for e, w in width.items()), default=0.0)

        return Cause("unsure", name=max(self.lots, key=doubt).id)

    def _missing(self, request: ChargeRequest) -> tuple[tuple[str, float], ...] | None:
        """The least pure metal that mends it; the lots on the floor cost nothing beside it."""
        answer = self._mended(request, free=0.0, added=1.0)
        if answer is None:
            return None
        return tuple(
            (line.lot.composition.present()[0], line.mass_kg)
            for line in answer.lines
            if line.lot.id.startswith("missing ")
        )

    def _mended(self, request: ChargeRequest, *, free: float, added: float) -> Charge | None:
        needed = needed_elements(request.recipe)
        offered = [
            *(replace(lot, price_per_kg=free) for lot in self.lots),
            *pure_additions(request.capacity_kg, needed, price_per_kg=added, prefix="missing"),
        ]
        try:
            found = solve_charges(
                [request],
                offered,
                rules=self.rules,
                effort=Effort(0.02, SECONDS, NODES),
            )
        except ConvergenceError:
            return None
        return found[0] if found is not None else None

    def _without_addition(self) -> Cause:
        """What helps where no addition does within the mass asked for: more metal, a larger pot, less heel."""
        request, heel = self.request, self.request.heel
        if heel is not None:
            for kind, capacity_kg in (("more", request.capacity_kg), ("pot", LARGEST_POT_KG)):
                wider = replace(request, capacity_kg=max(capacity_kg, request.capacity_kg), spare_kg=capacity_kg)
                # every kilogram costs the same, so the least metal answers
                answer = self._mended(wider, free=1.0, added=1.0)
                if answer is not None:
                    kg = answer.mass_kg if kind == "more" else answer.mass_kg + answer.dross_kg
                    if kind == "more":
                        return Cause("more", kg)
                    return self._ladle() or Cause("pot", kg)
            found = self._ladle()
            if found is not None:
                return found
        return Cause("analyse")

    def _ladle(self) -> Cause | None:
        heel = self.request.heel
        if heel is None:
            return None
        worst: Cause | None = None
        for element, _, high in self.request.recipe.windows_wt_pct:
            held = heel.mass_kg * heel.composition.wt_pct(element) / 100.0
            most = self.request.capacity_kg * high / 100.0
            excess = heel.mass_kg * (1.0 - most / held) if held > most else 0.0
            if excess > (worst.kg if worst else 0.0):
                worst = Cause("ladle", excess, element)
        return worst

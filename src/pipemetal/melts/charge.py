"""The charge: which pigs, scrap and master alloys go into the pot so that the melt meets its recipe.

A linear mixing problem with whole pieces. Composition rows stay linear while the mass is free, because a window on an
element's share is a window on (its mass - share x total mass). Unsure analyses tighten the windows: either every lot is as
wrong as it may be (`worst`), or the errors of the lots are independent and the melt meets each window's edge at the stated
confidence (`95`). The latter is a cone; it is met by tangent cuts, which never cut off a charge that keeps it (J. E. Kelley,
J. SIAM 8 (1960) 703), so that the bound on the cost stays a bound. Where whole pieces make the cuts slow, the margins that
were seen are asked for outright, which may cost a little and is said by the gap.

Several melts that draw on the same lots can be solved as one problem.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import ConvergenceError, MeltError
from pipemetal.linear import Point
from pipemetal.melts.loading import loading_place
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.mixing import CUT_ROUNDS, Effort, FewestLots, Mixing, Weighing, add_cuts, relaxed
from pipemetal.melts.request import OBJECTIVES, Charge, ChargeLine, ChargeRequest
from pipemetal.texts import Amount, Text

__all__ = [
    "Charge",
    "ChargeLine",
    "ChargeRequest",
    "least_cost",
    "shadow_prices",
    "solve_charges",
]

EXACT_ROUNDS: Final = 6
FEWER_ROUNDS, FEWER_NODES, FEWER_GAP = 8, 400, 0.02
"""A list of fewer lots is looked for so long: it is a convenience, and the cheapest stands where none is found."""


def _checked_lots(lots: Sequence[Lot]) -> None:
    seen: set[str] = set()
    for lot in lots:
        if lot.id in seen:
            raise MeltError("is used for two lots", field="id", value=lot.id, allowed="an id of its own")
        seen.add(lot.id)


def _charge_from(mixing: Mixing, number: int, columns: list[int], point: Point) -> Charge:
    request, heel = mixing.requests[number], mixing.requests[number].heel
    lines, loss = [], dict.fromkeys(ELEMENTS, 0.0)
    masses = [f * heel.mass_kg for f in heel.composition.fractions] if heel else [0.0] * len(ELEMENTS)
    for column, lot, kept in zip(columns, mixing.lots, mixing.kept[number], strict=True):
        count = round(point.values[column])
        if count == 0:
            continue
        mass = count * mixing.unit_kg(lot)
        lines.append(ChargeLine(lot, mass, count if lot.piece_kg is not None else 0))
        for place, element in enumerate(ELEMENTS):
            masses[place] += mass * kept[place]
            loss[element] += mass * (lot.composition.fractions[place] - kept[place])
    for place, element in enumerate(ELEMENTS):
        # dross cannot take more of an element than there is
        loss[element] += min(masses[place], 0.0)
        masses[place] = max(masses[place], 0.0)
    total = math.fsum(masses)
    composition = Composition.from_wt_pct({e: m / total * 100.0 for e, m in zip(ELEMENTS, masses, strict=True)})
    half = tuple((e, mixing.spread_kg(number, columns, point, e) / total * 100.0) for e in ELEMENTS)
    binding = []
    for element, low, high in request.recipe.windows_wt_pct:
        value, allowed = composition.wt_pct(element), dict(half)[element] + 0.02 * max(high - low, 0.05)
        if low > 0.0 and value - low <= allowed:
            binding.append(Text("{element} at its lowest, {value} %", element=element, value=Amount.short(low)))
        if high < 100.0 and high - value <= allowed:
            binding.append(Text("{element} at its highest, {value} %", element=element, value=Amount.short(high)))
    cost = sum(line.mass_kg * line.lot.price_per_kg for line in lines)
    ordered = tuple(sorted(lines, key=lambda line: loading_place(line.lot)))
    return Charge(
        request,
        ordered,
        composition,
        half,
        tuple(zip(ELEMENTS, masses, strict=True)),
        tuple(loss.items()),
        cost,
        100.0 * point.gap,
        tuple(binding),
    )


def solve_charges(
    requests: Sequence[ChargeRequest],
    lots: Sequence[Lot],
    *,
    rules: Weighing | None = None,
    effort: Effort | None = None,
) -> tuple[Charge, ...] | None:
    """Weighing lists for melts that share the lots, or None where no mixture meets every window.

    `rules` say what it is made for and how the shop weighs; `effort` how long the whole problem is searched for.

    Errors: MeltError for lots used twice, an unknown objective or certainty, or a step that cannot be weighed;
    ConvergenceError where the cuts of unsure analyses do not settle.

    >>> from pipemetal.alloys.recipe import Recipe
    >>> tin, lead = Composition.parse("Sn 100"), Composition.parse("Pb 100")
    >>> lots = (Lot("tin", "pig", tin, 300.0, 25.0, price_per_kg=30.0), Lot("lead", "scrap", lead, 300.0))
    >>> recipe = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> charge = solve_charges([ChargeRequest("M1", recipe, 100.0, 450.0)], lots)[0]
    >>> [(line.lot.id, line.mass_kg) for line in charge.lines]
    [('lead', 51.5), ('tin', 50.0)]
    """
    mixing, effort = _mixing(requests, lots, rules or Weighing()), effort or Effort(nodes=10_000)
    if relaxed(mixing, effort.seconds) is None:
        return None
    bound = -math.inf
    for number in range(CUT_ROUNDS):
        model, columns = mixing.build()
        point = model.solve(gap=effort.gap, seconds=effort.seconds, nodes=effort.nodes, guessed=effort.guessed)
        if point is None:
            return None
        if not mixing.margins_kg:
            bound = max(bound, point.bound)
        if not add_cuts(mixing, columns, point, outright=number >= EXACT_ROUNDS):
            best = replace(point, bound=bound)
            fewer = _with_fewer_lots(mixing, columns, best, rules or Weighing(), effort)
            columns, best = fewer or (columns, best)
            return tuple(_charge_from(mixing, n, columns[n], best) for n in range(len(requests)))
    raise ConvergenceError("the cuts of the unsure analyses did not settle; use certainty 'worst'")


def _with_fewer_lots(
    mixing: Mixing, columns: list[list[int]], best: Point, rules: Weighing, effort: Effort
) -> tuple[list[list[int]], Point] | None:
    """The list of fewest lots that costs little more than the cheapest; None where none was found.

    The cuts that were found for the cheapest stay, others are added as they are needed.
    """
    masses = mixing.masses_kg(columns, best)
    counted = mixing.counted(masses)
    paid = math.fsum(lot.price_per_kg * masses[lot.id] for lot in mixing.lots)
    if rules.fewest_within <= 0.0 or rules.objective != "cost" or counted <= 0.0:
        return None
    mixing.fewest = FewestLots(counted, paid, masses, rules.fewest_within)
    try:
        for _ in range(FEWER_ROUNDS):
            model, columns = mixing.build()
            point = model.solve(gap=FEWER_GAP, seconds=effort.seconds, nodes=FEWER_NODES)
            if point is None:
                return None
            if not add_cuts(mixing, columns, point, outright=True):
                return columns, replace(
                    point, objective=mixing.counted(mixing.masses_kg(columns, point)), bound=best.bound
                )
        return None
    except ConvergenceError:
        return None  # within the nodes no list was found: the cheapest stands
    finally:
        mixing.fewest = None


def least_cost(request: ChargeRequest, lots: Sequence[Lot], *, losses: LossModel | None = None) -> float | None:
    """What a melt costs at least: every piece divisible, no weighing steps; None where no mixture meets every window.

    Arguments and errors as `solve_charges`.

    >>> from pipemetal.alloys.recipe import Recipe
    >>> tin = Lot("tin", "pig", Composition.parse("Sn 100"), 400.0, 25.0, price_per_kg=28.0)
    >>> any_tin = Recipe("tin", Composition.parse("Sn 100"), (("Sn", 99.0, 100.0),))
    >>> round(least_cost(ChargeRequest("M", any_tin, 100.0, 450.0), [tin], losses=LossModel((("pig", 0.0),))))
    2800
    """
    point = relaxed(_mixing([request], lots, Weighing(losses=losses or LossModel())), 5.0)
    return None if point is None else point.objective


def shadow_prices(
    requests: Sequence[ChargeRequest], lots: Sequence[Lot], *, losses: LossModel | None = None, certainty: str = "95"
) -> tuple[dict[str, float], float] | None:
    """What a kilogram of each scarce lot is worth to all melts together, and a bound: no charging can cost less.

    From the problem with divisible pieces; None where even that has no answer. Arguments and errors as `solve_charges`.
    """
    mixing = _mixing(requests, lots, Weighing(losses=losses or LossModel(), certainty=certainty))
    point = relaxed(mixing, 20.0)
    if point is None:
        return None
    return {lot.id: max(-price, 0.0) for lot, price in zip(lots, point.row_prices, strict=False)}, point.objective


def _mixing(requests: Sequence[ChargeRequest], lots: Sequence[Lot], rules: Weighing) -> Mixing:
    _checked_lots(lots)
    if rules.objective not in OBJECTIVES:
        raise MeltError("is not known", field="objective", value=rules.objective, allowed=", ".join(OBJECTIVES))
    if rules.certainty not in ("95", "worst"):
        raise MeltError("is not known", field="certainty", value=rules.certainty, allowed="95 or worst")
    step_kg = rules.weigh_step_kg
    if not 0.01 <= step_kg <= 10.0:
        raise MeltError("cannot be weighed", field="weigh_step_kg", value=step_kg, limits=(0.01, 10.0, "kg"))
    return Mixing(requests, lots, rules)

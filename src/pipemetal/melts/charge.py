"""The charge: which pigs, scrap and master alloys go into the pot so that the melt meets its recipe.

A linear mixing problem with whole pieces. Composition rows stay linear while the mass is free, because a window on an
element's share is a window on (its mass - share x total mass). Unsure analyses tighten the windows: either every lot is as
wrong as it may be (`worst`), or the errors of the lots are independent and the melt meets its window in 95 of 100 draws
(`95`), for which the margin is found by a few rounds of solving, since it depends on the answer.

Several melts that draw on the same lots are solved as one problem.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConvergenceError, MeltError
from pipemetal.linear import Model, Point
from pipemetal.melts.lots import Heel, LossModel, Lot

__all__ = ["OBJECTIVES", "Charge", "ChargeLine", "ChargeRequest", "on_heel", "solve_charges"]

OBJECTIVES: Final = ("cost", "scrap", "virgin tin")
ROW_SCALE: Final = 100.0
"""Composition rows are in hundredths, so that trace windows are not lost in the solver's tolerance."""
MARGIN_ROUNDS: Final = 8


@dataclass(frozen=True)
class ChargeRequest:
    """One melt wanted: how much metal of which recipe, in which pot, on which heel.

    `wanted_kg` is the metal that must be in the pot after skimming, heel included, and at most `spare_kg` more.
    """

    name: str
    recipe: Recipe
    wanted_kg: float
    capacity_kg: float
    spare_kg: float = 10.0
    heel: Heel | None = None

    def __post_init__(self) -> None:
        where = f"melt {self.name!r}"
        for name, value in (("wanted_kg", self.wanted_kg), ("capacity_kg", self.capacity_kg)):
            if not (math.isfinite(value) and value > 0.0):
                raise MeltError("is not a mass", field=name, value=value, allowed="above 0 kg", where=where)
        if not (math.isfinite(self.spare_kg) and self.spare_kg >= 0.0):
            raise MeltError("is not a mass", field="spare_kg", value=self.spare_kg, allowed="0 kg or more", where=where)
        if self.heel is not None and self.heel.mass_kg >= self.capacity_kg:
            raise MeltError(
                "does not hold the heel that is in it", field="capacity_kg", value=self.capacity_kg,
                allowed=f"above {self.heel.mass_kg:g} kg", where=where,
            )  # fmt: skip
        if self.wanted_kg > self.capacity_kg:
            raise MeltError(
                "is more than the pot holds", field="wanted_kg", value=self.wanted_kg,
                allowed=f"up to {self.capacity_kg:g} kg", where=where,
            )  # fmt: skip


@dataclass(frozen=True)
class ChargeLine:
    """What to weigh of one lot."""

    lot: Lot
    mass_kg: float
    pieces: int


@dataclass(frozen=True)
class Charge:
    """A weighing list with what it gives, in the order of loading.

    `composition` is of the melt after skimming; `half_width_wt_pct` its 95 % half-widths from the lots' analyses.
    `loss_kg` leaves as dross, by element. `binding` names the windows at whose edge the melt lies.
    """

    request: ChargeRequest
    lines: tuple[ChargeLine, ...]
    composition: Composition
    half_width_wt_pct: tuple[tuple[str, float], ...]
    mass_kg: float
    loss_kg: tuple[tuple[str, float], ...]
    cost: float
    gap_percent: float
    binding: tuple[str, ...] = field(default=())

    @property
    def charged_kg(self) -> float:
        """Mass weighed in, without the heel."""
        return sum(line.mass_kg for line in self.lines)

    @property
    def new_kg(self) -> float:
        """New metal among what is weighed in."""
        return sum(line.mass_kg for line in self.lines if line.lot.is_new_metal)

    @property
    def dross_kg(self) -> float:
        """Metal that leaves with the dross."""
        return sum(mass for _, mass in self.loss_kg)


def _checked_lots(lots: Sequence[Lot]) -> None:
    seen: set[str] = set()
    for lot in lots:
        if lot.id in seen:
            raise MeltError("is used for two lots", field="id", value=lot.id, allowed="an id of its own")
        seen.add(lot.id)


class _Mixing:
    """The columns and rows of several melts over shared lots."""

    def __init__(
        self, requests: Sequence[ChargeRequest], lots: Sequence[Lot], losses: LossModel, weigh_step_kg: float,
        objective: str, certainty: str,
    ) -> None:  # fmt: skip
        self.requests, self.lots, self.losses, self.step = requests, lots, losses, weigh_step_kg
        self.objective, self.certainty = objective, certainty
        self.kept = [
            [losses.kept_kg_per_kg(lot, tin_present=r.recipe.target.wt_pct("Sn") >= 1.0) for lot in lots]
            for r in requests
        ]

    def unit_kg(self, lot: Lot) -> float:
        return lot.piece_kg if lot.piece_kg is not None else self.step

    def _cost_per_kg(self, lot: Lot) -> float:
        if self.objective == "cost":
            return lot.price_per_kg
        if self.objective == "scrap":
            return (0.0 if lot.is_new_metal else -1.0) + 1e-4 * lot.price_per_kg
        virgin = lot.is_new_metal and lot.composition.wt_pct("Sn") > 50.0
        return (lot.composition.wt_pct("Sn") / 100.0 if virgin else 0.0) + 1e-4 * lot.price_per_kg

    def build(self, margins_kg: dict[tuple[int, str, int], float]) -> tuple[Model, list[list[int]]]:
        """The model with the given margins (melt, element, side) on its windows; columns by melt and lot."""
        model = Model()
        columns = []
        for _ in self.requests:
            row = []
            for lot in self.lots:
                unit = self.unit_kg(lot)
                most = math.floor(lot.mass_kg / unit + 1e-6)
                row.append(model.column(cost=self._cost_per_kg(lot) * unit, high=float(most), whole=True))
            columns.append(row)
        for index, lot in enumerate(self.lots):
            unit = self.unit_kg(lot)
            model.row({row[index]: unit for row in columns}, high=lot.mass_kg + 1e-6)
        for number, request in enumerate(self.requests):
            self._melt_rows(model, number, request, columns[number], margins_kg)
        return model, columns

    def _melt_rows(
        self,
        model: Model,
        number: int,
        request: ChargeRequest,
        columns: list[int],
        margins: dict[tuple[int, str, int], float],
    ) -> None:
        heel_kg = request.heel.mass_kg if request.heel else 0.0
        heel = request.heel.composition.fractions if request.heel else (0.0,) * len(ELEMENTS)
        units = [self.unit_kg(lot) for lot in self.lots]
        totals = [sum(kept) for kept in self.kept[number]]
        model.row(
            {c: t * u for c, t, u in zip(columns, totals, units, strict=True)},
            low=request.wanted_kg - heel_kg, high=request.wanted_kg - heel_kg + request.spare_kg,
        )  # fmt: skip
        model.row(dict(zip(columns, units, strict=True)), high=request.capacity_kg - heel_kg)
        for place, element in enumerate(ELEMENTS):
            low, high = (edge / 100.0 for edge in request.recipe.window(element))
            for side, edge in ((-1, low), (1, high)):
                if (side < 0 and edge <= 0.0) or (side > 0 and edge >= 1.0):
                    continue
                row = {}
                for column, lot, kept, total, unit in zip(
                    columns, self.lots, self.kept[number], totals, units, strict=True
                ):
                    worst = lot.half_width_wt_pct(element) / 100.0 if self.certainty == "worst" else 0.0
                    row[column] = ROW_SCALE * unit * (kept[place] - edge * total + side * worst)
                constant = heel_kg * (heel[place] - edge)
                margin = margins.get((number, element, side), 0.0)
                if side < 0:
                    model.row(row, low=ROW_SCALE * (margin - constant))
                else:
                    model.row(row, high=ROW_SCALE * (-margin - constant))

    def spread_kg(self, number: int, columns: list[int], point: Point, element: str) -> float:
        """95 % half-width of an element's mass in a melt, errors of the lots independent."""
        return math.sqrt(
            sum(
                (point.values[c] * self.unit_kg(lot) * lot.half_width_wt_pct(element) / 100.0) ** 2
                for c, lot in zip(columns, self.lots, strict=True)
            )
        )


def _melt_of(masses_kg: Sequence[float]) -> tuple[float, Composition]:
    """Mass and composition of a melt; dross cannot take more of an element than there is."""
    kept = [max(mass, 0.0) for mass in masses_kg]
    total = math.fsum(kept)
    return total, Composition.from_wt_pct({e: m / total * 100.0 for e, m in zip(ELEMENTS, kept, strict=True)})


def _loading_order(line: ChargeLine) -> tuple[float, str]:
    """Lead first, tin last: what melts into a bath needs no more heat than the bath has (common practice, no source)."""
    order = {"ingot": 1.0, "scrap": 2.0, "shavings": 3.0}.get(line.lot.kind, 0.0)
    if line.lot.kind == "master":
        order = 4.0
    elif line.lot.composition.wt_pct("Sn") > 90.0:
        order = 5.0
    return order, line.lot.id


def _charge_from(mixing: _Mixing, number: int, columns: list[int], point: Point) -> Charge:
    request = mixing.requests[number]
    lines, loss = [], dict.fromkeys(ELEMENTS, 0.0)
    masses = list(request.heel.composition.fractions if request.heel else (0.0,) * len(ELEMENTS))
    masses = [m * (request.heel.mass_kg if request.heel else 0.0) for m in masses]
    for column, lot, kept in zip(columns, mixing.lots, mixing.kept[number], strict=True):
        count = round(point.values[column])
        if count == 0:
            continue
        mass = count * mixing.unit_kg(lot)
        lines.append(ChargeLine(lot, mass, count if lot.piece_kg is not None else 0))
        for place, element in enumerate(ELEMENTS):
            masses[place] += mass * kept[place]
            loss[element] += mass * (lot.composition.fractions[place] - kept[place])
    total, composition = _melt_of(masses)
    half = tuple((e, mixing.spread_kg(number, columns, point, e) / total * 100.0) for e in ELEMENTS)
    binding = []
    for element, low, high in request.recipe.windows_wt_pct:
        value, allowed = composition.wt_pct(element), dict(half)[element] + 0.02 * max(high - low, 0.05)
        if low > 0.0 and value - low <= allowed:
            binding.append(f"{element} at its lowest, {low:g} %")
        if high < 100.0 and high - value <= allowed:
            binding.append(f"{element} at its highest, {high:g} %")
    cost = sum(line.mass_kg * line.lot.price_per_kg for line in lines)
    ordered = tuple(sorted(lines, key=_loading_order))
    return Charge(
        request, ordered, composition, half, total, tuple(loss.items()), cost, 100.0 * point.gap, tuple(binding)
    )


def on_heel(charge: Charge, heel: Heel | None, losses: LossModel) -> Charge:
    """The same weighing list on another heel: what the melt then is.

    Errors: AlloyError where no metal is left.
    """
    tin_present = charge.request.recipe.target.wt_pct("Sn") >= 1.0
    masses = [heel.mass_kg * f if heel else 0.0 for f in (heel.composition if heel else charge.composition).fractions]
    for line in charge.lines:
        for place, kept in enumerate(losses.kept_kg_per_kg(line.lot, tin_present=tin_present)):
            masses[place] += line.mass_kg * kept
    total, composition = _melt_of(masses)
    return replace(charge, request=replace(charge.request, heel=heel), composition=composition, mass_kg=total)


def solve_charges(
    requests: Sequence[ChargeRequest],
    lots: Sequence[Lot],
    *,
    losses: LossModel | None = None,
    objective: str = "cost",
    certainty: str = "95",
    weigh_step_kg: float = 0.5,
    gap: float = 0.005,
    seconds: float = 5.0,
) -> tuple[Charge, ...] | None:
    """Weighing lists for melts that share the lots, or None where no mixture meets every window.

    `objective` is least `cost`, most `scrap` used, or least `virgin tin`. Divisible lots are weighed in steps of
    `weigh_step_kg`. Whole problem at a relative `gap`, within `seconds` a round.

    Errors: MeltError for lots used twice, an unknown objective or certainty, or a step that cannot be weighed;
    ConvergenceError where the margins of unsure analyses do not settle.

    >>> tin, lead = Composition.parse("Sn 100"), Composition.parse("Pb 100")
    >>> lots = (Lot("tin", "pig", tin, 300.0, 25.0, price_per_kg=30.0), Lot("lead", "scrap", lead, 300.0))
    >>> recipe = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> charge = solve_charges([ChargeRequest("M1", recipe, 100.0, 450.0)], lots)[0]
    >>> [(line.lot.id, line.mass_kg) for line in charge.lines]
    [('lead', 51.5), ('tin', 50.0)]
    """
    _checked_lots(lots)
    if objective not in OBJECTIVES:
        raise MeltError("is not known", field="objective", value=objective, allowed=", ".join(OBJECTIVES))
    if certainty not in ("95", "worst"):
        raise MeltError("is not known", field="certainty", value=certainty, allowed="95 or worst")
    if not 0.01 <= weigh_step_kg <= 10.0:
        raise MeltError("cannot be weighed", field="weigh_step_kg", value=weigh_step_kg, allowed="0.01 to 10 kg")
    mixing = _Mixing(requests, lots, losses or LossModel(), weigh_step_kg, objective, certainty)
    margins: dict[tuple[int, str, int], float] = {}
    for _ in range(MARGIN_ROUNDS):
        model, columns = mixing.build(margins)
        point = model.solve(gap=gap, seconds=seconds)
        if point is None:
            return None
        if certainty == "worst" or not _grow_margins(mixing, columns, point, margins):
            return tuple(_charge_from(mixing, n, columns[n], point) for n in range(len(requests)))
    raise ConvergenceError("the margins of the unsure analyses did not settle; use certainty 'worst'")


def _grow_margins(
    mixing: _Mixing, columns: list[list[int]], point: Point, margins: dict[tuple[int, str, int], float]
) -> bool:
    """Widen the margins that the point's own spread overruns; whether any had to be widened."""
    grown = False
    for number, request in enumerate(mixing.requests):
        for element, low, high in request.recipe.windows_wt_pct:
            spread = mixing.spread_kg(number, columns[number], point, element)
            for side, edge in ((-1, low), (1, high)):
                if not 0.0 < edge < 100.0:
                    continue
                slack = _slack_kg(mixing, number, columns[number], point, element, side, edge / 100.0)
                if slack < spread - 1e-6:
                    margins[number, element, side] = max(margins.get((number, element, side), 0.0), spread * 1.02)
                    grown = True
    return grown


def _slack_kg(
    mixing: _Mixing, number: int, columns: list[int], point: Point, element: str, side: int, edge: float
) -> float:
    place = ELEMENTS.index(element)
    heel = mixing.requests[number].heel
    value = heel.mass_kg * (heel.composition.fractions[place] - edge) if heel else 0.0
    for column, lot, kept in zip(columns, mixing.lots, mixing.kept[number], strict=True):
        value += point.values[column] * mixing.unit_kg(lot) * (kept[place] - edge * sum(kept))
    return -side * value

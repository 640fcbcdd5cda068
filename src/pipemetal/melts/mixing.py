"""The mixing problem behind a charge: columns for lots, rows for windows, and the tangent cuts of unsure analyses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.linear import Model, Point, Running
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.request import ChargeRequest
from pipemetal.melts.sawing import is_sawn_off

__all__ = ["CUT_ROUNDS", "Effort", "FewestLots", "Mixing", "SearchCosts", "Weighing", "add_cuts", "relaxed"]

ROW_SCALE: Final = 100.0
"""Composition rows are in hundredths, so that trace windows are not lost in the solver's tolerance."""
CUT_ROUNDS: Final = 40
FINE_STEP_KG: Final = 0.05
"""Step of the scale for bought antimony, bismuth and the like, of which a melt takes little (common practice, no source)."""
WEIGHED, CHEAPER = 0.3, 0.4
"""Where the lots are counted: a lot to weigh counts so much more than whole pieces, and the whole of the cost that may be spent
for fewer lots counts as so much of one."""
CONE: Final = 0.99
"""Share of a 95 % margin that is asked for: a charge that keeps it is never cut off, so what mends one charge mends it."""
RELAXED_CONE: Final = 0.985
"""Share at which the search with divisible pieces stops cutting: it only prepares the one with whole pieces."""


@dataclass(frozen=True)
class Cut:
    """A tangent to the cone of one window's edge in one melt: kg of spread for a kg of each lot, and what the heel brings."""

    melt: int
    element: str
    side: int
    slopes: tuple[float, ...]
    heel_kg: float


@dataclass(frozen=True)
class FewestLots:
    """What the cheapest list is counted and paid at, what it buys, and the share that one of fewer lots may cost more.

    What is there goes first: a list of fewer lots buys no more of any metal than the cheapest.
    """

    counted: float
    paid: float
    bought_kg: Mapping[str, float]
    share: float


@dataclass(frozen=True)
class SearchCosts:
    """What the search counts beside the prices of the lots, by lot: what a kilogram is worth elsewhere (see `shadow_prices`),
    and what it costs once to get any of it at all (the errand of a purchase)."""

    extra_per_kg: Mapping[str, float] = field(default_factory=dict)
    errands: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Weighing:
    """What a weighing list is made for, and how the shop weighs.

    `objective` is least `cost`, most `scrap` used, or least `virgin tin`; `certainty` of the windows is `95` percent or the
    `worst` case. Divisible lots are weighed in steps of `weigh_step_kg`, and by `least_weighed_kg` at least where they are
    taken at all, bought metal by `least_bought_kg`. `costs` is what the search counts beside the prices.

    `fewest_within` is the share of the cost that a list of fewer lots may cost more than the cheapest; whole pieces are then
    taken before what must be weighed. At zero the cheapest list stands, however many lots it takes. `most_sawn` is how many
    lots a piece may be sawn of for one melt (None: any number).
    """

    losses: LossModel = field(default_factory=LossModel)
    objective: str = "cost"
    certainty: str = "95"
    weigh_step_kg: float = 0.5
    least_weighed_kg: float = 0.0
    costs: SearchCosts = field(default_factory=SearchCosts)
    least_bought_kg: float = 0.0
    fewest_within: float = 0.0
    most_sawn: int | None = None


@dataclass(frozen=True)
class Effort:
    """How hard a weighing list is searched for: to a relative `gap`, within `seconds` and `nodes` a round.

    A search that ends by nodes gives the same answer on any machine. `guessed`: see `Model.solve`.
    """

    gap: float = 0.005
    seconds: float = 60.0
    nodes: int = 5_000
    guessed: bool = True


class Mixing:
    """The columns and rows of several melts over shared lots."""

    def __init__(
        self,
        requests: Sequence[ChargeRequest],
        lots: Sequence[Lot],
        rules: Weighing,
    ) -> None:
        self.requests, self.lots, self.losses, self.step = requests, lots, rules.losses, rules.weigh_step_kg
        self.objective, self.certainty, self.most_sawn = rules.objective, rules.certainty, rules.most_sawn
        self.least_kg, self.least_bought_kg, self.costs = rules.least_weighed_kg, rules.least_bought_kg, rules.costs
        self.fewest: FewestLots | None = None
        self.cuts: list[Cut] = []
        self.margins_kg: dict[tuple[int, str, int], float] = {}
        self.kept = [
            [rules.losses.kept_kg_per_kg(lot, tin_present=r.recipe.target.wt_pct("Sn") >= 1.0) for lot in lots]
            for r in requests
        ]

    def unit_kg(self, lot: Lot) -> float:
        """What a lot is taken in: its piece, or a step of the scale; a bought trace metal is weighed on a small scale."""
        if lot.piece_kg is not None:
            return lot.piece_kg
        trace = lot.kind == "buy" and not any(lot.composition.wt_pct(e) > 50.0 for e in ("Pb", "Sn"))
        return min(self.step, FINE_STEP_KG) if trace else self.step

    def _cost_per_kg(self, lot: Lot) -> float:
        if self.objective == "cost":
            return lot.price_per_kg + self.costs.extra_per_kg.get(lot.id, 0.0)
        if self.objective == "scrap":
            return (0.0 if lot.is_new_metal else -1.0) + 1e-4 * lot.price_per_kg
        virgin = lot.is_new_metal and lot.composition.wt_pct("Sn") > 50.0
        return (lot.composition.wt_pct("Sn") / 100.0 if virgin else 0.0) + 1e-4 * lot.price_per_kg

    def build(self) -> tuple[Model, list[list[int]]]:
        """The model with the cuts found so far; columns by melt and lot. The first rows are the stock of each lot."""
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
        self._errand_rows(model, columns)
        for number, request in enumerate(self.requests):
            self._melt_rows(model, number, request, columns[number])
            self._least_rows(model, columns[number])
            self._sawn_rows(model, columns[number])
        if self.fewest is not None:
            self._fewest_lots(model, columns, self.fewest)
        return model, columns

    def masses_kg(self, columns: list[list[int]], point: Point) -> dict[str, float]:
        """What a point takes of each lot."""
        masses = {lot.id: 0.0 for lot in self.lots}
        for row in columns:
            for column, lot in zip(row, self.lots, strict=True):
                masses[lot.id] += point.values[column] * self.unit_kg(lot)
        return masses

    def counted(self, masses_kg: Mapping[str, float]) -> float:
        """What the search counts for masses of lots, errands among it."""
        errands = sum(self.costs.errands.get(name, 0.0) for name, mass in masses_kg.items() if mass > 0.0)
        return math.fsum(self._cost_per_kg(lot) * masses_kg[lot.id] for lot in self.lots) + errands

    def _fewest_lots(self, model: Model, columns: list[list[int]], fewest: FewestLots) -> None:
        """Turn the model round: cost under a limit becomes a row, and the number of lots what is made least.

        Of lists with as many lots the cheaper is taken, and whole pieces before what must be weighed. What is paid is held
        beside what is counted: lots that the other melts do not take in the end would else be spared for nothing.
        """
        spread = max(fewest.share * fewest.counted, 1e-9)
        model.row({c: cost for c, cost in enumerate(model.cost) if cost != 0.0}, high=fewest.counted + spread)
        paid = {
            column: lot.price_per_kg * self.unit_kg(lot)
            for row in columns
            for column, lot in zip(row, self.lots, strict=True)
        }
        model.row(paid, high=fewest.paid * (1.0 + fewest.share))
        for index, lot in enumerate(self.lots):
            if lot.kind == "buy":
                unit = self.unit_kg(lot)
                model.row({row[index]: unit for row in columns}, high=fewest.bought_kg.get(lot.id, 0.0) + 1e-6)
        model.cost = [CHEAPER * cost / spread for cost in model.cost]
        for row, request in zip(columns, self.requests, strict=True):
            for column, lot in zip(row, self.lots, strict=True):
                unit = self.unit_kg(lot)
                most_units = math.floor(min(lot.mass_kg, request.capacity_kg) / unit + 1e-6)
                taken = model.column(cost=1.0 if lot.piece_kg is not None else 1.0 + WEIGHED, high=1.0, whole=True)
                model.row({column: 1.0, taken: -float(most_units)}, high=0.0)

    def _errand_rows(self, model: Model, columns: list[list[int]]) -> None:
        """A lot that is fetched is paid for once, however much of it is taken and into however many melts."""
        if self.objective != "cost":
            return
        for index, lot in enumerate(self.lots):
            errand = self.costs.errands.get(lot.id, 0.0)
            if errand > 0.0:
                unit = self.unit_kg(lot)
                fetched = model.column(cost=errand, high=1.0, whole=True)
                model.row({row[index]: unit for row in columns} | {fetched: -lot.mass_kg}, high=0.0)

    def _least_rows(self, model: Model, columns: list[int]) -> None:
        """Divisible remelt and what is sawn off a pig are taken by at least the least weighed mass, or not at all.

        A lot of less goes in whole; master alloys, and divisible new metal, are weighed finely.
        """
        for column, lot in zip(columns, self.lots, strict=True):
            step, bought = self.unit_kg(lot), lot.kind == "buy"
            least_kg = self.least_bought_kg if bought else self.least_kg
            least = min(math.ceil(least_kg / step - 1e-9), math.floor(lot.mass_kg / step + 1e-6))
            sawn_pig = lot.kind == "pig" and is_sawn_off(lot)
            if lot.piece_kg is not None or (lot.is_new_metal and not bought and not sawn_pig) or least <= 1:
                continue
            most = math.floor(lot.mass_kg / step + 1e-6)
            taken = model.column(high=1.0, whole=True)
            model.row({column: 1.0, taken: -float(least)}, low=0.0)
            model.row({column: 1.0, taken: -float(most)}, high=0.0)

    def _sawn_rows(self, model: Model, columns: list[int]) -> None:
        """So many lots at most have a piece sawn."""
        sawn = [(column, lot) for column, lot in zip(columns, self.lots, strict=True) if is_sawn_off(lot)]
        if self.most_sawn is None or len(sawn) <= self.most_sawn:
            return
        counted = []
        for column, lot in sawn:
            counted.append(model.column(high=1.0, whole=True))
            most_units = math.floor(lot.mass_kg / self.unit_kg(lot) + 1e-6)
            model.row({column: 1.0, counted[-1]: -float(most_units)}, high=0.0)
        model.row(dict.fromkeys(counted, 1.0), high=float(self.most_sawn))

    def _melt_rows(self, model: Model, number: int, request: ChargeRequest, columns: list[int]) -> None:
        heel_kg = request.heel.mass_kg if request.heel else 0.0
        units = [self.unit_kg(lot) for lot in self.lots]
        totals = [sum(kept) for kept in self.kept[number]]
        model.row(
            {c: t * u for c, t, u in zip(columns, totals, units, strict=True)},
            low=request.wanted_kg - heel_kg,
            high=request.wanted_kg - heel_kg + request.spare_kg,
        )
        model.row(dict(zip(columns, units, strict=True)), high=request.capacity_kg - heel_kg)
        for element, side, _ in self._edges(number):
            unsure_kg = request.heel.half_width_kg(element) if request.heel else 0.0
            plain = Cut(number, element, side, (0.0,) * len(self.lots), unsure_kg)
            margin = self.margins_kg.get((number, element, side), 0.0)
            model.row(*self.cut_row(replace(plain, heel_kg=max(margin, unsure_kg)), columns))
            for cut in self.cuts:
                if (cut.melt, cut.element, cut.side) == (number, element, side):
                    model.row(*self.cut_row(cut, columns))

    def _edges(self, number: int) -> list[tuple[str, int, float]]:
        """The edges of a melt's windows: element, -1 for the lower or 1 for the upper, and the share."""
        found = []
        for element in ELEMENTS:
            low, high = (edge / 100.0 for edge in self.requests[number].recipe.window(element))
            found += [(element, -1, low)] if low > 0.0 else []
            found += [(element, 1, high)] if high < 1.0 else []
        return found

    def cut_row(self, cut: Cut, columns: list[int]) -> tuple[dict[int, float], float, float]:
        """A cut as a row over a melt's columns, with its bounds."""
        number, element, side, heel = cut.melt, cut.element, cut.side, self.requests[cut.melt].heel
        place = ELEMENTS.index(element)
        edge = next(at for e, s, at in self._edges(number) if (e, s) == (element, side))
        row = {}
        for column, lot, kept, slope in zip(columns, self.lots, self.kept[number], cut.slopes, strict=True):
            worst = lot.half_width_wt_pct(element) / 100.0 if self.certainty == "worst" else 0.0
            per_kg = kept[place] - edge * sum(kept) + side * (worst + slope)
            row[column] = ROW_SCALE * self.unit_kg(lot) * per_kg
        constant = heel.mass_kg * (heel.composition.fractions[place] - edge) if heel else 0.0
        if side < 0:
            return row, ROW_SCALE * (cut.heel_kg - constant), math.inf
        return row, -math.inf, -ROW_SCALE * (cut.heel_kg + constant)

    def spread_kg(self, number: int, columns: list[int], point: Point, element: str) -> float:
        """95 % half-width of an element's mass in a melt, errors of the lots independent."""
        heel = self.requests[number].heel
        return math.hypot(
            heel.half_width_kg(element) if heel else 0.0,
            *(
                point.values[c] * self.unit_kg(lot) * lot.half_width_wt_pct(element) / 100.0
                for c, lot in zip(columns, self.lots, strict=True)
            ),
        )


def relaxed(mixing: Mixing, seconds: float) -> Point | None:
    """The answer with divisible pieces, its cuts left in the problem for the search over whole ones."""
    least, mixing.least_kg, mixing.least_bought_kg = (mixing.least_kg, mixing.least_bought_kg), 0.0, 0.0
    try:
        model, columns = mixing.build()
        running = Running(model, seconds=seconds, relaxed=True)
        for _ in range(CUT_ROUNDS):
            before = len(mixing.cuts)
            point = running.solve()
            if point is None or not add_cuts(mixing, columns, point, RELAXED_CONE):
                return point
            for cut in mixing.cuts[before:]:
                running.row(*mixing.cut_row(cut, columns[cut.melt]))
        return point
    finally:
        mixing.least_kg, mixing.least_bought_kg = least


def add_cuts(
    mixing: Mixing, columns: list[list[int]], point: Point, asked: float = CONE, *, outright: bool = False
) -> bool:
    """Cut off the point where its own spread overruns a window; whether it had to be cut."""
    if mixing.certainty == "worst":
        return False
    before = len(mixing.cuts)
    for number, request in enumerate(mixing.requests):
        masses = [point.values[c] * mixing.unit_kg(lot) for c, lot in zip(columns[number], mixing.lots, strict=True)]
        for element, low, high in request.recipe.windows_wt_pct:
            half = [lot.half_width_wt_pct(element) / 100.0 for lot in mixing.lots]
            heel_kg = request.heel.half_width_kg(element) if request.heel else 0.0
            spread = math.hypot(heel_kg, *(m * h for m, h in zip(masses, half, strict=True)))
            if spread <= 1e-9:
                continue
            slopes = tuple(CONE * h * h * m / spread for m, h in zip(masses, half, strict=True))
            for side, edge in ((-1, low), (1, high)):
                if not 0.0 < edge < 100.0:
                    continue
                slack = _slack_kg(mixing, number, columns[number], point, element, side, edge / 100.0)
                if slack < spread * asked - 1e-6:
                    mixing.cuts.append(Cut(number, element, side, slopes, CONE * heel_kg**2 / spread))
                    if outright:
                        key = (number, element, side)
                        mixing.margins_kg[key] = max(mixing.margins_kg.get(key, 0.0), spread)
    return len(mixing.cuts) > before


def _slack_kg(
    mixing: Mixing, number: int, columns: list[int], point: Point, element: str, side: int, edge: float
) -> float:
    place = ELEMENTS.index(element)
    heel = mixing.requests[number].heel
    value = heel.mass_kg * (heel.composition.fractions[place] - edge) if heel else 0.0
    for column, lot, kept in zip(columns, mixing.lots, mixing.kept[number], strict=True):
        value += point.values[column] * mixing.unit_kg(lot) * (kept[place] - edge * sum(kept))
    return -side * value

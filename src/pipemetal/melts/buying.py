"""What metal to order for melts to come: whole pigs from what is offered, over what is in stock, in time.

One mixed problem over all melts: how many pigs of each offer (whole), and how every melt shares stock and pigs (divisible, so
that the number of pigs is what counts, not in which melt each goes). A kilogram that goes into a pot costs what replacing it
would cost, wherever it comes from; a kilogram ordered costs a little more, and every order an errand. So what is there is
used first, and an old price is no reason to leave it. Windows, dross and unsure analyses are those of the charge.
Metal that comes too late for a melt, or that nobody offers, may be taken at a price above any other: the answer then says
which melt waits, or what is still to be found, in place of having no answer. A pig may have to be cut for a melt: the weighing
lists of the day tell.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import ConvergenceError, MeltError
from pipemetal.linear import Model, Point
from pipemetal.melts.charge import ChargeRequest
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.mend import pure_additions
from pipemetal.melts.mixing import CUT_ROUNDS, RELAXED_CONE, Mixing, Weighing, add_cuts
from pipemetal.melts.worth import KEPT_SHARE, metal_prices, needed_elements
from pipemetal.texts import Amount, Text

__all__ = ["DatedMelt", "Kept", "Offer", "OrderLine", "Orders", "what_to_buy"]

LATE_PREMIUM: Final = 100.0
FOUND_PREMIUM: Final = 20_000.0
"""Prices of a kilogram that comes too late, and of one that nobody offers: above any metal's."""
GAP, SEARCH_S = 0.002, 60.0
"""Orders are searched until they cost no more than this share above the least, or so many seconds."""
LEAST_USED_KG: Final = 0.05
MOST_NODES: Final = 20_000
FIRST_SHARE: Final = 0.98
"""What is on the floor counts a little less than the same metal ordered, so that of equals it goes first."""
DELIVERY_DAYS: Final = 30
"""A delivery serves what is cast within so many days of its first melt."""


@dataclass(frozen=True)
class Offer:
    """Metal that can be ordered: the lot it comes as (its `piece_kg` a pig, its mass the most that can be had), how long it
    takes, and how little is delivered."""

    lot: Lot
    lead_days: int
    least_kg: float = 0.0

    def __post_init__(self) -> None:
        where = Text("offer {id}", id=repr(self.lot.id))
        if self.lot.piece_kg is None:
            raise MeltError("is missing: metal is ordered in whole pieces", field="piece_kg", where=where)
        if not 0 <= self.lead_days <= 730:
            raise MeltError("is out of range", field="lead_days", value=self.lead_days, allowed="0 to 730", where=where)
        if not (math.isfinite(self.least_kg) and 0.0 <= self.least_kg <= self.lot.mass_kg):
            raise MeltError(
                "is more than can be had",
                field="least_kg",
                value=self.least_kg,
                allowed=Text("0 to {mass_kg}", mass_kg=Amount.short(self.lot.mass_kg, "kg")),
                where=where,
            )


@dataclass(frozen=True)
class DatedMelt:
    """A melt to come and the day it is to be cast."""

    request: ChargeRequest
    day: dt.date


@dataclass(frozen=True)
class OrderLine:
    """Pigs of one offer for one day: the melt that needs them first, when they must be ordered, and whether that is past."""

    offer: str
    pieces: int
    mass_kg: float
    cost: float
    needed_on: dt.date
    needed_for: str
    order_by: dt.date
    is_late: bool


@dataclass(frozen=True)
class Kept:
    """A lot of the shop's own that stays although metal is ordered: its own price, and what replacing its metal would cost."""

    lot: str
    mass_kg: float
    price_per_kg: float
    replaced_per_kg: float


@dataclass(frozen=True)
class Orders:
    """What to order. `not_offered_kg` is metal that nobody offers, by element; `waits` are melts that metal comes too late for,
    with the day it can be there. `gap_percent` is of the cost of all metal used. `left_kg` stays of the ordered metal.
    `from_stock_kg` is what the melts take of each lot that is there, `kept` what they leave because it is worth more."""

    lines: tuple[OrderLine, ...]
    cost: float
    gap_percent: float
    not_offered_kg: tuple[tuple[str, float], ...]
    waits: tuple[tuple[str, dt.date], ...]
    left_kg: float
    from_stock_kg: tuple[tuple[str, float], ...] = ()
    kept: tuple[Kept, ...] = ()

    @property
    def used_kg(self) -> float:
        """What the melts take of the ordered metal."""
        return sum(line.mass_kg for line in self.lines) - self.left_kg


def what_to_buy(
    melts: Sequence[DatedMelt],
    stock: Sequence[Lot],
    offers: Sequence[Offer],
    today: dt.date,
    *,
    losses: LossModel | None = None,
    available_from: Mapping[str, dt.date] | None = None,
    errand_costs_kg: float = 20.0,
) -> Orders:
    """Orders that serve all melts at least cost.

    `available_from` says from when a lot of the stock is there (offcuts of an earlier plan). Metal ordered today is there after
    the offer's lead days, and serves melts from that day on. `errand_costs_kg` is what every order costs beside the metal,
    in kilograms of lead.

    Errors: MeltError for an id used twice.

    >>> from pipemetal.alloys.composition import Composition
    >>> from pipemetal.alloys.recipe import Recipe
    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> tin = Offer(Lot("tin", "pig", Composition.parse("Sn 100"), 1000.0, 25.0, price_per_kg=28.0), lead_days=14)
    >>> lead = Lot("lead", "pig", Composition.parse("Pb 100"), 500.0, 25.0, price_per_kg=2.0)
    >>> melt = DatedMelt(ChargeRequest("M1", half, 300.0, 450.0), dt.date(2027, 3, 1))
    >>> found = what_to_buy([melt], [lead], [tin], dt.date(2027, 1, 11))
    >>> [(line.pieces, str(line.order_by), line.is_late) for line in found.lines]
    [(6, '2027-02-15', False)]
    >>> [(lot, round(kg)) for lot, kg in found.from_stock_kg]
    [('lead', 154)]
    """
    seen: set[str] = set()
    for lot in [*stock, *(offer.lot for offer in offers)]:
        if lot.id in seen:
            raise MeltError(
                "is used twice", field="id", value=lot.id, allowed="an id of its own for each lot and offer"
            )
        seen.add(lot.id)
    if not melts:
        return Orders((), 0.0, 0.0, (), (), 0.0)
    ordered = sorted(melts, key=lambda m: m.day)
    problem = _Problem(ordered, stock, offers, today, losses or LossModel(), available_from or {})
    problem.errand = errand_costs_kg * problem.prices.per_kg["Pb"]
    point, columns = problem.solved(GAP, SEARCH_S)
    pieces = {o.lot.id: round(point.values[c]) for o, c in zip(offers, problem.pieces, strict=True)}
    lines = problem.lines(point, columns, pieces)
    used_kg = {lot.id: sum(point.values[row[place]] for row in columns) for place, lot in enumerate(problem.lots)}
    missing = {
        lot.composition.present()[0]: used_kg[lot.id]
        for lot in problem.lots
        if lot.id.startswith("find ") and used_kg[lot.id] > LEAST_USED_KG
    }
    left_kg = sum(pieces[o.lot.id] * (o.lot.piece_kg or 1.0) - used_kg[o.lot.id] for o in offers)
    return Orders(
        lines,
        sum(line.cost for line in lines),
        100.0 * point.gap,
        tuple(missing.items()),
        problem.waiting(point, columns),
        max(left_kg, 0.0),
        tuple((lot.id, used_kg[lot.id]) for lot in stock if used_kg[lot.id] > LEAST_USED_KG),
        problem.kept(used_kg) if lines else (),
    )


class _Problem:
    """The mixing problem of all melts, its stock columns divisible, with a whole number of pigs for each offer."""

    def __init__(
        self,
        melts: Sequence[DatedMelt],
        stock: Sequence[Lot],
        offers: Sequence[Offer],
        today: dt.date,
        losses: LossModel,
        available_from: Mapping[str, dt.date],
    ) -> None:
        self.melts, self.stock, self.offers, self.today, self.losses = melts, stock, offers, today, losses
        wanted = {e for m in melts for e in needed_elements(m.request.recipe)}
        most = sum(m.request.capacity_kg for m in melts)
        found = pure_additions(most, wanted, price_per_kg=0.0, prefix="find")
        self.prices = metal_prices(stock, [o.lot for o in offers])
        self.errand = 0.0
        self.lots = [*(self._replaced(lot) for lot in stock), *(o.lot for o in offers), *found]
        self.ready = {lot.id: available_from.get(lot.id, today) for lot in stock}
        self.ready |= {o.lot.id: today + dt.timedelta(days=o.lead_days) for o in offers}
        self.mixing = Mixing(
            [m.request for m in melts],
            [replace(lot, piece_kg=None) for lot in self.lots],
            Weighing(losses, weigh_step_kg=1.0),
        )
        self.pieces: list[int] = []

    def _replaced(self, lot: Lot) -> Lot:
        """A lot of the stock at what taking it costs: what replacing its metal would, less where the shop says it fetches less.
        Only remelt can be worth more than its metal: what was paid for a pig once is gone."""
        worth = self.prices.of(lot.composition)
        told = lot.price_per_kg or worth
        return replace(lot, price_per_kg=FIRST_SHARE * KEPT_SHARE * (min(told, worth) if lot.is_new_metal else told))

    def kept(self, used_kg: Mapping[str, float]) -> tuple[Kept, ...]:
        """The lots that stay because they are worth more than their metal."""
        found = []
        for lot in self.stock:
            left, worth = lot.mass_kg - used_kg[lot.id], self.prices.of(lot.composition)
            if not lot.is_new_metal and lot.price_per_kg > worth and left > LEAST_USED_KG:
                found.append(Kept(lot.id, left, lot.price_per_kg, worth))
        return tuple(found)

    def build(self) -> tuple[Model, list[list[int]]]:
        model, columns = self.mixing.build()
        model.whole = [False] * len(model.whole)
        self.pieces = []
        offered = {o.lot.id: o for o in self.offers}
        for place, lot in enumerate(self.lots):
            for melt, row in zip(self.melts, columns, strict=True):
                column = row[place]
                if lot.id.startswith("find "):
                    model.cost[column] = FOUND_PREMIUM
                    continue
                if lot.id in offered:
                    model.cost[column] = KEPT_SHARE * lot.price_per_kg
                if self.ready[lot.id] > melt.day:
                    if lot.id in offered:
                        model.cost[column] += LATE_PREMIUM
                    else:
                        model.bounds[column] = (0.0, 0.0)
        for offer in self.offers:
            self._whole_pieces(model, columns, offer)
        return model, columns

    def _whole_pieces(self, model: Model, columns: list[list[int]], offer: Offer) -> None:
        piece_kg = offer.lot.piece_kg or 1.0
        most = math.floor(offer.lot.mass_kg / piece_kg + 1e-6)
        count = model.column(cost=(1.0 - KEPT_SHARE) * offer.lot.price_per_kg * piece_kg, high=float(most), whole=True)
        place = len(self.stock) + self.offers.index(offer)
        model.row({row[place]: 1.0 for row in columns} | {count: -piece_kg}, high=0.0)
        least = max(math.ceil(offer.least_kg / piece_kg - 1e-9), 1)
        taken = model.column(cost=self.errand, high=1.0, whole=True)
        model.row({count: 1.0, taken: -float(least)}, low=0.0)
        model.row({count: 1.0, taken: -float(most)}, high=0.0)
        self.pieces.append(count)

    def solved(self, gap: float, seconds: float) -> tuple[Point, list[list[int]]]:
        # What unsure analyses ask for is found with divisible pigs, which is quick, and asked for outright: a little
        # more than a charge would ask for, which only makes the order a little safer. Where that leaves no mixture, for
        # each element was asked for by another one, it is asked for as a charge does.
        quick = outright = True
        for number in range(3 * CUT_ROUNDS):
            quick = quick and number < CUT_ROUNDS
            model, columns = self.build()
            if quick:
                point = model.solve(seconds=seconds, relaxed=True)
            else:
                point = model.solve(gap=gap, seconds=seconds, nodes=MOST_NODES)
            if point is None:
                if not outright or not self.mixing.margins_kg:
                    raise ConvergenceError(
                        "the melts cannot be charged by any metal: a heel or a pot stands in the way"
                    )
                self.mixing.margins_kg.clear()
                outright = False
            elif add_cuts(self.mixing, columns, point, RELAXED_CONE, outright=outright):
                if outright:
                    self.mixing.cuts.clear()
            elif quick:
                quick = False
            else:
                return point, columns
        raise ConvergenceError("the cuts of the unsure analyses did not settle")

    def lines(self, point: Point, columns: list[list[int]], pieces: Mapping[str, int]) -> tuple[OrderLine, ...]:
        """For each offer, a delivery for what is cast within a month of its first melt, in the order of ordering."""
        found: list[OrderLine] = []
        for number, offer in enumerate(self.offers):
            total = pieces[offer.lot.id]
            if total > 0:
                place = len(self.stock) + number
                uses = [(m, point.values[row[place]]) for m, row in zip(self.melts, columns, strict=True)]
                found += self._deliveries(offer, total, [(m, kg) for m, kg in uses if kg > LEAST_USED_KG])
        return tuple(sorted(found, key=lambda line: (line.order_by, line.offer)))

    def _deliveries(self, offer: Offer, total: int, uses: Sequence[tuple[DatedMelt, float]]) -> list[OrderLine]:
        """The pigs of one offer by delivery; the last one takes what is left of a pig that was counted before."""
        piece_kg = offer.lot.piece_kg or 1.0
        batches: list[tuple[DatedMelt, float]] = []
        for melt, kg in uses or [(self.melts[0], 0.0)]:
            small = bool(batches) and batches[-1][1] < offer.least_kg
            if batches and (small or (melt.day - batches[-1][0].day).days <= DELIVERY_DAYS):
                batches[-1] = (batches[-1][0], batches[-1][1] + kg)
            else:
                batches.append((melt, kg))
        if len(batches) > 1 and batches[-1][1] < offer.least_kg:
            last = batches.pop()
            batches[-1] = (batches[-1][0], batches[-1][1] + last[1])
        found, used, given = [], 0.0, 0
        for index, (melt, kg) in enumerate(batches):
            used += kg
            count = total - given if index == len(batches) - 1 else math.ceil(used / piece_kg - 1e-6) - given
            given += count
            order_by = melt.day - dt.timedelta(days=offer.lead_days)
            if count > 0:
                found.append(
                    OrderLine(
                        offer.lot.id,
                        count,
                        count * piece_kg,
                        count * piece_kg * offer.lot.price_per_kg,
                        melt.day,
                        melt.request.name,
                        order_by,
                        order_by < self.today,
                    )
                )
        return found

    def waiting(self, point: Point, columns: list[list[int]]) -> tuple[tuple[str, dt.date], ...]:
        """Melts that take metal which comes after their day, and the day it is there."""
        found = []
        for melt, row in zip(self.melts, columns, strict=True):
            late = [
                self.ready[o.lot.id]
                for number, o in enumerate(self.offers)
                if point.values[row[len(self.stock) + number]] > LEAST_USED_KG and self.ready[o.lot.id] > melt.day
            ]
            if late:
                found.append((melt.request.name, max(late)))
        return tuple(found)

"""The metal account of a plan in hand, booked anew from its rows: melts as charged, sheets cast and to come, rolls cut."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import NEW_METAL
from pipemetal.planning.account import Account
from pipemetal.plans import record
from pipemetal.plans.making import metal_row
from pipemetal.plans.scale import cast_kg, in_melt_order, overnight_kg

__all__ = ["with_account"]


@dataclass(frozen=True, eq=False)
class _Books:
    """A plan with its account under way: the metal of each alloy and of each melt."""

    plan: record.Plan
    recipes: Mapping[str, Recipe]
    losses: LossModel
    account: Account

    def metal(self, alloy: str, melt: str = "") -> Composition:
        """What a melt is, by its weighing list; its alloy's target where there is none."""
        row = next((m for m in self.plan.melts if m.name == melt), None)
        if row is None or row.charge is None or not row.charge.composition_wt_pct:
            return self.recipes[alloy].target
        return Composition.from_wt_pct(row.charge.composition_wt_pct)

    def used_kg(self, melt: str) -> float:
        """What its pours take of a melt."""
        return sum(self.taken_kg(p) for p in self.plan.pours if p.melt == melt)

    def taken_kg(self, pour: record.Pour) -> float:
        """What a pour takes from the pot."""
        return max(pour.used_kg, next((s.mass_kg for s in self.plan.sheets if s.id == pour.sheet), 0.0))


def with_account(
    plan: record.Plan, recipes: Mapping[str, Recipe], losses: LossModel, hung: frozenset[str] = frozenset()
) -> record.Plan:
    """The plan with its metal account booked anew from its rows.

    `hung`: rolls on the rack: a sheet that was cast and carries nothing hangs there for others, or it is scrap. Melts count as
    planned; what the scale found in a pot more or less than its list and its pours leave is unexplained, and so is what a pot
    gave beyond that. Of blanks as much becomes pipes, of each
    alloy, as in the plan's account so far. Plans with alloys that are no recipes keep their account.
    """
    asked = {s.alloy for s in plan.sheets} | {m.recipe for m in plan.melts} | {p.alloy for p in plan.pours}
    if not asked <= recipes.keys():
        return plan
    books = _Books(plan, recipes, losses, Account())
    in_order = in_melt_order(plan)
    main = [m for m in in_order if not m.pot]
    for before, melt, after in zip([None, *main], main, [*main[1:], None], strict=False):
        _book_melt(books, melt, before, after)
    for melt in in_order:
        if melt.pot:
            _book_melt(books, melt, None, None)
    for pour in plan.pours:
        _book_pour(books, pour, hung)
    cast = {p.sheet: p.melt for p in plan.pours}
    shares = _shares(plan)
    for sheet in plan.sheets:
        _book_cutting(books, sheet, cast, shares)
    return replace(plan, metal=metal_row(books.account))


def _book_melt(books: _Books, melt: record.Melt, before: record.Melt | None, after: record.Melt | None) -> None:
    account, alloy, charge = books.account, melt.recipe, melt.charge
    metal = books.metal(alloy, melt.name)
    used = books.used_kg(melt.name)
    if charge is None:
        account.move("new metal", "pot", alloy, used, metal, melt.name)
        account.move("heel before", "pot", alloy, melt.heel_kg, metal, melt.name)
        account.move("pot", "heel after", alloy, melt.heel_kg, metal, melt.name)
        return
    heel = books.metal(before.recipe, before.name) if before is not None else metal
    own = books.plan.ingots_of.keys() - {charge.ingots_lot}
    account.move("heel before", "pot", alloy, melt.heel_kg, heel, melt.name)
    put = [melt.heel_kg * f for f in heel.fractions]
    for line in charge.lots:
        lot = Composition.parse(line.composition) if line.composition else metal
        origin = "new metal" if line.kind in NEW_METAL else "own ingots" if line.id in own else "remelt"
        account.move(origin, "pot", alloy, line.mass_kg, lot, f"{melt.name}: {line.id}")
        put = [m + line.mass_kg * f for m, f in zip(put, lot.fractions, strict=True)]
    lost = [m - charge.mass_kg * f for m, f in zip(put, metal.fractions, strict=True)]
    if math.fsum(lost) >= 0.0:
        account.move_elements("pot", "dross", alloy, lost, melt.name)
    else:  # its list gives more than goes in: a pot that held more than the plan knew
        account.move("unexplained gain", "pot", alloy, -math.fsum(lost), metal, melt.name)
    held = charge.mass_kg + charge.unexplained_kg
    left = after.heel_kg if after is not None else 0.0
    overnight = overnight_kg(left, held - used, books.losses)
    out = used + left + overnight
    gain = max(charge.unexplained_kg, 0.0) + max(out - held, 0.0)
    account.move("unexplained gain", "pot", alloy, gain, metal, melt.name)
    account.move("pot", "unexplained loss", alloy, max(-charge.unexplained_kg, 0.0), metal, melt.name)
    account.move("pot", "dross", alloy, overnight, metal, f"{melt.name}, heel overnight")
    account.move("pot", "heel after", alloy, left, metal, melt.name)
    account.move("pot", "ingots", alloy, max(held - out, 0.0), metal, melt.name)


def _book_pour(books: _Books, pour: record.Pour, hung: frozenset[str]) -> None:
    account, alloy, name = books.account, pour.alloy, pour.sheet
    metal, taken = books.metal(alloy, pour.melt), books.taken_kg(pour)
    cast = cast_kg(pour, solid_density_g_cm3(books.recipes[alloy].target))
    account.move("pot", "sheet", alloy, taken, metal, name)
    sheet = next((s for s in books.plan.sheets if s.id == name), None)
    if sheet is None:
        account.move("sheet", "remnants" if name in hung else "offcuts", alloy, cast, metal, name)
    else:
        cast = max(cast, sheet.mass_kg)
        account.move("sheet", "roll cut", alloy, sheet.mass_kg, metal, name)
        account.move("sheet", "planing shavings", alloy, cast - sheet.mass_kg, metal, name)
    account.move("sheet", "offcuts", alloy, taken - cast, metal, f"{name}, run-up")


def _book_cutting(books: _Books, sheet: record.CutSheet, cast: Mapping[str, str], shares: Mapping[str, float]) -> None:
    account, alloy, name = books.account, sheet.alloy, sheet.id
    metal = books.metal(alloy, cast.get(name, ""))
    if name not in cast:
        account.move("rack", "roll cut", alloy, sheet.mass_kg, metal, name)
    pipes = sheet.blanks_kg * shares.get(alloy, 1.0)
    account.move("roll cut", "pipes", alloy, pipes, metal, name)
    account.move("roll cut", "bench trimmings", alloy, sheet.blanks_kg - pipes, metal, name)
    account.move("roll cut", "remnants", alloy, sheet.remnants_kg, metal, name)
    account.move("roll cut", "kerf", alloy, sheet.kerf_kg, metal, name)
    account.move("roll cut", "offcuts", alloy, max(sheet.offcut_kg, 0.0), metal, name)


def _shares(plan: record.Plan) -> dict[str, float]:
    """How much of an alloy's blanks becomes pipes: as the account has it so far, else by the areas of its pipes."""
    known = {
        alloy: (places.get("pipes_kg", 0.0), places.get("pipes_kg", 0.0) + places.get("bench_trimmings_kg", 0.0))
        for alloy, places in plan.metal.by_alloy.items()
    }
    found: dict[str, float] = {}
    for alloy in {p.alloy for p in plan.pipes} | known.keys():
        part, whole = known.get(alloy, (0.0, 0.0))
        if whole <= 0.0:
            mine = [p for p in plan.pipes if p.alloy == alloy]
            part, whole = sum(p.finished_area_mm2 for p in mine), sum(p.blank_area_mm2 for p in mine)
        if whole > 0.0:
            found[alloy] = min(part / whole, 1.0)
    return found

"""The plan's metal account: rolls cut, sheets cast, melts charged, each kilogram booked from where it comes to where it goes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge
from pipemetal.planning.account import Account
from pipemetal.planning.blanks import OrderedBlank
from pipemetal.planning.cuts import CutRoll
from pipemetal.planning.melting import PlannedMelt
from pipemetal.planning.pours import Pour

__all__ = ["book_plan"]


def book_plan(
    cut: Sequence[CutRoll],
    blanks: Sequence[OrderedBlank],
    pours: Sequence[Pour],
    melts: Sequence[PlannedMelt],
    recipes: Mapping[str, Recipe],
) -> Account:
    """All movements that a plan makes.

    Rack metal is taken at its recipe's target, cast metal at its melt's composition. A melt that cannot be charged is
    booked as new metal of its target, so that the sheets it should give still add up.
    """
    account, own = Account(), {m.ingots.id for m in melts if m.ingots is not None}
    by_id = {b.blank.id: b for b in blanks}
    metal_of_sheet = {
        pour.order.sheet.id: (m.charge.composition if isinstance(m.charge, Charge) else recipes[m.melt.recipe].target)
        for m in melts
        for pour in pours
        if pour.melt == m.melt.name
    }
    for number, planned in enumerate(melts):
        later = (m for m in melts[number + 1 :] if m.melt.pot == planned.melt.pot == "")
        _book_melt(account, planned, recipes, next(later, None), own)
    for pour in pours:
        _book_sheet(account, pour, metal_of_sheet[pour.order.sheet.id])
    for roll in cut:
        metal = metal_of_sheet.get(roll.roll.id, recipes[roll.roll.alloy].target)
        _book_cutting(account, roll, by_id, metal)
    return account


def _book_melt(
    account: Account,
    planned: PlannedMelt,
    recipes: Mapping[str, Recipe],
    following: PlannedMelt | None,
    own: Collection[str],
) -> None:
    alloy, name = planned.melt.recipe, planned.melt.name
    if planned.heel is not None:
        account.move("heel before", "pot", alloy, planned.heel.mass_kg, planned.heel.composition, name)
    if not isinstance(planned.charge, Charge):
        account.move(
            "new metal", "pot", alloy, planned.melt.used_kg, recipes[alloy].target, f"{name}, cannot be charged"
        )
        if planned.heel is not None:
            account.move("pot", "heel after", alloy, planned.heel.mass_kg, planned.heel.composition, name)
        return
    for line in planned.charge.lines:
        origin = "new metal" if line.lot.is_new_metal else "own ingots" if line.lot.id in own else "remelt"
        account.move(origin, "pot", alloy, line.mass_kg, line.lot.composition, f"{name}: {line.lot.id}")
    account.move_elements("pot", "dross", alloy, (mass for _, mass in planned.charge.loss_kg), name)
    heel = following.heel.mass_kg if following is not None and following.heel is not None else 0.0
    overnight = following.heel_dross_kg if following is not None else 0.0
    account.move("pot", "dross", alloy, overnight, planned.charge.composition, f"{name}, heel overnight")
    account.move("pot", "heel after", alloy, heel, planned.charge.composition, name)
    account.move("pot", "ingots", alloy, max(planned.left_kg - heel - overnight, 0.0), planned.charge.composition, name)


def _book_sheet(account: Account, pour: Pour, metal: Composition) -> None:
    sheet, alloy = pour.order.sheet, pour.order.sheet.alloy
    account.move("pot", "sheet", alloy, pour.used_kg, metal, sheet.id)
    account.move("sheet", "roll cut", alloy, pour.finished_kg, metal, sheet.id)
    account.move("sheet", "planing shavings", alloy, pour.cast_kg - pour.finished_kg, metal, sheet.id)
    account.move("sheet", "offcuts", alloy, pour.used_kg - pour.cast_kg, metal, f"{sheet.id}, run-up")


def _book_cutting(account: Account, cut: CutRoll, blanks: Mapping[str, OrderedBlank], metal: Composition) -> None:
    alloy, name = cut.roll.alloy, cut.roll.id
    if not cut.is_new:
        account.move("rack", "roll cut", alloy, cut.mass_kg, metal, name)
    pipes = trimmings = 0.0
    for piece in cut.cuts:
        ordered = blanks[piece.blank.id]
        share = min(ordered.part.finished_area_mm2 * ordered.share / ordered.blank.area_mm2(), 1.0)
        share *= ordered.part.planed_share
        pipes += piece.mass_kg * share
        trimmings += piece.mass_kg * (1.0 - share)
    account.move("roll cut", "pipes", alloy, pipes, metal, name)
    account.move("roll cut", "bench trimmings", alloy, trimmings, metal, name)
    account.move("roll cut", "remnants", alloy, cut.remnants_kg, metal, name)
    account.move("roll cut", "kerf", alloy, cut.kerf_kg, metal, name)
    account.move("roll cut", "offcuts", alloy, max(cut.offcut_kg, 0.0), metal, name)

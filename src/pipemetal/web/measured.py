"""A cast with what the plan knows of it: what its sheet was to be, and what the sheet is called where it hangs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipemetal.errors import NotInBookError
from pipemetal.plans.measured import planing_of
from pipemetal.sheets.readings import Reading
from pipemetal.shop.rows import OrderState
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.planning.settings import SheetSettings
    from pipemetal.plans.record import NewSheet
    from pipemetal.shop.rows import CastOrderRow

__all__ = ["Measured", "measured_cast"]


@dataclass(frozen=True)
class Measured:
    """A cast that is to be measured: the line of the cast list it fulfilled, its plan, alloy, and what planing takes off."""

    cast: LoggedCast
    version: int
    order: CastOrderRow | None
    alloy: str
    ends_mm: tuple[float, float]
    planing_mm: float
    roll: str
    sheet: NewSheet | None = None

    def planed_off_mm(self, read: Sequence[tuple[float, float]], sheets: SheetSettings) -> float:
        """What is planed off, by readings along the sheet: where the shop may choose, what makes it as it was meant to be."""
        if self.sheet is None or not sheets.most_planing_mm:
            return self.planing_mm
        return planing_of(self.sheet, [Reading(x, 0.0, t) for x, t in read], sheets.most_planing_mm)


_LIKE_AN_ID = re.compile(r"(?=.*\d)[\w./-]{1,20}")
"""What a note may be where it is the sheet's name: a remark in words is none."""


def measured_cast(site: Site, cast: str) -> Measured:
    """A cast with what the plan knows of it. Errors: NotInBookError."""
    held = next((c for c in site.casts() if c.id == cast), None)
    if held is None:
        raise NotInBookError(field="cast", value=cast[:200])
    version = site.book.casts.row(cast).version
    orders = site.kept("orders", lambda: site.book.plans.cast_list(state=None))
    order = next((o for o in orders if o.cast == cast and o.state is OrderState.CAST), None)
    recipes, metal = site.kept("recipes", site.book.recipes.all), held.composition.text()
    alloy = next((name for name, recipe in recipes.items() if recipe.target.text() == metal), "")
    if order is None:
        ends = (held.wanted_start_mm or 1.0, held.wanted_end_mm or held.wanted_start_mm or 1.0)
        return Measured(held, version, None, alloy, ends, 0.0, _free_name(site, held.note, cast))
    plan = site.plan_by_id(order.plan)
    sheet = next((s for s in plan.new_sheets if s.id == order.sheet), None)
    pour = order.pour
    return Measured(
        held,
        version,
        order,
        order.alloy,
        (pour.cast_start_mm, pour.cast_end_mm),
        sheet.planing_mm if sheet is not None else 0.0,
        _free_name(site, order.sheet, cast),
        sheet,
    )


def _free_name(site: Site, sheet: str, cast: str) -> str:
    """What the roll is called: as its sheet, which is chalked on it; as its cast where that name hangs there already."""
    return sheet if _LIKE_AN_ID.fullmatch(sheet) and not site.book.rolls.has(sheet) else cast

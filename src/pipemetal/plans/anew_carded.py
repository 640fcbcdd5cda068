"""Sheets to come by what their cards give and by what came of others like them: which of them are not worth a cast."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.layout.chance import Chances, chances_of
from pipemetal.layout.plan import NewSheet, Unplaced
from pipemetal.planning.anew_rest import Laid
from pipemetal.planning.chances import CardGives, as_cards_give
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import sheet_order
from pipemetal.plans import record
from pipemetal.plans.anew_layout import Made
from pipemetal.plans.now import ShopNow, sheets_done
from pipemetal.texts import Amount, Text

__all__ = ["Poured", "as_carded", "poured_so_far"]

LEAST_FITTING: Final = 0.05
"""A sheet of whose blanks a smaller share is expected to fit by its own card is not cast (estimate)."""
TRIES: Final = 2
AS_THICK: Final = 0.1
"""So many sheets of about its thickness (a share of it) are cast all the same, for the card may be wrong (estimates)."""
SHORT: Final = 0.08
MOST_SHORT: Final = 3
"""Where so many sheets of about a thickness came out thinner than meant by this share, no more is cast of it (estimates)."""


@dataclass(frozen=True)
class Poured:
    """A sheet of a plan that was poured: how thick its thick end was meant to be, as cast, and the mean of the metal that hangs
    over what was meant, as cast; None where it does not hang."""

    cast_mm: float
    came: float | None


def poured_so_far(plan: record.Plan, now: ShopNow, alloy: str) -> tuple[Poured, ...]:
    """The sheets of an alloy that were poured."""
    done, rack = sheets_done(plan, now), {r.id: r for r in now.stock.rack}
    found = []
    for p in plan.pours:
        if p.sheet not in done or p.alloy != alloy or not p.cast_start_mm:
            continue
        hangs = p.sheet if now.hung is None else now.hung.get(p.sheet, "")
        roll = rack.get(now.measured.get(p.sheet, hangs))
        came = roll.field.mean_mm / (0.5 * (p.cast_start_mm + p.cast_end_mm)) if roll is not None else None
        found.append(Poured(p.cast_start_mm, came))
    return tuple(found)


def as_carded(
    made: Made, gives: Mapping[str, CardGives], settings: ShopSettings, poured: Sequence[Poured]
) -> tuple[Made, frozenset[str]]:
    """An alloy laid anew with the chances that the cards of its sheets leave; without the sheets whose cards give next to none of
    their blanks the metal that they want, and without those of a thickness that came out too thin again and again; and the
    names of what was left out.

    A card may be wrong where nobody has cast: such a sheet is tried twice.
    """
    sheets = as_cards_give(made.layout.new_sheets, gives, settings.sheets.most_planing_mm)
    castable = made.problem.castable
    spread = castable.spread_of(made.alloy) if castable is not None else None
    chances = chances_of(made.problem, replace(made.layout, new_sheets=sheets), lambda sheet: spread)
    gone: dict[str, Text] = {}
    for meant, given in zip(made.layout.new_sheets, sheets, strict=True):
        blanks = [p.blank for p in made.laid.placements if p.roll == meant.id]
        order = sheet_order(meant, settings)
        alike = [p for p in poured if abs(p.cast_mm / order.cast_start_mm - 1.0) < AS_THICK]
        finished = 1.0 - order.planing_mm / order.cast_start_mm
        short = [p.came / finished for p in alike if p.came is not None and p.came < (1.0 - SHORT) * finished]
        if blanks and len(short) >= MOST_SHORT:
            gone[meant.id] = _always_short(len(short), max(short), order.cast_start_mm)
        elif len(alike) >= TRIES and _is_hopeless(blanks, chances):
            gone[meant.id] = _not_given(given)
    if not gone:
        return replace(made, chances=chances), frozenset()
    lost = tuple(Unplaced(p.blank, gone[p.roll], "no_thickness") for p in made.laid.placements if p.roll in gone)
    laid = Laid(
        tuple(p for p in made.laid.placements if p.roll not in gone),
        tuple(s for s in made.laid.sheets if s.id not in gone),
        made.laid.unplaced + lost,
    )
    layout = replace(made.layout, placements=laid.placements, new_sheets=laid.sheets, unplaced=laid.unplaced)
    return replace(made, laid=laid, layout=layout, chances=chances), frozenset(gone)


def _is_hopeless(blanks: Sequence[str], chances: Chances) -> bool:
    return bool(blanks) and sum(chances.of(b) for b in blanks) < LEAST_FITTING * len(blanks)


def _not_given(sheet: NewSheet) -> Text:
    return Text(
        "no push that is known gives it: by its card its sheet comes out as {first} to {last} once it is planed. Think of"
        " other metal for it",
        first=Amount(sheet.thickness_start_mm, "mm", 2, bare=True),
        last=Amount(sheet.thickness_end_mm, "mm", 2),
    )


def _always_short(count: int, least: float, cast_mm: float) -> Text:
    return Text(
        "{count} sheets of about {thick} as cast came out thinner than meant by {short} % and more, whatever their cards said. No"
        " further one is planned: other metal, or two layers, is the way on",
        count=count,
        thick=Amount(cast_mm, "mm", 1),
        short=Amount(100.0 * (1.0 - least)),
    )

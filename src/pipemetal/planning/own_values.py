"""Which of the program's own values decided something in a plan, for a shop that did not say its own."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from pipemetal.layout.plan import LayoutPlan
from pipemetal.planning.day import CastingDay
from pipemetal.planning.melting import Season
from pipemetal.planning.settings import SheetSettings, ShopSettings
from pipemetal.texts import Amount, Text, joined

__all__ = ["own_values_that_decided"]

NEAR_MM, NEAR_SLOPE_MM_M = 0.5, 1e-3
"""A sheet this near to a limit is held by it."""


def own_values_that_decided(
    layout: LayoutPlan, season: Season, settings: ShopSettings, days: Sequence[CastingDay] = ()
) -> tuple[Text, ...]:
    """A sentence with each value that the shop did not say and that the plan hangs on; none where it said them all.

    >>> from pipemetal.melts.worth import metal_prices
    >>> empty = LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    >>> own_values_that_decided(empty, Season((), 0, 0.0, 0.0, 0.0, metal_prices([])), ShopSettings())
    ()
    """
    keys = dict.fromkeys(
        k
        for k in (*_of_sheets(layout, settings.sheets), *_of_melts(season), *_of_days(days, season, settings))
        if k not in settings.said
    )
    notes = []
    if keys:
        values = ", ".join(f"{key} = {_value(settings, key)}" for key in keys)
        notes.append(
            Text("The program's own values decided, because the shop said nothing of them: {values}.", values=values)
        )
    bought = {e for melt in season.melts for e in melt.bought_kg if e in season.prices.guessed}
    if bought:
        values = joined(
            (
                Text("{element} {price}", element=e, price=Amount(season.prices.per_kg[e], "", 2))
                for e in sorted(bought)
            ),
            ", ",
        )
        words = "No lot tells what this metal costs, the program's own price was used: {values} {currency} a kg."
        notes.append(Text(words, values=values, currency=settings.currency))
    return tuple(notes)


def _value(settings: ShopSettings, key: str) -> str:
    table, _, name = key.partition(".")
    if table == "losses":
        return f"{settings.losses.share_of(name):g}"
    return f"{getattr(settings if table == 'shop' else getattr(settings, table), name):g}"


def _of_sheets(layout: LayoutPlan, sheets: SheetSettings) -> Iterator[str]:
    if {p.roll for p in layout.placements} - {s.id for s in layout.new_sheets}:
        yield "sheets.kerf_mm"
        yield "shop.take_down_costs_kg"
    for s in layout.new_sheets:
        for side, size in (("length", s.length_mm), ("width", s.width_mm)):
            for name in (f"least_{side}_mm", f"most_{side}_mm"):
                if abs(size - getattr(sheets, name)) < NEAR_MM:
                    yield f"sheets.{name}"
        ends = (s.thickness_start_mm, s.thickness_end_mm)
        if min(ends) < sheets.thinnest_mm + 1e-3:
            yield "sheets.thinnest_mm"
        if max(ends) > sheets.thickest_mm - 1e-3:
            yield "sheets.thickest_mm"
        if abs(ends[0] - ends[1]) / s.length_mm * 1000.0 > sheets.most_taper_mm_per_m - NEAR_SLOPE_MM_M:
            yield "sheets.most_taper_mm_per_m"
        yield "sheets.kerf_mm"
        yield "sheets.trim_mm"
        yield "sheets.planing_mm" if max(ends) <= sheets.planed_up_to_mm else "sheets.planed_up_to_mm"


def _of_melts(season: Season) -> Iterator[str]:
    if not season.melts:
        return
    yield from ("pot.capacity_kg", "pot.heel_kg", "pot.spare_kg", "pot.least_weighed_kg")
    yield from ("casting.sled_length_mm", "casting.run_up_mm", "casting.air_c", "casting.table_c")
    yield from ("losses.pig", "losses.scrap") if any(m.bought_kg for m in season.melts) else ("losses.scrap",)
    if any(m.bought_kg for m in season.melts):
        yield "shop.errand_costs_kg"
    if any(m.emptied for m in season.melts):
        yield "shop.emptying_costs_kg"


def _of_days(days: Sequence[CastingDay], season: Season, settings: ShopSettings) -> Iterator[str]:
    """What kept the next melt off a day, or more sheets out of a melt: how many melts and casts a day may have."""
    sheets = {m.melt.name: len(m.melt.sheets) for m in season.melts}
    most = settings.casting.casts_a_day
    if any(count >= most for count in sheets.values()):
        yield "casting.casts_a_day"
    for day, following in itertools.pairwise(days):
        if len(day.melts) >= settings.day.melts:
            yield "day.melts"
        elif sum(sheets[name] for name in (*day.melts, following.melts[0])) > most:
            yield "casting.casts_a_day"

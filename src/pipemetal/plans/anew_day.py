"""The casting day that is under way: what was poured of it, when the rest of it can begin, and its steps that are past."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipemetal.errors import PlanError
from pipemetal.melts.day import SheetDemand
from pipemetal.planning.anew_casting import InPot, PotNow, RestCast, pot_serves
from pipemetal.planning.day import Begun, PastCast
from pipemetal.planning.settings import ShopSettings
from pipemetal.plans import record
from pipemetal.plans.now import ShopNow, sheets_done
from pipemetal.plans.rows import day_row
from pipemetal.texts import Amount, Text

__all__ = ["begun_of", "check_pots", "date_of", "last_day", "pots_now", "rest_days"]

OF_SHEET = ("ladle", "pour", "rest")
USUAL_LIFT_MIN, LEAST_BARE_MIN = 10.0, 0.1


def last_day(plan: record.Plan, now: ShopNow) -> int:
    """The number of the last day on which something was cast."""
    over = sheets_done(plan, now)
    return max((p.day for p in plan.pours if p.sheet in over), default=0)


def date_of(plan: record.Plan, day: int) -> dt.date | None:
    """The date of a day, None where it has none."""
    held = next((d.date for d in plan.days if d.day == day), "")
    return dt.date.fromisoformat(held) if held else None


def begun_of(plan: record.Plan, now: ShopNow, lost: frozenset[dt.date] = frozenset()) -> Begun | None:
    """The day under way: some of its sheets are poured and some are not, a pot of it is known, its date not past nor `lost`."""
    over, last = sheets_done(plan, now), last_day(plan, now)
    past = [p for p in plan.pours if p.day == last and p.sheet in over]
    date = date_of(plan, last)
    held = next((d for d in plan.days if d.day == last), None)
    if held is None or not past or all(p.sheet in over for p in plan.pours if p.day == last):
        return None
    melts = tuple(m.name for m in plan.melts if any(p.melt == m.name for p in past))
    if (
        not set(melts) & set(now.pots)
        or date in lost
        or (now.today is not None and date is not None and now.today > date)
    ):
        return None
    free = _poured_until(held, past)
    rested = max((s.to_min for s in held.steps if s.kind == "rest" and s.what in {p.sheet for p in past}), default=0.0)
    latest = max(past, key=lambda p: (p.starts_at_min, p.number))
    pots = {m.pot: m.recipe for m in plan.melts if m.name in melts or now.pots.get(m.name, 0.0) > 0.0}
    return Begun(free, max(free, rested), latest.sled, pots, melts, len(past), date, _past_casts(past, now, free))


def _poured_until(day: record.CastingDay, past: Sequence[record.Pour]) -> float:
    """When the last sheet of a day that was cast was poured, minutes since midnight."""
    names = {p.sheet for p in past}
    ends = (s.to_min for s in day.steps if s.kind == "pour" and s.what in names)
    return max(day.shift_from_min, *ends, *(p.starts_at_min for p in past))


def _past_casts(past: Sequence[record.Pour], now: ShopNow, free_min: float) -> tuple[PastCast, ...]:
    """The sheets poured on the day under way in order, none on the table when the next was poured."""
    known = sorted((p for p in past if p.alloy in now.stock.recipes), key=lambda p: p.starts_at_min)
    found: list[PastCast] = []
    for p, until in zip(known, [*(q.starts_at_min for q in known[1:]), free_min], strict=True):
        lies = p.freezing.lift_after_s / 60.0 if p.freezing is not None else USUAL_LIFT_MIN
        lies = min(lies, until - p.starts_at_min - LEAST_BARE_MIN)
        if lies > LEAST_BARE_MIN:
            metal = now.stock.recipes[p.alloy].target
            found.append(PastCast(metal, max(p.cast_start_mm, p.cast_end_mm), p.starts_at_min, lies))
    return tuple(found)


def check_pots(plan: record.Plan, left_kg: Mapping[str, float], settings: ShopSettings) -> None:
    """Errors: PlanError for a mass that no pot holds, as somebody says it of a charged melt: more than its pot takes, or below
    zero."""
    for m in plan.melts:
        most_kg, said_kg = settings.pot_of(m.pot).capacity_kg, left_kg.get(m.name, 0.0)
        if not 0.0 <= said_kg <= most_kg:
            raise PlanError(
                "is more than its pot holds" if said_kg > most_kg else "is no mass that a pot holds",
                field=f"in the pot, {m.name}",
                value=f"{said_kg:g} kg",
                allowed=Text("0 to {mass}", mass=Amount.short(most_kg, "kg")),
                example=f"{m.name}:120.5",
            )


def pots_now(plan: record.Plan, now: ShopNow, settings: ShopSettings) -> dict[str, PotNow]:
    """What each charged melt holds, and what its sheets to come need by the plan; melts that pour nothing more are left out."""
    over, rows = sheets_done(plan, now), {p.sheet: p for p in plan.pours}
    found = {}
    for m in plan.melts:
        left = [rows[s] for s in m.sheets if s in rows and s not in over and 0.0 < rows[s].used_kg <= rows[s].charge_kg]
        if m.name in now.pots and left:
            demands = [SheetDemand(p.sheet, m.recipe, p.charge_kg, p.used_kg, p.sled) for p in left]
            pot = InPot(m.name, m.recipe, now.pots[m.name], tuple(p.sheet for p in left), m.pot)
            found[m.name], _ = pot_serves(pot, demands, settings.pot.heel_kg if not m.pot else 0.0)
    return found


def rest_days(plan: record.Plan, cast: RestCast, now: ShopNow) -> tuple[int, tuple[record.CastingDay, ...]]:
    """The number of the first day of the rest; and all days: those that are over as they were, of one that is under way the steps
    that are past and then the rest of it, and those to come."""
    last = last_day(plan, now)
    first = last if cast.goes_on else last + 1
    dates = {d.day: d.date for d in plan.days}
    rows = [replace(day_row(d), day=first + k) for k, d in enumerate(cast.days)]
    rows = [replace(d, date=d.date or dates.get(d.day, "")) for d in rows]
    over = sheets_done(plan, now)
    old = [d for day in plan.days if day.day <= last and (d := _past(day, plan, over)) is not None]
    if cast.goes_on and old and old[-1].day == last:
        before, rest = old.pop(), rows[0]
        melts = tuple(dict.fromkeys((*before.melts, *rest.melts)))
        rows[0] = replace(rest, melts=melts, steps=(*before.steps, *rest.steps))
    return first, (*old, *rows)


def _past(day: record.CastingDay, plan: record.Plan, over: frozenset[str]) -> record.CastingDay | None:
    """A day that is over, lost in its middle, or under way, with what was done on it: the steps until its last cast; None where
    nothing was cast on it."""
    mine = [p for p in plan.pours if p.day == day.day]
    past = [p for p in mine if p.sheet in over]
    if len(past) == len(mine):
        return day
    if not past:
        return None
    until, melts = _poured_until(day, past), {p.melt for p in past}
    steps = tuple(s for s in day.steps if (s.what in over if s.kind in OF_SHEET else s.to_min <= until + 1e-6))
    return replace(day, melts=tuple(m.name for m in plan.melts if m.name in melts), steps=steps, over_min=0.0)

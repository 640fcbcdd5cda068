"""The list of a casting day's pours: which are cast, which failed, which is next, and whether its melt is in the pot."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi import Request
from fastapi.responses import Response

from pipemetal.plans.why import why_next
from pipemetal.shop.rows import OrderState, PlanState
from pipemetal.web.paging import paged
from pipemetal.web.replanning import lost_days, waits_anew
from pipemetal.web.site import Site
from pipemetal.web.views.today import Book, DayPicture, day_picture

if TYPE_CHECKING:
    from pipemetal.plans.record import CastingDay, Plan, Pour

__all__ = ["day_page", "pours_of"]


def pours_of(plan: Plan | None) -> list[tuple[int, Pour]]:
    """The pours of a plan, each after its place in the plan's list."""
    return list(enumerate(plan.pours)) if plan else []


def day_page(site: Site, request: Request, day: int) -> Response:
    """The list of a casting day's pours, and the logged casts."""
    plan_id, plan = site.plan(request)
    casts = site.casts()
    orders = site.kept("orders", lambda: site.book.plans.cast_list(state=None))
    done = {o.sheet: o.cast for o in orders if o.plan == plan_id and o.state is OrderState.CAST}
    gone = site.failed_casts()
    failed = {sheet: cast for sheet, cast in done.items() if cast in gone}
    charged, accepted = site.charged(plan_id), site.plan_state(plan_id) == PlanState.ACCEPTED
    view = _day_of(plan, done, failed, day)
    coming = plan.pours[view.next] if plan is not None and view.next is not None else None
    waiting = {p.sheet for p in plan.pours} - done.keys() if plan is not None else set()
    return site.page(
        request,
        "casting.html",
        "Casting",
        "/casting",
        plan=plan,
        view=view,
        pours=pours_of(plan),
        charged=charged,
        rests_on=site.rests_on(plan_id),
        waits=waits_anew(site, plan_id),
        why=why_next(plan, coming.sheet, waiting, charged) if plan is not None and coming is not None else (),
        accepted=accepted,
        may_lose=accepted and bool(view.may_lose) and view.may_lose not in {str(day) for day in lost_days(site)},
        listed=paged(casts, request),
        cast_as=done,
        gone=gone,
        count=len(casts),
    )


@dataclass(frozen=True)
class DayView:
    """The casting day that is shown, all days, its hours and picture, the next sheet to pour by its place in the plan, and its
    date where sheets wait for it, so that it may be lost."""

    day: int = 0
    days: tuple[int, ...] = ()
    held: CastingDay | None = None
    picture: DayPicture | None = None
    next: int | None = None
    may_lose: str = ""


def _day_of(plan: Plan | None, done: dict[str, str], failed: dict[str, str], asked: int) -> DayView:
    """The casting day that was asked for, else the first that has sheets left."""
    if plan is None or not plan.pours:
        return DayView()
    waiting = frozenset(p.sheet for p in plan.pours if p.sheet not in done)
    coming = next((n for n, p in enumerate(plan.pours) if p.sheet in waiting and p.card and p.pour_window_c), None)
    days = tuple(sorted({p.day for p in plan.pours}))
    day = asked if asked in days else plan.pours[coming].day if coming is not None else days[0]
    held = next((d for d in plan.days if d.day == day), None)
    work = Book(waiting, frozenset(), frozenset(), failed=failed)
    picture = day_picture(plan, work, held, datetime.datetime.now()) if held else None
    waits = any(p.day == day and p.sheet in waiting for p in plan.pours)
    return DayView(day, days, held, picture, coming, held.date if held is not None and waits else "")

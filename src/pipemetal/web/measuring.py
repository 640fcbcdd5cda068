"""A cast measured on its grid and hung as a roll, the rest planned anew beside the page, and the new plan taken."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from pipemetal.errors import BookError, InputError, NotInBookError, SheetError
from pipemetal.quantities import CAST, Quantity
from pipemetal.shop.cast_checks import GATE
from pipemetal.shop.rows import OrderState, PlanState
from pipemetal.texts import Amount
from pipemetal.texts import Text as Said
from pipemetal.web.cast_form import within
from pipemetal.web.faults import by_script
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import version_of
from pipemetal.web.views.after import AfterView, after_view
from pipemetal.web.views.measure import Grid, doubtful, grid_of
from pipemetal.web.work import AnewTask

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.plans.anew import Anew
    from pipemetal.shop.rolls import NewRoll
    from pipemetal.shop.rows import CastOrderRow

__all__ = ["add_routes"]

Short = Annotated[str, Form(max_length=250)]
FEWEST: Final = 6
WAYS: Final = {6: 2, 9: 3, 12: 4, 15: 5}
"""How many readings a grid asks for, and how many places along that is."""


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


_LIKE_AN_ID = re.compile(r"(?=.*\d)[\w./-]{1,20}")
"""What a note may be where it is the sheet's name: a remark in words is none."""


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of measuring and of what follows."""
    _add_measure(app, site)
    _add_after(app, site)


def _add_measure(app: FastAPI, site: Site) -> None:
    @app.get("/casting/measure")
    def measure(
        request: Request, cast: Annotated[str, Query(max_length=200)], readings: Annotated[int, Query(ge=6, le=15)] = 15
    ) -> Response:
        return _page(site, request, _measured(site, cast), WAYS.get(readings, 5), {}, (), "", 200)

    @app.post("/casting/measure")
    async def hang(request: Request) -> Response:
        form = await request.form(max_fields=80, max_files=0)
        values = {name: str(value)[:200] for name, value in form.items()}
        return await run_in_threadpool(_kept, site, request, values)


def _kept(site: Site, request: Request, values: dict[str, str]) -> Response:
    """Readings and roll kept in one go, and the rest asked for anew; or the page again with what is wrong."""
    show, held = site.show(request), _measured(site, values.get("cast", ""))
    along = int(values["along"]) if values.get("along") in {str(n) for n in WAYS.values()} else 5
    grid = grid_of(held.cast.length_mm, held.cast.sled.inner_width_mm, held.ends_mm, along)
    wrong: tuple[str, ...] = ()
    try:
        read = _read(show, grid, values, _possible(site, held))
        alone = held.order is not None
        wrong = tuple(n for n in doubtful(grid.places, read, alone=alone) if not values.get(f"keep-{n}"))
        good = {name: t for name, t in read.items() if name not in wrong}
        if len(good) < FEWEST:
            raise _too_few(grid, read, wrong)
        new = _roll(site, held, grid, good)
        pairs = [(p.x_mm, good[p.name]) for p in grid.places if p.name in good]
        with site.once(values.get("token", "")):
            event = site.book.casts.hang(held.cast.id, version_of(values.get("version", "")), pairs, new).event
    except InputError as error:
        if by_script(request):
            raise
        return _page(site, request, held, along, values, wrong, error.text(), 422)
    if held.order is not None:
        _ask(site, held.order.plan, held.cast.id)
    return RedirectResponse(f"/casting/after?cast={quote(held.cast.id, safe='')}&event={event}", 303)


def _too_few(grid: Grid, read: dict[str, float], wrong: tuple[str, ...]) -> SheetError:
    """Which place has to be seen to: a doubtful reading first, else the first open place."""
    place = (
        next(p for p in grid.places if p.name in wrong) if wrong else next(p for p in grid.places if p.name not in read)
    )
    if wrong:
        words = Said("is doubtful: measure it again, or say to keep it; {n} good readings make a sheet", n=FEWEST)
        return SheetError(words, field=place.name, value=read[place.name])
    return SheetError(Said("is open: {n} good readings make a sheet", n=FEWEST), field=place.name)


def _possible(site: Site, held: Measured) -> Quantity:
    """A thickness that this cast can have: by the opening of its gate, and no thicker than the shop casts at all."""
    low, high = (share * held.cast.gate_mm for share in GATE)
    any_mm = CAST["thickness_mm"]
    thickest = max(site.settings.sheets.thickest_mm + held.planing_mm, *held.ends_mm)
    least, most = max(round(low, 2), any_mm.low), min(round(high, 2), thickest, any_mm.high)
    return replace(any_mm, low=least, high=most) if least < min(held.ends_mm) and most > max(held.ends_mm) else any_mm


def _read(show: Show, grid: Grid, values: dict[str, str], possible: Quantity) -> dict[str, float]:
    found = {}
    for place in grid.places:
        thickness = show.read_length(values.get(place.name, ""), place.name)
        if thickness is not None:
            found[place.name] = within(thickness, possible, place.name)
    return found


def _roll(site: Site, held: Measured, grid: Grid, good: dict[str, float]) -> NewRoll:
    """The sheet as a roll by its field: as it is when it is planed."""
    from pipemetal.sheets.field import ThicknessField
    from pipemetal.sheets.fit import fit_field
    from pipemetal.sheets.readings import Reading
    from pipemetal.sheets.roll import Roll
    from pipemetal.shop.rolls import NewRoll

    length, width, planing = held.cast.length_mm, held.cast.sled.inner_width_mm, held.planing_mm
    read = tuple(
        Reading(p.x_mm, p.y_mm, good[p.name] - planing) for p in grid.places if good.get(p.name, 0.0) > planing
    )
    pushed = [[held.ends_mm[0] - planing, held.ends_mm[1] - planing]] * 2
    expected = ThicknessField.from_grid([0.0, length], pushed, width_mm=width) if held.order is not None else None
    field = fit_field(read, length, width, expected=expected)
    return NewRoll(Roll(held.roll, held.alloy, length, width, site.settings.sheets.trim_mm, field), read)


def _measured(site: Site, cast: str) -> Measured:
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
    )


def _free_name(site: Site, sheet: str, cast: str) -> str:
    """What the roll is called: as its sheet, which is chalked on it; as its cast where that name hangs there already."""
    return sheet if _LIKE_AN_ID.fullmatch(sheet) and not site.book.rolls.has(sheet) else cast


def _page(
    site: Site,
    request: Request,
    held: Measured,
    along: int,
    values: dict[str, str],
    wrong: tuple[str, ...],
    problem: str,
    status: int,
) -> Response:
    grid = grid_of(held.cast.length_mm, held.cast.sled.inner_width_mm, held.ends_mm, along)
    return site.page(
        request,
        "measure.html",
        Said("Measure {id}", id=held.order.sheet if held.order is not None else held.cast.id),
        "/casting",
        status=status,
        held=held,
        grid=grid,
        along=along,
        ways=WAYS,
        values=values,
        wrong=wrong,
        problem=problem,
        hung=_hung(site, held.cast.id),
        holds=site.book.ledger.mass_kg(f"sheet:{held.cast.id}") > 0.0,
        gone=site.book.casts.booked(held.cast.id) if held.cast.id in site.failed_casts() else (),
        possible=_possible(site, held),
        alone=held.order is not None,
    )


def _hung(site: Site, cast: str) -> list[str]:
    """The rolls that came of a cast: one that hung before it was logged names another cast of this id."""
    logged = min((e.id for e in site.book.history.events(f"cast:{cast}")), default=0)

    def entered(roll: str) -> int:
        return min((e.id for e in site.book.history.events(f"roll:{roll}")), default=0)

    return [roll for roll in site.book.rolls.cast_from(cast) if entered(roll) >= logged]


def _ask(site: Site, plan_id: str, cast: str) -> None:
    """The rest of an accepted plan planned anew, beside the pages; nothing is changed by it."""
    if site.plan_state(plan_id) != PlanState.ACCEPTED or _running(site, cast):
        return
    version = site.book.plans.row(plan_id).version

    def finish(anew: Anew) -> tuple[str, str]:
        site.anew[cast] = (plan_id, version, anew)
        while len(site.anew) > MOST_HELD:
            site.anew.pop(next(iter(site.anew)))
        return "planned anew", f"/casting/after?cast={quote(cast, safe='')}"

    site.jobs.add(AnewTask(site.book.target, plan_id, site.settings), cast, site.book.who, finish)


MOST_HELD: Final = 4


def _running(site: Site, cast: str) -> bool:
    return any(j.kind == "anew" and j.title == cast for j in site.jobs.running())


def _held(site: Site, cast: str) -> tuple[str, Anew] | None:
    """The new plan of a cast, where the plan that it was made from still stands."""
    found = site.anew.get(cast)
    if found is None or site.book.plans.row(found[0]).version != found[1]:
        return None
    return found[0], found[2]


def _add_after(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/casting/after")
    def after(
        request: Request,
        cast: Annotated[str, Query(max_length=200)],
        changed: Annotated[str, Query(max_length=1)] = "",
    ) -> Response:
        held = _measured(site, cast)
        made = _held(site, cast)
        job = next((j for j in site.jobs.all() if j.kind == "anew" and j.title == cast), None)
        sheet = held.order.sheet if held.order is not None else ""
        view: AfterView | None = None
        if made is not None and sheet:
            view = after_view(made[1], sheet, book.rolls.some(book.rolls.cast_from(cast)))
        taken = view is None and held.order is not None and _is_taken(site, held.order.plan, cast)
        return site.page(
            request,
            "after.html",
            Said("After {id}", id=sheet or cast),
            "/casting",
            held=held,
            job=job if view is None else None,
            seen=view,
            came=_came_out(held),
            changed=bool(changed) and view is None and not taken,
            taken=taken,
            failed=held.cast.id in site.failed_casts(),
            plan_id=held.order.plan if held.order is not None else "",
        )

    @app.post("/jobs/anew")
    def anew(cast: Short) -> Response:
        held = _measured(site, cast)
        if held.order is None:
            raise BookError("was cast for no plan", field="cast", value=cast)
        _ask(site, held.order.plan, cast)
        return RedirectResponse(f"/casting/after?cast={quote(cast, safe='')}", 303)

    @app.post("/casting/after")
    def take(cast: Short, token: Short = "") -> Response:
        made = _held(site, cast)
        with site.once(token):
            if made is None:
                return RedirectResponse(f"/casting/after?cast={quote(cast, safe='')}&changed=1", 303)
            event = book.plans.take(made[0], made[1].plan).event
        return site.booked("/casting", event)


def _is_taken(site: Site, plan_id: str, cast: str) -> bool:
    plan = site.plan_by_id(plan_id)
    sheet = _measured(site, cast).order
    here = {s.id for s in plan.new_sheets}
    return bool({s.id for s in plan.rolls_used} & set(site.book.rolls.cast_from(cast))) or (
        sheet is not None and sheet.sheet not in here
    )


def _came_out(held: Measured) -> tuple[Amount, Amount] | None:
    """How much thicker than its card said a sheet came out at its start and at its end; None where nobody measured it."""
    if not held.cast.thickness_mm:
        return None
    import numpy as np

    x, t = np.array(held.cast.thickness_mm).T
    expected = held.ends_mm[0] + (held.ends_mm[1] - held.ends_mm[0]) * x / held.cast.length_mm
    slope, level = np.polyfit(x, t - expected, 1) if len(set(x)) > 1 else (0.0, float(np.mean(t - expected)))
    return Amount(float(level), "mm", 2), Amount(float(level + slope * held.cast.length_mm), "mm", 2)

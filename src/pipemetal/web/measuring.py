"""A cast measured on its grid and hung as a roll; the rest is then planned anew."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from pipemetal.errors import InputError, SheetError
from pipemetal.quantities import CAST, Quantity
from pipemetal.shop.cast_checks import GATE
from pipemetal.texts import Text as Said
from pipemetal.web.cast_form import within
from pipemetal.web.faults import by_script
from pipemetal.web.measured import Measured, measured_cast
from pipemetal.web.replanning import ask_anew
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import version_of
from pipemetal.web.views.measure import Grid, doubtful, grid_of

if TYPE_CHECKING:
    from pipemetal.shop.rolls import NewRoll

__all__ = ["add_routes"]

FEWEST: Final = 6
WAYS: Final = {6: 2, 9: 3, 12: 4, 15: 5}
"""How many readings a grid asks for, and how many places along that is."""


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of measuring."""

    @app.get("/casting/measure")
    def measure(
        request: Request, cast: Annotated[str, Query(max_length=200)], readings: Annotated[int, Query(ge=6, le=15)] = 15
    ) -> Response:
        return _page(site, request, measured_cast(site, cast), WAYS.get(readings, 5), {}, (), "", 200)

    @app.post("/casting/measure")
    async def hang(request: Request) -> Response:
        form = await request.form(max_fields=80, max_files=0)
        values = {name: str(value)[:200] for name, value in form.items()}
        return await run_in_threadpool(_kept, site, request, values)


def _kept(site: Site, request: Request, values: dict[str, str]) -> Response:
    """Readings and roll kept in one go, and the rest asked for anew; or the page again with what is wrong."""
    show, held = site.show(request), measured_cast(site, values.get("cast", ""))
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
        ask_anew(site, held.order.plan, held.cast.id)
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

    length, width = held.cast.length_mm, held.cast.sled.inner_width_mm
    planing = held.planed_off_mm([(p.x_mm, good[p.name]) for p in grid.places if p.name in good], site.settings.sheets)
    read = tuple(
        Reading(p.x_mm, p.y_mm, good[p.name] - planing) for p in grid.places if good.get(p.name, 0.0) > planing
    )
    pushed = [[held.ends_mm[0] - held.planing_mm, held.ends_mm[1] - held.planing_mm]] * 2
    expected = ThicknessField.from_grid([0.0, length], pushed, width_mm=width) if held.order is not None else None
    field = fit_field(read, length, width, expected=expected)
    return NewRoll(Roll(held.roll, held.alloy, length, width, site.settings.sheets.trim_mm, field), read)


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

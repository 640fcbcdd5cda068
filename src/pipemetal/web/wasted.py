"""Where the metal of a plan goes that becomes no blank: of the plan at hand, or of one of three to choose from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlencode

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response

from pipemetal.errors import NotInBookError
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.layout.waste import SheetWaste

__all__ = ["add_routes"]

Asked = Annotated[str, Query(max_length=250)]


@dataclass(frozen=True)
class Wasted:
    """What is looked at: the name of the plan, the wish that it is to meet (empty for the plan at hand), and its sheets."""

    name: str
    wish: str
    sheets: tuple[SheetWaste, ...]


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of what is wasted."""

    @app.get("/plans/waste")
    def page(request: Request, organ: Asked = "", wish: Asked = "") -> Response:
        from pipemetal.documents.waste_picture import waste_legend
        from pipemetal.layout.waste import Waste, told_of_waste, waste_by_alloy

        found = _found(site, request, organ, wish)
        return site.page(
            request,
            "waste.html",
            "Where the metal goes that becomes no blank",
            "/plans",
            found=found,
            organ=organ,
            told=told_of_waste(found.sheets),
            waste=waste_by_alloy(found.sheets),
            kinds=list(Waste),
            legend=waste_legend(),
            asked=urlencode({"organ": organ, "wish": wish}) if wish else "",
        )

    @app.get("/plans/waste.svg")
    def picture(
        request: Request,
        organ: Asked = "",
        wish: Asked = "",
        narrow: Annotated[str, Query(max_length=1)] = "",
    ) -> Response:
        from pipemetal.documents.svg import to_svg
        from pipemetal.documents.waste_picture import waste_on_screen

        found = _found(site, request, organ, wish)
        drawing = waste_on_screen(found.sheets, site.show(request).say, narrow=bool(narrow))
        return Response(to_svg(drawing), media_type="image/svg+xml")


def _found(site: Site, request: Request, organ: str, wish: str) -> Wasted:
    """What was asked for. Errors: NotInBookError."""
    if wish:
        held = site.choices.get(organ)
        choice = next((c for c in held.made.choices if c.name == wish), None) if held is not None else None
        if held is None or choice is None:
            raise NotInBookError(field="plan", value=wish)
        return Wasted(organ, wish, held.made.waste[choice.found_by])
    plan_id, plan = site.plan(request)
    if plan is None:
        raise NotInBookError(field="plan", value="")
    return Wasted(plan_id, "", site.kept(f"waste {plan_id}", lambda: _of_plan(site, plan_id)))


def _of_plan(site: Site, plan_id: str) -> tuple[SheetWaste, ...]:
    """Where the metal of a plan in the book goes, by its own sheets and the rolls as they were measured."""
    from pipemetal.layout.waste import waste_of
    from pipemetal.plans.by_hand import bench_of

    plan = site.plan_by_id(plan_id)
    sheets, kinds = [s.id for s in plan.sheets], site.settings.sheets
    bench = bench_of(
        plan,
        sheets,
        site.book.rolls.some(sheets),
        trim_mm=kinds.trim_mm,
        kerf_mm=kinds.kerf_mm,
        errors=site.roll_errors() if plan.chances else None,
    )
    layout = replace(bench.layout(()), placements=bench.placements, new_sheets=bench.new)
    return waste_of(bench.problem, layout)

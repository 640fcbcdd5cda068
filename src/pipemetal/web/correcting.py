"""After an assay of the pot: what to add, booked as it was weighed in; and metal poured off into ingots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.errors import BookError, ConvergenceError
from pipemetal.melts.lots import Heel
from pipemetal.melts.request import Charge
from pipemetal.plans.metal_rows import LotLine
from pipemetal.plans.record import planned_name
from pipemetal.shop.heels import StandingMelt
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import Blank, Typed, version_of
from pipemetal.web.weighing import (
    BEFORE_CHARGING,
    blocked_words,
    form_values,
    mark_refusal,
    other_lots,
    overfull,
    standing,
)

__all__ = ["add_routes"]

LARGEST_KG: Final = 5000.0


@dataclass(frozen=True)
class Reached:
    """An element of a melt now and after the addition, and its window in the recipe, percent by mass."""

    element: str
    now: float
    after: float
    window: tuple[float, float] | None


@dataclass(frozen=True)
class Found:
    """What to add to a melt; `lines` is None where nothing that is in stock corrects it, which `words` then tells."""

    words: str
    lines: tuple[LotLine, ...] | None
    ladle_kg: float
    room_kg: float
    reached: tuple[Reached, ...] = ()
    dross_kg: float = 0.0


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of corrections and ingots."""

    @app.get("/melts/correct")
    def question(request: Request, melt: Annotated[str, Query(max_length=200)] = "") -> Response:
        return _page(site, request, _proposed(site.show(request), _melt(site, melt)))

    @app.post("/melts/correct")
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(_answered, site, request, await form_values(request))

    @app.post("/melts/correct/book")
    async def book_it(request: Request) -> Response:
        return await run_in_threadpool(_booked, site, request, await form_values(request))

    @app.post("/melts/ingots")
    async def ingots(request: Request) -> Response:
        return await run_in_threadpool(_poured, site, request, await form_values(request))


def _melt(site: Site, key: str) -> StandingMelt | None:
    return next((m for m in standing(site) if m.id == key), None) if key else None


def _proposed(show: Show, melt: StandingMelt | None) -> dict[str, str]:
    """The question as it stands before anybody types: what the book says of the melt."""
    if melt is None:
        return {"melt": ""}
    assay = melt.assay or (show.metal(melt.metal) if melt.metal else "")
    return {"melt": melt.id, "recipe": melt.recipe, "mass": show.plain_mass(melt.left_kg, 1), "assay": assay}


def _answered(site: Site, request: Request, values: dict[str, str]) -> Response:
    typed = Typed(site.show(request), values)
    found, problem = _corrected(site, typed)
    return _page(site, request, values, typed.wrong, found, problem)


def _corrected(site: Site, typed: Typed) -> tuple[Found | None, str]:
    """What to add to a melt that was assayed, as the page shows it; None where something is wrong."""
    from pipemetal.melts.correction import correct

    recipes = site.kept("recipes", site.book.recipes.all)
    name = typed.choice("recipe", sorted(recipes))
    mass, metal = typed.mass_kg("mass", 1.0, LARGEST_KG), typed.metal("assay")
    if typed.wrong or metal is None:
        return None, ""
    melt, pot, recipe = _melt(site, typed.text("melt")), site.settings.pot, recipes[name]
    plan = melt.plan if melt is not None else ""
    lots, _ = site.kept(f"lots free for {plan}", lambda: site.book.lots.free(plan=plan))
    try:
        found = correct(
            Heel(mass, metal),
            recipe,
            lots,
            pot.capacity_kg,
            weigh_step_kg=pot.weigh_step_kg,
            losses=site.settings.losses,
        )
    except ConvergenceError as error:
        return None, str(error)
    if not isinstance(found.answer, Charge):
        words = blocked_words(typed.show, found.answer)
        return Found(words, None, found.ladle_out_kg, found.room_left_kg), ""
    now, after = metal.as_wt_pct(), found.answer.composition.as_wt_pct()
    windows = {e: (low, high) for e, low, high in recipe.windows_wt_pct}
    lines = tuple(LotLine(x.lot.id, x.lot.kind, x.mass_kg, x.pieces, note=x.lot.note) for x in found.answer.lines)
    reached = tuple(
        Reached(e, now[e], after[e], windows.get(e)) for e in ELEMENTS if now[e] > 0.005 or after[e] > 0.005
    )
    return Found("", lines, found.ladle_out_kg, found.room_left_kg, reached, found.answer.dross_kg), ""


def _booked(site: Site, request: Request, values: dict[str, str]) -> Response:
    """The additions as they were weighed in."""
    typed, problem = Typed(site.show(request), values), ""
    weighed, dross = typed.weighed_kg(), typed.mass_kg("dross", 0.0, LARGEST_KG, empty=0.0)
    version, melt = version_of(values.get("version", "")), _melt(site, typed.text("melt"))
    if not weighed and not typed.wrong:
        problem = typed.show.say("Type what the scale says for every lot.")
    held = {lot.id: lot.mass_kg for lot in site.kept("lots", site.book.lots.in_stock)[0]}
    if melt is not None and all(mass <= held.get(lot, mass) for lot, mass in weighed.items()):
        # more than a lot holds is told by its lot, below
        problem = problem or overfull(site, typed.show, melt.left_kg + sum(weighed.values()))
    if not typed.wrong and not problem:
        try:
            with site.once(values.get("token", "")):
                event = site.book.melts.correct(
                    typed.text("melt"),
                    weighed,
                    dross_kg=dross,
                    version=version,
                    note=typed.text("note"),
                ).event
            return site.booked("/melts", event)
        except BookError as error:
            problem = mark_refusal(typed, error, {"dross_kg": "dross"})
    question = Typed(typed.show, values)
    found, why_none = _corrected(site, question)
    return _page(site, request, values, typed.wrong | question.wrong, found, problem or why_none)


def _poured(site: Site, request: Request, values: dict[str, str]) -> Response:
    """Ingots poured from a melt: a lot of their own."""
    typed, problem = Typed(site.show(request), values), ""
    melt = _melt(site, typed.text("melt"))
    if melt is None:
        raise BookError("holds no metal any more", field="melt", value=typed.text("melt")[:200])
    lot, mass = typed.needed("ingot_lot"), typed.mass_kg("ingot_mass", 0.01, max(melt.left_kg, 0.01))
    if not typed.wrong:
        try:
            with site.once(values.get("token", "")):
                event = site.book.melts.to_lot(melt.id, lot, mass).event
            return site.booked("/melts/correct", event, melt=melt.id)
        except BookError as error:
            problem = mark_refusal(typed, error, {"id": "ingot_lot", "mass_kg": "ingot_mass"})
    return _page(site, request, _proposed(typed.show, melt) | values, typed.wrong, None, problem)


def _page(
    site: Site,
    request: Request,
    values: dict[str, str],
    wrong: dict[str, str] | None = None,
    found: Found | None = None,
    problem: str = "",
) -> Response:
    melt, recipes = _melt(site, values.get("melt", "")), site.kept("recipes", site.book.recipes.all)
    named = {line.id for line in found.lines or ()} if found is not None else set()
    return site.page(
        request,
        "correct.html",
        "Correct a melt",
        "/melts",
        status=422 if wrong or problem else 200,
        v=Blank(values),
        wrong=Blank(wrong or {}),
        recipes=sorted(recipes),
        answer=found,
        problem=problem,
        melt=melt,
        standing=standing(site),
        cautions=BEFORE_CHARGING,
        others=other_lots(site, named),
        ingots=_ingot_id(site, melt) if melt else "",
        differs=melt is not None and _differs(melt, values.get("assay", "")),
    )


def _differs(melt: StandingMelt, assay: str) -> bool:
    """Whether the assay typed is not what the book says of the melt."""
    try:
        metal = Composition.parse(assay) if assay.strip() else None
    except ValueError:
        return False
    if metal is None or melt.metal is None:
        return metal is not None
    return any(abs(metal.wt_pct(e) - melt.metal.wt_pct(e)) > 0.02 for e in ELEMENTS)


def _ingot_id(site: Site, melt: StandingMelt) -> str:
    """An id for ingots of a melt: what its plan calls them, else a new one."""
    used = set(site.book.lots.ids())
    plan = site.book.plans.plan(melt.plan) if melt.plan else None
    planned = planned_name(melt.id, plan) if plan is not None else ""
    named = next((lot for lot, m in (plan.ingots_of.items() if plan is not None else ()) if m.name == planned), "")
    if named and named not in used:
        return named
    head = f"{melt.id}-ingots"
    return next(name for n in range(1, len(used) + 2) if (name := head if n == 1 else f"{head}-{n}") not in used)

"""The cutting bench: a sheet with its blanks to move, turn, swap and pin; the rest laid anew; booked as cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI, Form, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from markupsafe import Markup
from pydantic import BaseModel, ConfigDict, Field

from pipemetal.errors import LayoutError, NotInBookError
from pipemetal.layout.plan import Placement
from pipemetal.plans.record import CutSheet, Plan
from pipemetal.sheets.ends import left_end
from pipemetal.sheets.roll import Roll
from pipemetal.shop.rows import PlanState, RollState
from pipemetal.texts import Text
from pipemetal.web import pictures
from pipemetal.web.bench import ranks_held
from pipemetal.web.replanning import waits_anew
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.work import RelayTask

if TYPE_CHECKING:
    from pipemetal.layout.plan import LayoutPlan
    from pipemetal.plans import by_hand

__all__ = ["add_routes"]

Short = Annotated[str, Form(max_length=250)]
Millimetres = Annotated[float, Field(ge=-20_000.0, le=40_000.0, allow_inf_nan=False)]
RELAY_SECONDS = (5, 20, 60)


class Place(BaseModel):
    """Where a blank lies."""

    model_config = ConfigDict(extra="forbid")
    blank: str = Field(max_length=250)
    sheet: str = Field(max_length=250)
    x_mm: Millimetres
    y_mm: Millimetres
    turn_deg: int = Field(ge=0, le=270)
    pinned: bool = False

    def placement(self) -> Placement:
        """As the layout room knows it."""
        return Placement(self.blank, self.sheet, self.x_mm, self.y_mm, self.turn_deg)


class Moved(BaseModel):
    """A layout as somebody left it on a tablet: `places` are the blanks that are not where the plan has them, or pinned."""

    model_config = ConfigDict(extra="forbid")
    plan: str = Field(max_length=250)
    sheet: str = Field(max_length=250)
    places: list[Place] = Field(max_length=1000)
    about: str = Field(default="", max_length=250)
    seconds: int = Field(default=20, ge=1, le=600)


def add_routes(app: FastAPI, site: Site) -> None:
    """The bench's routes."""
    _add_cutting(app, site)
    _add_relay(app, site)


def _add_cutting(app: FastAPI, site: Site) -> None:

    @app.get("/cutting")
    def cutting(request: Request, sheet: str = "") -> Response:
        plan_id, plan = site.plan(request)
        sheets = plan.sheets if plan else ()
        chosen = next((s for s in sheets if s.id == sheet), None)
        if sheet and chosen is None:
            raise NotInBookError(field="sheet", value=sheet[:200])
        chosen = chosen or (sheets[0] if sheets else None)
        return site.page(
            request,
            "cutting.html",
            "Cutting",
            "/cutting",
            plan=plan,
            plan_id=plan_id,
            sheets=sheets,
            sheet=chosen,
            state=site.plan_state(plan_id),
            waits=waits_anew(site, plan_id),
            view=_bench_view(site, site.show(request), plan_id, plan, chosen, sheets),
        )

    @app.post("/cutting/check")
    def check(moved: Moved) -> Response:
        from pipemetal.planning.cuts import in_pencil
        from pipemetal.plans import by_hand

        bench, placements = _on_bench(site, moved)
        here = [p for p in placements if p.roll == moved.sheet]
        faults = [vars(fault) for fault in by_hand.faults_of(bench, here)]
        about = next((p for p in here if p.blank == moved.about), None)
        moved_here = {p.blank for p in moved.places}
        chances = {b: c for b, c in bench.chances(here).items() if b in moved_here}
        pencil = [b for b, chance in chances.items() if in_pencil(chance, bench.problem.certainty)]
        fits = by_hand.fits_along(bench, about) if about else []
        return JSONResponse({"faults": faults, "fits": fits, "chances": chances, "pencil": pencil})

    @app.post("/cutting/keep")
    def keep(request: Request, moved: Moved) -> Response:
        bench, placements = _on_bench(site, moved)
        return JSONResponse({"link": f"/cutting?event={_keep(site, moved.plan, bench, placements)}&done=saved"})


def _add_relay(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/jobs/relay")
    def relay(request: Request, moved: Moved) -> Response:
        bench, placements = _on_bench(site, moved, whole_alloy=True)
        pinned = {p.blank for p in moved.places if p.pinned}
        held = site.plan_by_id(moved.plan).sheets
        pinned |= {b for s in held if s.id in bench.rolls for b in book.pieces.cut_alone(s.id, moved.plan, s)}
        task = RelayTask(
            bench.problem,
            bench.layout(placements),
            tuple(p for p in placements if p.blank in pinned),
            float(moved.seconds),
        )
        who = book.who

        def finish(layout: LayoutPlan) -> tuple[str, str]:
            if layout.unplaced:
                raise LayoutError(
                    Text("finds no place: {reason}", reason=layout.unplaced[0].reason),
                    field="blank",
                    value=layout.unplaced[0].blank,
                )
            with book.acting(who):
                event = _keep(site, moved.plan, bench, layout.placements)
            return f"{len(layout.placements)} blanks laid, {len(pinned)} pinned", f"/cutting?event={event}"

        site.jobs.add(task, f"{bench.problem.rolls[0].alloy}, {moved.plan}", who, finish)
        return JSONResponse({"link": "/jobs"})

    @app.post("/cutting/cut")
    def cut(plan: Short, sheet: Short, blank: Short = "", token: Short = "") -> Response:
        kerf_mm = site.settings.sheets.kerf_mm
        if blank:
            with site.once(token):
                event = book.plans.cut_one(plan, sheet, blank, kerf_mm=kerf_mm).event
            coming = _next_blank(site, plan, sheet, blank)
            return RedirectResponse(f"/cutting?sheet={_quoted(sheet)}&blank={_quoted(coming)}&event={event}", 303)
        with site.once(token):
            event, remnants = book.plans.cut(plan, sheet, kerf_mm=kerf_mm)
        path = f"/cutting?sheet={_quoted(sheet)}&event={event}&remnants={len(remnants)}"
        return RedirectResponse(path, 303)


def _next_blank(site: Site, plan_id: str, sheet_id: str, blank: str) -> str:
    """The next blank of a sheet that is not cut, after this one, else the first of all; empty where none is left."""
    sheet = next(s for s in site.plan_by_id(plan_id).sheets if s.id == sheet_id)
    gone = site.book.pieces.cut_alone(sheet_id, plan_id, sheet)
    number = next(c.number for c in sheet.cuts if c.blank == blank)
    left = sorted((c.number < number, c.number, c.blank) for c in sheet.cuts if c.blank not in gone)
    return left[0][2] if left else ""


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


@dataclass(frozen=True)
class TabletBlank:
    """A blank as the tablet moves it. `wants`: walls of the layout and tolerance, mm; `corners` from its place, mm; in `pencil`
    where it is less sure to fit than wanted; `name` is the blank's, in the reader's language."""

    blank: str
    name: str
    number: int
    x_mm: float
    y_mm: float
    turn_deg: int
    length_mm: float
    width_mm: float
    turns_deg: tuple[int, ...]
    wants: tuple[float, ...]
    corners: tuple[tuple[float, float], ...]
    chance: float | None
    pencil: bool
    cut: bool = False


@dataclass(frozen=True)
class TabletSheet:
    """A sheet as the tablet holds it; `siblings` are the sheets of its alloy, `no_go` polygons in mm."""

    plan: str
    sheet: str
    length_mm: float
    width_mm: float
    trim_mm: float
    kerf_mm: float
    no_go: tuple[tuple[tuple[float, float], ...], ...]
    siblings: tuple[str, ...]
    blanks: tuple[TabletBlank, ...]


@dataclass(frozen=True)
class BenchView:
    """What the page needs beside the plan: the picture, what the tablet may move, and where the sheet stands in the book.

    `with_page`: the blanks that have a page, of an organ in the book or cut already;
    `cut_alone`: those that are cut while the roll still hangs. `left_end`: which end lies left, by its metal.
    """

    picture: str = ""
    bench: Mapping[str, object] = field(default_factory=dict)
    standing: str = ""
    before: str | None = None
    after: str | None = None
    remnants_now: tuple[str, ...] = ()
    with_page: frozenset[str] = frozenset()
    cut_alone: frozenset[str] = frozenset()
    left_end: Text | None = None


def _bench_view(
    site: Site, show: Show, plan_id: str, plan: Plan | None, chosen: CutSheet | None, sheets: Sequence[CutSheet]
) -> BenchView:
    from pipemetal.plans import by_hand

    if plan is None or chosen is None:
        return BenchView()
    ids = [s.id for s in sheets]
    at = ids.index(chosen.id)
    rolls = site.book.rolls
    held = rolls.some([chosen.id])
    kinds = site.settings.sheets
    bench = by_hand.bench_of(
        plan,
        [chosen.id],
        held,
        trim_mm=kinds.trim_mm,
        kerf_mm=kinds.kerf_mm,
        most_planing_mm=kinds.most_planing_mm,
    )
    siblings = tuple(s.id for s in sheets if s.alloy == chosen.alloy)
    gone = site.book.pieces.cut_alone(chosen.id, plan_id, chosen)
    return BenchView(
        _ground(site, bench.rolls[chosen.id]),
        asdict(_for_tablet(plan_id, chosen, bench, siblings, gone, show)),
        str(rolls.states([chosen.id]).get(chosen.id, "")),
        ids[at - 1] if at > 0 else None,
        ids[at + 1] if at + 1 < len(ids) else None,
        tuple(rolls.children(chosen.id)),
        _with_page(site, chosen),
        gone,
        left_end(bench.rolls[chosen.id].field),
    )


def _with_page(site: Site, sheet: CutSheet) -> frozenset[str]:
    ranks = tuple(f"{name} " for name in ranks_held(site))
    return frozenset(c.blank for c in sheet.cuts if c.blank.startswith(ranks) or site.book.pieces.has(c.blank))


def _ground(site: Site, roll: Roll) -> Markup:
    field = roll.field
    key = ("ground", roll.id, roll.length_mm, roll.width_mm, field.thickness_mm.tobytes(), tuple(field.stations_mm))
    return site.remembered(key, lambda: pictures.bench_ground(roll))


def _for_tablet(
    plan_id: str, sheet: CutSheet, bench: by_hand.Bench, siblings: tuple[str, ...], gone: frozenset[str], show: Show
) -> TabletSheet:
    from pipemetal.planning.cuts import in_pencil

    roll = bench.rolls[sheet.id]
    blanks = tuple(
        TabletBlank(
            c.blank,
            show.blank(c.blank, c.kind),
            c.number,
            c.x_mm,
            c.y_mm,
            c.turn_deg,
            c.length_mm,
            c.width_mm,
            tuple(c.turns_deg),
            c.accepted_mm,
            tuple((x - c.x_mm, y - c.y_mm) for x, y in c.corners_mm or ()),
            c.chance,
            in_pencil(c.chance, bench.problem.certainty),
            c.blank in gone,
        )
        for c in sheet.cuts
    )
    return TabletSheet(
        plan_id,
        sheet.id,
        roll.length_mm,
        roll.width_mm,
        roll.trim_mm,
        bench.kerf_mm,
        roll.no_go,
        siblings,
        blanks,
    )


def _on_bench(site: Site, moved: Moved, *, whole_alloy: bool = False) -> tuple[by_hand.Bench, list[Placement]]:
    """The sheets that somebody moved blanks on, and where everything on them lies now."""
    from pipemetal.plans import by_hand

    plan = site.plan_by_id(moved.plan)
    sheets = {s.id: s for s in plan.sheets}
    if moved.sheet not in sheets:
        raise NotInBookError(field="sheet", value=moved.sheet)
    home = {c.blank: s.id for s in sheets.values() for c in s.cuts}
    wanted = {p.blank: p for p in moved.places}
    names = {moved.sheet} | {p.sheet for p in moved.places} | {home[b] for b in wanted if b in home}
    if whole_alloy:
        states = site.book.rolls.states(list(sheets))
        cut = {key for key, state in states.items() if state in (RollState.CUT, RollState.SCRAPPED)}
        names |= {s.id for s in sheets.values() if s.alloy == sheets[moved.sheet].alloy} - cut
    alloys = {sheets[n].alloy for n in names if n in sheets}
    if len(alloys) > 1:
        raise LayoutError("is of another alloy", field="sheet", value=", ".join(sorted(alloys)))
    kinds = site.settings.sheets
    rack = site.book.rolls.some(sorted(names))
    bench = by_hand.bench_of(
        plan,
        sorted(names),
        rack,
        trim_mm=kinds.trim_mm,
        kerf_mm=kinds.kerf_mm,
        errors=site.roll_errors() if plan.chances else None,
        most_planing_mm=kinds.most_planing_mm,
    )
    return bench, [wanted[p.blank].placement() if p.blank in wanted else p for p in bench.placements]


def _keep(site: Site, plan_id: str, bench: by_hand.Bench, placements: Sequence[Placement]) -> int:
    """Keep the changed layout: an accepted plan is changed, of any other a new version is kept. Gives the event."""
    from pipemetal.plans import by_hand

    book = site.book
    faults = by_hand.faults_of(bench, placements)
    if faults:
        raise LayoutError(faults[0].words, field="blank", value=faults[0].blank, where=faults[0].sheet)
    made = by_hand.changed_plan(site.plan_by_id(plan_id), bench, placements, site.densities())
    if book.plans.state(plan_id) is PlanState.ACCEPTED:
        return book.plans.change(plan_id, made).event
    return book.plans.keep(made).event

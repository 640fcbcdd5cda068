"""Plans: made beside the pages, chosen, accepted, given up; what runs and waits; and their papers."""

from __future__ import annotations

from typing import Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Form, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response

from pipemetal.errors import BookError, NotInBookError
from pipemetal.plans.record import Plan
from pipemetal.sheets.ends import END_NAMES
from pipemetal.web.paging import paged
from pipemetal.web.replanning import waits_anew
from pipemetal.web.show import Show
from pipemetal.web.site import PLAN_COOKIE, Site
from pipemetal.web.work import LearnTask, LogTaught, PlanTask

__all__ = ["SECONDS", "add_routes", "choose"]

Short = Annotated[str, Form(max_length=250)]
SECONDS: Final = (20, 60, 300, 1800)


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of plans and jobs."""
    book = site.book

    @app.get("/plans")
    def plans(request: Request) -> Response:
        from pipemetal.documents.plan_paper import PAPERS

        plan_id, plan = site.plan(request)
        organs = site.kept("organ ids", lambda: list(book.plans.organs()))
        return site.page(
            request,
            "plans.html",
            "Plans",
            "/plans",
            listed=paged(site.plan_states(), request),
            planning=[job for job in site.jobs.running() if job.kind in ("plan", "choices")],
            choices=list(site.choices),
            plan_id=plan_id,
            plan=plan,
            rests_on=site.rests_on(plan_id),
            waits=waits_anew(site, plan_id),
            organs=organs,
            seconds=SECONDS,
            papers=list(PAPERS),
            state=site.plan_state(plan_id),
            ends=END_NAMES,
            currency=site.settings.currency,
        )

    @app.post("/plans/accept")
    def accept(plan: Short, token: Short = "") -> Response:
        with site.once(token):
            event, _ = book.plans.accept(plan)
        return site.booked("/plans", event)

    @app.post("/plans/give-up")
    def give_up(plan: Short, token: Short = "") -> Response:
        with site.once(token):
            return site.booked("/plans", book.plans.give_up(plan).event)

    _add_papers(app, site)
    _add_jobs(app, site)


def _add_papers(app: FastAPI, site: Site) -> None:

    @app.get("/paper/wait/{name}")
    def wait(request: Request, name: str) -> Response:
        # shown at once; the browser keeps it until the paper itself comes
        query = request.url.query
        paper = f"/paper/{quote(name, safe='')}" + (f"?{query}" if query else "")
        return site.page(request, "paper_wait.html", "The paper is being made", "/plans", paper=paper, name=name)

    @app.get("/paper/{name}")
    def paper(request: Request, name: str) -> Response:
        from pipemetal.documents.plan_paper import PAPERS, plan_paper

        _, plan = site.plan(request)
        if plan is None or name not in PAPERS:
            raise NotInBookError(field="paper", value=name)
        show, paper = site.show(request), request.query_params.get("paper", "") or site.settings.paper
        if name == "cutting":
            made = _cutting(site, plan, request.query_params.get("sheet", ""), show, paper)
        else:
            made = plan_paper(name, plan, show.units, show.say, paper)
        return Response(
            made, media_type="application/pdf", headers={"content-disposition": f"inline; filename={name}.pdf"}
        )


def _cutting(site: Site, plan: Plan, only: str, show: Show, paper: str) -> bytes:
    """The cutting sheets of a plan, or one of them."""
    from pipemetal.documents.plan_paper import cutting_pdf

    sheets = [s.id for s in plan.sheets if only in ("", s.id)]
    if not sheets:
        raise NotInBookError(field="sheet", value=only[:200])
    rack = site.book.rolls.some(sheets)
    return cutting_pdf(plan, show.units, show.say, paper, only=only, rack=rack)


def _add_jobs(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/jobs/plan")
    def make_plan(organ: Short, seconds: Annotated[int, Form(ge=5, le=86_400)]) -> Response:
        text = book.plans.organ(organ)
        who = book.who
        task = PlanTask(book.target, text, site.settings, float(seconds))

        def finish(made: Plan) -> tuple[str, str]:
            with book.acting(who):
                _, key = book.plans.keep(made)
            return f"{made.pipes_served} of {len(made.pipes)} pipes have their metal: {key}", "/plans"

        site.jobs.add(task, organ, who, finish)
        return RedirectResponse("/jobs", 303)

    @app.post("/jobs/learn")
    def learn() -> Response:
        def finish(found: LogTaught) -> tuple[str, str]:
            return f"{found.words}. {found.log_next}", "/casting/said"

        site.jobs.add(LearnTask(book.target), "", book.who, finish)
        return RedirectResponse("/jobs", 303)

    @app.post("/jobs/stop")
    def stop(job: Annotated[int, Form(ge=1, le=10**9)], keep: Short = "") -> Response:
        site.jobs.stop(job, keep=bool(keep))
        return RedirectResponse("/jobs", 303)

    @app.post("/jobs/again")
    def again(job: Annotated[int, Form(ge=1, le=10**9)]) -> Response:
        if site.jobs.again(job, book.who) is None:
            raise BookError("is not a job that failed or was stopped", field="job", value=job)
        return RedirectResponse("/jobs", 303)

    @app.get("/jobs")
    def jobs(request: Request) -> Response:
        return site.page(request, "jobs.html", "At work", "/jobs", jobs=site.jobs.all())

    @app.get("/jobs.json")
    def jobs_json(request: Request) -> Response:
        show = site.show(request)
        return JSONResponse([job.as_dict() | {"words": show.read(job.words)} for job in site.jobs.all()])


def choose(answer: Response, plan: str) -> None:
    """Remember on this tablet which plan is at hand."""
    answer.set_cookie(PLAN_COOKIE, quote(plan, safe=""), max_age=31_536_000, httponly=True, samesite="strict")

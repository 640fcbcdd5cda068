"""Three plans to choose from: asked for of an organ, made beside the pages, shown side by side, and one of them taken."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from pipemetal.errors import NotInBookError
from pipemetal.texts import Text as Said
from pipemetal.web.jobs import Job
from pipemetal.web.plans import SECONDS, choose
from pipemetal.web.site import HeldChoices, Site
from pipemetal.web.work import ChoicesMade, ChoicesTask
from pipemetal.words import Words

if TYPE_CHECKING:
    from pipemetal.documents.choices_page import Card

__all__ = ["add_routes", "page_of"]

Short = Annotated[str, Form(max_length=250)]
Asked = Annotated[str, Query(max_length=250)]
MOST_HELD: Final = 4


def page_of(organ: str) -> str:
    """The page of an organ's plans to choose from.

    >>> page_of("Chapel #1")
    '/plans/choices?organ=Chapel%20%231'
    """
    return f"/plans/choices?organ={quote(organ, safe='')}"


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of plans to choose from."""
    book = site.book

    @app.post("/jobs/choices")
    def ask(organ: Short, seconds: Annotated[int, Form(ge=5, le=86_400)] = SECONDS[1]) -> Response:
        text = book.plans.organ(organ)
        if all(job.is_over for job in _jobs(site, organ)):
            settings, event = site.settings, book.history.last()

            def finish(made: ChoicesMade) -> tuple[str, str]:
                site.choices[organ] = HeldChoices(made, settings, event)
                while len(site.choices) > MOST_HELD:
                    site.choices.pop(next(iter(site.choices)))
                return Said("plans to choose from: {count}", count=len(made.plans)), page_of(organ)

            site.jobs.add(ChoicesTask(book.target, text, settings, float(seconds)), organ, book.who, finish)
        return RedirectResponse(page_of(organ), 303)

    @app.get("/plans/choices")
    def look(request: Request, organ: Asked = "") -> Response:
        return _page(site, request, organ)

    @app.post("/plans/choices")
    def take(organ: Short, wish: Short, token: Short = "") -> Response:
        held = site.choices.get(organ)
        choice = next((c for c in held.made.choices if c.name == wish), None) if held is not None else None
        with site.once(token):
            if held is None or choice is None:
                raise NotInBookError(field="plan", value=wish)
            event, key = book.plans.accept(held.made.plans[choice.found_by])
        answer = site.booked("/plans", event)
        choose(answer, key)
        return answer


def _page(site: Site, request: Request, organ: str) -> Response:
    from pipemetal.documents.waste_picture import waste_legend

    known = site.kept("organ ids", lambda: list(site.book.plans.organs()))
    organ = organ or (known[-1] if known else "")
    if organ and organ not in known:
        raise NotInBookError(field="organ", value=organ)
    held, job = site.choices.get(organ), next(iter(_jobs(site, organ)), None)
    return site.page(
        request,
        "choices.html",
        "Three plans to choose from",
        "/plans",
        organ=organ,
        known=known[::-1],
        seconds=SECONDS,
        job=job,
        held=held,
        cards=_cards(site, held, site.show(request).say) if held is not None else (),
        legend=waste_legend(),
        changed=held is not None and site.book.history.last() != held.event,
    )


def _cards(site: Site, held: HeldChoices, say: Words) -> tuple[Card, ...]:
    """The cards of some plans, drawn once for a language."""
    from pipemetal.documents.choices_page import cards_of

    made = held.made
    key = ("choices", held, say.language)
    return site.remembered(key, lambda: cards_of(made.choices, made.waste, held.settings, say))


def _jobs(site: Site, organ: str) -> list[Job]:
    """What was asked for of this organ, the latest first."""
    return [job for job in site.jobs.all() if job.kind == ChoicesTask.KIND and job.title == organ]

"""What every page shares: the book, the plan at hand, jobs, the person in front, and the templates."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Final, TypeVar, cast
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined

from pipemetal.documents.marks import UNKNOWN_MARK, marks_of
from pipemetal.documents.shown import NOTES_NAMED
from pipemetal.errors import BookError, InputError, NotInBookError
from pipemetal.planning.settings import ShopSettings
from pipemetal.plans.record import planned_name
from pipemetal.shop.book import Book, Event, Person
from pipemetal.shop.plans import KnownPlan
from pipemetal.shop.recipes import density_of
from pipemetal.shop.resting import RestsOn
from pipemetal.shop.roles import Role, may
from pipemetal.shop.rows import PlanState
from pipemetal.shop.settings import InEffect, SaidFile, in_effect
from pipemetal.shop.undoing import KEPT_BY_NOBODY
from pipemetal.web.jobs import Jobs
from pipemetal.web.shop_fields import told_changes
from pipemetal.web.show import Show, show_of
from pipemetal.web.views.figures import allows, figure_of, figure_of_cast

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.plans.anew import Anew
    from pipemetal.plans.record import Plan
    from pipemetal.sheets.unsure import FieldError
    from pipemetal.web.guard import Door
    from pipemetal.web.work import ChoicesMade

__all__ = ["ASIDE", "PLAN_COOKIE", "REASON", "VIEWS", "WORK", "Devices", "HeldChoices", "Site", "part_of_work"]

WORK: Final = (
    ("/organs", "Organ"),
    ("/plans", "Plan"),
    ("/melts", "Metal"),
    ("/casting", "Cast"),
    ("/racks", "Rack"),
    ("/cutting", "Cut"),
    ("/trace", "Origin"),
)
"""The work in its order, from the list of ranks to where a pipe's metal came from."""
VIEWS: Final = {
    "/melts": (("/melts", "Melts"), ("/stock", "Stock"), ("/stock/recipes", "Recipes")),
    "/casting": (("/casting", "Pours"), ("/casting/said", "What your casts say")),
    "/cutting": (("/cutting", "Cut"), ("/ear", "Listen")),
    "/trace": (("/trace", "One thing"), ("/account", "All metal")),
}
"""The pages that show one part of the work from several sides."""
ALSO: Final = {
    "/organs": (("/pipes/old", "Old pipes"), ("/pipes/old-rank", "Old rank")),
    "/racks": (("/stock#in-roll", "Enter a roll"),),
}
"""What a large page has a button for and a phone has room for in its menu alone."""
MENU: Final = {part: (*VIEWS.get(part, ())[1:], *ALSO.get(part, ())) for part, _ in WORK}
"""Under each part of the work, the other pages of it: in the menu of a phone."""
ASIDE: Final = (("/jobs", "Jobs"), ("/history", "History"), ("/settings", "Settings"))
"""What is not work: behind the sign of who is there."""
NAMES_NOTES: Final = ("/organs", "/cutting", "/trace", "/racks")
"""Parts of the work whose pages name pipes by their notes."""
PLAN_COOKIE: Final = "pipemetal_plan"
REASON: Final = "pipemetal_reason"
"""Where a request holds why it was refused, for the log."""
DONE: Final = {
    "saved": "Saved.",
    "same": "Nothing was changed.",
    "left": "You are signed out.",
    "checked": "Checked.",
    "printed": "Sent to the label printer.",
}
MOST_PLANS_HELD: Final = 6
MOST_REMEMBERED: Final = 400
Made = TypeVar("Made")


@dataclass(frozen=True)
class Devices:
    """The shop's own devices, as whoever starts the pages names them; empty where there is none."""

    scale: str = ""
    label_printer: str = ""
    label_size: str = "roll 90x50"
    dots: int = 203


@dataclass(frozen=True, eq=False)
class HeldChoices:
    """Plans to choose from, with the settings that priced them and the book's last event when they were asked for."""

    made: ChoicesMade
    settings: ShopSettings
    event: int


class Site:
    """One shop's pages."""

    def __init__(
        self,
        book: Book,
        name: str = "Shop book",
        given: SaidFile | None = None,
        beside: SaidFile | None = None,
        devices: Devices | None = None,
    ) -> None:
        self.book, self.name = book, name
        self.devices = devices or Devices()
        self.given, self.beside = given, beside
        self.jobs = Jobs()
        self.door: Door | None = None
        self.grounds: dict[tuple[str, int], str] = {}
        self.anew: dict[str, tuple[str, tuple[str, ...], Anew]] = {}
        self.choices: dict[str, HeldChoices] = {}
        self.answered: dict[int, str] = {}
        self._plans: OrderedDict[tuple[str, int], Plan] = OrderedDict()
        self._kept: dict[str, tuple[int, object]] = {}
        self._remembered: dict[Hashable, tuple[object]] = {}
        # every template is escaped, whatever its name ends in
        self.templates = Environment(
            loader=ChoiceLoader(
                [
                    PackageLoader("pipemetal.web", "templates"),
                    PrefixLoader({"documents": PackageLoader("pipemetal.documents", "templates")}),
                ]
            ),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.globals["zip"] = zip
        self.templates.globals["mark_of"] = self.mark_of
        self.templates.globals |= {"allows": allows, "figure_of": figure_of, "figure_of_cast": figure_of_cast}
        self.templates.globals["told_changes"] = told_changes
        self.templates.globals["token"] = lambda: secrets.token_urlsafe(12)

    def in_effect(self) -> InEffect:
        """The settings that count now; another process may have changed the book's. Errors: InputError."""
        return self.kept("settings", lambda: in_effect(self.book.settings, self.given, self.beside))

    @property
    def settings(self) -> ShopSettings:
        """The settings that count now."""
        return self.in_effect().settings

    @property
    def shop_name(self) -> str:
        """What stands above every page: the shop's own name where it says one."""
        try:
            found = self.in_effect()
        except InputError:  # a page that mends the settings must still come
            return self.name
        return found.settings.name if "shop.name" in found.said else self.name

    def knows(self, name: str) -> bool:
        """Whether what is kept under this name is made already."""
        held = self._kept.get(name)
        return held is not None and held[0] == self.book.history.last()

    def kept(self, name: str, make: Callable[[], Made]) -> Made:
        """What was made of the book, until somebody writes in it."""
        now = self.book.history.last()
        held = self._kept.get(name)
        if held is None or held[0] != now:
            held = (now, make())
            self._kept[name] = held
        return cast("Made", held[1])

    def rests_on(self, plan_id: str) -> tuple[RestsOn, ...]:
        """What a plan was worked out around and was taken back since; nothing of one that is not accepted."""
        if self.plan_state(plan_id) != PlanState.ACCEPTED:
            return ()
        return self.kept(f"rests on {plan_id}", lambda: self.book.plans.rests_on(plan_id))

    def remembered(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """What was made for a key that names all that it rests on, a picture for example; the latest are remembered."""
        held = self._remembered.get(key)
        if held is None:
            held = self._remembered[key] = (make(),)
            while len(self._remembered) > MOST_REMEMBERED:
                self._remembered.pop(next(iter(self._remembered)), None)
        return cast("Made", held[0])

    def roll_errors(self) -> Mapping[str, FieldError]:
        """How far the metal of each roll of the rack may be from its field, learned from all of them."""
        from pipemetal.planning.chances import roll_errors

        return self.kept("roll errors", lambda: roll_errors(self.book.rolls.rack(reserved=True)))

    def plan_states(self) -> list[KnownPlan]:
        """All plans, latest first."""
        return self.kept("plans", self.book.plans.all)

    def plan(self, request: Request | None = None) -> tuple[str, Plan | None]:
        """The plan at hand and its id: the one chosen on this tablet, else the latest accepted, else the latest."""
        known = self.plan_states()
        chosen = _unquoted(request.cookies.get(PLAN_COOKIE, "")) if request is not None else ""
        ids = [p.id for p in known]
        accepted = [p.id for p in known if p.state is PlanState.ACCEPTED]
        key = chosen if chosen in ids else (accepted or ids or [""])[0]
        return (key, self.plan_by_id(key)) if key else ("", None)

    def charged(self, key: str) -> frozenset[str]:
        """The melts of a plan that were charged, by their names in it."""

        def make() -> frozenset[str]:
            plan = self.plan_by_id(key)
            return frozenset(planned_name(m.id, plan) for m in self.book.melts.rows() if m.plan == key)

        return self.kept(f"charged {key}", make) if key else frozenset()

    def plan_by_id(self, key: str) -> Plan:
        """A plan; a few are held for as long as nobody changes them. Errors: BookError."""
        version = self.book.plans.row(key).version
        held = self._plans.get((key, version))
        if held is None:
            held = self.book.plans.plan(key)
            if held is None:
                raise NotInBookError(field="plan", value=key)
            self._plans[key, version] = held
            while len(self._plans) > MOST_PLANS_HELD:
                self._plans.popitem(last=False)
        else:
            self._plans.move_to_end((key, version))
        return held

    def plan_state(self, key: str) -> str:
        """The state of a plan, empty where there is none."""
        return next((p.state for p in self.plan_states() if p.id == key), "")

    def undone(self) -> set[int]:
        """Events that are taken back."""
        return self.kept("undone", self.book.history.undone)

    def casts(self) -> list[LoggedCast]:
        """The casting log, the latest first."""
        return self.kept("casts", lambda: sorted(self.book.casts.log(), key=lambda c: (c.day, c.id), reverse=True))

    def failed_casts(self) -> frozenset[str]:
        """The casts that came to nothing."""
        return self.kept("failed casts", self.book.casts.failed)

    def densities(self) -> dict[str, float]:
        """Density of the solid metal of every recipe, g/cm3."""
        recipes = self.kept("recipes", self.book.recipes.all)
        return self.kept("densities", lambda: {n: density_of(r.target) for n, r in recipes.items()})

    def mark_of(self, alloy: str) -> str:
        """The mark of an alloy, by the shop's recipes."""
        recipes = self.kept("recipes", self.book.recipes.all)
        marks = self.kept(
            "marks", lambda: marks_of({n: r.target.as_wt_pct().get("Sn", 0.0) for n, r in recipes.items()})
        )
        return marks.get(alloy, UNKNOWN_MARK)

    def event(self, number: int) -> Event | None:
        """One event, None where there is none."""
        try:
            return self.book.history.event(number)
        except BookError:
            return None

    def undoable(self, event: Event, role: str) -> bool:
        """Whether somebody of this role may take an event back: as for what was done in the first place."""
        what = self.kept("roots", self.book.history.roots).get(event.id, event.what)
        return may(role, what) and what not in KEPT_BY_NOBODY

    @contextmanager
    def once(self, token: str) -> Iterator[None]:
        """What is written inside is done once for this form, however often it is sent."""
        with self.book.acting(self.book.who, token[:100] or None):
            yield

    def person(self, request: Request) -> Person | None:
        """Who is in front; None while the book names nobody."""
        found: Person | None = request.scope.get("pipemetal_person")
        return found

    def show(self, request: Request) -> Show:
        """How this person wants things shown."""
        person = self.person(request)
        return show_of(request.cookies, person.name if person else "")

    def page(
        self,
        request: Request,
        template: str,
        title: str,
        here: str,
        *,
        view: object | None = None,
        status: int = 200,
        **values: object,
    ) -> HTMLResponse:
        """A page, filled in: the fields of a view, and what else is given; `title` is said in the person's language."""
        show, person = self.show(request), self.person(request)
        if status >= HTTPStatus.BAD_REQUEST:
            request.scope.setdefault(REASON, _reason(values))
        query = request.query_params
        event = (
            self.event(int(query["event"])) if query.get("event", "").isdecimal() and len(query["event"]) < 16 else None
        )
        role = person.role if person else Role.RUN
        html = self.templates.get_template(template).render(
            {"title": show.read(title)} | (vars(view) if view is not None else {}) | values,
            here=here,
            at=part_of_work(here),
            at_name=dict(WORK).get(part_of_work(here), ""),
            work=WORK,
            views=VIEWS.get(part_of_work(here), ()),
            menu=MENU,
            notes_named=NOTES_NAMED if part_of_work(here) in NAMES_NOTES else "",
            aside=ASIDE,
            initials=initials_of(person.name if person else self.shop_name),
            shop_name=self.shop_name,
            devices=self.devices,
            show=show,
            say=show.say,
            done=DONE.get(query.get("done", ""), ""),
            event=event,
            person=person,
            may=lambda action: may(role, action),
            undoable=lambda event: self.undoable(event, role),
            working=self.jobs.running(),
        )
        return HTMLResponse(html, status)

    def booked(self, path: str, event: int, **more: str) -> RedirectResponse:
        """To a page that tells what was booked, with undo."""
        extra = "".join(f"&{k}={quote(v, safe='')}" for k, v in more.items())
        return RedirectResponse(f"{path}?event={event}{extra}", 303)


def _reason(values: Mapping[str, object]) -> str:
    """Why a form was refused: told on top, or beside its fields."""
    wrong, told = values.get("wrong"), values.get("problem")
    fields = [f"{field}: {words}" for field, words in wrong.items()] if isinstance(wrong, Mapping) else []
    return "; ".join([*([str(told)] if told else []), *fields])


def part_of_work(here: str) -> str:
    """The part of the work that a page belongs to, empty where it belongs to none.

    >>> part_of_work("/stock"), part_of_work("/settings")
    ('/melts', '')
    """
    of_view = {path: part for part, views in VIEWS.items() for path, _ in views}
    return of_view.get(here, here if here in dict(WORK) else "")


def initials_of(name: str) -> str:
    """The sign of a person: the first letters of the first and the last name.

    >>> initials_of("Anna Holm"), initials_of("Tom"), initials_of("")
    ('AH', 'T', '–')
    """
    words = [w for w in name.split() if w[0].isalnum()]
    ends = words[:1] + words[1:][-1:]
    return "".join(w[0].upper() for w in ends) or "–"


def _unquoted(text: str) -> str:
    from urllib.parse import unquote

    return unquote(text)

"""The shop's settings on the pages: a form for each group, kept in the book; and what the gate's figures are now."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from pipemetal.errors import BookError, InputError
from pipemetal.shop.book import StaleSaveError
from pipemetal.shop.settings import BESIDE, GIVEN
from pipemetal.web.setting_groups import GROUPS, Group, setting_of
from pipemetal.web.shop_fields import fields_of, read_form, with_unit
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import version_of

if TYPE_CHECKING:
    from pipemetal.planning.learning import Learned

__all__ = ["add_routes", "change", "gate_of"]

HERE = "/settings/shop"
GATE = "gate"
MOST_FIELDS = 120


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of the shop's settings."""

    @app.get(HERE)
    def shop(
        request: Request,
        group: Annotated[str, Query(max_length=20)] = GROUPS[0].name,
        learn: Annotated[str, Query(max_length=3)] = "",
    ) -> Response:
        if group == GATE:
            return _gate_page(site, request, compute=bool(learn))
        return _page(site, request, _group_of(group))

    @app.post(HERE)
    async def save(request: Request) -> Response:
        form = await request.form(max_fields=MOST_FIELDS, max_files=0)
        values = {name: str(value)[:1000] for name, value in form.items()}
        return await run_in_threadpool(_save, site, request, values)


def _save(site: Site, request: Request, form: dict[str, str]) -> Response:
    show, now = site.show(request), site.in_effect()
    group, version = _group_of(form.get("group", "")), version_of(form.get("version", ""))
    changes, wrong = read_form(show, group, form, now)
    if wrong:
        return _page(site, request, group, form, wrong)
    if not changes:
        return RedirectResponse(f"{HERE}?done=same&group={group.name}", 303)
    try:
        with site.once(form.get("token", "")):
            event = change(site, changes, version)
    except StaleSaveError as error:
        raise StaleSaveError(
            error.about,
            _told(show, error.mine),
            _told(show, error.theirs),
            by=error.by,
            own=error.own,
        ) from None
    return site.booked(HERE, event, group=group.name)


def _group_of(name: str) -> Group:
    found = next((g for g in GROUPS if g.name == name), None)
    if found is None:
        raise InputError("is not known", field="group", value=name[:20], allowed=", ".join(g.name for g in GROUPS))
    return found


def _told(show: Show, values: Mapping[str, object]) -> dict[str, str]:
    """Values by their labels, in a person's units."""
    return {
        setting_of(key).name(show): show.say("the program's own")
        if value == ""
        else with_unit(show, setting_of(key), value)
        for key, value in values.items()
        if isinstance(value, float | int | str)
    }


def change(site: Site, changes: Mapping[str, float | int | str | None], version: int) -> int:
    """Keep changes in the book on what counts now; gives the event.

    Errors: BookError while a file given by --settings counts before the book, for the change would change nothing; else as
    `Settings.change_settings`.
    """
    if site.given is not None:
        raise BookError(
            "count before the book: the pages were started with --settings",
            field="settings",
            value=site.given.name,
            allowed="start them without --settings; `pipemetal book settings keep FILE` takes a file into the book",
        )
    return site.book.settings.change(changes, version, base=site.in_effect().said).event


def _page(
    site: Site,
    request: Request,
    group: Group,
    typed: Mapping[str, str] | None = None,
    wrong: Mapping[str, str] | None = None,
) -> Response:
    show, now = site.show(request), site.in_effect()
    fields = fields_of(show, group, now, typed, wrong)
    known = {f.key for f in fields}
    return site.page(
        request,
        "shop.html",
        "Settings of the shop",
        "/settings",
        status=422 if wrong else 200,
        tabs=GROUPS,
        group=group,
        fields=fields,
        now=now,
        faults=[f for f in fields if f.wrong],
        more=[words for key, words in (wrong or {}).items() if key not in known],
        locked=now.origin == GIVEN,
        beside=now.origin == BESIDE,
        units_key=_units_key(show),
        events=site.kept("settings events", lambda: site.book.history.events("settings:shop", limit=10)),
        undone=site.undone(),
    )


def _gate_page(site: Site, request: Request, *, compute: bool) -> Response:
    return site.page(
        request,
        "gate.html",
        "Settings of the shop",
        "/settings",
        tabs=GROUPS,
        learned=gate_of(site, compute=compute),
        casts=len(site.casts()),
    )


def _units_key(show: Show) -> str:
    """What a tablet keeps of a form belongs to the units it was typed in."""
    return f"{show.units.length}.{show.units.mass}.{show.units.temperature}"


def gate_of(site: Site, *, compute: bool) -> Learned | None:
    """What the casting log teaches of the gate; None where that must be computed first and nobody asked for it.

    Errors: InputError where the log cannot be fitted.
    """
    from pipemetal.casting.calibrate import calibrate
    from pipemetal.planning.learning import Learned, learn

    casts = sorted(site.casts(), key=lambda c: (c.day, c.id))
    if not casts:
        return Learned()
    if not compute and not site.knows("learned"):
        return None
    gate = site.kept("calibration", lambda: calibrate(casts))
    return site.kept("learned", lambda: learn(casts, gate=gate))

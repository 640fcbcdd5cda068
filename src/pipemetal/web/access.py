"""Who may see and do what on the pages: every route by the book's own table of roles; what is not listed is denied to all.

A route names one action of `shop/roles.py`. `anyone` is what must work before somebody is known: coming in, and the door's own
files. `MOST_BYTES` limits what a route takes in; all others take a form's worth.
"""

from __future__ import annotations

from typing import Final

from pipemetal.shop.roles import Action, may

__all__ = ["ANYONE", "FORM_BYTES", "MOST_BYTES", "ROUTES", "allowed", "most_bytes", "room_of"]

ANYONE: Final = "anyone"
FORM_BYTES: Final = 1_000_000
"""The most that a form may bring."""
MOST_BYTES: Final[dict[str, int]] = {
    "/stock/import": 20_000_000,
    "/photos": 13_000_000,
    "/scan/photo": 13_000_000,
    "/ear": 100_000_000,
    "/cutting/check": 300_000,
    "/enter": 4_000,
}
"""Routes that take more, or less, than a form."""

ROUTES: Final[dict[tuple[str, str], str]] = {
    ("GET", "/enter"): ANYONE,
    ("GET", "/sw.js"): ANYONE,
    ("GET", "/away"): ANYONE,
    ("GET", "/parts"): Action.LOOK,
    ("POST", "/enter"): ANYONE,
    ("POST", "/leave"): ANYONE,
    ("GET", "/"): Action.LOOK,
    ("GET", "/scan"): Action.LOOK,
    ("GET", "/find"): Action.LOOK,
    ("POST", "/scan/photo"): Action.LOOK,
    ("GET", "/scale"): Action.LOOK,
    ("POST", "/labels/print"): Action.LOOK,
    ("GET", "/health"): ANYONE,
    ("GET", "/racks"): Action.SEARCH,
    ("GET", "/racks/{roll_id:path}"): Action.LOOK,
    ("GET", "/account"): Action.LOOK,
    ("GET", "/history"): Action.LOOK,
    ("GET", "/settings"): Action.LOOK,
    ("GET", "/settings/shop"): Action.LOOK,
    ("POST", "/settings/shop"): Action.SETTINGS_CHANGED,
    ("GET", "/stock/recipes"): Action.LOOK,
    ("POST", "/stock/recipes"): Action.RECIPE_CHANGED,
    ("POST", "/settings"): Action.LOOK,
    ("GET", "/trace"): Action.TRACE,
    ("GET", "/organs"): Action.LOOK,
    ("GET", "/pipes"): Action.LOOK,
    ("GET", "/pipes/card.pdf"): Action.LOOK,
    ("GET", "/pipes/rank"): Action.LOOK,
    ("GET", "/pipes/old"): Action.LOOK,
    ("POST", "/pipes/old"): Action.LOOK,
    ("GET", "/pipes/old-rank"): Action.LOOK,
    ("POST", "/pipes/old-rank"): Action.LOOK,
    ("GET", "/pipes/rank.pdf"): Action.LOOK,
    ("POST", "/organs/try"): Action.LOOK,
    ("POST", "/melts/as-weighed"): Action.LOOK,
    ("GET", "/ear"): Action.LOOK,
    ("POST", "/ear"): Action.LOOK,
    ("POST", "/ear/keep"): Action.PIPE_HEARD,
    ("POST", "/ear/lengths"): Action.SETTINGS_CHANGED,
    ("GET", "/plans"): Action.LOOK,
    ("GET", "/plans/choices"): Action.LOOK,
    ("GET", "/plans/waste"): Action.LOOK,
    ("GET", "/plans/waste.svg"): Action.LOOK,
    ("GET", "/cutting"): Action.LOOK,
    ("POST", "/cutting/check"): Action.LOOK,
    ("GET", "/melts"): Action.LOOK,
    ("GET", "/melts/correct"): Action.LOOK,
    ("POST", "/melts/correct"): Action.LOOK,
    ("GET", "/melts/new"): Action.LOOK,
    ("POST", "/melts/new"): Action.LOOK,
    ("GET", "/casting"): Action.LOOK,
    ("GET", "/casting/log"): Action.CAST_LOGGED,
    ("GET", "/casting/pour"): Action.LOOK,
    ("GET", "/casting/measure"): Action.LOOK,
    ("POST", "/casting/measure"): Action.ROLL_ENTERED,
    ("GET", "/casting/after"): Action.LOOK,
    ("POST", "/casting/after"): Action.PLAN_ANEW,
    ("POST", "/casting/lost"): Action.SETTINGS_CHANGED,
    ("POST", "/jobs/anew"): Action.LOOK,
    ("GET", "/casting/said"): Action.LOOK,
    ("GET", "/casting/cast/{cast_id:path}"): Action.LOOK,
    ("GET", "/jobs"): Action.LOOK,
    ("GET", "/jobs.json"): Action.LOOK,
    ("GET", "/paper/{name}"): Action.LOOK,
    ("GET", "/paper/wait/{name}"): Action.LOOK,
    ("GET", "/labels"): Action.LOOK,
    ("GET", "/photos/{photo_id:path}"): Action.LOOK,
    ("GET", "/stock"): Action.LOOK,
    ("POST", "/racks/{roll_id:path}"): Action.ROLL_CHANGED,
    ("POST", "/casting/log"): Action.CAST_LOGGED,
    ("POST", "/cutting/cut"): Action.PLANNED_ROLL_CUT,
    ("POST", "/melts/book"): Action.MELT_CHARGED,
    ("POST", "/melts/new/book"): Action.MELT_CHARGED,
    ("POST", "/melts/correct/book"): Action.MELT_CORRECTED,
    ("POST", "/melts/ingots"): Action.INGOTS_POURED,
    ("POST", "/stock/sell"): Action.SOLD,
    ("POST", "/casting/trim"): Action.SHEET_TRIMMED,
    ("POST", "/undo/{event_id}"): Action.TAKEN_BACK,
    ("POST", "/photos"): Action.ATTACHMENT_KEPT,
    ("POST", "/stock/roll"): Action.ROLL_ENTERED,
    ("POST", "/stock/lot"): Action.LOT_ENTERED,
    ("POST", "/stock/weigh"): Action.WEIGHED,
    ("POST", "/stock/import"): Action.IMPORTED,
    ("POST", "/stock/analysis"): Action.ANALYSIS_ENTERED,
    ("POST", "/organs"): Action.ORGAN_KEPT,
    ("POST", "/cutting/keep"): Action.PLAN_KEPT,
    ("POST", "/plans/choices"): Action.PLAN_ACCEPTED,
    ("POST", "/plans/accept"): Action.PLAN_ACCEPTED,
    ("POST", "/plans/give-up"): Action.PLAN_GIVEN_UP,
    ("POST", "/jobs/choices"): Action.PLAN_KEPT,
    ("POST", "/jobs/plan"): Action.PLAN_KEPT,
    ("POST", "/jobs/relay"): Action.PLAN_KEPT,
    ("POST", "/jobs/learn"): Action.LOOK,
    ("POST", "/jobs/stop"): Action.PLAN_KEPT,
    ("POST", "/jobs/again"): Action.PLAN_KEPT,
    ("POST", "/people"): Action.PERSON_ENTERED,
    ("POST", "/people/role"): Action.ROLE_GIVEN,
    ("POST", "/people/close"): Action.PERSON_CLOSED,
    ("POST", "/people/secret"): Action.PIN_SET,
    ("POST", "/people/token"): Action.TOKEN_GIVEN,
    ("POST", "/people/token/withdraw"): Action.TOKEN_WITHDRAWN,
    ("GET", "/api/openapi.json"): Action.LOOK,
    ("GET", "/api/rolls"): Action.SEARCH,
    ("GET", "/api/rolls/{roll_id:path}"): Action.LOOK,
    ("GET", "/api/lots"): Action.LOOK,
    ("GET", "/api/casts"): Action.LOOK,
    ("GET", "/api/plans"): Action.LOOK,
    ("GET", "/api/plan"): Action.LOOK,
    ("GET", "/api/settings"): Action.LOOK,
    ("POST", "/api/settings"): Action.SETTINGS_CHANGED,
    ("GET", "/api/recipes"): Action.LOOK,
    ("POST", "/api/recipes"): Action.RECIPE_CHANGED,
    ("GET", "/api/history"): Action.LOOK,
    ("GET", "/api/account"): Action.LOOK,
    ("GET", "/api/trace"): Action.TRACE,
    ("POST", "/api/rolls/{roll_id:path}"): Action.ROLL_CHANGED,
    ("POST", "/api/lots"): Action.LOT_ENTERED,
    ("POST", "/api/casts"): Action.CAST_LOGGED,
    ("POST", "/api/cuts"): Action.PLANNED_ROLL_CUT,
    ("POST", "/api/melts"): Action.MELT_CHARGED,
    ("POST", "/api/melts/charge"): Action.LOOK,
    ("POST", "/api/melts/correct"): Action.MELT_CORRECTED,
    ("POST", "/api/undo"): Action.TAKEN_BACK,
    ("POST", "/api/plans/accept"): Action.PLAN_ACCEPTED,
    ("POST", "/api/plans/give-up"): Action.PLAN_GIVEN_UP,
}


def allowed(method: str, route: str | None, role: str | None, *, has_people: bool) -> bool:
    """Whether somebody of this role may use this route; while the book names nobody, everybody may use every listed one.

    >>> allowed("GET", "/racks", "look", has_people=True), allowed("POST", "/stock/lot", "look", has_people=True)
    (True, False)
    >>> allowed("GET", "/not/listed", "run", has_people=True), allowed("GET", "/racks", None, has_people=False)
    (False, True)
    """
    action = ROUTES.get(("GET" if method == "HEAD" else method, route or ""))
    if action is None:
        return False
    return action == ANYONE or not has_people or may(role, action)


def most_bytes(path: str) -> int:
    """What a request to this path may bring.

    >>> most_bytes("/stock/import"), most_bytes("/racks/R1")
    (20000000, 1000000)
    """
    return MOST_BYTES.get(path, FORM_BYTES)


def room_of(path: str) -> str:
    """The page that a form's path belongs to.

    >>> room_of("/stock/roll"), room_of("/racks/R1"), room_of("/undo/5")
    ('/stock', '/racks/R1', '/history')
    """
    if path.startswith(("/racks/", "/casting/cast/")) or path in ("/settings/shop", "/stock/recipes"):
        return path
    first = "/" + path.strip("/").partition("/")[0]
    rooms = {
        "/jobs": "/plans",
        "/people": "/settings",
        "/undo": "/history",
        "/photos": "/racks",
        "/paper": "/plans",
        "/labels": "/stock",
        "/scan": "/racks",
    }
    return rooms.get(first, first if ("GET", first) in ROUTES else "/")

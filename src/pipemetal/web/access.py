"""Who may see and do what on the pages: every route by the book's own table of roles; what is not listed is denied to all.

A route names one action of `shop/roles.py`. `anyone` is what must work before somebody is known: coming in, and the door's own
files. `MOST_BYTES` limits what a route takes in; all others take a form's worth.
"""

from __future__ import annotations

from typing import Final

from pipemetal.shop.roles import may

__all__ = ["ANYONE", "FORM_BYTES", "MOST_BYTES", "ROUTES", "allowed", "most_bytes", "room_of"]

ANYONE: Final = "anyone"
LOOK: Final = "look at the book"
FORM_BYTES: Final = 1_000_000
"""The most that a form may bring."""
MOST_BYTES: Final[dict[str, int]] = {
    "/stock/import": 20_000_000,
    "/pipes/old": 2_000_000,
    "/photos": 13_000_000,
    "/cutting/check": 300_000,
    "/enter": 4_000,
}
"""Routes that take more, or less, than a form."""

ROUTES: Final[dict[tuple[str, str], str]] = {
    ("GET", "/enter"): ANYONE,
    ("POST", "/enter"): ANYONE,
    ("POST", "/leave"): ANYONE,
    ("GET", "/"): LOOK,
    ("GET", "/scan"): LOOK,
    ("GET", "/racks"): "search the rack",
    ("GET", "/racks/{roll_id:path}"): LOOK,
    ("GET", "/account"): LOOK,
    ("GET", "/history"): LOOK,
    ("GET", "/settings"): LOOK,
    ("GET", "/settings/shop"): LOOK,
    ("POST", "/settings/shop"): "settings changed",
    ("GET", "/stock/recipes"): LOOK,
    ("POST", "/stock/recipes"): "recipe changed",
    ("POST", "/settings"): LOOK,
    ("GET", "/trace"): "trace",
    ("GET", "/organs"): LOOK,
    ("GET", "/pipes"): LOOK,
    ("GET", "/pipes/card.pdf"): LOOK,
    ("GET", "/pipes/rank"): LOOK,
    ("GET", "/pipes/old"): LOOK,
    ("POST", "/pipes/old"): LOOK,
    ("GET", "/pipes/rank.pdf"): LOOK,
    ("POST", "/organs/try"): LOOK,
    ("GET", "/plans"): LOOK,
    ("GET", "/cutting"): LOOK,
    ("POST", "/cutting/check"): LOOK,
    ("GET", "/melts"): LOOK,
    ("GET", "/melts/correct"): LOOK,
    ("POST", "/melts/correct"): LOOK,
    ("GET", "/melts/new"): LOOK,
    ("POST", "/melts/new"): LOOK,
    ("GET", "/casting"): LOOK,
    ("GET", "/casting/log"): "cast logged",
    ("GET", "/casting/pour"): LOOK,
    ("GET", "/casting/said"): LOOK,
    ("GET", "/casting/cast/{cast_id:path}"): LOOK,
    ("GET", "/jobs"): LOOK,
    ("GET", "/jobs.json"): LOOK,
    ("GET", "/paper/{name}"): LOOK,
    ("GET", "/labels"): LOOK,
    ("GET", "/photos/{photo_id:path}"): LOOK,
    ("GET", "/stock"): LOOK,
    ("POST", "/racks/{roll_id:path}"): "roll changed",
    ("POST", "/casting/log"): "cast logged",
    ("POST", "/cutting/cut"): "planned roll cut",
    ("POST", "/melts/book"): "melt charged",
    ("POST", "/melts/new/book"): "melt charged",
    ("POST", "/melts/correct/book"): "melt corrected",
    ("POST", "/melts/ingots"): "ingots poured",
    ("POST", "/stock/sell"): "sold",
    ("POST", "/casting/trim"): "sheet trimmed",
    ("POST", "/undo/{event_id}"): "taken back",
    ("POST", "/photos"): "attachment kept",
    ("POST", "/stock/roll"): "roll entered",
    ("POST", "/stock/lot"): "lot entered",
    ("POST", "/stock/weigh"): "weighed",
    ("POST", "/stock/import"): "imported",
    ("POST", "/stock/analysis"): "analysis entered",
    ("POST", "/organs"): "organ kept",
    ("POST", "/cutting/keep"): "plan kept",
    ("POST", "/plans/accept"): "plan accepted",
    ("POST", "/plans/give-up"): "plan given up",
    ("POST", "/jobs/plan"): "plan kept",
    ("POST", "/jobs/relay"): "plan kept",
    ("POST", "/jobs/learn"): LOOK,
    ("POST", "/jobs/stop"): "plan kept",
    ("POST", "/jobs/again"): "plan kept",
    ("POST", "/people"): "person entered",
    ("POST", "/people/role"): "role given",
    ("POST", "/people/close"): "person closed",
    ("POST", "/people/secret"): "pin set",
    ("GET", "/api/openapi.json"): LOOK,
    ("GET", "/api/rolls"): "search the rack",
    ("GET", "/api/rolls/{roll_id:path}"): LOOK,
    ("GET", "/api/lots"): LOOK,
    ("GET", "/api/casts"): LOOK,
    ("GET", "/api/plans"): LOOK,
    ("GET", "/api/plan"): LOOK,
    ("GET", "/api/settings"): LOOK,
    ("POST", "/api/settings"): "settings changed",
    ("GET", "/api/recipes"): LOOK,
    ("POST", "/api/recipes"): "recipe changed",
    ("GET", "/api/history"): LOOK,
    ("GET", "/api/account"): LOOK,
    ("GET", "/api/trace"): "trace",
    ("POST", "/api/rolls/{roll_id:path}"): "roll changed",
    ("POST", "/api/lots"): "lot entered",
    ("POST", "/api/casts"): "cast logged",
    ("POST", "/api/cuts"): "planned roll cut",
    ("POST", "/api/melts"): "melt charged",
    ("POST", "/api/melts/charge"): LOOK,
    ("POST", "/api/melts/correct"): "melt corrected",
    ("POST", "/api/undo"): "taken back",
    ("POST", "/api/plans/accept"): "plan accepted",
    ("POST", "/api/plans/give-up"): "plan given up",
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

"""What every page shares: the book, the latest plan, and the templates."""

from __future__ import annotations

from typing import Any, Final

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from pipemetal.shop.book import Book
from pipemetal.web.show import show_of

__all__ = ["ROOMS", "Site"]

ROOMS: Final = (
    ("/", "Today"), ("/racks", "Racks"), ("/cutting", "Cutting"), ("/melts", "Melts"), ("/casting", "Casting"),
    ("/lots", "Lots"), ("/organ", "Organ"), ("/account", "Account"), ("/history", "History"), ("/settings", "Settings"),
)  # fmt: skip


class Site:
    """One shop's pages."""

    def __init__(self, book: Book, name: str = "Shop book") -> None:
        self.book, self.name, self.planning = book, name, False
        self._plan: tuple[str, dict[str, Any]] | None = None
        # every template is escaped, whatever its name ends in
        self.templates = Environment(
            loader=PackageLoader("pipemetal.web", "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
            lstrip_blocks=True,
        )  # fmt: skip

    def plan(self) -> tuple[str, dict[str, Any] | None]:
        """The latest plan and its id; read once, until a newer one stands in the book."""
        found = self.book.plans()
        if not found:
            return "", None
        key = found[0][0]
        if self._plan is None or self._plan[0] != key:
            held = self.book.plan(key)
            assert held is not None
            self._plan = (key, held)
        return self._plan

    def undone(self) -> set[int]:
        """Events that are taken back."""
        return self.book.undone()

    def page(
        self, request: Request, template: str, title: str, here: str, *, status: int = 200, **values: Any
    ) -> HTMLResponse:
        """A page, filled in."""
        done = request.query_params.get("done", "")
        html = self.templates.get_template(template).render(
            title=title, here=here, rooms=ROOMS, shop_name=self.name, show=show_of(request.cookies), planning=self.planning,
            done=done[:200], **values,
        )  # fmt: skip
        return HTMLResponse(html, status)

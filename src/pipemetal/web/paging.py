"""Long lists by pages: a page of a list, and the ways to the ones before and after it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Generic, TypeVar
from urllib.parse import parse_qsl, urlencode

from fastapi import Request

__all__ = ["PAGE_ROWS", "Paged", "page_asked", "paged", "window_of"]

PAGE_ROWS: Final = 50
MOST_PAGES: Final = 10**7
Row = TypeVar("Row")


@dataclass(frozen=True)
class Paged(Generic[Row]):
    """Some rows of a list. `number` counts from 1; `before` and `after` are links, empty where there is none."""

    rows: Sequence[Row]
    number: int
    pages: int
    total: int
    before: str
    after: str

    @property
    def first(self) -> int:
        """Number of the first row shown, from 1."""
        return (self.number - 1) * PAGE_ROWS + 1


def page_asked(request: Request, name: str = "page") -> int:
    """The page that a request asks for; 1 for anything that is no page."""
    text = request.query_params.get(name, "")
    return min(max(int(text), 1), MOST_PAGES) if text.isascii() and text.isdecimal() and len(text) < 9 else 1


def paged(items: Sequence[Row], request: Request, name: str = "page") -> Paged[Row]:
    """The page of a list that a request asks for; the last where it asks for one beyond it."""
    number = min(page_asked(request, name), max(math.ceil(len(items) / PAGE_ROWS), 1))
    rows = items[(number - 1) * PAGE_ROWS : number * PAGE_ROWS]
    return window_of(rows, number, len(items), request, name)


def window_of(rows: Sequence[Row], number: int, total: int, request: Request, name: str = "page") -> Paged[Row]:
    """A page whose rows were fetched by themselves, of a list of `total` rows."""
    pages = max(math.ceil(total / PAGE_ROWS), 1)

    def link(to: int) -> str:
        others = [(k, v) for k, v in parse_qsl(request.url.query, keep_blank_values=True) if k not in (name, "event")]
        return f"?{urlencode([*others, (name, str(to))])}"

    return Paged(
        rows, number, pages, total, link(number - 1) if number > 1 else "", link(number + 1) if number < pages else ""
    )

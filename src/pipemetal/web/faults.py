"""What is wrong with a form that a page's script sent: field by field, so that it is told where it arose and nothing is lost."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import Final

from fastapi import Request
from fastapi.responses import JSONResponse, Response

from pipemetal.errors import InputError
from pipemetal.shop.book import NotFreeError
from pipemetal.web.show import Show
from pipemetal.web.typed import short_words

__all__ = ["answer", "by_script", "faults_of"]

HEADER: Final = "x-part"
FORM: Final = "form"


def by_script(request: Request) -> bool:
    """Whether the page's own script sent the form, and waits to tell each fault at its field."""
    return request.headers.get(HEADER) == FORM


def faults_of(error: InputError, show: Show) -> list[dict[str, str]]:
    """The fields that an error is about, with what is wrong in the person's words and units.

    A lot of which too little is free is a fault at the reading of that lot, `w:LOT`.

    >>> faults_of(InputError("is out of range", field="gate_mm", value=33.0, limits=(0.3, 20.0, "mm")), Show())
    [{'field': 'gate_mm', 'words': 'is out of range (allowed: 0.3 to 20 mm)'}]
    """
    if isinstance(error, NotFreeError):
        return [{"field": f"w:{short.lot}", "words": short_words(short, show)} for short in error.short]
    alone = copy(error)
    alone.field, alone.value, alone.where = "", None, ""
    return [{"field": error.field, "words": show.read(alone.text())}]


def answer(errors: Sequence[InputError], show: Show, status: int) -> Response:
    """The answer to a page's script."""
    return JSONResponse({"faults": [fault for error in errors for fault in faults_of(error, show)]}, status)

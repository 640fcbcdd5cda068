"""A trace as a page that stands alone and prints."""

from __future__ import annotations

import datetime
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

__all__ = ["trace_page"]


def trace_page(report: dict[str, Any], printed: str = "") -> str:
    """The page of a trace report; `printed`: the day that stands on it, today where empty."""
    day = printed or datetime.date.today().isoformat()
    pages = Environment(
        loader=PackageLoader("pipemetal.documents", "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return pages.get_template("trace.html").render(report=report, printed=day)

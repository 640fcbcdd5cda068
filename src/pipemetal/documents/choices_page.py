"""Plans to choose from, side by side on a page that opens without a server."""

from __future__ import annotations

from collections.abc import Sequence

from pipemetal.documents.plan_pages import environment, safe_name

__all__ = ["choices_page"]


def choices_page(organ: str, names: Sequence[str], rows: Sequence[tuple[str, Sequence[str]]]) -> str:
    """The page: plans by their names, each led to in its folder, and a row for every figure."""
    plans = [{"name": name, "folder": safe_name(name)} for name in names]
    return environment().get_template("choices.html").render(organ=organ, plans=plans, rows=rows)

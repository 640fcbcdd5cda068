"""Plans to choose from, side by side on a page that opens without a server."""

from __future__ import annotations

from collections.abc import Sequence

from pipemetal.documents.plan_pages import environment, safe_name
from pipemetal.planning.settings import ShopSettings
from pipemetal.words import Words

__all__ = ["choices_page"]


def choices_page(
    organ: str, names: Sequence[str], rows: Sequence[tuple[str, Sequence[str]]], settings: ShopSettings
) -> str:
    """The page in the shop's language: plans by their names, each led to in its folder, and a row for every figure."""
    plans = [{"name": name, "folder": safe_name(name)} for name in names]
    page = environment(say=Words(settings.language)).get_template("choices.html")
    return page.render(organ=organ, plans=plans, rows=rows, currency=settings.currency, language=settings.language)

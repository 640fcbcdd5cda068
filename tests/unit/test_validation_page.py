"""The page of published checks holds what the tests' tables and the program give now; the comparisons of the tests themselves are
held against it when they have run (tests/published/conftest.py)."""

from __future__ import annotations

import importlib.util
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_page_of_checks_is_not_stale() -> None:
    spec = importlib.util.spec_from_file_location("validation", ROOT / "bench" / "validation.py")
    assert spec is not None
    assert spec.loader is not None
    validation = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(validation)
    stale = "run `make validation` and commit the page"
    page = validation.PAGE.read_text(encoding="utf-8")
    assert page.startswith(validation.HEAD), stale
    assert "\n".join(validation.tables()) in page, stale
    assert validation.NOT_CHECKED in page and set(validation.AGAINST) == set(validation.ROOMS)
    first = page.partition("## Melting of standard solders")[0]
    assert len(first.splitlines()) < 70, "the summary is one page"
    for words in (words for _, words in validation.missed_of_tables() if words):
        assert words in first

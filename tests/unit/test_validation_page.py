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

"""The page of published checks is what the tests' tables and the program give now."""

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
    assert validation.PAGE.read_text(encoding="utf-8") == validation.page(), stale

"""Runs after all others of this folder: what they compared is what the page of checks holds."""

import os
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "docs" / "validation.md"


@pytest.mark.skipif("PIPEMETAL_COMPARISONS_OUT" in os.environ, reason="the page is being written")
def test_the_page_of_checks_holds_every_comparison(comparisons_made: str) -> None:
    assert comparisons_made in PAGE.read_text(encoding="utf-8"), "run `make validation` and commit the page"

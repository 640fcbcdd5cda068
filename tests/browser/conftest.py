"""One browser for each module, with the same switches and the same patience everywhere."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from browsing import ARGUMENTS, PATIENCE_MS


class Patient:
    """A browser whose pages wait long before they give up."""

    def __init__(self, browser: Any) -> None:
        self.browser = browser

    def new_context(self, **options: Any) -> Any:
        context = self.browser.new_context(**options)
        context.set_default_timeout(PATIENCE_MS)
        return context

    def new_page(self, **options: Any) -> Any:
        page = self.browser.new_page(**options)
        page.set_default_timeout(PATIENCE_MS)
        return page


@pytest.fixture(scope="module")
def browser(chromium_path: str) -> Iterator[Patient]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        held = playwright.chromium.launch(executable_path=chromium_path, args=ARGUMENTS, timeout=PATIENCE_MS)
        yield Patient(held)
        held.close()

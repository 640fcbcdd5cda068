"""One browser for each module, with the same switches and the same patience everywhere."""

import os
from collections.abc import Iterator
from typing import Any

import pytest

ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = int(os.environ.get("PATIENCE_MS", "180000"))
"""So long a page may take on a machine that is busy with other work; nothing is measured by it. Longer, and one missing
button would outlast the checks."""


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

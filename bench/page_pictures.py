"""Pictures of the pages at three sizes, by day and night, for the documents: the invented shop with its plan accepted.

    python bench/page_pictures.py SHOP.sqlite

needs Chromium (CHROMIUM, else /usr/bin/chromium) and a shop book with an accepted plan, as `pipemetal demo` and
`pipemetal plan accept` make it.
"""

from __future__ import annotations

import os
import socket
import sys
import threading
import time
from pathlib import Path

import uvicorn
from playwright.sync_api import sync_playwright

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

SIZES = {"tablet": (1024, 768), "phone": (390, 844), "desk": (1440, 900)}
PAGES = {
    "today": "/",
    "organ": "/organs",
    "plan": "/plans",
    "weigh": "/melts",
    "day": "/casting",
    "pour": "/casting/pour?n=3",
    "log": "/casting/log?pour=3",
    "rack": "/racks?alloy=spotted-50&low=0.65&high=0.85&length=1200",
    "cut": "/cutting",
    "origin": "/trace?of=lot:T1",
    "find": "/find?q=octave",
}
FOLDER = Path(__file__).parents[1] / "docs" / "pictures" / "pages"


def main(shop: str) -> None:
    """Write the pictures."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with Book.open(shop, who="Anna Holm") as book:
        server = uvicorn.Server(uvicorn.Config(create_app(Site(book)), port=port, log_level="warning", ws="none"))
        thread = threading.Thread(target=server.run)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        FOLDER.mkdir(parents=True, exist_ok=True)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=os.environ.get("CHROMIUM", "/usr/bin/chromium"), args=["--no-sandbox", "--disable-gpu"]
            )
            for size, (width, height) in SIZES.items():
                page = browser.new_page(viewport={"width": width, "height": height})
                for name, path in PAGES.items():
                    page.goto(f"http://127.0.0.1:{port}{path}")
                    page.wait_for_load_state("networkidle")
                    page.screenshot(path=FOLDER / f"{name}-{size}.png")
                page.close()
            browser.close()
        server.should_exit = True
        thread.join()


if __name__ == "__main__":
    main(sys.argv[1])

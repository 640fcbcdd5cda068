"""The shop's scale and a tablet's camera, by hand in a real browser: a tap fills the field, a load that moves fills nothing."""

import io
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import segno
import uvicorn

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from shop_samples import HALF, a_roll

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import Devices, Site

pytestmark = pytest.mark.browser


class Scale:
    """A fake scale: sends what lies on it to whoever comes."""

    def __init__(self) -> None:
        self.says = b"ST,GS,+  12.34kg\r\n"
        self.server = socket.create_server(("127.0.0.1", 0))
        self.address = f"127.0.0.1:{self.server.getsockname()[1]}"
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self) -> None:
        while True:
            try:
                connection, _ = self.server.accept()
            except OSError:
                return
            with connection:
                connection.sendall(self.says)


@pytest.fixture
def scale() -> Iterator[Scale]:
    made = Scale()
    yield made
    made.server.close()


@pytest.fixture
def pages(tmp_path: Path, scale: Scale) -> Iterator[str]:
    with Book.open(tmp_path / "s.sqlite", create=True) as book:
        book.recipes.add(HALF)
        book.rolls.add(a_roll("R1"))
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        site = Site(book, devices=Devices(scale=scale.address))
        server = uvicorn.Server(uvicorn.Config(create_app(site), port=port, log_config=None))
        running = threading.Thread(target=server.run, daemon=True)
        running.start()
        while not server.started:
            assert running.is_alive()
            time.sleep(0.02)
        yield f"http://127.0.0.1:{port}"
        server.should_exit = True
        running.join(60)


def test_a_tap_takes_the_reading_and_a_moving_load_is_told_at_the_field(browser: Any, pages: str, scale: Scale) -> None:
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(f"{pages}/casting/log")
    button = page.locator(".stepper", has=page.locator("#f-charge_kg")).locator(".from-scale")
    assert button.bounding_box()["height"] >= 44
    button.click()
    page.wait_for_selector(".stepper [role=status]:has-text('12.34 kg')")
    assert page.input_value("#f-charge_kg") == "12.34"
    scale.says = b"US,GS,+  13.00kg\r\n"
    button.click()
    page.wait_for_selector("#f-charge_kg[aria-invalid=true]")
    assert page.input_value("#f-charge_kg") == "12.34"
    scale.server.close()
    page.locator("#f-leftover_kg ~ .from-scale").click()
    page.wait_for_selector("#f-leftover_kg[aria-invalid=true]")
    assert not wrong
    page.close()


def test_a_photo_of_a_label_opens_its_roll(browser: Any, pages: str) -> None:
    out = io.BytesIO()
    segno.make("R1", micro=False, error="m").save(out, kind="png", scale=10, border=8)
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(f"{pages}/racks")
    page.set_input_files("[data-photo]", {"name": "label.png", "mimeType": "image/png", "buffer": out.getvalue()})
    page.wait_for_url(f"{pages}/racks/R1")
    page.close()

"""Over the network the pages are locked, and a browser gives the microphone to the page that listens, and to no other."""

import base64
import hashlib
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from browsing import ARGUMENTS, PATIENCE_MS
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from pipemetal.shop.book import Book
from pipemetal.web.doorway import Doorway, own_address
from pipemetal.web.site import Site

pytestmark = pytest.mark.browser
ASKS = "navigator.mediaDevices ? navigator.mediaDevices.getUserMedia({audio: true}).then(s => s.active, e => e.name) : 'none'"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Doorway]:
    monkeypatch.setenv("PIPEMETAL_TLS", str(tmp_path / "tls"))
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        book.people.add("Ada", "run", pin="1379")
        made = Doorway(free_port(), lan=True, trust_port=free_port())
        list(made.open(Site(book, "Tinbrook")))
        running = threading.Thread(target=made.run, daemon=True)
        running.start()
        while not all(server.started for server in made._servers):
            assert running.is_alive()
            time.sleep(0.02)
        yield made
        for server in made._servers:
            server.should_exit = True
        running.join(60)


def test_a_tablet_that_trusts_the_shop_is_given_the_microphone(
    way: Doorway, tmp_path: Path, chromium_path: str
) -> None:
    from playwright.sync_api import sync_playwright

    # the browser is told to trust this one key, as a person would tell the tablet to trust the root
    chain = x509.load_pem_x509_certificates((tmp_path / "tls" / "machine.pem").read_bytes())
    keys = ",".join(
        base64.b64encode(
            hashlib.sha256(c.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)).digest()
        ).decode()
        for c in chain
    )
    given = [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--user-data-dir={tmp_path / 'browser'}",
        f"--ignore-certificate-errors-spki-list={keys}",
    ]
    with sync_playwright() as playwright:
        held = playwright.chromium.launch_persistent_context(
            tmp_path / "browser",
            executable_path=chromium_path,
            args=[*ARGUMENTS, *given[:2], given[3]],
            timeout=PATIENCE_MS,
        )
        held.set_default_timeout(PATIENCE_MS)
        page = held.new_page()
        page.goto(way.first_address())
        assert page.locator("code span").count() == 8
        address = f"https://{own_address()}:{way.port}"
        page.goto(f"{address}/enter?name=Ada&back=%2Fear")
        page.fill("[name=secret]", "1379")
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(f"{address}/ear")
        assert page.evaluate("isSecureContext") and page.evaluate(ASKS) is True
        page.goto(f"{address}/racks")
        assert page.evaluate(ASKS) == "NotAllowedError"
        held.close()

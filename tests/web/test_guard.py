"""The guard: what a request may bring, from where, and what hostile files, names and texts come to."""

import io
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

sys.path.insert(0, str(Path(__file__).parent))
from shop_pages import HOSTILE

from pipemetal.shop.book import Book
from pipemetal.web.access import MOST_BYTES, most_bytes
from pipemetal.web.app import create_app
from pipemetal.web.guard import CSP, may_change
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
OWN = {"sec-fetch-site": "same-origin"}


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False) as held:
        yield held


HOST = "127.0.0.1:8137"
COMBINATIONS = [
    # Sec-Fetch-Site, Origin, cookies, may change
    ("same-origin", None, True, True),
    ("same-origin", "http://evil.example", True, True),
    ("same-origin", None, False, True),
    ("cross-site", None, True, False),
    ("cross-site", None, False, False),
    ("cross-site", f"http://{HOST}", True, False),
    ("same-site", f"http://{HOST}", True, False),
    ("none", None, True, False),
    ("none", f"http://{HOST}", False, False),
    ("", f"http://{HOST}", True, False),
    (None, f"http://{HOST}", True, True),
    (None, f"https://{HOST}", True, True),
    (None, "http://evil.example", True, False),
    (None, "http://evil.example", False, False),
    (None, "null", True, False),
    (None, "null", False, False),
    (None, f"http://{HOST}.evil.example", True, False),
    (None, "http://127.0.0.1:9", True, False),
    (None, f"ftp://{HOST}", True, False),
    (None, f"file://{HOST}", False, False),
    (None, "", True, False),
    (None, None, True, False),
    (None, None, False, True),
]


@pytest.mark.parametrize(("site", "origin", "cookies", "allowed"), COMBINATIONS)
def test_a_change_comes_from_our_own_pages_alone(
    client: TestClient, site: str | None, origin: str | None, cookies: bool, allowed: bool
) -> None:
    assert may_change(HOST, fetch_site=site, origin=origin, cookies=cookies) is allowed
    headers = {k: v for k, v in (("sec-fetch-site", site), ("origin", origin)) if v is not None}
    if cookies:
        headers["cookie"] = "pipemetal_show=mm"
    status = client.post("/settings", data={"theme": "dark"}, headers=headers).status_code
    assert status == (303 if allowed else 403)


def test_every_answer_carries_a_policy_for_this_machine_alone(client: TestClient) -> None:
    for path in ("/", "/static/css/pages.css", "/nope", "/api/rolls", "/jobs.json"):
        assert client.get(path).headers["content-security-policy"] == CSP
    assert "unsafe" not in CSP and "*" not in CSP and "http" not in CSP


@pytest.mark.parametrize("path", ["/settings", "/enter", "/cutting/check", "/stock/import", "/photos", "/api/lots"])
def test_more_than_a_route_takes_is_refused_before_it_is_read(client: TestClient, path: str) -> None:
    headers = OWN | {"content-length": str(most_bytes(path) + 1), "content-type": "application/x-www-form-urlencoded"}
    assert client.post(path, content=b"", headers=headers).status_code == 413
    assert client.post(path, content=iter([b"x"]), headers=OWN).status_code == 413, (
        "without a length nobody knows how much comes"
    )


def test_only_uploads_take_more_than_a_form() -> None:
    assert {p for p, most in MOST_BYTES.items() if most > 1_000_000} == {
        "/stock/import",
        "/photos",
        "/scan/photo",
        "/ear",
    }


def _xlsx(parts: dict[str, str]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return out.getvalue()


LAUGHS = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><workbook>&b;</workbook>'


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("../../etc/passwd.csv", b"id,alloy\n\x00\x00,x"),
        ("rolls.csv", b""),
        ("rolls.exe", b"MZ"),
        ("rolls.svg", b"<svg/>"),
        ("rolls.xlsx", b"no zip at all"),
        ("rolls.xlsx", _xlsx({"xl/workbook.xml": LAUGHS})),
        ("rolls.csv", b"id,alloy,length_mm,width_mm\n=1+1,half,abc,5"),
        ("rolls.csv", b"id,alloy,length_mm,width_mm\nR1,half,nan,1e400"),
        ("rolls.csv", b"\xff\xfe\x00\x01"),
    ],
)
def test_hostile_tables_are_told_and_nothing_is_kept(
    client: TestClient, planned: Book, name: str, content: bytes
) -> None:
    before = planned.history.last()
    answer = client.post("/stock/import", files={"file": (name, content)}, headers=OWN)
    assert answer.status_code == 422, answer.text[:300]
    assert "Traceback" not in answer.text and "/tmp/" not in answer.text
    assert planned.history.last() == before


@pytest.mark.parametrize(
    "content", [b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", b"<html>", b"", b"GIF89a"]
)
def test_only_pictures_and_papers_are_kept_as_photos(client: TestClient, content: bytes) -> None:
    answer = client.post(
        "/photos", data={"about": "roll:R1"}, files={"file": ("x.svg", content, "image/svg+xml")}, headers=OWN
    )
    assert answer.status_code == 422


def test_a_photo_comes_back_as_what_it_is(client: TestClient, planned: Book) -> None:
    pixel = b"\x89PNG\r\n\x1a\n" + b"\x00" * 40
    answer = client.post(
        "/photos", data={"about": "roll:R1"}, files={"file": ("<b>.html", pixel, "text/html")}, headers=OWN
    )
    assert answer.status_code == 303
    held = planned.attachments.about("roll:R1")[0]
    back = client.get(f"/photos/{quote(held.id, safe='')}")
    assert back.headers["content-type"] == "image/png" and back.headers["x-content-type-options"] == "nosniff"
    assert "<b>.html" not in client.get("/racks/R1").text


@pytest.mark.parametrize(
    "path", ["/racks/{}", "/cutting?sheet={}", "/scan?code={}", "/trace?of={}", "/organs?rank={}", "/enter?name={}"]
)
def test_hostile_names_in_addresses_are_shown_as_letters(client: TestClient, path: str) -> None:
    for text in (HOSTILE, "{{7*7}}", "../../../etc/passwd", "%00", "a" * 190):
        answer = client.get(path.format(quote(text, safe="")))
        assert answer.status_code < 500
        assert "<script>alert" not in answer.text and "<svg/onload" not in answer.text and ">49<" not in answer.text


def test_an_import_can_be_tried_first(client: TestClient, planned: Book) -> None:
    before = planned.history.last()
    table = b"id,alloy,length_mm,width_mm,thickness_start_mm\nR77,half,1000,400,1.0"
    answer = client.post("/stock/import", data={"trial": "1"}, files={"file": ("rolls.csv", table)}, headers=OWN)
    assert answer.status_code == 200 and "R77" in answer.text
    assert planned.history.last() == before
    assert client.post("/stock/import", files={"file": ("rolls.csv", table)}, headers=OWN).status_code == 303
    assert planned.rolls.row("R77").alloy == "half"


def test_a_table_that_cannot_be_read_names_each_fault_with_its_place(client: TestClient, planned: Book) -> None:
    before = planned.history.last()
    table = b"id,kind,mass_kg,composition\nA,pig,,Sn 50 Pb bal\nB,nix,4,Sn 50 Pb bal\n"
    answer = client.post("/stock/import", files={"file": ("lots.csv", table)}, headers=OWN)
    assert answer.status_code == 422 and planned.history.last() == before
    for told in ("lots.csv row 2", "mass_kg", "lots.csv row 3", "nix", "pig, ingot"):
        assert told in answer.text, told

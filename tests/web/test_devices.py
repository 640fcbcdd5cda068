"""The shop's own devices before the pages: a fake scale, a fake label printer, a photo of a label."""

import io
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import segno
from PIL import Image
from starlette.testclient import TestClient

from pipemetal.errors import FileFormatError
from pipemetal.files.code_photo import codes_in
from pipemetal.files.floor_scale import check_address, read_line, read_scale
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import Devices, Site

BASE = "http://127.0.0.1:8137"
OWN = {"sec-fetch-site": "same-origin"}


@contextmanager
def listener(answer: bytes | None) -> Iterator[tuple[str, list[bytes]]]:
    """A fake device: sends `answer` to whoever comes, or keeps what it is sent."""
    taken: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                with connection:
                    if answer is not None:
                        connection.sendall(answer)
                        continue
                    got = b""
                    while chunk := connection.recv(65536):
                        got += chunk
                    taken.append(got)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"127.0.0.1:{server.getsockname()[1]}", taken
        server.shutdown(socket.SHUT_RDWR)
    thread.join(10)


def client_of(book: Book, devices: Devices) -> TestClient:
    return TestClient(create_app(Site(book, devices=devices)), base_url=BASE, follow_redirects=False, headers=OWN)


@pytest.mark.parametrize(
    ("line", "kg", "steady"),
    [
        ("ST,GS,+  12.34kg", 12.34, True),
        ("US,GS,+   3.5 kg", 3.5, False),
        ("S S     100.25 g", 0.10025, True),
        ("S D      99.80 g", 0.0998, False),
        ("  27,4 lb", 27.4 * 0.45359237, True),
        ("ST,NT,-0.20 kg", -0.2, True),
        ("+000012.5kg G", 12.5, True),
    ],
)
def test_lines_of_scales_are_read(line: str, kg: float, steady: bool) -> None:
    found = read_line(line)
    assert found is not None and found.mass_kg == pytest.approx(kg) and found.steady is steady


@pytest.mark.parametrize(
    "line",
    [
        *(
            "",
            "OL",
            "OL,GS,+999999kg",
            "S +",
            "12.3",
            "hello kg",
            "ERR 12 kg",
            "12.3 km",
            "ID 4711kg",
            "P.TARE 12.34kg",
        ),
        *("+1 234.5kg", "+1,234.5kg", "+1'234.5kg", "+1.234,56kg", "+1,234kg", "ST,TR,+  12.34kg", "ST,GS,+1e99kg"),
        *("N 55 T 5.00kg G 17.34kg N 12.34kg", "ST,GS,+999999kg", "12.3 t"),
    ],
)
def test_what_is_no_mass_is_none(line: str) -> None:
    assert read_line(line) is None


@pytest.mark.parametrize(
    "address", ["", "scale", "10.0.0.1", "10.0.0.1:0", "10.0.0.1:99999", "/tmp/x", "/dev/ttyUSB0@fast"]
)
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(FileFormatError, match="is no address of a scale"):
        check_address(address)


def test_a_load_at_rest_is_waited_for() -> None:
    with listener(b"US,GS,+ 11.90kg\r\nUS,GS,+ 12.30kg\r\nST,GS,+ 12.34kg\r\nST,GS,+ 0.00kg\r\n") as (address, _):
        assert read_scale(address).mass_kg == 12.34


STREAM = b"ST,GS,+  12.34kg\r\n"
BARE = b"  12.34 kg\r\n"


@pytest.mark.parametrize("begins", range(len(STREAM)))
def test_a_stream_that_is_joined_in_its_midst_tells_no_half_line(begins: int) -> None:
    with listener((STREAM * 4)[begins:]) as (address, _):
        assert read_scale(address).mass_kg == 12.34


@pytest.mark.parametrize("begins", range(len(BARE)))
def test_a_bare_line_counts_when_the_next_says_the_same(begins: int) -> None:
    with listener((BARE * 4)[begins:]) as (address, _):
        assert read_scale(address).mass_kg == 12.34
    with listener(b"12.34 kg\r\n12.36 kg\r\n12.38 kg\r\n") as (address, _), pytest.raises(FileFormatError):
        read_scale(address)


def test_who_asks_at_once_is_answered_one_after_the_other() -> None:
    with listener(STREAM) as (address, _):
        found: list[float] = []
        asking = [threading.Thread(target=lambda: found.append(read_scale(address).mass_kg)) for _ in range(5)]
        for one in asking:
            one.start()
        for one in asking:
            one.join(60)
    assert found == [12.34] * 5


def test_a_scale_that_says_nothing_is_named() -> None:
    with listener(b"hello\r\n") as (address, _), pytest.raises(FileFormatError, match="tells no mass"):
        read_scale(address)
    with pytest.raises(FileFormatError, match="cannot be reached"):
        read_scale("127.0.0.1:1")


def test_the_reading_goes_into_a_field_in_the_persons_unit(planned: Book) -> None:
    with listener(b"ST,GS,+ 12.34kg\r\n") as (address, _), client_of(planned, Devices(scale=address)) as client:
        assert client.get("/scale").json() == {"text": "12.34", "told": "The scale said 12.34 kg."}
        client.post("/settings", data={"mass": "lb", "language": "de", "decimal": "comma"})
        said = client.get("/scale").json()
        assert said["text"] == "27,21" and "27,21 lb" in said["told"]
        page = client.get("/stock").text
        assert "/static/scale.js" in page and re.search(r"\bdata-mass\b", page) and "data-from-scale" in page


@pytest.mark.parametrize(
    ("sent", "told"), [(b"US,GS,+ 3.0kg\r\n", "not at rest"), (b"ST,GS,- 3.0kg\r\n", "below zero")]
)
def test_a_reading_that_is_none_fills_no_field(sent: bytes, told: str, planned: Book) -> None:
    with listener(sent) as (address, _), client_of(planned, Devices(scale=address)) as client:
        said = client.get("/scale").json()
        assert said["text"] == "" and told in said["told"]


def test_a_scale_that_is_off_is_told(planned: Book) -> None:
    with client_of(planned, Devices(scale="127.0.0.1:1")) as client:
        answer = client.get("/scale")
        assert answer.status_code == 502 and "cannot be reached" in answer.json()["told"]


def test_without_devices_nothing_is_shown_of_them(planned: Book) -> None:
    with client_of(planned, Devices()) as client:
        page = client.get("/melts/new").text
        assert "scale.js" not in page and "data-from-scale" not in page
        assert client.get("/scale").status_code == 422
        assert client.post("/labels/print", data={"ids": "R101"}).status_code == 422


def test_a_label_goes_straight_to_the_printer(planned: Book) -> None:
    roll = planned.rolls.ids()[0]
    with listener(None) as (address, taken), client_of(planned, Devices(label_printer=address)) as client:
        page = client.get(f"/racks/{roll}").text
        assert 'action="/labels/print"' in page
        sent = client.post("/labels/print", data={"ids": roll, "back": f"/racks/{roll}"})
        assert (sent.status_code, sent.headers["location"]) == (303, f"/racks/{roll}?done=printed")
        assert client.post("/labels/print", data={"ids": "none"}).status_code == 404
        away = client.post("/labels/print", data={"ids": roll, "back": "https://evil.example/"})
        assert away.headers["location"] == "/?done=printed"
    assert taken[0].startswith(b"^XA^FO0,0^GFA,") and taken[0].endswith(b"^XZ\n") and len(taken) == 2


@contextmanager
def talker() -> Iterator[str]:
    """A device that talks without end."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            try:
                connection, _ = server.accept()
                with connection:
                    while True:
                        connection.sendall(b"x" * 4096)
            except OSError:
                return

        threading.Thread(target=serve, daemon=True).start()
        yield f"127.0.0.1:{server.getsockname()[1]}"


def test_a_printer_that_talks_without_end_is_not_listened_to_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipemetal.files import label_printer

    monkeypatch.setattr(label_printer, "PATIENCE_S", 0.3)
    with talker() as address:
        label_printer.send(b"^XA^XZ", address)


def test_a_printer_that_is_off_is_told(planned: Book) -> None:
    with client_of(planned, Devices(label_printer="127.0.0.1:1")) as client:
        answer = client.post("/labels/print", data={"ids": planned.rolls.ids()[0]})
        assert answer.status_code == 422 and "cannot be reached" in answer.text


def photo_of(text: str, *, turned: float = 0.0, kind: str = "JPEG") -> bytes:
    """A label on a bench, from above and turned."""
    out = io.BytesIO()
    segno.make(text, error="m").save(out, kind="png", scale=9)
    bench = Image.new("RGB", (1600, 1200), (150, 140, 120))
    bench.paste(Image.open(out).convert("RGB"), (500, 400))
    made = io.BytesIO()
    bench.rotate(turned, fillcolor=(150, 140, 120)).save(made, kind)
    return made.getvalue()


@pytest.mark.parametrize("turned", [0.0, 17.0, 90.0, 200.0])
def test_a_photo_of_a_label_leads_to_its_roll(turned: float, planned: Book) -> None:
    roll = planned.rolls.ids()[0]
    with client_of(planned, Devices()) as client:
        sent = client.post("/scan/photo", files={"file": ("p.jpg", photo_of(roll, turned=turned))})
        assert (sent.status_code, sent.headers["location"]) == (303, f"/scan?code={roll}")
        assert client.get(sent.headers["location"]).headers["location"].endswith(roll)


def test_a_photo_without_a_code_or_that_is_none_is_told(planned: Book) -> None:
    out = io.BytesIO()
    Image.new("L", (300, 200), 128).save(out, "PNG")
    with client_of(planned, Devices()) as client:
        for content, told in ((out.getvalue(), "shows no code"), (b"words", "is no photo"), (b"", "is no photo")):
            answer = client.post("/scan/photo", files={"file": ("p.jpg", content)})
            assert answer.status_code == 422 and told in answer.text


def test_a_bomb_of_a_photo_is_refused() -> None:
    out = io.BytesIO()
    Image.new("1", (9_000, 9_000)).save(out, "PNG")
    with pytest.raises(FileFormatError, match=r"is (too large|no photo)"):
        codes_in(out.getvalue())


def test_the_server_says_that_it_is_well(planned: Book, tmp_path: Path) -> None:
    with client_of(planned, Devices()) as client:
        assert client.get("/health").text == "ok"

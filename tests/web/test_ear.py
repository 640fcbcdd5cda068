"""The ear on its page: what is heard, what is refused in plain words, what the book keeps, and what becomes of lengths."""

import io
import re
import sys
import wave
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from starlette.testclient import TestClient

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from sounds import CALM, RATE, Scene, made, steady

from pipemetal.demo_shop import __file__ as demo
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.hearing import REFUSED
from pipemetal.web.site import Site

DEMO = Path(demo).parent
PIPES = organ_pipes(read_organ(DEMO / "organ.toml"), lambda _: 9.0)
RANK = "Octave 4"


def pipe(note: str, rank: str = RANK) -> Pipe:
    return next(p for p in PIPES if p.rank == rank and p.note == note)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as held:
        held.tables.import_folder(DEMO)
        held.plans.add_organ("Merrowby", (DEMO / "organ.toml").read_text(encoding="utf-8"))
        yield held


@pytest.fixture
def shop(book: Book) -> TestClient:
    return TestClient(create_app(Site(book, "Shop")), base_url="http://127.0.0.1", follow_redirects=True)


def wav(samples: np.ndarray) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as held:
        held.setnchannels(1)
        held.setsampwidth(2)
        held.setframerate(RATE)
        held.writeframes(np.round(np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes())
    return out.getvalue()


def heard(shop: TestClient, samples: np.ndarray, part: bool = True, **asked: str) -> tuple[int, str]:
    answer = shop.post(
        "/ear",
        data={"rank": RANK, "air_c": "18.0"} | asked,
        files={"file": ("recording.wav", wav(samples), "audio/wav")},
        headers={"x-part": "heard"} if part else {},
    )
    return answer.status_code, answer.text


def tone(note: str, cents: float = 0.0, seconds: float = 2.0, seed: int = 1, rank: str = RANK) -> np.ndarray:
    hertz = pipe(note, rank).frequency_hz * 2 ** (cents / 1200)
    return made(hertz, seconds, seed, CALM).samples


def token_of(page: str) -> str:
    found = re.search(r'name="token"\s+value="([^"]+)"', page)
    assert found
    return found[1]


def test_only_the_page_that_listens_may_have_the_microphone(shop: TestClient) -> None:
    assert "microphone=(self)" in shop.get("/ear").headers["permissions-policy"]
    for path in ("/", "/organs", "/ear/keep"):
        assert "microphone=()" in shop.get(path).headers["permissions-policy"]


@pytest.mark.parametrize("part", [True, False])
def test_a_pipe_is_heard_with_what_to_do(shop: TestClient, part: bool) -> None:
    status, page = heard(shop, tone("c1", -8.0), part, note="c1")
    assert status == 200
    assert "−8.0" in page or "-8.0" in page
    assert "off the top" in page
    assert ("<html" in page) is not part


def test_the_air_and_a_reference_count(shop: TestClient) -> None:
    _, warm = heard(shop, tone("c1"), note="c1", air_c="22.0")
    assert re.search(r"-\d\d?\.\d</span>", warm)  # a pipe in tune at 18 degrees is flat beside one at 22
    rest = np.zeros(RATE // 2)
    slow = 1.0 - 2e-3  # a clock that is far off
    both = np.concatenate([steady(440.0 * slow, 2.0), rest, steady(pipe("c1").frequency_hz * slow, 2.0)])
    _, alone = heard(shop, both[round(2.3 * RATE) :], note="c1")
    _, held = heard(shop, both, note="c1", reference_hz="440", reference_until_s="2.2")
    assert "-3.5" in alone and re.search(r"data-cents>[+-]0\.0<", held)


REFUSALS = {
    "silent": np.zeros(RATE),
    "short": steady(524.0, 0.2),
    "no-tone": 0.1 * np.random.default_rng(1).standard_normal(2 * RATE),
    "clipped": np.clip(5.0 * steady(524.0), -0.9, 0.9),
    "other-note": steady(700.0),
    "two-pipes": steady(524.0) + steady(660.0),
}


@pytest.mark.parametrize("code", REFUSALS)
def test_what_cannot_be_used_is_refused_in_plain_words(shop: TestClient, code: str) -> None:
    status, page = heard(shop, REFUSALS[code], note="c1")
    assert status == 422
    assert all(words.replace("'", "&#39;") in page for words in REFUSED[code])


def test_what_is_no_sound_and_air_that_is_none_are_refused(shop: TestClient) -> None:
    answer = shop.post("/ear", data={"rank": RANK, "note": "c1", "air_c": "18"}, files={"file": ("a.wav", b"no sound")})
    assert answer.status_code == 422
    assert heard(shop, tone("c1"), note="c1", air_c="80")[0] == 422
    assert heard(shop, tone("c1"), note="c1", air_c="")[0] == 200  # the organ's tuning temperature
    assert shop.get("/ear?rank=None").status_code == 404
    assert shop.get(f"/ear?rank={RANK}&note=x").status_code == 404


def test_a_rank_is_named_and_drawn_and_kept_as_one_event(shop: TestClient, book: Book) -> None:
    notes = ["C", "D", "E", "F", "G", "A", "c", "d", "e", "f"]
    rest = np.zeros(RATE // 2)
    parts = [x for k, n in enumerate(notes) for x in (tone(n, 9.0 if n == "A" else 0.2 * k, 1.5, k), rest)]
    status, page = heard(shop, np.concatenate(parts), way="rank")
    assert status == 200
    assert page.count("<circle") + page.count('class="stop-line"') == 2 * len(notes)  # wide and narrow
    assert "from its neighbours" in page
    kept = shop.post("/ear/keep", data={"token": token_of(page)})
    assert "pipe heard" in kept.text and "Undo" in kept.text
    rows = book.heard.rows()
    assert {r.note for r in rows} == set(notes)
    book.history.undo(book.history.last())
    assert book.heard.rows() == []


def test_two_pipes_beat(shop: TestClient) -> None:
    status, page = heard(shop, steady(440.0, 5.0) + 0.7 * steady(441.0, 5.0), way="beats")
    assert status == 200
    assert "+1.00" in page


def test_a_token_that_is_not_known_keeps_nothing(shop: TestClient, book: Book) -> None:
    assert shop.post("/ear/keep", data={"token": "nothing"}).status_code == 422
    assert book.heard.rows() == []
    _, page = heard(shop, tone("c1"), note="c1")
    assert shop.post("/ear/keep", data={"token": token_of(page), "body_mm": "0.5"}).status_code == 422
    again = shop.post("/ear/keep", data={"token": token_of(page)})
    assert again.status_code == 200
    assert shop.post("/ear/keep", data={"token": token_of(page)}).status_code == 200
    assert len(book.heard.rows()) == 1


def test_lengths_are_learned_from_what_was_kept_and_the_next_organ_is_cut_by_them(shop: TestClient, book: Book) -> None:
    assert "Too few pipes yet: 0" in shop.get("/ear?way=lengths").text
    before = shop.get(f"/organs?rank={RANK}").text
    notes = ["C", "E", "G", "c", "e", "g", "c1", "e1"]
    for k, note in enumerate(notes):
        _, page = heard(shop, tone(note, seed=k), note=note)
        long = pipe(note).body_length_mm + 0.08 * pipe(note).diameter_mm
        assert shop.post("/ear/keep", data={"token": token_of(page), "body_mm": f"{long:.2f}"}).status_code == 200
    learned = shop.get("/ear?way=lengths").text
    assert "+0.08" in learned and "Use it for the next lengths" in learned
    used = shop.post("/ear/lengths").text
    assert "In use" in used and "settings changed" in used
    assert book.settings.kept()[0]["lengths.by_diameter"] == pytest.approx(0.08, abs=2e-3)  # type: ignore[index]
    after = shop.get(f"/organs?rank={RANK}").text
    assert "data-learned" in after and "data-learned" not in before
    assert "by what the ear learned" in shop.get(f"/pipes?of={RANK} c1").text
    assert shop.post("/ear/lengths").status_code == 422  # nothing would change


def test_a_book_without_an_organ_says_so(tmp_path: Path) -> None:
    with Book.open(tmp_path / "e.sqlite", create=True, who="Ada") as book:
        page = TestClient(create_app(Site(book, "Shop")), base_url="http://127.0.0.1").get("/ear")
        assert page.status_code == 200 and "holds no organ yet" in page.text
        assert 'href="/organs">To the page Organs' in page.text


def test_a_fault_of_the_server_has_words_of_its_own(shop: TestClient) -> None:
    assert "The server answers, but it could not measure this recording." in shop.get("/ear").text
    assert "earWords.fault" in shop.get("/static/ear.js").text


def test_a_gap_in_a_recording_is_no_fault(shop: TestClient) -> None:
    samples = tone("c1", seconds=3.0)
    samples[60_000:64_000] = 0.0
    assert heard(shop, samples, note="c1")[0] == 200


def test_a_pipe_in_a_room_is_heard_too(shop: TestClient) -> None:
    room = made(pipe("g").frequency_hz * 2 ** (5.0 / 1200), 3.0, 4, Scene()).samples
    status, page = heard(shop, room, note="g")
    found = re.search(r"data-cents>([+-][\d.]+)<", page)
    assert status == 200 and found and abs(float(found[1]) - 5.0) < 0.7

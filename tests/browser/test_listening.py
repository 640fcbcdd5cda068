"""The whole way of the ear in a real browser with a made-up microphone: record, see, cut, record again, rank, lengths, next organ."""

import re
import sys
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from browsing import ARGUMENTS, PATIENCE_MS
from sounds import RATE, Scene, made, steady
from test_day import Server

from pipemetal.demo_shop import __file__ as demo
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.shop.book import Book

pytestmark = pytest.mark.browser
DEMO = Path(demo).parent
RANK = "Octave 4"
PIPES = {p.note: p for p in organ_pipes(read_organ(DEMO / "organ.toml"), lambda _: 9.0) if p.rank == RANK}
WIND = Scene(t60_s=0.4, room_db=-6.0, wind=((0.5, 0.7),))
SIZES = ((1024, 768), (768, 1024), (390, 844), (1920, 1080))


class Microphone:
    """What the browser takes for a microphone: a file, read anew for every recording."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.hears(np.zeros(RATE))

    def hears(self, samples: np.ndarray) -> None:
        whole = np.round(np.clip(0.5 * samples, -1, 1) * 32767).astype("<i2")
        with wave.open(str(self.path), "wb") as held:
            held.setnchannels(1)
            held.setsampwidth(2)
            held.setframerate(RATE)
            held.writeframes(whole.tobytes())

    def hears_pipe(self, pipe: Pipe, cents: float, seed: int) -> None:
        sound = made(pipe.frequency_hz * 2 ** (cents / 1200), 5.0, seed, WIND).samples
        self.hears(np.concatenate([np.zeros(RATE // 2), sound, np.zeros(3 * RATE)]))


@pytest.fixture
def microphone(tmp_path: Path) -> Microphone:
    return Microphone(tmp_path / "microphone.wav")


@pytest.fixture
def listening(chromium_path: str, microphone: Microphone) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    fake = [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={microphone.path}%noloop",
    ]
    with sync_playwright() as playwright:
        held = playwright.chromium.launch(executable_path=chromium_path, args=[*ARGUMENTS, *fake], timeout=PATIENCE_MS)
        yield held
        held.close()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Server]:
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        book.tables.import_folder(DEMO)
        book.plans.add_organ("Merrowby", (DEMO / "organ.toml").read_text(encoding="utf-8"))
    server = Server(tmp_path / "s.sqlite")
    yield server
    server.kill()


def opened(browser: Any, **options: Any) -> Any:
    page = browser.new_page(**{"viewport": {"width": 1024, "height": 768}} | options)
    page.set_default_timeout(PATIENCE_MS)
    return page


def cents(page: Any) -> float:
    return float(page.inner_text("[data-cents]").replace("−", "-").replace(",", "."))


def record(page: Any, until: str) -> None:
    """Record to the end of the bar."""
    page.evaluate("document.querySelector('[data-heard]').innerHTML = ''")
    page.click("[data-record]")
    page.wait_for_selector("[data-recording]:visible")
    page.wait_for_selector(until)


def test_a_pipe_is_cut_until_it_is_right_and_its_rank_and_the_next_organ_learn_from_it(
    listening: Any, shop: Server, microphone: Microphone
) -> None:
    page = opened(listening)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{shop.url}/ear?rank={RANK}&note=c1&air_c=18.0")
    # record, see, and what the browser does to the sound is read back
    microphone.hears_pipe(PIPES["c1"], -9.0, 1)
    record(page, "[data-pipe]")
    assert cents(page) == pytest.approx(-9.0, abs=0.6)
    assert "off the top" in page.inner_text("[data-todo]")
    assert not page.is_visible("[data-ignored]")
    # cut, and record again until it is right
    microphone.hears_pipe(PIPES["c1"], 0.0, 2)
    record(page, "[data-pipe]")
    assert "leave it" in page.inner_text("[data-todo]").lower()
    # its length is measured and kept, and can be taken back
    page.fill("[name=body_mm]", f"{PIPES['c1'].body_length_mm + 0.06 * PIPES['c1'].diameter_mm:.1f}")
    page.click("text=Keep in the book")
    page.wait_for_selector("[data-saved]")
    assert "pipe heard" in page.inner_text("main")
    # nothing but the shop's own server was asked
    assert all(url.startswith((shop.url, "blob:", "data:")) for url in asked)
    # another note is refused in plain words
    microphone.hears(steady(700.0, 7.0))
    record(page, "[data-refused]")
    assert "not this note" in page.inner_text("[data-refused]").lower()
    # the rank, pipe after pipe, as a picture
    rest, notes = np.zeros(RATE // 2), ["C", "D", "E", "F", "G", "A", "c", "d", "e", "f"]
    pipes = [
        made(PIPES[n].frequency_hz * 2 ** ((9.0 if n == "A" else 0.0) / 1200), 1.2, k, WIND).samples
        for k, n in enumerate(notes)
    ]
    microphone.hears(np.concatenate([x for p in pipes for x in (p, rest)]))
    page.click("nav.ways >> text=A rank")
    page.wait_for_url("**way=rank**")
    page.click("[data-record]")
    page.wait_for_selector("[data-recording]:visible")
    page.wait_for_timeout(1000.0 * len(notes) * 1.7 + 1500.0)
    page.click("[data-record]")
    page.wait_for_selector("[data-rank]")
    assert page.locator(".wide-drawing .stop-line").count() >= 1
    assert re.search(r"^A: \+[89]\.\d cents from its neighbours", page.inner_text("[data-rank] ul"), re.MULTILINE)
    # the learned rule, and the next organ's lengths changed and explained
    _heard_before(shop)
    page.goto(f"{shop.url}/ear?way=lengths")
    assert "nearer to their pitch" in page.inner_text("[data-saves]")
    page.click("[data-use]")
    page.wait_for_selector("[data-saved]")
    assert "In use" in page.inner_text("main")
    page.goto(f"{shop.url}/organs?rank={RANK}")
    assert "By what the ear learned" in page.inner_text("[data-learned]")
    page.goto(f"{shop.url}/pipes?of={RANK} c1")
    assert "by what the ear learned" in page.inner_text("main")
    page.close()


def _heard_before(shop: Server) -> None:
    """Other pipes of the rank that were heard and measured on other days."""
    from pipemetal.shop.book import NewHeard

    with Book.open(shop.shop, who="Ada") as book:
        organ = next(iter(book.plans.organs()))
        for note in ("C", "E", "G", "c", "e", "g"):
            pipe = PIPES[note]
            long = pipe.body_length_mm + 0.06 * pipe.diameter_mm
            book.heard.add([NewHeard(organ, RANK, note, pipe.key, pipe.frequency_hz, 0.0, 0.2, 18.0, 0.0, long)])


def test_a_page_without_a_microphone_says_why_and_takes_a_file(
    listening: Any, shop: Server, microphone: Microphone
) -> None:
    page = opened(listening)
    # as over plain http from another machine: the browser has no media devices at all
    page.add_init_script("Object.defineProperty(navigator, 'mediaDevices', {value: undefined})")
    page.goto(f"{shop.url}/ear?rank={RANK}&note=c1&air_c=18.0")
    assert "https" in page.inner_text("[data-no-microphone]")
    assert not page.is_visible("[data-record]")
    microphone.hears_pipe(PIPES["c1"], 4.0, 3)
    page.set_input_files("[data-file]", str(microphone.path))
    page.wait_for_selector("[data-pipe]")
    assert cents(page) == pytest.approx(4.0, abs=0.6)
    page.close()


def test_a_browser_that_keeps_changing_the_sound_is_told_and_a_refused_microphone_too(
    listening: Any, shop: Server, microphone: Microphone
) -> None:
    page = opened(listening)
    page.add_init_script(
        "MediaStreamTrack.prototype.getSettings = () => ({echoCancellation: false, noiseSuppression: true,"
        " autoGainControl: true})"
    )
    page.goto(f"{shop.url}/ear?rank={RANK}&note=c1&air_c=18.0")
    microphone.hears_pipe(PIPES["c1"], 0.0, 4)
    record(page, "[data-pipe]")
    told = page.inner_text("[data-ignored]")
    assert "noise suppression" in told and "automatic gain" in told and "echo" not in told
    page.evaluate("() => { navigator.mediaDevices.getUserMedia = () => Promise.reject(new Error('no')); }")
    page.click("[data-record]")
    page.wait_for_selector("[data-denied]:visible")
    page.close()


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_page_fits_every_screen_by_day_and_night(
    listening: Any, shop: Server, microphone: Microphone, language: str
) -> None:
    microphone.hears_pipe(PIPES["c1"], -9.0, 1)
    for wide, high in SIZES:
        page = opened(listening, viewport={"width": wide, "height": high})
        comma = "comma" if language == "de" else "point"
        cookie = {"name": "pipemetal_show", "value": f"mm.kg.C.{comma}.{language}.dark", "url": shop.url}
        page.context.add_cookies([cookie])
        page.goto(f"{shop.url}/ear?rank={RANK}&note=c1&air_c=18.0")
        page.evaluate("document.querySelector('[data-files]').open = true")
        page.set_input_files("[data-file]", str(microphone.path))
        page.wait_for_selector("[data-pipe]")
        assert page.evaluate("document.documentElement.scrollWidth") <= wide
        box = page.locator("[data-record]").bounding_box()
        assert box and box["y"] + box["height"] <= high and box["height"] >= 56
        page.close()

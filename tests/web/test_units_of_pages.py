"""Every page in inches, pounds, Fahrenheit and German: no millimetre, no kilogram, no raw key, no English sentence is left."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator

import pytest
from shop_pages import small_organ_casts
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.texts import Amount, Text
from pipemetal.units import UnitSystem
from pipemetal.web.app import create_app
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.words import Words

BASE = "http://127.0.0.1:8137"
IMPERIAL = {"pipemetal_show": "in.lb.F.comma.de.light"}
METRIC = re.compile(r"\d\s?(?:mm|kg|°C)\b|\d{3} C\b|\((?:mm|kg|°C)\)|, (?:mm|kg)\b")
RAW_KEY = re.compile(r"\b[a-z]{2,}_[a-z_]{2,}\b")
ENGLISH = re.compile(r"\b(?:the|which|with|from|where|that)\b")
PAGES = (
    "/",
    "/racks",
    "/racks?alloy=half&length=10&width=5&low=0.02&high=0.03",
    "/racks/R1",
    "/cutting",
    "/melts",
    "/melts/new",
    "/melts/correct",
    "/casting",
    "/casting/pour?n=0",
    "/casting/log",
    "/casting/log?pour=0",
    "/casting/cast/K1",
    "/stock",
    "/organs",
    "/plans",
    "/plans/choices",
    "/plans/waste",
    "/jobs",
    "/history",
    "/account",
    "/stock/recipes",
    "/settings/shop?group=pot",
    "/settings/shop?group=sheets",
    "/settings/shop?group=casting",
    "/settings",
)


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    for cast in small_organ_casts():
        planned.casts.record(cast)
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=True, cookies=IMPERIAL) as held:
        yield held


def visible(page: str) -> str:
    """What a person sees of a page, and what a screen reader says."""
    text = re.sub(r"<(script|style|textarea)\b.*?</\1>", " ", page, flags=re.DOTALL)
    text = re.sub(r"<option\b[^>]*>[^<]*", " ", text)
    said = " ".join(re.findall(r'(?:aria-label|title|alt|placeholder)="([^"]*)"', text))
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", text) + " " + said))


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_in_the_persons_units_and_language(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text[:500]
    text = visible(answer.text)
    for what in (METRIC, RAW_KEY, ENGLISH):
        found = [text[max(m.start() - 60, 0) : m.end() + 40] for m in what.finditer(text)]
        assert not found, f"{path}: {found[:4]}"


def test_a_cast_is_logged_from_its_card_as_it_stands(client: TestClient, planned: Book) -> None:
    """The form as it is filled in, sent back unchanged, is the card's own cast, in any unit."""
    form = client.get("/casting/log?pour=0").text
    values = dict(re.findall(r'name="(\w+)"[^>]*? value="([^"]*)"', form))
    values["alloy"] = re.findall(r"<option selected>([^<]*)", form)[0]
    values |= {"melt": "", "leftover_kg": ""}
    pour = planned.plans.plan(planned.plans.all()[0].id).pours[0]  # type: ignore[union-attr]
    sent = client.post("/casting/log", data={k: html.unescape(v) for k, v in values.items()}, headers={"origin": BASE})
    assert sent.status_code == 200, visible(sent.text)[:600]
    kept = next(c for c in planned.casts.log() if c.id == values["id"])
    assert pour.card is not None
    assert kept.gate_mm == pytest.approx(pour.card.gate_mm, abs=0.06)
    assert kept.length_mm == pytest.approx(pour.length_mm, abs=1.0)
    assert kept.charge_kg == pytest.approx(pour.charge_kg, abs=0.06)
    assert kept.sled.inner_width_mm == pytest.approx(pour.width_mm, abs=3.0)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (Text("red above {a}: lead fume", a=Amount(350.0, "C")), "662 °F"),
        (Text("{kg} were left", kg=Amount(2.0, "kg", 2)), "4.41 lb"),
        (Text("{blank}: misses by {mm}", blank="Octave 4 C body", mm=Amount(0.05, "mm", 2)), "Octave 4 C body"),
        (Text("pushed at {v}", v=Amount(0.6, "m/s", 2)), "1.97 ft/s"),
        (Text("{a} to {b}", a=Amount(362.0, "C", bare=True), b=Amount(370.0, "C")), "684 to 698 °F"),
        (
            Text("at {a} and at {b}", a=Amount(0.7, "m/s", 1, bare=True), b=Amount(1.4, "m/s", 1)),
            "at 2.3 and at 4.6 ft/s",
        ),
        (Text("{a} off", a=Amount(-0.5, "mm", 2, signed=True)), "-0.020 in off"),
        (Text("{a} off", a=Amount(0.5, "mm", 2, signed=True)), "+0.020 in off"),
    ],
)
def test_a_sentence_made_elsewhere_is_turned(made: Text, says: str) -> None:
    assert says in Show(UnitSystem("in", "lb", "F")).read(made)
    assert not METRIC.search(Show(UnitSystem("in", "lb", "F"), say=Words("de")).read(made))

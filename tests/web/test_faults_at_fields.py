"""What is wrong with a form is told at the field where it arose: for every form that the pages' script sends."""

import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser

import pytest
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.show import cookie_name
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
OWN = {"sec-fetch-site": "same-origin"}
SENT = OWN | {"x-part": "form"}
PAGES = ("/melts", "/casting/log?pour=0", "/stock")
MOST_ROUNDS = 12


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    if planned.plans.state(planned.plans.all()[0].id) != "accepted":
        planned.plans.accept(planned.plans.all()[0].id)
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False, headers=OWN) as held:
        yield held


class Forms(HTMLParser):
    """The forms of a page that its script sends: where to, what stands in them, and which fields take numbers."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.forms: list[tuple[str, dict[str, str], set[str], set[str]]] = []
        self.inside = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {k: v or "" for k, v in attrs}
        if tag == "form":
            self.inside = held.get("method") == "post" and "data-keep" in held and "data-own" not in held
            if self.inside:
                self.forms.append((held["action"], {}, set(), set()))
        elif self.inside and held.get("name") and tag in ("input", "select", "textarea"):
            _, values, numbers, seen = self.forms[-1]
            values[held["name"]] = held.get("value", "")
            if held.get("type") != "hidden":
                seen.add(held["name"])
            if held.get("inputmode") in ("decimal", "none"):
                numbers.add(held["name"])

    def handle_endtag(self, tag: str) -> None:
        self.inside = self.inside and tag != "form"


def field_of(name: str, seen: set[str]) -> str:
    """As the pages' script looks for it."""
    names = [n for one in name.split(", ") for n in (one, f"w:{one}", re.sub("_[^_]*$", "", one))]
    return next((n for n in names if n in seen), "")


@pytest.mark.parametrize("page", PAGES)
def test_a_number_that_cannot_be_is_told_at_its_own_field(client: TestClient, page: str) -> None:
    forms = [form for form in Forms(client.get(page).text).forms if form[2]]
    assert forms, "the page has a form of numbers"
    for action, values, numbers, seen in forms:
        sent = values | dict.fromkeys(numbers, "a lot") | {n: values[n] or "X1" for n in seen - numbers}
        for _ in range(MOST_ROUNDS):
            answer = client.post(action, data=sent, headers=SENT)
            if answer.status_code in (303, 409):
                break
            assert answer.status_code == 422 and answer.headers["content-type"] == "application/json", (
                action,
                answer.text[:200],
            )
            fault = json.loads(answer.text)["faults"][0]
            at = field_of(fault["field"], seen)
            if not any(value == "a lot" for value in sent.values()):
                break
            assert at, f"{action}: {fault} is about no field of the form"
            sent[at] = "half" if at not in numbers else "1"


def test_too_little_metal_is_told_at_the_reading_of_each_lot(client: TestClient, planned: Book) -> None:
    client.cookies.set(cookie_name(""), "mm.kg.C.comma.de.auto")
    action, values, numbers, _ = Forms(client.get("/melts").text).forms[0]
    lots = [n for n in numbers if n.startswith("w:")]
    answer = client.post(action, data=values | dict.fromkeys(lots, "4000") | {"sure": "1"}, headers=SENT)
    faults = json.loads(answer.text)["faults"]
    assert answer.status_code == 422 and {f["field"] for f in faults} == set(lots)
    assert all(f["words"] == "Das Buch hat davon 300,00 kg." for f in faults), faults


def test_without_the_script_a_refusal_is_a_page_of_its_own_as_ever(client: TestClient) -> None:
    answer = client.post("/stock/lot", data={"id": "X", "kind": "pig", "mass": "heavy"})
    assert answer.status_code == 422 and "<h1>" in answer.text

"""Who may come in, and who may use which route: by the book's own table, denied where nothing is said."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.shop.roles import ROLES, may
from pipemetal.web.access import ANYONE, ROUTES, allowed
from pipemetal.web.app import LOOPBACK, create_app
from pipemetal.web.sessions import COOKIE, SHARED_S, Sessions, TooManyError, Tries
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
OWN = {"sec-fetch-site": "same-origin"}
PINS = {"Ada": "4711", "Ben": "4712", "Cyn": "4713", "Dot": "4714"}
OF_ROLE = dict(zip(("run", "keep", "work", "look"), PINS, strict=True))


def _with_people(book: Book) -> Book:
    for name, role in (("Ada", "run"), ("Ben", "keep"), ("Cyn", "work"), ("Dot", "look")):
        with book.acting("Ada"):
            book.add_person(name, role, pin=PINS[name], password="a long password" if name == "Cyn" else None)
    return book


@pytest.fixture(scope="module")
def peopled_file(planned_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("peopled") / "s.sqlite"
    shutil.copy(planned_file, path)
    with Book.open(path, who="tester") as book:
        _with_people(book)
    return path


@pytest.fixture
def peopled(peopled_file: Path, tmp_path: Path) -> Iterator[Book]:
    shutil.copy(peopled_file, tmp_path / "p.sqlite")
    with Book.open(tmp_path / "p.sqlite", who="tester") as book:
        yield book


@pytest.fixture
def client(peopled: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(peopled)), base_url=BASE, follow_redirects=False) as held:
        yield held


@pytest.fixture(scope="module")
def by_role(peopled_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str | None, TestClient]]:
    """A tablet for each role, signed in, and one where nobody is."""
    path = tmp_path_factory.mktemp("roles") / "p.sqlite"
    shutil.copy(peopled_file, path)
    with Book.open(path, who="tester") as book:
        site = Site(book)
        app = create_app(site)
        tablets: dict[str | None, TestClient] = {None: TestClient(app, base_url=BASE, follow_redirects=False)}
        for role, name in OF_ROLE.items():
            tablets[role] = TestClient(
                app, base_url=BASE, follow_redirects=False, cookies={COOKIE: site.door.sessions.begin(name)}
            )
        yield tablets


def come_in(client: TestClient, name: str) -> None:
    client.cookies.clear()
    answer = client.post("/enter", data={"name": name, "secret": PINS[name], "back": "/racks"}, headers=OWN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/racks")


def _path(route: str) -> str:
    return re.sub(r"\{[^}]*\}", "R1", route).replace("/undo/R1", "/undo/1")


@pytest.mark.parametrize(("method", "route"), sorted(ROUTES))
def test_every_route_asks_for_its_role(by_role: dict[str | None, TestClient], method: str, route: str) -> None:
    action = ROUTES[method, route]
    if action == ANYONE:
        return
    nobody = by_role[None].request(method, _path(route), headers=OWN)
    assert nobody.status_code == 401 or nobody.headers["location"].startswith("/enter?back=")
    for role in ROLES:
        answer = by_role[role].request(method, _path(route), headers=OWN)
        refused = answer.status_code == 403 and answer.text.startswith(("Your role", '{"error": "Your role'))
        assert refused is not may(role, action), (role, answer.status_code, answer.text[:200])


def test_every_route_of_the_application_stands_in_the_table(peopled: Book) -> None:
    app = create_app(Site(peopled))
    known = {(m, r.path) for r in app.routes if hasattr(r, "methods") for m in r.methods if m != "HEAD"}  # type: ignore[attr-defined]
    assert known == set(ROUTES)


def test_a_route_that_is_not_listed_is_denied_to_everybody() -> None:
    assert not allowed("GET", "/made/later", "run", has_people=True)
    assert not allowed("GET", None, "run", has_people=False)


def test_tiles_show_names_and_no_roles_or_secrets(client: TestClient) -> None:
    page = client.get("/enter").text
    assert all(name in page for name in PINS)
    assert not any(pin in page for pin in PINS.values())


def test_who_did_it_stands_in_the_history(client: TestClient, peopled: Book) -> None:
    come_in(client, "Cyn")
    form = {"version": "1", "place": "by Cyn", "state": "on rack", "note": ""}
    assert client.post("/racks/R1", data=form, headers=OWN).status_code == 303
    assert peopled.events(limit=1)[0].who == "Cyn"
    come_in(client, "Ben")
    assert client.post(f"/undo/{peopled.last_event()}", headers=OWN).status_code == 303
    assert peopled.events(limit=1)[0].who == "Ben"


def test_what_needs_more_than_ones_role_is_not_taken_back_either(client: TestClient, peopled: Book) -> None:
    come_in(client, "Ben")
    client.post("/stock/lot", data={"id": "L9", "kind": "pig", "mass": "5", "composition": "Pb 100"}, headers=OWN)
    come_in(client, "Cyn")
    answer = client.post(f"/undo/{peopled.last_event()}", headers=OWN)
    assert answer.status_code == 403
    assert "lot:L9" in peopled.stock()


def test_wrong_secrets_are_not_looked_at_for_ever(client: TestClient) -> None:
    codes = [client.post("/enter", data={"name": "Ada", "secret": "0000"}, headers=OWN).status_code for _ in range(6)]
    assert codes == [403] * 5 + [429]
    assert client.post("/enter", data={"name": "Ada", "secret": PINS["Ada"]}, headers=OWN).status_code == 429


def test_one_address_cannot_try_everybody(client: TestClient) -> None:
    tries = [(name, "0000") for name in ("a", "b", "c", "d", "e", "f") for _ in range(2)]
    codes = [client.post("/enter", data={"name": n, "secret": s}, headers=OWN).status_code for n, s in tries]
    assert codes[:10] == [403] * 10 and codes[10] == 429


def test_a_password_comes_in_too_and_signing_out_ends_it(client: TestClient) -> None:
    answer = client.post("/enter", data={"name": "Cyn", "secret": "a long password"}, headers=OWN)
    assert answer.status_code == 303
    assert client.get("/racks").status_code == 200
    assert client.post("/leave", headers=OWN).status_code == 303
    assert client.get("/racks").status_code == 303


def test_whoever_is_closed_is_out_at_once(client: TestClient, peopled: Book) -> None:
    come_in(client, "Dot")
    with peopled.acting("Ada"):
        peopled.close_person("Dot")
    assert client.get("/racks").status_code == 303


@pytest.mark.parametrize("back", ["https://evil.example/", "//evil.example", "/\\evil", "javascript:alert(1)"])
def test_coming_in_leads_nowhere_else(client: TestClient, back: str) -> None:
    form = {"name": "Ada", "secret": PINS["Ada"], "back": back}
    assert client.post("/enter", data=form, headers=OWN).headers["location"] == "/"


def test_the_first_person_of_a_book_closes_the_door_behind_them(planned: Book) -> None:
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False) as client:
        assert client.get("/racks").status_code == 200
        assert (
            client.post("/people", data={"name": "Eve", "role": "run", "pin": "2468"}, headers=OWN).status_code == 303
        )
        assert client.get("/racks").status_code == 303


def test_a_tablet_in_the_network_must_come_in(peopled: Book) -> None:
    app = create_app(Site(peopled), hosts=LOOPBACK | {"10.0.0.7"})
    with TestClient(app, base_url="http://10.0.0.7:8137", follow_redirects=False) as client:
        assert client.get("/racks").headers["location"] == "/enter?back=%2Fracks"
        assert client.post("/undo/1", headers=OWN).headers["location"] == "/enter?back=%2Fhistory"
        assert client.get("/static/style.css").status_code == 200


def test_sessions_end_after_a_shops_day() -> None:
    now = [0.0]
    held = Sessions(lambda: now[0])
    key = held.begin("Ada")
    now[0] = SHARED_S - 1
    assert held.person(key) == "Ada"
    now[0] += SHARED_S + 1
    assert held.person(key) is None


def test_tries_are_forgotten_in_time() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    for _ in range(10):
        tries.wrong("x")
    with pytest.raises(TooManyError):
        tries.check("x")
    tries.check("y")
    now[0] = 61.0
    tries.check("x")


def test_scripts_come_in_by_name_and_password(client: TestClient) -> None:
    client.cookies.clear()
    assert client.get("/api/rolls").status_code == 401
    assert client.get("/api/rolls", auth=("Cyn", "a long password")).status_code == 200
    assert client.get("/api/rolls", auth=("Cyn", "another password")).status_code == 401
    refused = client.post("/api/plans/accept", json={"plan": "x"}, auth=("Cyn", "a long password"))
    assert refused.status_code == 403 and "role" in refused.json()["error"]

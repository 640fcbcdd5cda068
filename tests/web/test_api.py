"""The interface for the shop's own scripts: described, typed, and never at a loss."""

import importlib.util
import re
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.web.app import create_app
from pipemetal.web.site import Site

BASE = "http://127.0.0.1:8137"
PLAN = "Brindle House #1"


@pytest.fixture
def client(planned: Book) -> Iterator[TestClient]:
    with TestClient(create_app(Site(planned)), base_url=BASE, follow_redirects=False) as held:
        yield held


def test_the_description_names_every_route_of_the_interface_and_no_page(client: TestClient) -> None:
    paths = client.get("/api/openapi.json").json()["paths"]
    assert all(p.startswith("/api/1/") for p in paths)
    assert {f"/api/1/{name}" for name in ("rolls", "lots", "casts", "melts", "cuts", "undo")} <= set(paths)


def test_a_script_goes_through_the_day(client: TestClient, planned: Book) -> None:
    found = client.get(
        "/api/rolls", params={"alloy": "half", "thinnest_mm": 0.5, "thickest_mm": 0.6, "length_mm": 200}
    ).json()
    assert {f["id"] for f in found} == {"R1", "R2"}
    assert client.post("/api/plans/accept", json={"plan": PLAN}).status_code == 200
    cut = client.post("/api/cuts", json={"plan": PLAN, "roll": "R1", "token": "k"}).json()
    assert client.post("/api/cuts", json={"plan": PLAN, "roll": "R1", "token": "k"}).json() == {
        "event": cut["event"],
        "already": True,
    }
    melt = planned.plans.plan(PLAN).melts[0]
    weighed = {line.id: line.mass_kg for line in melt.lots}
    charged = client.post("/api/melts", json={"plan": PLAN, "melt": melt.name, "id": "M-1", "weighed_kg": weighed})
    assert charged.status_code == 200, charged.text
    cast = {
        "id": "C1",
        "alloy": "half",
        "gate_mm": 2.0,
        "charge_kg": 20.0,
        "sled_length_mm": 250,
        "sled_width_mm": 400,
        "length_mm": 2000,
        "thickness_mm": [[100, 1.2], [1900, 1.0]],
        "push_time_s": 3.0,
    }
    assert client.post("/api/casts", json=cast).status_code == 200
    assert client.post("/api/casts", json=cast).status_code == 422
    assert client.get("/api/account").json()["everything_kg"] == 0
    assert client.post("/api/undo", json={"event": cut["event"]}).status_code == 200
    assert client.get("/api/rolls/R1").json()["state"] == "reserved"


def test_a_stale_change_is_told_with_a_conflict(client: TestClient) -> None:
    assert client.post("/api/rolls/R1", json={"version": 1, "place": "B"}).status_code == 200
    assert client.post("/api/rolls/R1", json={"version": 1, "place": "C"}).status_code == 409


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/lots", {"id": "x", "kind": "pig", "mass_kg": -1}),
        ("/api/lots", {"id": "x", "kind": "gold", "mass_kg": 1}),
        ("/api/lots", {"id": "", "kind": "pig", "mass_kg": 1}),
        ("/api/lots", {"id": "x", "kind": "pig", "mass_kg": 1, "more": 1}),
        ("/api/lots", {"id": "x", "kind": "pig", "mass_kg": 1, "composition": "Xx 5"}),
        ("/api/lots", []),
        ("/api/undo", {"event": 0}),
        ("/api/plans/accept", {"plan": "none"}),
    ],
)
def test_what_cannot_be_is_refused_in_words(client: TestClient, path: str, body: Any) -> None:
    answer = client.post(path, json=body)
    assert answer.status_code in (404, 422)
    assert answer.json()["error"]


@pytest.mark.filterwarnings("ignore")
def test_made_up_requests_find_no_error_of_the_server(long_run: bool, planned: Book) -> None:
    """Schemathesis makes requests up from the description; whatever it sends, the server is never at a loss."""
    import schemathesis
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import strategies as st

    schema = schemathesis.openapi.from_asgi(
        "/api/openapi.json", create_app(Site(planned), hosts=frozenset({"localhost", "testserver"}))
    )
    strategies = [result.ok().as_strategy() for result in schema.get_all_operations()]
    assert len(strategies) >= 15

    seen: set[int] = set()

    @given(case=st.one_of(strategies))
    @settings(
        max_examples=400 if long_run else 120,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def ask(case: Any) -> None:
        answer = case.call()
        seen.add(answer.status_code)
        assert answer.status_code < 500, (case.method, case.formatted_path, case.body, answer.text[:300])

    ask()
    assert {200, 422} <= seen


def test_the_description_in_the_documents_is_the_programs_own() -> None:
    """Names of addresses, fields and answers are promised to other programs: a change here must be meant."""
    root = Path(__file__).parents[2]
    spec = importlib.util.spec_from_file_location("interface", root / "bench" / "interface.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert (root / "docs" / "openapi.json").read_text(encoding="utf-8") == module.description(), "run make docs"


def test_the_version_of_the_interface_stands_in_its_addresses(client: TestClient) -> None:
    assert client.get("/api/1/rolls").json() == client.get("/api/rolls").json()
    assert client.get("/api/1/rolls/R1").json()["id"] == "R1"
    assert client.get("/api/2/rolls").status_code == 404


def test_what_the_documents_show_in_python_runs(planned: Book) -> None:
    page = (Path(__file__).parents[2] / "docs" / "interface.md").read_text(encoding="utf-8")
    named: dict[str, Any] = {}
    exec(re.findall(r"```python\n(.*?)```", page, re.DOTALL)[0], named)
    planned.people.add("Ada", "run", pin="1379")
    with planned.acting("Ada"):
        token = planned.tokens.give("Ada", "keep", "an example").value
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = uvicorn.Server(uvicorn.Config(create_app(Site(planned)), port=port, log_config=None))
    running = threading.Thread(target=server.run, daemon=True)
    running.start()
    try:
        while not server.started:
            assert running.is_alive()
            time.sleep(0.02)
        assert named["enter_and_take_back"](token, f"http://127.0.0.1:{port}")["event"] > 0
    finally:
        server.should_exit = True
        running.join(30)


MARKED = {"id": "T-90", "kind": "pig", "mass_kg": 5.0, "composition": "Sn 100", "token": "1"}


def test_a_mark_is_its_senders_own_and_stands_for_one_booking(client: TestClient, planned: Book) -> None:
    planned.people.add("Ada", "run", pin="1379")
    with planned.acting("Ada"):
        planned.people.add("Ben", "keep", pin="1380")
        ada, ben = (
            {"authorization": f"Bearer {planned.tokens.give(name, 'keep', 'labels').value}"} for name in ("Ada", "Ben")
        )
    event = client.post("/api/1/lots", json=MARKED, headers=ben).json()["event"]
    again = client.post("/api/1/lots", json=MARKED, headers=ben)
    assert again.json() == {"event": event, "already": True}
    # another sender that counts 1, 2, 3 too
    assert client.post("/api/1/lots", json=MARKED | {"id": "T-97"}, headers=ada).json()["event"] > event
    # the same mark for something else, and after it was taken back
    other = client.post("/api/1/lots", json=MARKED | {"id": "T-91"}, headers=ben)
    assert other.status_code == 409 and "something else" in other.json()["error"]
    assert client.post("/api/1/undo", json={"event": event}, headers=ben).status_code == 200
    gone = client.post("/api/1/lots", json=MARKED, headers=ben)
    assert gone.status_code == 409 and "taken back since" in gone.json()["error"]
    assert {lot.id for lot in planned.lots.in_stock()[0]} >= {"T-97"}


def test_the_description_says_who_may_come_in(client: TestClient) -> None:
    told = client.get("/api/1/openapi.json").json()
    assert {"token", "password"} == set(told["components"]["securitySchemes"])
    for ways in told["paths"].values():
        for way in ways.values():
            assert {"401", "403", "429"} <= set(way["responses"])
    assert "already" in told["components"]["schemas"]["Booked"]["properties"]

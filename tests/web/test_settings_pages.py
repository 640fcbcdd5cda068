"""The shop's settings and recipes on the pages and for scripts."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from pipemetal.shop.book import Book
from pipemetal.shop.settings import SaidFile
from pipemetal.web.app import create_app
from pipemetal.web.sessions import COOKIE
from pipemetal.web.site import Site
from pipemetal.web.work import PlanTask

BASE = "http://127.0.0.1:8137"
OWN = {"sec-fetch-site": "same-origin"}
PAGE = "/settings/shop"


@pytest.fixture
def site(planned: Book) -> Site:
    return Site(planned)


@pytest.fixture
def client(site: Site) -> Iterator[TestClient]:
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as held:
        yield held


def post(client: TestClient, group: str, version: int = 0, **values: str) -> Any:
    form = {"group": group, "version": str(version)} | {k.replace("__", ":"): v for k, v in values.items()}
    return client.post(PAGE, data=form, headers=OWN)


def save(client: TestClient, key: str, text: str, version: int = 0) -> Any:
    return client.post(
        PAGE, data={"group": key.partition(".")[0], "version": str(version), key: text, f"was:{key}": "?"}, headers=OWN
    )


def speak(client: TestClient, units: str) -> None:
    client.cookies.set("pipemetal_show", units)


@pytest.mark.parametrize("group", ["shop", "sheets", "pot", "casting", "sure", "losses", "gate"])
@pytest.mark.parametrize("units", ["mm.kg.C.point.en.auto", "in.lb.F.comma.de.dark"])
def test_every_group_has_its_page_in_every_unit(client: TestClient, group: str, units: str) -> None:
    speak(client, units)
    answer = client.get(f"{PAGE}?group={group}")
    assert answer.status_code == 200 and 'aria-current="page"' in answer.text
    assert client.get(f"{PAGE}?group=moon").status_code == 422


def test_a_saved_setting_counts_at_once_and_taking_it_back_does_too(client: TestClient, site: Site) -> None:
    answer = save(client, "pot.capacity_kg", "480")
    assert (
        answer.status_code == 303 and answer.headers["location"] == f"{PAGE}?event={site.book.history.last()}&group=pot"
    )
    assert site.settings.pot.capacity_kg == 480.0
    page = client.get(answer.headers["location"]).text
    assert "the book, version 1" in page and "450 kg" in page and "480" in page and "→ 480 kg" in page
    assert "480 kg" in client.get("/settings").text
    client.post(f"/undo/{site.book.history.last()}", headers=OWN)
    assert site.settings.pot.capacity_kg == 450.0
    assert "450 kg" in client.get("/settings").text


def test_to_save_metal_is_chosen_in_a_persons_words(client: TestClient, site: Site) -> None:
    assert site.settings.sure.save_metal == "no"
    assert save(client, "sure.save_metal", "yes").status_code == 303 and site.settings.sure.save_metal == "yes"
    assert save(client, "sure.save_metal", "perhaps", version=1).status_code == 422
    speak(client, "mm.kg.C.comma.de.auto")
    page = client.get(f"{PAGE}?group=sure").text
    assert '<option value="yes" selected>ja</option>' in page and "wo das Metall spart" in page


def test_what_another_program_wrote_counts_at_once(client: TestClient, site: Site) -> None:
    assert site.settings.sheets.trim_mm == 15.0
    with Book.open(site.book.target, who="another") as other:
        other.settings.change({"sheets.trim_mm": 22.0})
    assert site.settings.sheets.trim_mm == 22.0
    assert 'value="22"' in client.get(f"{PAGE}?group=sheets").text


def test_many_at_once_see_settings_that_were_kept(site: Site) -> None:
    seen: list[float] = []

    def look() -> None:
        seen.extend(site.settings.pot.capacity_kg for _ in range(30))

    readers = [threading.Thread(target=look) for _ in range(4)]
    for reader in readers:
        reader.start()
    for kg in (460.0, 470.0, 480.0):
        site.book.settings.change({"pot.capacity_kg": kg})
    for reader in readers:
        reader.join()
    assert set(seen) <= {450.0, 460.0, 470.0, 480.0} and site.settings.pot.capacity_kg == 480.0


def test_values_are_typed_in_a_persons_units_with_a_comma(client: TestClient, site: Site) -> None:
    speak(client, "in.lb.F.comma.de.auto")
    for version, (key, text) in enumerate(
        (
            ("sheets.most_width_mm", "40"),
            ("pot.capacity_kg", "1000"),
            ("casting.air_c", "68"),
            ("losses.scrap", "1,8"),
            ("sheets.most_taper_mm_per_m", "0,0024"),
            ("casting.casts_a_day", "6"),
        )
    ):
        assert save(client, key, text, version).status_code == 303, key
    held = site.settings
    assert held.sheets.most_width_mm == pytest.approx(1016.0)
    assert held.pot.capacity_kg == pytest.approx(453.59237)
    assert held.casting.air_c == pytest.approx(20.0) and held.casting.casts_a_day == 6
    assert dict(held.losses.dross_share)["scrap"] == pytest.approx(0.018)
    assert held.sheets.most_taper_mm_per_m == pytest.approx(0.2)
    page = client.get(f"{PAGE}?group=pot").text
    assert 'value="1000"' in page and "Wert der Werkstatt" in page and "992,0802 lb" not in page and "erlaubt" in page


def test_a_value_that_nobody_touched_is_not_rewritten(client: TestClient, site: Site) -> None:
    site.book.settings.change({"casting.scoop_kg": 11.33980925, "sheets.kerf_mm": 1.2345678})
    speak(client, "in.lb.F.comma.de.auto")
    page = " ".join(client.get(f"{PAGE}?group=sheets").text.split())
    assert 'name="sheets.kerf_mm" value="0,0486"' in page
    form = {
        "group": "sheets",
        "version": "1",
        "sheets.kerf_mm": "0,0486",
        "was:sheets.kerf_mm": "0,0486",
        "sheets.trim_mm": "1",
        "was:sheets.trim_mm": "0,5906",
    }
    assert client.post(PAGE, data=form, headers=OWN).status_code == 303
    assert site.book.settings.kept()[0] == {
        "casting.scoop_kg": 11.33980925,
        "sheets.kerf_mm": 1.2345678,
        "sheets.trim_mm": 25.4,
    }
    same = client.post(PAGE, data=form | {"version": "2", "was:sheets.trim_mm": "1"}, headers=OWN)
    assert same.headers["location"] == f"{PAGE}?done=same&group=sheets"


def test_every_wrong_field_is_marked_and_all_that_was_typed_stays(client: TestClient, site: Site) -> None:
    form = {
        "group": "pot",
        "version": "0",
        "pot.capacity_kg": "9000",
        "pot.heel_kg": "much",
        "pot.most_sheets": "2.5",
        "pot.burner_kw": "33",
        "pot.steel_kg": "-4",
    }
    answer = client.post(PAGE, data=form, headers=OWN)
    assert answer.status_code == 422 and site.book.settings.kept()[0] is None
    assert answer.text.count('aria-invalid="true"') == 4
    for text in ("9000", "much", "2.5", "33", "-4", "5 to 5000 kg", "Not saved"):
        assert text in answer.text


def test_a_value_that_another_forbids_marks_the_one_that_is_out(client: TestClient) -> None:
    answer = save(client, "sheets.least_length_mm", "6000")
    assert answer.status_code == 422 and "Longest sheet" in answer.text and "6000 to 15000 mm" in answer.text


@pytest.mark.parametrize("text", ["1,234", "nan", "1e400", "0x10", "<script>", "5 kg", "9" * 150])
def test_what_is_no_length_is_never_guessed(client: TestClient, site: Site, text: str) -> None:
    answer = save(client, "sheets.trim_mm", text)
    assert answer.status_code == 422 and "<script>" not in answer.text
    assert site.settings.sheets.trim_mm == 15.0


def test_a_value_goes_back_to_the_programs_own_by_its_box_or_by_emptying_it(client: TestClient, site: Site) -> None:
    site.book.settings.change({"pot.capacity_kg": 480.0, "pot.burner_kw": 30.0, "pot.spare_kg": 5.0})
    form = {"group": "pot", "version": "1", "pot.capacity_kg": "480", "own:pot.capacity_kg": "on", "pot.burner_kw": ""}
    assert client.post(PAGE, data=form, headers=OWN).status_code == 303
    assert site.book.settings.kept()[0] == {"pot.spare_kg": 5.0}


def test_who_saves_late_is_told_both_values_by_their_names(client: TestClient, site: Site) -> None:
    assert save(client, "pot.capacity_kg", "480").status_code == 303
    speak(client, "mm.lb.C.point.en.auto")
    answer = save(client, "pot.capacity_kg", "1000", 0)
    assert answer.status_code == 409
    for text in ("Pot holds", "1000 lb", "1058.22 lb", f'href="{PAGE}"'):
        assert text in answer.text
    assert site.settings.pot.capacity_kg == 480.0


def test_a_form_sent_twice_is_done_once(client: TestClient, site: Site) -> None:
    form = {"group": "pot", "version": "0", "pot.capacity_kg": "480", "token": "t-1"}
    first = client.post(PAGE, data=form, headers=OWN)
    again = client.post(PAGE, data=form | {"pot.capacity_kg": "481"}, headers=OWN)
    assert (first.status_code, again.status_code) == (303, 303)
    assert again.headers["location"] == first.headers["location"]
    assert site.settings.pot.capacity_kg == 480.0


def test_saving_takes_over_what_shop_toml_said(planned: Book) -> None:
    site = Site(planned, beside=SaidFile("shop.toml", {"pot.burner_kw": 25.0, "shop.name": "Invented & sons"}))
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as client:
        page = client.get(f"{PAGE}?group=pot").text
        assert "shop.toml beside the book" in page and "Invented &amp; sons" in page
        assert save(client, "pot.capacity_kg", "480").status_code == 303
    assert planned.settings.kept()[0] == {
        "pot.burner_kw": 25.0,
        "pot.capacity_kg": 480.0,
        "shop.name": "Invented & sons",
    }
    assert site.in_effect().origin == "the book"


def test_a_file_given_at_the_start_cannot_be_overruled_by_a_page(planned: Book) -> None:
    site = Site(planned, given=SaidFile("own.toml", {"pot.capacity_kg": 500.0}))
    with TestClient(create_app(site), base_url=BASE, follow_redirects=False) as client:
        page = client.get(f"{PAGE}?group=pot").text
        assert "own.toml, given" in page and '<fieldset class="settings" disabled>' in page
        answer = save(client, "pot.capacity_kg", "480")
        assert answer.status_code == 422 and "--settings" in answer.text
        assert client.post("/api/settings", json={"version": 0, "values": {"pot.heel_kg": 1}}).status_code == 422
    assert planned.settings.kept()[0] is None


def test_only_who_runs_the_shop_may_save_and_others_may_look(planned: Book) -> None:
    with planned.acting("Ada"):
        planned.people.add("Ada", "run", pin="4711")
        planned.people.add("Ben", "keep", pin="4712")
    site = Site(planned)
    app = create_app(site)
    for name, status in (("Ben", 403), ("Ada", 303)):
        tablet = TestClient(
            app,
            base_url=BASE,
            follow_redirects=False,
            cookies={COOKIE: site.door.sessions.begin(name, site.book.people.person(name).seal)},
        )
        page = tablet.get(f"{PAGE}?group=pot").text
        assert ("disabled" in page.partition("<fieldset")[2]) is (name == "Ben")
        assert save(tablet, "pot.capacity_kg", "480").status_code == status
    assert planned.history.events(limit=1)[0].who == "Ada"


def test_a_plan_asked_for_is_made_with_the_settings_of_that_moment(client: TestClient, site: Site) -> None:
    site.jobs.add = lambda *args, **_: asked.append(args[0])  # type: ignore[method-assign,assignment,return-value]
    asked: list[PlanTask] = []
    organ = next(iter(site.book.plans.organs()))
    for kg in (460.0, 470.0):
        site.book.settings.change({"pot.capacity_kg": kg})
        client.post("/jobs/plan", data={"organ": organ, "seconds": "20"}, headers=OWN)
    assert [a.settings.pot.capacity_kg for a in asked] == [460.0, 470.0]
    assert asked[1].settings.source == "the book, version 2"


def test_settings_spoilt_by_hand_are_told_and_no_page_goes_dark(client: TestClient, site: Site) -> None:
    import sqlite3

    site.book.settings.change({"pot.capacity_kg": 480.0})
    with sqlite3.connect(site.book.target) as raw:
        raw.execute("UPDATE settings SET said = '{\"pot.capacity_kg\": 9e9}'")
    raw.close()
    assert client.get("/history").status_code == 200
    answer = client.get("/settings")
    assert answer.status_code == 422 and "out of range" in answer.text


def test_the_gates_figures_are_the_priors_without_a_cast(client: TestClient) -> None:
    page = client.get(f"{PAGE}?group=gate").text
    assert "believed before any" in page and "/casting/said" in page
    said = client.get("/casting/said").text
    assert "Worth casting next" in said and "0.7" in said and "thick metal on a dragging cloth" in said


def test_the_gates_figures_are_worked_out_only_when_asked_for(client: TestClient, planned: Book) -> None:
    from pipemetal.files.demo_files import packaged_file
    from pipemetal.files.log_file import read_log

    planned.casts.record_all(read_log(packaged_file("log.csv")), "log.csv")
    assert "Work it out" in client.get(f"{PAGE}?group=gate").text
    worked_out = client.get(f"{PAGE}?group=gate&learn=1").text
    assert "30 casts used" in worked_out
    assert "30 casts used" in client.get(f"{PAGE}?group=gate").text
    said = client.get("/casting/said").text
    assert "30 of 30 logged casts used" in said and said.count("<svg xmlns") == 3 and "C110" in said
    speak(client, "mm.kg.C.comma.de.auto")
    assert "30 Güsse benutzt" in client.get(f"{PAGE}?group=gate").text
    assert "Was eure Güsse sagen" in client.get("/casting/said").text


def test_a_recipe_is_entered_and_changed(client: TestClient, planned: Book) -> None:
    page = "/stock/recipes"
    new = {
        "name": "plain <30>",
        "version": "",
        "target": "Sn 30 Pb bal",
        "low:Sn": "29,5",
        "high:Sn": "31",
        "note": "flutes",
    }
    assert client.post(page, data=new, headers=OWN).status_code == 303
    recipe = planned.recipes.all()["plain <30>"]
    assert recipe.windows_wt_pct == (("Sn", 29.5, 31.0),)
    shown = client.get(f"{page}?recipe=plain+%3C30%3E").text
    assert 'value="29.5"' in shown and "plain &lt;30&gt;" in shown and "<30>" not in shown
    changed = new | {"version": "1", "low:Sn": "29", "low:Sb": "", "high:Sb": "0.5"}
    assert client.post(page, data=changed, headers=OWN).status_code == 303
    assert planned.recipes.all()["plain <30>"].windows_wt_pct == (("Sn", 29.0, 31.0), ("Sb", 0.0, 0.5))
    assert planned.history.events(limit=1)[0].what == "recipe changed"
    assert client.post(page, data=changed | {"note": "late"}, headers=OWN).status_code == 409
    assert client.post(page, data=new, headers=OWN).status_code == 422
    assert client.get(f"{page}?recipe=none").status_code == 404
    same = client.post(page, data=changed | {"version": "2"}, headers=OWN)
    assert same.headers["location"] == f"{page}?done=same"


@pytest.mark.parametrize(
    ("field", "text", "marked"),
    [
        ("target", "Xx 5", "target"),
        ("target", "", "target"),
        ("name", " ", "name"),
        ("low:Sn", "60", "low:Sn"),
        ("high:Sn", "x", "high:Sn"),
        ("low:Sn", "52", "low:Sn"),
        ("low:Pb", "99", "target"),
    ],
)
def test_a_recipe_that_cannot_be_marks_its_field_and_keeps_the_rest(
    client: TestClient, planned: Book, field: str, text: str, marked: str
) -> None:
    form = {
        "name": "new",
        "version": "",
        "target": "Sn 50 Pb bal",
        "low:Sn": "48",
        "high:Sn": "53",
        "note": "keep this",
    }
    answer = client.post("/stock/recipes", data=form | {field: text}, headers=OWN)
    assert (
        answer.status_code == 422 and "keep this" in answer.text and 'value="53"' in answer.text
    ) or field == "high:Sn"
    assert f'id="tell-{marked.replace(":", "-")}"' in answer.text and "new" not in planned.recipes.all()


def test_scripts_read_and_change_settings_and_recipes(client: TestClient, planned: Book) -> None:
    held = client.get("/api/settings").json()
    assert (held["version"], held["values"]["pot.capacity_kg"]["own"]) == (0, 450.0)
    body = {
        "version": 0,
        "values": {"pot.capacity_kg": 480, "pot.most_sheets": 12, "shop.paper": "letter"},
        "token": "s",
    }
    event = client.post("/api/settings", json=body).json()["event"]
    assert client.post("/api/settings", json=body).json() == {"event": event, "already": True}
    assert client.get("/api/settings").json()["values"]["pot.most_sheets"]["value"] == 12
    assert client.post("/api/settings", json=body | {"token": ""}).status_code == 409
    back = {"version": 1, "values": {"pot.capacity_kg": None}}
    assert client.post("/api/settings", json=back).status_code == 200
    for values in (
        {"pot.kettle": 1},
        {"pot.capacity_kg": 1},
        {"pot.capacity_kg": "much"},
        {"pot.most_sheets": 2.5},
        {},
    ):
        assert client.post("/api/settings", json={"version": 2, "values": values}).status_code == 422
    recipe = {"name": "plain", "target": "Sn 30 Pb bal", "windows": {"Sn": [29, 31]}}
    assert client.post("/api/recipes", json=recipe).status_code == 200
    assert client.post("/api/recipes", json=recipe | {"version": 1, "note": "flutes"}).status_code == 200
    assert client.post("/api/recipes", json=recipe | {"version": 1}).status_code == 409
    assert client.post("/api/recipes", json=recipe | {"windows": {"Sn": [40, 50]}}).status_code == 422
    assert {r["name"]: r["version"] for r in client.get("/api/recipes").json()}["plain"] == 2


def test_the_pages_are_started_with_what_counts(tmp_path: Path, planned: Book) -> None:
    from pipemetal.shop.settings import beside_book

    (Path(planned.target).parent / "shop.toml").write_text("[pot]\nheel_kg = 7\n")
    site = Site(planned, beside=beside_book(planned.target))
    assert site.settings.pot.heel_kg == 7.0 and site.settings.source == "shop.toml beside the book"

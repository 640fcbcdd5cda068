"""The book's commands: people by name, plans accepted and done, trace as a page, undo, tables as files."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from shop_samples import HALF, LEAD, PNG, TIN, a_plan, a_roll

from pipemetal.cli.main import cli
from pipemetal.errors import BookError, InputError
from pipemetal.plans.record import PLAN_FORMAT
from pipemetal.shop.book import Book, NewLot, NewMelt, NotAllowedError


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PIPEMETAL_BY", raising=False)
    target = str(tmp_path / "shop.sqlite")
    monkeypatch.setenv("PIPEMETAL_SHOP", target)
    with Book.open(target, create=True, who="Ada") as book:
        book.recipes.add(HALF)
        book.lots.add(NewLot("T", "pig", 30.0, TIN, invoice="2024-117"))
        book.lots.add(NewLot("P", "pig", 30.0, LEAD))
        book.rolls.add(a_roll("R1"))
    return target


def run(*args: str, given: str | None = None) -> Result:
    return CliRunner().invoke(cli, list(args), input=given, catch_exceptions=False)


def told(*args: str, given: str | None = None) -> Any:
    result = run(*args, "--json", given=given)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_people_are_entered_and_asked_for_by_name(shop: str) -> None:
    told("people", "add", "Ada", "--role", "run", "--pin", given="4711\n")
    with pytest.raises(NotAllowedError, match="--by NAME"):
        run("lots", "enter", "X", "--mass", "5")
    told("people", "add", "Ben", "--role", "work", "--by", "Ada")
    with pytest.raises(NotAllowedError):
        run("lots", "--add", "X", "--mass", "5", "--by", "Ben")
    told("people", "role", "Ben", "keep", "--by", "Ada")
    event = told("lots", "--enter", "X", "--mass", "5", "--by", "Ben")["event"]
    assert told("history", "lot:X")["events"][0] | {"at": ""} == {
        "event": event,
        "at": "",
        "who": "Ben",
        "what": "lot entered",
        "about": "lot:X",
        "undoes": None,
        "taken_back": False,
    }
    told("people", "pin", "Ben", "--by", "Ben", given="2468\n")
    told("people", "password", "Ben", "--by", "Ben", given="pewter and lead\n")
    told("people", "close", "Ben", "--by", "Ada")
    assert [(p["name"], p["pin"]) for p in told("people", "list")["people"]] == [("Ada", True)]
    assert "4711" not in run("people", "list").output


def test_a_plan_is_accepted_done_and_taken_back(shop: str, tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(json.dumps(a_plan() | {"format": PLAN_FORMAT}))
    assert told("accept", "plan.json")["plan"] == "Chapel #1"
    assert [r["about"] for r in told("reserved")["reservations"]] == ["roll:R1", "lot:T", "lot:P"]
    assert "Flute 8" in run("reserved").output and "N1" in run("reserved", "--casts").output
    assert [r["reserved_for"] for r in told("rolls", "--reserved")["rolls"]] == ["Chapel #1: Flute 8"]
    assert told("rolls", "--free")["rolls"] == []
    done = told("done", "Chapel #1", "--roll", "R1")
    assert done["remnants"] == ["R1-1"]
    told("done", "Chapel #1", "--melt", "M1", "--as", "2026-1", "--weighed", "T=20.5,P=19", "--sure")
    told("undo", str(done["event"]))
    assert told("accept", "Chapel #1", "--take-back")["state"] == "given up"
    assert [r["id"] for r in told("rolls", "--free")["rolls"]] == ["R1"]
    with pytest.raises(InputError, match="one of the two"):
        run("done", "Chapel #1")


def test_a_trace_is_text_json_and_a_page(shop: str, tmp_path: Path) -> None:
    with Book.open(shop) as book:
        book.melts.record(NewMelt("M1", "half", {"T": 10.0, "P": 10.0}))
        book.melts.to_lot("M1", "I1", 20.0)
        book.ledger.analyse("lot:T", TIN, laboratory="<b>own</b>", day="2026-01-02")
        book.attachments.add("lot:T", "invoice.png", PNG)
    report = told("trace", "I1")
    assert report["sources"] == ["lot:T", "lot:P"]
    assert report["things"]["lot:T"]["invoice"] == "2024-117" and report["things"]["lot:T"]["attachments"] == [
        "lot:T #1"
    ]
    assert "2024-117" in run("trace", "lot:I1").output
    run("trace", "I1", "--html", "t.html")
    page = (tmp_path / "t.html").read_text()
    assert "2024-117" in page and "&lt;b&gt;own" in page and "<b>own" not in page
    assert re.findall(r'(?:src|href)="', page) == []
    forward = told("trace", "T")
    assert {s["target"] for s in forward["forwards"]} == {"melt:M1", "lot:I1"}
    with pytest.raises(BookError, match="not in the book"):
        run("trace", "nothing")


def test_weighings_analyses_and_what_is_unexplained(shop: str) -> None:
    told("weigh", "lot:T", "29.5")
    told("analysis", "lot:P", "Sn 1 Pb bal", "--plus-minus", "Sn=0.2")
    told("sell", "lot:T", "1")
    found = told("unexplained")["unexplained"]
    assert [(x["why"], x["mass_kg"]) for x in found] == [("analysed", 0.0), ("lost", -0.5)]
    assert "lost" in run("unexplained").output


def test_every_list_is_written_as_a_table(shop: str, tmp_path: Path) -> None:
    from openpyxl import load_workbook

    for command in ("rolls", "lots", "melts", "casts", "history", "reserved", "unexplained"):
        assert "rows to" in run(command, "--table", f"{command}.xlsx").output
        run(command, "--table", f"{command}.csv")
    sheet = load_workbook(tmp_path / "rolls.xlsx").active
    assert sheet["C1"].value == "length mm" and sheet["C2"].value == 2000


def test_dump_load_import_and_attachments(shop: str, tmp_path: Path) -> None:
    (tmp_path / "p.png").write_bytes(PNG)
    told("attach", "roll:R1", "p.png", "--note", "a scratch")
    run("attach", "roll:R1", "--get", "roll:R1 #1", "--out", "out.png")
    assert (tmp_path / "out.png").read_bytes() == PNG and "p.png" in run("attach", "roll:R1").output
    run("dump", "all")
    assert told("load", "all", "--shop", "again.sqlite")["equal"]
    run("export", "all.xlsx")
    run("export", "folder")
    fresh = ("--shop", "fresh.sqlite")
    assert "Would bring in" in run("import", "folder", "--dry-run", *fresh).output
    assert not (tmp_path / "fresh.sqlite").exists()
    assert told("import", "folder", *fresh)["rolls"] == 1
    text = "Nr,Art,kg\nX9,scrap,3\n"
    (tmp_path / "b.csv").write_text(text)
    assert (
        told("import", "b.csv", "--as", "lots", "--map", "Nr=id", "--map", "Art=kind", "--map", "kg=mass_kg")["lots"]
        == 1
    )


def test_the_first_writing_of_the_day_made_a_backup(shop: str, tmp_path: Path) -> None:
    told("weigh", "lot:T", "29")
    assert len(list((tmp_path / "shop.sqlite.backups").glob("*.backup"))) == 1
    assert told("doctor")["book"]["backups"]["kept"] == 1


@pytest.mark.long
def test_the_demo_lives_in_a_book_that_its_plan_is_accepted_into(tmp_path: Path, shop_folder: Path) -> None:
    target = str(tmp_path / "demo.sqlite")
    organ = shop_folder / "organ.toml"
    head, *ranks = organ.read_text().split("[[rank]]")
    organ.write_text("[[rank]]".join([head, *ranks[-1:]]))
    told("import", str(shop_folder), "--shop", target)
    out = str(tmp_path / "plan")
    args = ["plan", str(organ), "--shop", target, "--out", out, "--iterations", "1", "--accept"]
    result = run(*args)
    assert result.exit_code in (0, 1) and "Accepted as 'Merrowby Chapel #1'" in result.output
    with Book.open(target) as book:
        assert list(book.plans.organs().values()) == [organ.read_text()], "the pages show the organ"
        plan = book.plans.plan()
        assert plan is not None
        assert {r.about for r in book.plans.reservations() if r.melt == ""} == {f"roll:{r.id}" for r in plan.rolls_used}
        first = plan.rolls_used[0]
        book.plans.cut("Merrowby Chapel #1", first.id)
        pieces = [p for p in book.pieces.rows() if p.roll == first.id]
        assert len(pieces) == len(first.cuts)
        assert book.keeping.doctor().faults == []
    with pytest.raises(InputError, match="needs the book"):
        run("plan", str(organ), "--out", out, "--accept")


def test_melts_casts_and_rolls_are_entered_by_hand(shop: str, tmp_path: Path, shop_folder: Path) -> None:
    told(
        "melts",
        "--add",
        "M1",
        "--recipe",
        "half",
        "--charge",
        "T=20,P=20",
        "--dross",
        "0.5",
        "--dross-metal",
        "Sn 80 Pb bal",
        "--assay",
        "Sn 49.5 Pb bal",
        "--day",
        "2026-05-04",
    )
    assert told("melts", "M1")["melts"][0] | {"inputs_kg": {}} == {
        "id": "M1",
        "recipe": "half",
        "day": "2026-05-04",
        "inputs_kg": {},
        "dross_kg": 0.5,
        "assay": "Sn 49.5 Pb bal",
        "left_kg": 39.5,
        "outside": "",
    }
    lines = (shop_folder / "log.csv").read_text().splitlines()
    rows = [line for line in lines if not line.startswith("#")][:2]
    (tmp_path / "one.csv").write_text("\n".join(rows) + "\n")
    cast = told("casts", "--add", "one.csv", "--melt", "M1", "--used", "15")["added"][0]
    (tmp_path / "rack.csv").write_text(
        f"id,alloy,length_mm,width_mm,thickness_start_mm,cast,place\nR9,half,2000,600,1.0,{cast},rack C\n"
    )
    assert told("rolls", "--add", "rack.csv")["added"] == ["R9"]
    report = told("trace", "R9")
    assert {"lot:T", "lot:P"} == set(report["sources"]) and report["things"]["roll:R9"]["cast"] == cast
    told("trim", cast, "--swarf", "0.2")
    assert told("unexplained")["standing_kg"] == {"melt:M1": 24.5}
    with pytest.raises(InputError, match="go with one cast"):
        run("casts", "--add", str(shop_folder / "log.csv"), "--melt", "M1")

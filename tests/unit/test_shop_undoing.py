"""Undo: by the role of what was done in the first place, with somebody left who may run, and with a word what stands in the way."""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from shop_samples import HALF, LEAD, PNG, TIN, a_plan, a_roll, as_plan

from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.errors import BookError, PipemetalError
from pipemetal.plans.record import Plan
from pipemetal.shop.book import Book, NotAllowedError, StaleSaveError, UndoFirstError
from pipemetal.shop.roles import ACTIONS, ROLES, may
from pipemetal.shop.undoing import KEPT_BY_NOBODY, told_touched

PERSON = {role: f"{role}er" for role in ROLES}
NOT_EVENTS = {
    *("look at the book", "search the rack", "trace", "book exported", "book backed up", "book dumped", "taken back"),
}
"""Actions that write nothing, and undo itself, which is tried on every other."""


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Book]:
    with Book.open(tmp_path / "s.sqlite", create=True, who=PERSON["run"]) as book:
        for role in reversed(ROLES):
            book.add_person(PERSON[role], role, pin="4711")
        book.add_recipe(HALF)
        book.add_lot("T1", "pig", 100.0, TIN)
        book.add_lot("H1", "ingot", 200.0, HALF.target, alloy="half")
        book.add_roll(a_roll("R1"))
        book.add_roll(a_roll("R2"))
        book.record_melt("M0", "half", {"H1": 60.0})
        yield book


def anything(shop: Book, what: str) -> int:
    """One event of every kind."""
    from pipemetal.shop.book import Piece

    made: dict[str, Callable[[], int]] = {
        "roll changed": lambda: shop.change_roll("R1", shop.row("rolls", "R1")["version"], place="elsewhere"),
        "roll cut": lambda: shop.cut_roll("R2", [Piece("p", (20.0, 20.0, 400.0, 300.0))])[0],
        "roll entered": lambda: shop.add_roll(a_roll("R9")),
        "melt charged": lambda: shop.record_melt("M1", "half", {"H1": 20.0}),
        "ingots poured": lambda: shop.melt_to_lot("M0", "I1", 5.0),
        "attachment kept": lambda: shop.attach("roll:R1", "p.png", PNG),
        "recipe entered": lambda: shop.add_recipe(replace(HALF, name="other")),
        "recipe changed": lambda: shop.change_recipe(replace(HALF, note="new"), shop.row("recipes", "half")["version"]),
        "lot entered": lambda: shop.add_lot("T9", "pig", 5.0, TIN),
        "imported": lambda: shop.import_casts([], "log"),
        "analysis entered": lambda: shop.record_analysis("lot:T1", TIN),
        "weighed": lambda: shop.weigh("lot:T1", 99.0),
        "sold": lambda: shop.sell("lot:T1", 1.0),
        "organ kept": lambda: shop.add_organ("Chapel", "text")[0],
        "plan kept": lambda: shop.add_plan(Plan("Chapel"))[0],
        "attachment withdrawn": lambda: shop.withdraw_attachment("roll:R1 #1"),
        "person entered": lambda: shop.add_person("new", "keep", pin="4712"),
        "role given": lambda: shop.give_role(PERSON["look"], "work"),
        "person closed": lambda: shop.close_person(PERSON["look"]),
        "settings changed": lambda: shop.keep_settings({"shop.name": "Tinbrook"}),
        "settings forgotten": lambda: shop.forget_settings(),
        "pin set": lambda: shop.set_pin(PERSON["work"], "4713"),
        "password set": lambda: shop.set_password(PERSON["work"], "long enough"),
        "melt corrected": lambda: shop.correct_melt("M0", {"H1": 1.0}),
        "cast logged": lambda: shop.record_cast(a_cast("C1"), melt="M0", used_kg=20.0),
        "sheet trimmed": lambda: shop.trim_sheet("C1"),
        "plan accepted": lambda: shop.accept_plan(a_chapel())[0],
        "planned roll cut": lambda: shop.cut_planned("Chapel #1", "R1")[0],
        "plan given up": lambda: shop.give_up_plan("Chapel #1"),
        "plan changed by hand": lambda: shop.change_plan("Chapel #1", a_chapel(moved=True)),
    }
    if what in OF_PLANS:
        shop.add_lot("T", "pig", 100.0, TIN)
        shop.add_lot("P", "pig", 100.0, LEAD)
    if what in OF_PLANS - {"plan accepted"}:
        shop.accept_plan(a_chapel())
    if what == "sheet trimmed":
        shop.record_cast(a_cast("C1"), melt="M0", used_kg=20.0)
        shop.add_roll(a_roll("R9"), cast="C1")
    if what == "attachment withdrawn":
        shop.attach("roll:R1", "p.png", PNG)
    if what == "settings forgotten":
        shop.keep_settings({"shop.name": "Tinbrook"})
    return made[what]()


def a_cast(name: str) -> LoggedCast:
    return LoggedCast(name, HALF.target, 2.0, 30.0, Sled(250.0, 600.0), 2000.0, ((100.0, 1.2),), (), push_time_s=3.0)


def a_chapel(*, moved: bool = False) -> Plan:
    plan = as_plan(a_plan())
    if not moved:
        return plan
    sheet = plan.rolls_used[0]
    return replace(plan, rolls_used=(replace(sheet, cuts=(replace(sheet.cuts[0], x_mm=9.0), *sheet.cuts[1:])),))


OF_PLANS = {"planned roll cut", "plan accepted", "plan given up", "plan changed by hand"}
WRITTEN_BY_NOBODY = {"lot changed"}
"""A role is kept for it, and no command of the book writes it yet."""
TRIED = sorted(ACTIONS.keys() - NOT_EVENTS - WRITTEN_BY_NOBODY)


def runners(book: Book) -> list[str]:
    return [p.name for p in book.people() if p.role == "run"]


@pytest.mark.parametrize("what", TRIED)
def test_undo_and_its_undo_take_the_role_of_the_first(what: str, shop: Book) -> None:
    event = anything(shop, what)
    if what in ("imported",) or what in KEPT_BY_NOBODY:
        with pytest.raises(BookError, match="nothing to go back to"):
            shop.undo(event)
        return
    for _ in range(3):  # undo, undo of the undo, and again
        for role in ROLES:
            if not may(role, what):
                with shop.acting(PERSON[role]), pytest.raises(NotAllowedError):
                    shop.undo(event)
        event = shop.undo(event)
        assert runners(shop) and shop.roots()[event] == what
    assert shop.doctor()["faults"] == []


def test_nothing_leaves_the_shop_without_somebody_who_may_run(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        first = book.add_person("Ada", "run", pin="4711")
        second = book.add_person("Ben", "look", pin="4711")
        ways: list[Callable[[], int]] = [
            lambda: book.undo(first),
            lambda: book.close_person("Ada"),
            lambda: book.give_role("Ada", "keep"),
        ]
        for way in ways:
            with pytest.raises(BookError, match="nobody else may run"):
                way()
        given = book.give_role("Ben", "run")
        book.close_person("Ada")
        with book.acting("Ben"):
            for event in (given, second, first):
                with pytest.raises(PipemetalError):
                    book.undo(event)
        assert runners(book) == ["Ben"]


def test_a_role_taken_back_is_not_taken_again(shop: Book) -> None:
    given = shop.give_role(PERSON["work"], "run")
    taken = shop.undo(given)
    with shop.acting(PERSON["work"]), pytest.raises(NotAllowedError):
        shop.undo(taken)
    assert runners(shop) == [PERSON["run"]]


def test_every_order_of_undoing_people_leaves_somebody(tmp_path: Path) -> None:
    for number, order in enumerate(itertools.permutations(range(4))):
        with Book.open(tmp_path / f"{number}.sqlite", create=True, who="Ada") as book:
            events = [
                book.add_person("Ada", "run", pin="4711"),
                book.add_person("Ben", "run", pin="4711"),
                book.give_role("Ada", "look"),
            ]
            with book.acting("Ben"):
                events.append(book.give_role("Ada", "run"))
                for k in order:
                    for who in ("Ada", "Ben"):
                        with book.acting(who):
                            try:
                                book.undo(events[k])
                            except PipemetalError:
                                continue
                    assert runners(book)


def test_a_pin_set_since_does_not_hold_a_role_fast(shop: Book) -> None:
    given = shop.give_role(PERSON["work"], "keep")
    shop.set_pin(PERSON["work"], "4719")
    shop.undo(given)
    assert shop.person(PERSON["work"]).role == "work" and shop.check_pin(PERSON["work"], "4719") is not None


def test_what_stands_in_the_way_is_named_with_its_event(shop: Book) -> None:
    entered = shop.add_lot("X1", "pig", 50.0, HALF.target)
    melted = shop.record_melt("MX", "half", {"X1": 20.0})
    with pytest.raises(UndoFirstError, match=f"take event {melted} back first") as told:
        shop.undo(entered)
    assert told.value.first.id == melted and "would hold" not in str(told.value)
    poured = shop.melt_to_lot("MX", "IX", 5.0)
    with pytest.raises(UndoFirstError, match=f"take event {poured} back first"):
        shop.undo(melted)
    for event in (poured, melted, entered):
        shop.undo(event)
    moved = shop.change_roll("R1", 1, place="A")
    again = shop.change_roll("R1", 2, place="B")
    with pytest.raises(UndoFirstError, match="roll R1 was used or changed since"):
        shop.undo(moved)
    shop.undo(again)
    shop.undo(moved)


def test_changed_meanwhile_says_by_whom_and_no_raw_names(shop: Book) -> None:
    shop.change_roll("R1", 1, place="A")
    with pytest.raises(StaleSaveError) as told:
        shop.change_roll("R1", 1, place="B", note="mine")
    assert told.value.own and "by yourself" in str(told.value) and "version" not in str(told.value)
    with shop.acting(PERSON["work"]), pytest.raises(StaleSaveError, match=f"by {PERSON['run']} meanwhile") as other:
        shop.change_roll("R1", 1, place="B")
    assert not other.value.own and "somebody else" not in str(other.value)


def test_what_an_event_touched_is_counted(shop: Book, shop_folder: Path) -> None:
    with Book.open(shop_folder / "new.sqlite", create=True) as book:
        event = book.event(book.import_folder(shop_folder)["event"])
    assert event.touched["rolls"] > 30 and f"{event.touched['rolls']} rolls" in told_touched(event.touched)

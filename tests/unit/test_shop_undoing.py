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
from pipemetal.shop.book import Book, NewHeard, NewLot, NewMelt, NotAllowedError, StaleSaveError, UndoFirstError
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
            book.people.add(PERSON[role], role, pin="4711")
        book.recipes.add(HALF)
        book.lots.add(NewLot("T1", "pig", 100.0, TIN))
        book.lots.add(NewLot("H1", "ingot", 200.0, HALF.target, alloy="half"))
        book.rolls.add(a_roll("R1"))
        book.rolls.add(a_roll("R2"))
        book.melts.record(NewMelt("M0", "half", {"H1": 60.0}))
        yield book


def anything(shop: Book, what: str) -> int:
    """One event of every kind."""
    from pipemetal.shop.book import Piece

    made: dict[str, Callable[[], int]] = {
        "roll changed": lambda: shop.rolls.change("R1", shop.rolls.row("R1").version, place="elsewhere").event,
        "roll cut": lambda: shop.rolls.cut("R2", [Piece("p", (20.0, 20.0, 400.0, 300.0))]).event,
        "roll entered": lambda: shop.rolls.add(a_roll("R9")).event,
        "melt charged": lambda: shop.melts.record(NewMelt("M1", "half", {"H1": 20.0})).event,
        "ingots poured": lambda: shop.melts.to_lot("M0", "I1", 5.0).event,
        "attachment kept": lambda: shop.attachments.add("roll:R1", "p.png", PNG).event,
        "recipe entered": lambda: shop.recipes.add(replace(HALF, name="other")).event,
        "recipe changed": lambda: (
            shop.recipes.change(replace(HALF, note="new"), shop.recipes.row("half").version).event
        ),
        "lot entered": lambda: shop.lots.add(NewLot("T9", "pig", 5.0, TIN)).event,
        "imported": lambda: shop.casts.record_all([], "log").event,
        "analysis entered": lambda: shop.ledger.analyse("lot:T1", TIN).event,
        "weighed": lambda: shop.ledger.weigh("lot:T1", 99.0).event,
        "sold": lambda: shop.ledger.sell("lot:T1", 1.0).event,
        "organ kept": lambda: shop.plans.add_organ("Chapel", "text").event,
        "plan kept": lambda: shop.plans.keep(Plan("Chapel")).event,
        "attachment withdrawn": lambda: shop.attachments.withdraw("roll:R1 #1").event,
        "person entered": lambda: shop.people.add("new", "keep", pin="4712").event,
        "role given": lambda: shop.people.give_role(PERSON["look"], "work").event,
        "person closed": lambda: shop.people.close(PERSON["look"]).event,
        "settings changed": lambda: shop.settings.keep({"shop.name": "Tinbrook"}).event,
        "settings forgotten": lambda: shop.settings.forget().event,
        "pin set": lambda: shop.people.set_pin(PERSON["work"], "4713").event,
        "password set": lambda: shop.people.set_password(PERSON["work"], "long enough").event,
        "pipe heard": lambda: shop.heard.add([NewHeard("O", "Octave 4", "c1", 24, 262.0, 2.5, 0.1, 17.4, 0.6)]).event,
        "token given": lambda: shop.tokens.give(PERSON["work"], "look", "the floor scale").event,
        "token withdrawn": lambda: shop.tokens.withdraw(shop.tokens.all()[0].id).event,
        "melt corrected": lambda: shop.melts.correct("M0", {"H1": 1.0}).event,
        "cast logged": lambda: shop.casts.record(a_cast("C1"), melt="M0", used_kg=20.0).event,
        "sheet trimmed": lambda: shop.casts.trim("C1").event,
        "plan accepted": lambda: shop.plans.accept(a_chapel()).event,
        "planned roll cut": lambda: shop.plans.cut("Chapel #1", "R1").event,
        "planned blank cut": lambda: shop.plans.cut_one("Chapel #1", "R1", blank_of(a_chapel())).event,
        "plan given up": lambda: shop.plans.give_up("Chapel #1").event,
        "plan changed by hand": lambda: shop.plans.change("Chapel #1", a_chapel(moved=True)).event,
        "plan taken anew": lambda: shop.plans.take("Chapel #1", a_chapel(moved=True)).event,
    }
    if what in OF_PLANS:
        shop.lots.add(NewLot("T", "pig", 100.0, TIN))
        shop.lots.add(NewLot("P", "pig", 100.0, LEAD))
    if what in OF_PLANS - {"plan accepted"}:
        shop.plans.accept(a_chapel())
    if what == "sheet trimmed":
        shop.casts.record(a_cast("C1"), melt="M0", used_kg=20.0)
        shop.rolls.add(a_roll("R9"), cast="C1")
    if what == "attachment withdrawn":
        shop.attachments.add("roll:R1", "p.png", PNG)
    if what == "token withdrawn":
        shop.tokens.give(PERSON["work"], "look", "the floor scale")
    if what == "settings forgotten":
        shop.settings.keep({"shop.name": "Tinbrook"})
    return made[what]()


def a_cast(name: str) -> LoggedCast:
    return LoggedCast(name, HALF.target, 2.0, 30.0, Sled(250.0, 600.0), 2000.0, ((100.0, 1.2),), (), push_time_s=3.0)


def a_chapel(*, moved: bool = False) -> Plan:
    plan = as_plan(a_plan())
    if not moved:
        return plan
    sheet = plan.rolls_used[0]
    return replace(plan, rolls_used=(replace(sheet, cuts=(replace(sheet.cuts[0], x_mm=9.0), *sheet.cuts[1:])),))


def blank_of(plan: Plan) -> str:
    return plan.rolls_used[0].cuts[0].blank


OF_PLANS = {
    "planned roll cut",
    "planned blank cut",
    "plan accepted",
    "plan given up",
    "plan changed by hand",
    "plan taken anew",
}
WRITTEN_BY_NOBODY = {"lot changed"}
"""A role is kept for it, and no command of the book writes it yet."""
TRIED = sorted(ACTIONS.keys() - NOT_EVENTS - WRITTEN_BY_NOBODY)


def runners(book: Book) -> list[str]:
    return [p.name for p in book.people.all() if p.role == "run"]


@pytest.mark.parametrize("what", TRIED)
def test_undo_and_its_undo_take_the_role_of_the_first(what: str, shop: Book) -> None:
    event = anything(shop, what)
    if what in ("imported",) or what in KEPT_BY_NOBODY:
        with pytest.raises(BookError, match="cannot be taken back"):
            shop.history.undo(event)
        return
    for _ in range(3):  # undo, undo of the undo, and again
        for role in ROLES:
            if not may(role, what):
                with shop.acting(PERSON[role]), pytest.raises(NotAllowedError):
                    shop.history.undo(event)
        event = shop.history.undo(event).event
        assert runners(shop) and shop.history.roots()[event] == what
    assert shop.keeping.doctor().faults == []


def test_nothing_leaves_the_shop_without_somebody_who_may_run(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        first = book.people.add("Ada", "run", pin="4711").event
        second = book.people.add("Ben", "look", pin="4711").event
        ways: list[Callable[[], int]] = [
            lambda: book.history.undo(first).event,
            lambda: book.people.close("Ada").event,
            lambda: book.people.give_role("Ada", "keep").event,
        ]
        for way in ways:
            with pytest.raises(BookError, match="nobody else may run"):
                way()
        given = book.people.give_role("Ben", "run").event
        book.people.close("Ada")
        with book.acting("Ben"):
            for event in (given, second, first):
                with pytest.raises(PipemetalError):
                    book.history.undo(event)
        assert runners(book) == ["Ben"]


def test_a_role_taken_back_is_not_taken_again(shop: Book) -> None:
    given = shop.people.give_role(PERSON["work"], "run").event
    taken = shop.history.undo(given).event
    with shop.acting(PERSON["work"]), pytest.raises(NotAllowedError):
        shop.history.undo(taken)
    assert runners(shop) == [PERSON["run"]]


def test_every_order_of_undoing_people_leaves_somebody(tmp_path: Path) -> None:
    for number, order in enumerate(itertools.permutations(range(4))):
        with Book.open(tmp_path / f"{number}.sqlite", create=True, who="Ada") as book:
            events = [
                book.people.add("Ada", "run", pin="4711").event,
                book.people.add("Ben", "run", pin="4711").event,
                book.people.give_role("Ada", "look").event,
            ]
            with book.acting("Ben"):
                events.append(book.people.give_role("Ada", "run").event)
                for k in order:
                    for who in ("Ada", "Ben"):
                        with book.acting(who):
                            try:
                                book.history.undo(events[k])
                            except PipemetalError:
                                continue
                    assert runners(book)


def test_a_pin_set_since_does_not_hold_a_role_fast(shop: Book) -> None:
    given = shop.people.give_role(PERSON["work"], "keep").event
    shop.people.set_pin(PERSON["work"], "4719")
    shop.history.undo(given)
    assert (
        shop.people.person(PERSON["work"]).role == "work" and shop.people.check_pin(PERSON["work"], "4719") is not None
    )


def test_what_stands_in_the_way_is_named_with_its_event(shop: Book) -> None:
    entered = shop.lots.add(NewLot("X1", "pig", 50.0, HALF.target)).event
    melted = shop.melts.record(NewMelt("MX", "half", {"X1": 20.0})).event
    with pytest.raises(UndoFirstError, match=f"take event {melted} back first") as told:
        shop.history.undo(entered)
    assert told.value.first.id == melted and "would hold" not in str(told.value)
    poured = shop.melts.to_lot("MX", "IX", 5.0).event
    with pytest.raises(UndoFirstError, match=f"take event {poured} back first"):
        shop.history.undo(melted)
    for event in (poured, melted, entered):
        shop.history.undo(event)
    moved = shop.rolls.change("R1", 1, place="A").event
    again = shop.rolls.change("R1", 2, place="B").event
    with pytest.raises(UndoFirstError, match="roll R1 was used or changed since"):
        shop.history.undo(moved)
    shop.history.undo(again)
    shop.history.undo(moved)


def test_changed_meanwhile_says_by_whom_and_no_raw_names(shop: Book) -> None:
    shop.rolls.change("R1", 1, place="A")
    with pytest.raises(StaleSaveError) as told:
        shop.rolls.change("R1", 1, place="B", note="mine")
    assert told.value.own and "by yourself" in str(told.value) and "version" not in str(told.value)
    with (
        shop.acting(PERSON["work"]),
        pytest.raises(StaleSaveError, match=f"by {PERSON['run']} in the meantime") as other,
    ):
        shop.rolls.change("R1", 1, place="B")
    assert not other.value.own and "somebody else" not in str(other.value)


def test_what_an_event_touched_is_counted(shop: Book, shop_folder: Path) -> None:
    with Book.open(shop_folder / "new.sqlite", create=True) as book:
        event = book.history.event(book.tables.import_folder(shop_folder).event)
    assert event.touched["rolls"] > 30 and f"{event.touched['rolls']} rolls" in told_touched(event.touched)

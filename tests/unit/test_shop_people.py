"""People of the book: roles, PINs, passwords, and who did it."""

import pytest
from shop_samples import TIN, a_roll

from pipemetal.errors import BookError
from pipemetal.shop.book import AlreadyDoneError, Book, NotAllowedError
from pipemetal.shop.people import FROM_ANYWHERE, TooManyTriesError
from pipemetal.shop.roles import ACTIONS, ROLES, may


@pytest.fixture
def peopled(book: Book) -> Book:
    book.add_person("Ada", "run", pin="4711", password="pewter and lead")
    book.add_person("Ben", "work", pin="0815")
    book.add_person("Cy", "keep")
    book.add_person("Di", "look")
    return book


def test_every_role_may_do_what_the_ones_before_it_may() -> None:
    for action in ACTIONS:
        allowed = [may(role, action) for role in ROLES]
        assert allowed == sorted(allowed) and allowed[-1]
        assert not may(None, action) and not may("admin", action)
    assert not any(may(role, "what nobody thought of") for role in ROLES)


def test_every_writing_of_the_book_stands_in_the_table_of_roles() -> None:
    import re
    from pathlib import Path

    import pipemetal.shop

    texts = [path.read_text() for path in Path(pipemetal.shop.__file__).parent.glob("*.py")]
    told = {name for text in texts for name in re.findall(r'\.writing\(\s*"([^"]+)"', text)}
    assert len(told) > 20 and told <= set(ACTIONS)


def test_the_book_refuses_what_a_role_does_not_cover(peopled: Book) -> None:
    peopled.add_roll(a_roll())
    with peopled.acting("Ben"):
        peopled.change_roll("R1", 1, place="rack B")
        with pytest.raises(NotAllowedError, match="role keep or more"):
            peopled.add_lot("T", "pig", 5.0, TIN)
    for nobody in ("Di", "Eve", ""):
        with peopled.acting(nobody or "nobody"), pytest.raises(NotAllowedError):
            peopled.change_roll("R1", 2, place="rack C")
    with peopled.acting("Cy"):
        event = peopled.add_lot("T", "pig", 5.0, TIN)
    with peopled.acting("Ben"), pytest.raises(NotAllowedError):
        peopled.undo(event)
    assert [(e.who, e.what) for e in peopled.events("roll:R1")] == [("Ben", "roll changed"), ("Ada", "roll entered")]


def test_a_book_without_people_asks_nobody(book: Book) -> None:
    with book.acting("anybody"):
        book.add_lot("T", "pig", 5.0, TIN)


def test_secrets_are_hashed_and_stand_in_no_event(peopled: Book) -> None:
    row = peopled.row("people", "Ada")
    assert row["pin"].startswith("$argon2id$") and row["password"].startswith("$argon2id$")
    assert not any("argon2" in str(e.changes) for e in peopled.events())
    found = peopled.check_pin("Ada", "4711")
    assert found is not None and (found.role, found.has_pin, found.has_password) == ("run", True, True)
    assert peopled.check_password("Ada", "pewter and lead") is not None
    assert peopled.check_pin("Ada", "1234") is None and peopled.check_pin("Eve", "4711") is None
    assert peopled.check_password("Ben", "") is None and peopled.check_pin("Cy", "") is None


def test_too_many_wrong_pins_are_remembered_in_the_book(peopled: Book) -> None:
    now = 1_000_000.0
    peopled.clock = lambda: now  # type: ignore[method-assign]
    assert [peopled.check_pin("Ben", "9999") for _ in range(5)] == [None] * 5
    with Book.open(peopled.target) as other:
        other.clock = lambda: now + 1.0  # type: ignore[method-assign]
        with pytest.raises(TooManyTriesError):
            other.check_pin("Ben", "0815")
    now += 61.0
    assert peopled.check_pin("Ben", "0815") is not None
    assert peopled.check_pin("Ada", "4711") is not None


def test_a_clock_that_ran_ahead_locks_nobody_out_for_longer_than_the_limit(peopled: Book) -> None:
    now = 1_000_000.0 + 365 * 86_400
    peopled.clock = lambda: now  # type: ignore[method-assign]
    assert [peopled.check_pin("Ben", "9999") for _ in range(5)] == [None] * 5
    now = 1_000_000.0
    with pytest.raises(TooManyTriesError):
        peopled.check_pin("Ben", "0815")
    now += 61.0
    assert peopled.check_pin("Ben", "0815") is not None


def test_tries_from_everywhere_end_somewhere_but_not_where_one_came_in_before(peopled: Book) -> None:
    now = 1_000_000.0
    peopled.clock = lambda: now  # type: ignore[method-assign]
    assert peopled.check_pin("Ben", "0815", "tablet") is not None
    for k in range(FROM_ANYWHERE[1]):
        peopled._count_try("Ben", f"guest {k}")
    with pytest.raises(TooManyTriesError):
        peopled.check_pin("Ben", "0815", "one more")
    assert peopled.check_pin("Ben", "0815", "tablet") is not None and peopled.check_pin("Ada", "4711", "x") is not None


def test_pins_and_passwords_have_a_least_strength(peopled: Book) -> None:
    for pin in ("123", "0000", "12a4", "1" * 13, "１２３４"):
        with pytest.raises(BookError, match="not a PIN"):
            peopled.set_pin("Ben", pin)
    with pytest.raises(BookError, match="not a password"):
        peopled.set_password("Ben", "short")


def test_one_sets_ones_own_pin_and_who_runs_the_shop_any(peopled: Book) -> None:
    with peopled.acting("Ben"):
        peopled.set_pin("Ben", "2468")
        with pytest.raises(BookError, match="only their own"):
            peopled.set_pin("Ada", "2468")
    assert peopled.check_pin("Ben", "2468") is not None
    peopled.set_pin("Ben", "1357")
    assert peopled.check_pin("Ben", "2468") is None


def test_somebody_must_be_left_to_run_the_shop(book: Book) -> None:
    with pytest.raises(BookError, match="first person"):
        book.add_person("Ben", "work")
    book.add_person("Ada", "run")
    for act in (lambda: book.close_person("Ada"), lambda: book.give_role("Ada", "work")):
        with pytest.raises(BookError, match="nobody else may run"):
            act()
    book.add_person("Cy", "run")
    with book.acting("Cy"):
        book.close_person("Ada")
        assert [p.name for p in book.people()] == ["Cy"]
        assert book.check_pin("Ada", "4711") is None


def test_the_same_form_sent_twice_is_done_once(book: Book) -> None:
    with book.acting("Ada", token="form-1"):
        event = book.add_lot("T", "pig", 5.0, TIN)
    with book.acting("Ada", token="form-1"), pytest.raises(AlreadyDoneError) as told:
        book.add_lot("T2", "pig", 5.0, TIN)
    assert told.value.event == event
    assert [lot.id for lot in book.lots()[0]] == ["T"]

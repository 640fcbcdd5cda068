"""People of the book: roles, PINs, passwords, and who did it."""

import pytest
from shop_samples import TIN, a_roll

from pipemetal.errors import BookError
from pipemetal.shop.book import AlreadyDoneError, Book, NewLot, NotAllowedError
from pipemetal.shop.people import FROM_ANYWHERE, TooManyTriesError
from pipemetal.shop.roles import ACTIONS, ROLES, Action, may
from pipemetal.shop.rows import PersonRow


@pytest.fixture
def peopled(book: Book) -> Book:
    book.people.add("Ada", "run", pin="4711", password="pewter and lead")
    book.people.add("Ben", "work", pin="0815")
    book.people.add("Cy", "keep")
    book.people.add("Di", "look")
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
    told = {Action[name] for text in texts for name in re.findall(r"\.writing\(\s*Action\.(\w+)", text)}
    assert len(told) > 20 and told <= set(ACTIONS)
    assert set(ACTIONS) == set(Action) and all(text.count('.writing("') == 0 for text in texts)


def test_the_book_refuses_what_a_role_does_not_cover(peopled: Book) -> None:
    peopled.rolls.add(a_roll())
    with peopled.acting("Ben"):
        peopled.rolls.change("R1", 1, place="rack B")
        with pytest.raises(NotAllowedError, match="role keep or more"):
            peopled.lots.add(NewLot("T", "pig", 5.0, TIN))
    for nobody in ("Di", "Eve", ""):
        with peopled.acting(nobody or "nobody"), pytest.raises(NotAllowedError):
            peopled.rolls.change("R1", 2, place="rack C")
    with peopled.acting("Cy"):
        event = peopled.lots.add(NewLot("T", "pig", 5.0, TIN)).event
    with peopled.acting("Ben"), pytest.raises(NotAllowedError):
        peopled.history.undo(event)
    assert [(e.who, e.what) for e in peopled.history.events("roll:R1")] == [
        ("Ben", "roll changed"),
        ("Ada", "roll entered"),
    ]


def test_a_book_without_people_asks_nobody(book: Book) -> None:
    with book.acting("anybody"):
        book.lots.add(NewLot("T", "pig", 5.0, TIN))


def test_secrets_are_hashed_and_stand_in_no_event(peopled: Book) -> None:
    row = peopled._writer.row(PersonRow, "Ada")
    assert row.pin.startswith("$argon2id$") and row.password.startswith("$argon2id$")
    assert not any("argon2" in str(e.changes) for e in peopled.history.events())
    found = peopled.people.check_pin("Ada", "4711")
    assert found is not None and (found.role, found.has_pin, found.has_password) == ("run", True, True)
    assert peopled.people.check_password("Ada", "pewter and lead") is not None
    assert peopled.people.check_pin("Ada", "1234") is None and peopled.people.check_pin("Eve", "4711") is None
    assert peopled.people.check_password("Ben", "") is None and peopled.people.check_pin("Cy", "") is None


def test_too_many_wrong_pins_are_remembered_in_the_book(peopled: Book) -> None:
    now = 1_000_000.0
    peopled.people.clock = lambda: now  # type: ignore[method-assign]
    assert [peopled.people.check_pin("Ben", "9999") for _ in range(5)] == [None] * 5
    with Book.open(peopled.target) as other:
        other.people.clock = lambda: now + 1.0  # type: ignore[method-assign]
        with pytest.raises(TooManyTriesError):
            other.people.check_pin("Ben", "0815")
    now += 61.0
    assert peopled.people.check_pin("Ben", "0815") is not None
    assert peopled.people.check_pin("Ada", "4711") is not None


def test_a_clock_that_ran_ahead_locks_nobody_out_for_longer_than_the_limit(peopled: Book) -> None:
    now = 1_000_000.0 + 365 * 86_400
    peopled.people.clock = lambda: now  # type: ignore[method-assign]
    assert [peopled.people.check_pin("Ben", "9999") for _ in range(5)] == [None] * 5
    now = 1_000_000.0
    with pytest.raises(TooManyTriesError):
        peopled.people.check_pin("Ben", "0815")
    now += 61.0
    assert peopled.people.check_pin("Ben", "0815") is not None


def test_tries_from_everywhere_end_somewhere_but_not_where_one_came_in_before(peopled: Book) -> None:
    now = 1_000_000.0
    peopled.people.clock = lambda: now  # type: ignore[method-assign]
    assert peopled.people.check_pin("Ben", "0815", "tablet") is not None
    for k in range(FROM_ANYWHERE[1]):
        peopled.people._count_try("Ben", f"guest {k}")
    with pytest.raises(TooManyTriesError):
        peopled.people.check_pin("Ben", "0815", "one more")
    assert (
        peopled.people.check_pin("Ben", "0815", "tablet") is not None
        and peopled.people.check_pin("Ada", "4711", "x") is not None
    )


def test_pins_and_passwords_have_a_least_strength(peopled: Book) -> None:
    for pin in ("123", "0000", "12a4", "1" * 13, "１２３４"):
        with pytest.raises(BookError, match="not a PIN"):
            peopled.people.set_pin("Ben", pin)
    with pytest.raises(BookError, match="not a password"):
        peopled.people.set_password("Ben", "short")


def test_one_sets_ones_own_pin_and_who_runs_the_shop_any(peopled: Book) -> None:
    with peopled.acting("Ben"):
        peopled.people.set_pin("Ben", "2468")
        with pytest.raises(BookError, match="only their own"):
            peopled.people.set_pin("Ada", "2468")
    assert peopled.people.check_pin("Ben", "2468") is not None
    peopled.people.set_pin("Ben", "1357")
    assert peopled.people.check_pin("Ben", "2468") is None


def test_somebody_must_be_left_to_run_the_shop(book: Book) -> None:
    with pytest.raises(BookError, match="first person"):
        book.people.add("Ben", "work")
    book.people.add("Ada", "run")
    for act in (lambda: book.people.close("Ada").event, lambda: book.people.give_role("Ada", "work").event):
        with pytest.raises(BookError, match="nobody else may run"):
            act()
    book.people.add("Cy", "run")
    with book.acting("Cy"):
        book.people.close("Ada")
        assert [p.name for p in book.people.all()] == ["Cy"]
        assert book.people.check_pin("Ada", "4711") is None


def test_the_same_form_sent_twice_is_done_once(book: Book) -> None:
    with book.acting("Ada", token="form-1"):
        event = book.lots.add(NewLot("T", "pig", 5.0, TIN)).event
    with book.acting("Ada", token="form-1"), pytest.raises(AlreadyDoneError) as told:
        book.lots.add(NewLot("T", "pig", 5.0, TIN))
    assert told.value.event == event
    assert [lot.id for lot in book.lots.in_stock()[0]] == ["T"]

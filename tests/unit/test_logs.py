"""A log to operate by: a line for each writing and each refusal, in a file that its owner alone reads."""

import logging
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop_samples import TIN, a_roll

from pipemetal.cli.main import main
from pipemetal.errors import FileFormatError, InputError
from pipemetal.logs import MOST_BYTES, one_line, set_up
from pipemetal.shop.book import Book, NewLot, NotAllowedError, StaleSaveError


@pytest.fixture
def loggers() -> Iterator[list[logging.Logger]]:
    """The loggers that are set up, as they were before."""
    held = [logging.getLogger(name) for name in ("pipemetal", "uvicorn")]
    before = [(x.handlers, x.propagate, x.level) for x in held]
    yield held
    for logger, (handlers, propagate, level) in zip(held, before, strict=True):
        for handler in set(logger.handlers) - set(handlers):
            handler.close()
        logger.handlers, logger.propagate = handlers, propagate
        logger.setLevel(level)


def test_every_writing_is_one_line_with_event_action_and_person(book: Book, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "pipemetal"):
        event = book.lots.add(NewLot("T", "pig", 5.0, TIN)).event
        with book.acting("Ben"):
            book.history.undo(event)
        book.ledger.stock()
    assert [r.getMessage().rpartition(", ")[0] for r in caplog.records] == [
        f"event {event}: lot entered, lot:T, by Ada",
        f"event {event + 1}: taken back, event:{event}, by Ben",
    ]
    assert {r.levelname for r in caplog.records} == {"INFO"}


def test_every_refusal_is_one_line_with_its_reason(book: Book, caplog: pytest.LogCaptureFixture) -> None:
    book.rolls.add(a_roll())
    book.people.add("Ada", "run", pin="4711")
    book.people.add("Cyn", "look", pin="4712")
    with caplog.at_level(logging.INFO, "pipemetal"):
        with book.acting("Cyn"), pytest.raises(NotAllowedError):
            book.ledger.weigh("roll:R1", 3.0)
        with pytest.raises(StaleSaveError):
            book.rolls.change("R1", 9, place="rack\nevent 99: sold, by Ada")
        with pytest.raises(InputError), book._writer.rehearsal():
            book.lots.add(NewLot("T", "pig", -5.0, TIN))
    told = [r.getMessage() for r in caplog.records]
    assert len(told) == 3 and not any("\n" in line for line in told)
    assert told[0].startswith("refused: weighed, roll:R1, by Cyn: person may not do this")
    assert told[1].startswith("refused: roll changed, roll:R1, by Ada: roll R1 was changed")


def test_what_is_only_tried_is_no_event(book: Book, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "pipemetal"), book._writer.rehearsal():
        book.lots.add(NewLot("T", "pig", 5.0, TIN))
    assert caplog.records == []


def test_no_secret_comes_into_the_log(book: Book, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        book.people.add("Ada", "run", pin="471199", password="long enough words")
        book.people.set_pin("Ada", "471198")
        book.people.check_pin("Ada", "471100", "10.0.0.7")
        book.people.check_password("long enough words", "long enough words")
    assert not any(word in caplog.text for word in ("4711", "long enough", "argon2"))
    told = [r.getMessage() for r in caplog.records if "wrong PIN" in r.getMessage()]
    assert told == [
        "refused: wrong PIN or password of Ada, from 10.0.0.7",
        "refused: wrong PIN or password of a name that is not in the book, from here",
    ]


def test_the_file_is_the_owners_and_begins_anew_when_it_is_full(
    tmp_path: Path, loggers: list[logging.Logger], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "shop.log"
    set_up(file)
    log = logging.getLogger("pipemetal.book")
    log.info("event 1: lot entered, lot:T, by Ada, 3 ms")
    try:
        raise ValueError("a fault of the program")
    except ValueError:
        logging.getLogger("uvicorn.error").exception("in a page")
    logging.getLogger("uvicorn.access").info("GET /")
    text = file.read_text(encoding="utf-8")
    assert (
        "INFO pipemetal.book: event 1: lot entered" in text and "Traceback" in text and "a fault of the program" in text
    )
    assert "GET /" not in text and text in capsys.readouterr().err
    for handler in log.parent.handlers if log.parent else []:
        handler.maxBytes = 200  # type: ignore[attr-defined]
    log.info("event 2: sold, lot:T, by Ada, 3 ms")
    assert (tmp_path / "shop.log.1").read_text(encoding="utf-8") == text and MOST_BYTES >= 1_000_000
    assert {stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()} == {0o600}


@pytest.mark.parametrize("content", ["[shop]\nname = 'Tinbrook'\n", "id,kind\n"])
def test_a_log_goes_into_no_file_that_holds_something_else(
    content: str, tmp_path: Path, loggers: list[logging.Logger]
) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(content)
    with pytest.raises(FileFormatError, match="holds something else"):
        set_up(file)
    assert file.read_text() == content


def test_serve_refuses_to_log_into_the_book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Book.open(tmp_path / "shop.sqlite", create=True).close()
    place = str(tmp_path / "shop.sqlite")
    with pytest.raises(SystemExit) as ended:
        main(["serve", "--shop", place, "--log", place, "--port", "8911"])
    assert ended.value.code == 2 and "is a shop book" in capsys.readouterr().err


def test_a_name_cannot_write_a_line_of_its_own() -> None:
    assert "\n" not in one_line("Ada\nevent 7: sold") and one_line("Möller") == "Möller"

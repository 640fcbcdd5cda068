"""What the ear heard, in the book."""

from pathlib import Path

import pytest

from pipemetal.errors import BookError
from pipemetal.shop.book import Book, NewHeard


def heard(note: str, key: int, length_mm: float | None = None, hertz: float = 262.0) -> NewHeard:
    return NewHeard("O #1", "Octave 4", note, key, hertz, 2.5, 0.1, 17.4, 0.6, length_mm, ((1, 0.0), (2, -6.02)))


def test_pipes_heard_are_one_event_that_undo_takes_back(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        one = book.heard.add([heard("c1", 24)])
        rank = book.heard.add([heard("c#1", 25), heard("d1", 26)])
        assert [r.note for r in book.heard.of_rank("O #1", "Octave 4")] == ["c1", "c#1", "d1"]
        assert book.heard.rows()[0].levels_db == ((1, 0.0), (2, -6.02))
        assert book.history.event(one.event).about == "pipe:Octave 4 c1"
        assert book.history.event(rank.event).touched == {"heard": 2}
        book.history.undo(rank.event)
        assert [r.note for r in book.heard.of_rank("O #1", "Octave 4")] == ["c1"]
        assert book.heard.of_rank("O #1", "Flute") == []


def test_a_length_counts_as_it_was_measured_last_and_one_that_no_body_has_is_refused(tmp_path: Path) -> None:
    with Book.open(tmp_path / "s.sqlite", create=True, who="Ada") as book:
        book.heard.add([heard("c1", 24, 575.0)])
        book.heard.add([heard("c1", 24, 571.2, 261.7)])
        book.heard.add([heard("d1", 26)])
        assert [(r.note, r.length_mm) for r in book.heard.with_length()] == [("c1", 571.2)]
        for bad in ([heard("c1", 24, 0.5)], []):
            with pytest.raises(BookError):
                book.heard.add(bad)

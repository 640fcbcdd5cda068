"""Looking at a book's file takes no lock from those who work with it in the same program."""

import contextlib
import os
import subprocess
import sys
from pathlib import Path

from shop_samples import HALF, TIN

from pipemetal.errors import InputError
from pipemetal.files.outbox import is_book_file, write
from pipemetal.shop.book import Book, NewLot
from pipemetal.shop.places import holds_nothing

OTHER = """
import sqlite3, sys
with sqlite3.connect(sys.argv[1]) as there:
    there.execute("SELECT count(*) FROM lots").fetchone()
there.close()
"""


def test_looking_at_a_book_takes_no_lock_from_who_works_with_it(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Book.open(path, create=True) as book:
        book.recipes.add(HALF)
        with book._writer.reading() as connection:  # held while others come and go
            connection.exec_driver_sql("SELECT count(*) FROM lots").fetchone()
            assert is_book_file(path) and not holds_nothing(path)
            with contextlib.suppress(InputError):
                write(path, "gone")
            Book.open(path).close()
            inode = str(path.stat().st_ino)
            held = [
                line for line in Path("/proc/locks").read_text().splitlines() if line.split()[5].endswith(f":{inode}")
            ]
            assert any(line.split()[4] == str(os.getpid()) for line in held), "the lock on the book is lost"
            # who closes a book as the last one clears its log away; that must not happen under us
            subprocess.run([sys.executable, "-c", OTHER, str(path)], check=True)
            assert Path(f"{path}-wal").exists()
        book.lots.add(NewLot("T", "pig", 5.0, TIN))
        assert book.keeping.doctor().faults == []

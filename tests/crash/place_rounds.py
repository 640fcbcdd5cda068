"""Restore, load, backup and migration, killed and raced again and again, on SQLite or PostgreSQL; nothing may be lost.

`python tests/crash/place_rounds.py [--rounds 200] [--postgres URL] [--seed 1]`

A round is told by its seed alone, never by a clock: a program is killed, or held up while a second one does the same, at the
n-th call of a function, counted. Then a place holds the whole book or nothing, a repeat does it, and nothing hidden is left.
"""

from __future__ import annotations

import argparse
import os
import random
import select
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import text

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.outbox import MEMORY
from pipemetal.shop import connect
from pipemetal.shop.archive import Archive
from pipemetal.shop.book import Book, NewLot, restore
from pipemetal.shop.dumping import load_dump
from pipemetal.shop.rowfiles import _load_rows, table_hashes, tables_at

KINDS = ("restore", "load", "backup", "migration")
FIRST = Path(__file__).parents[1] / "data" / "shop" / "book-r0001.backup"
HELD_UP_S = 1.0
"""So long a program that was held up waits for the other one: it may hold what the other one needs. Nothing is measured by it."""
DONE, REFUSED = 0, 3


def hashes(target: str | Path) -> object:
    """What a book holds."""
    with Book.open(target) as book:
        assert book.keeping.doctor().faults == []
        with book._writer.reading() as connection:
            return table_hashes(connection)


def older_book(target: str | Path) -> None:
    """A book as the first program left it."""
    source = Archive(FIRST)
    engine = connect.engine_for(target, create=True)
    with source.archive, engine.connect().execution_options(writes=True) as connection, connection.begin():
        connect.upgrade(connection, source.manifest["revision"])
        _load_rows(connection, source, tables_at(connection))
    engine.dispose()


def child(work: Callable[[], None], at: int, act: Callable[[], None]) -> int:
    """Do the work in a process of its own, which acts at its n-th call; gives the process."""
    pid = os.fork()
    if pid:
        return pid
    count = 0

    def counted(_frame: Any, what: str, _arg: Any) -> None:
        nonlocal count
        if what == "call":
            count += 1
            if count == at:
                act()

    status = 4
    try:
        sys.setprofile(counted)
        work()
        status = DONE
    except InputError:
        status = REFUSED
    except BaseException as error:
        sys.stderr.write(f"{type(error).__name__}: {error}\n")
        sys.stderr.flush()
    finally:
        os._exit(status)


def ended(pid: int) -> int:
    """The exit code of a process, negative for a signal."""
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


class Rounds:
    """Rounds in one folder, and one database of a PostgreSQL server where one is given."""

    def __init__(self, folder: Path, seed: int, postgres: str | None = None) -> None:
        self.folder, self.random, self.postgres = folder, random.Random(seed), postgres
        self.seen: Counter[str] = Counter()
        self.calls: dict[str, int] = {}
        self.number, self.name = 0, f"place_rounds_{os.getpid()}"
        with Book.open(folder / "first.sqlite", create=True) as book:
            book.recipes.add(Recipe("half", Composition.parse("Sn 50 Pb bal")))
            for k in range(5):
                book.lots.add(NewLot(f"T{k}", "pig", 25.0, Composition.parse("Sn 50 Pb bal")))
            book.keeping.backup(folder / "book.backup")
            book.keeping.dump(folder / "dump")
        self.wanted = hashes(folder / "first.sqlite")
        restore(FIRST, folder / "old.sqlite")
        self.brought_up = hashes(folder / "old.sqlite")

    def run(self, rounds: int) -> None:
        """So many rounds, every second one a race. Raises: AssertionError where something is lost."""
        for k in range(rounds):
            self.number += 1
            kind = KINDS[(k // 2) % len(KINDS)]
            place = self.new_place()
            work = self.work(kind, place)
            if kind not in self.calls:
                self.calls[kind] = self.count(work)
                self.drop(place)
                place = self.new_place()
                work = self.work(kind, place)
            at = self.random.randint(1, self.calls[kind])
            self.race(kind, work, at) if k % 2 else self.kill(kind, work, at)
            self.check(kind, place, work)
            self.drop(place)

    # --- what is done ------------------------------------------------------------------------------------------------
    def new_place(self) -> Any:
        """A folder of its own for this round, and the place of its book."""
        home = self.folder / f"round {self.number}"
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir()
        os.environ["PIPEMETAL_BACKUPS"] = str(home / "kept")
        if self.postgres is None:
            return home / "shop.sqlite"
        self.ask_server(f"DROP DATABASE IF EXISTS {self.name} WITH (FORCE)", f"CREATE DATABASE {self.name}")
        return f"{self.postgres.rpartition('/')[0]}/{self.name}"

    def drop(self, place: Any) -> None:
        """Forget a round."""
        shutil.rmtree(self.folder / f"round {self.number}")
        if self.postgres is not None:
            self.ask_server(f"DROP DATABASE IF EXISTS {self.name} WITH (FORCE)")

    def ask_server(self, *orders: str) -> None:
        """Let the database server do something."""
        assert self.postgres is not None
        engine = connect.engine_for(self.postgres, create=False)
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            for order in orders:
                connection.execute(text(order))
        engine.dispose()

    def work(self, kind: str, place: Any) -> Callable[[], None]:
        """What the programs of a round do; what it needs is made ready."""
        if kind == "migration":
            older_book(place)
            return lambda: Book.open(place).close()
        if kind == "restore":
            return lambda: void(restore(self.folder / "book.backup", place))
        if kind == "load":
            return lambda: void(load_dump(self.folder / "dump", place))
        restore(self.folder / "book.backup", place)
        file = self.folder / f"round {self.number}" / "kept.backup"
        with Book.open(place) as book:
            book.keeping.backup(file)

        def back_up() -> None:
            with Book.open(place) as book:
                book.keeping.backup(file)

        return back_up

    def count(self, work: Callable[[], None]) -> int:
        """How many calls the work takes."""
        read, write = os.pipe()

        def told() -> None:
            total = 0

            def counted(_frame: Any, what: str, _arg: Any) -> None:
                nonlocal total
                total += what == "call"

            sys.setprofile(counted)
            work()
            sys.setprofile(None)
            os.write(write, str(total).encode())

        assert ended(child(told, 0, int)) == DONE
        os.close(write)
        with os.fdopen(read) as held:
            return int(held.read())

    def kill(self, kind: str, work: Callable[[], None], at: int) -> None:
        """Kill the program at its n-th call."""
        status = ended(child(work, at, lambda: os.kill(os.getpid(), signal.SIGKILL)))
        assert status in (DONE, -signal.SIGKILL), status
        self.seen[f"{kind} {'killed' if status else 'done before'}"] += 1

    def race(self, kind: str, work: Callable[[], None], at: int) -> None:
        """Hold one program up at its n-th call while a second one does the same; one of them may be refused."""
        waiting, go_second = os.pipe()
        held, go_on = os.pipe()

        def hold_up() -> None:
            sys.setprofile(None)
            os.write(go_second, b"x")
            select.select([held], [], [], HELD_UP_S)

        first = child(work, at, hold_up)
        os.close(go_second)
        select.select([waiting], [], [])  # held up, or over
        second = ended(child(work, 0, int))
        os.write(go_on, b"x")
        both = sorted((ended(first), second))
        for end in (waiting, held, go_on):
            os.close(end)
        assert both in ([DONE, REFUSED], [DONE, DONE]), (kind, both)
        assert kind not in ("restore", "load") or both == [DONE, REFUSED], (kind, both)
        self.seen[f"{kind} raced, {'one refused' if both[1] else 'both done'}"] += 1

    # --- afterwards --------------------------------------------------------------------------------------------------
    def check(self, kind: str, place: Any, work: Callable[[], None]) -> None:
        """What must hold after every round: all or nothing, a repeat does it, nothing hidden is left."""
        home = self.folder / f"round {self.number}"
        if kind in ("restore", "load"):
            try:
                work()
            except InputError as error:
                assert "already" in str(error), error
        else:
            if kind == "backup":
                restore(home / "kept.backup", home / "then.sqlite")
                assert hashes(home / "then.sqlite") == self.wanted
            work()
        assert hashes(place) == (self.brought_up if kind == "migration" else self.wanted)
        hidden = [p.name for p in home.rglob(".*") if p.name != MEMORY]
        assert hidden == [], f"round {self.number}: {hidden}"
        copies = [p.name for p in home.rglob("*before-*")]
        assert len(copies) == (kind == "migration"), f"round {self.number}: {copies}"


def void(_: object) -> None:
    """Nothing."""


def main() -> None:
    """Run rounds and tell what was seen."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--postgres", metavar="URL")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rounds = Rounds(Path(folder), asked.seed, asked.postgres)
        rounds.run(asked.rounds)
        for what, count in sorted(rounds.seen.items()):
            sys.stdout.write(f"{count:5d}  {what}\n")


if __name__ == "__main__":
    main()

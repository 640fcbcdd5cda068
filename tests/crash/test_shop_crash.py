"""A process that writes is killed again and again: what was told as done is there, and the ledger is sound."""

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.shop.book import Book

WRITER = """
import sys, uuid
from pipemetal.alloys.composition import Composition
from pipemetal.shop.book import Book, NewLot, NewMelt
half = Composition.parse("Sn 50 Pb bal")
with Book.open(sys.argv[1]) as book:
    print("ready", flush=True)
    while True:
        name = uuid.uuid4().hex
        book.lots.add(NewLot(f"L{name}", "pig", 10.0, half))
        event = book.melts.record(NewMelt(f"M{name}", "half", {f"L{name}": 4.0}, dross_kg=0.1)).event
        print(f"M{name}", flush=True)
        book.history.undo(event)
"""


def test_nothing_told_as_done_is_lost_when_the_writer_is_killed(tmp_path: Path, long_run: bool) -> None:
    shop = tmp_path / "shop.sqlite"
    with Book.open(shop, create=True) as book:
        book.recipes.add(Recipe("half", Composition.parse("Sn 50 Pb bal")))
    acknowledged: list[str] = []
    rounds = 6 if long_run else 4
    for number in range(rounds):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(shop)], stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        acknowledged += [writer.stdout.readline().strip() for _ in range(1 + number)]
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        acknowledged += [line.strip() for line in writer.stdout.readlines() if line.endswith("\n")]
        writer.stdout.close()
    with sqlite3.connect(shop) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        melts = {row[0] for row in raw.execute("SELECT id FROM melts")}
    raw.close()
    assert len(acknowledged) >= rounds and set(acknowledged) <= melts
    with Book.open(shop) as book:
        assert book.keeping.doctor().faults == []
        assert sum(sum(m.values()) for m in book.ledger.balances().values()) == 0

"""Kill -9, again and again, while the program writes: the command and the server's process, on SQLite or PostgreSQL.

`python tests/crash/crash_rounds.py [--rounds 200] [--shop PATH|postgresql://...] [--seed 1]`

Every round kills one running program at a random moment. Then what it had told as done must be there, what it had not told must
be there whole or not at all, the ledger must sum to nought, and the database must be sound. Prints what was seen.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from urllib.parse import quote, urlencode

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book, NewLot, Piece

HALF = Composition.parse("Sn 50 Pb bal")
IMPORTED = 25
ROLLS = 4
PATIENCE_S = 3600.0


class Rounds:
    """One book, killed at again and again; `seen` counts what happened."""

    def __init__(self, shop: str, folder: Path, seed: int) -> None:
        self.shop, self.folder, self.random = shop, folder, random.Random(seed)
        self.number, self.seen = 0, Counter[str]()
        self.lots: set[str] = set()
        self.undone: set[int] = set()
        self.casts: set[str] = set()
        self.places: dict[str, str] = {}
        self.typical_s = 1.0
        with Book.open(shop, create=True) as book:
            book.recipes.add(Recipe("half", HALF))
            for k in range(ROLLS):
                field = ThicknessField.from_grid([0.0, 2000.0], [[1.2, 1.0]] * 2, width_mm=600.0)
                book.rolls.add(Roll(f"R{k}", "half", 2000.0, 600.0, 10.0, field, place="rack 0"))

    def run(self, rounds: int) -> None:
        """So many kills, every second one at the server. Raises: AssertionError where something is lost."""
        begun = time.monotonic()
        program = [sys.executable, "-m", "pipemetal", "lots", "--json", "--shop", self.shop]
        subprocess.run(program, check=True, capture_output=True)
        self.typical_s = time.monotonic() - begun
        for k in range(rounds):
            self.number += 1
            self.kill_server() if k % 2 else self.kill_command()
            self.check()

    # --- the command -------------------------------------------------------------------------------------------------
    def kill_command(self) -> None:
        """Start a command that writes and kill it at a random moment, most of them while it writes."""
        kind = self.random.choice(("lot", "import", "undo", "weigh"))
        with Book.open(self.shop) as book:
            event = book.lots.add(NewLot(f"B{self.number}", "pig", 20.0, HALF)).event
        self.lots.add(f"B{self.number}")
        args = {
            "lot": ["lots", "--add", f"L{self.number}", "--mass", "10", "--composition", "Sn 50 Pb bal"],
            "import": ["import", str(self.lots_file()), "--as", "lots"],
            "undo": ["undo", str(event)],
            "weigh": ["weigh", f"lot:B{self.number}", "19.5"],
        }[kind]
        running = subprocess.Popen(
            [sys.executable, "-m", "pipemetal", *args, "--shop", self.shop, "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        time.sleep(self.typical_s * self.random.uniform(0.55, 1.15))
        running.send_signal(signal.SIGKILL)
        told = running.communicate()[0]
        done = told.endswith("}\n") and json.loads(told) is not None
        self.seen[f"command {kind} {'told' if done else 'killed'}"] += 1
        if done and kind == "lot":
            self.lots.add(f"L{self.number}")
        if done and kind == "import":
            self.lots |= {f"I{self.number}-{k}" for k in range(IMPORTED)}
        if done and kind == "undo":
            self.undone.add(event)
            self.lots.discard(f"B{self.number}")
        elif kind == "undo":
            with Book.open(self.shop) as book:
                if event in book.history.undone():
                    self.lots.discard(f"B{self.number}")

    def lots_file(self) -> Path:
        """A table of lots, to be imported whole or not at all."""
        path = self.folder / f"lots{self.number}.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["id", "kind", "mass_kg", "composition"])
            writer.writerows([f"I{self.number}-{k}", "pig", 10, "Sn 50 Pb bal"] for k in range(IMPORTED))
        return path

    # --- the server --------------------------------------------------------------------------------------------------
    def kill_server(self) -> None:
        """Start the server, let three people send forms to it, and kill it at a random moment."""
        with Book.open(self.shop) as book:
            events = [book.lots.add(NewLot(f"S{self.number}-{k}", "pig", 5.0, HALF)).event for k in range(40)]
            events.append(book.rolls.cut("R0", [Piece("p", (10.0, 10.0, 500.0, 500.0))]).event)
        port = free_port()
        running = subprocess.Popen(
            [sys.executable, "-m", "pipemetal", "serve", "--shop", self.shop, "--port", str(port)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            wait_for(port, running)
            stop = threading.Event()
            people = [
                threading.Thread(target=work, args=args)
                for work, args in (
                    (self.log_casts, (port, stop)),
                    (self.move_rolls, (port, stop)),
                    (self.undo_events, (port, stop, events)),
                )
            ]
            for person in people:
                person.start()
            # by count, not by the clock: a busy machine too answers some forms, and the last one is on its way
            enough, casts = self.forms_told() + self.random.randint(2, 25), len(self.casts)
            while self.forms_told() < enough or len(self.casts) == casts:
                if not all(person.is_alive() for person in people):
                    break
                time.sleep(0.002)
            time.sleep(self.random.uniform(0.0, 0.03))
        finally:
            running.send_signal(signal.SIGKILL)
            running.wait()
        stop.set()
        for person in people:
            person.join()
        with Book.open(self.shop) as book:
            gone = book.history.undone()
            if events[-1] not in gone:
                book.history.undo(events[-1])
        self.undone |= {events[-1]}
        self.lots |= {f"S{self.number}-{k}" for k, event in enumerate(events[:-1]) if event not in gone}
        self.seen["server killed"] += 1

    def forms_told(self) -> int:
        """How many forms were answered as done."""
        return sum(n for what, n in list(self.seen.items()) if what.startswith("form told"))

    def log_casts(self, port: int, stop: threading.Event) -> None:
        """Log one cast after the other."""
        for k in range(10_000):
            name = f"C{self.number}-{k}"
            form = {
                "id": name,
                "day": "2026-05-04",
                "alloy": "half",
                "gate_mm": "2",
                "charge_kg": "40",
                "pour_temperature_c": "240",
                "push_time_s": "4",
                "length_mm": "3000",
                "sled": "250 x 760",
                "thickness": "100:1.21 2000:1.05",
                "verdict": "good",
                "note": "",
            }
            if stop.is_set() or not (status := post(port, "/casting/log", form)):
                return
            assert status == 303, f"logging a cast was answered by {status}"
            self.casts.add(name)
            self.seen["form told: cast"] += 1

    def move_rolls(self, port: int, stop: threading.Event) -> None:
        """Hang rolls elsewhere, one after the other."""
        for k in range(10_000):
            roll, place = f"R{1 + k % (ROLLS - 1)}", f"rack {self.number}-{k}"
            page = get(port, f"/racks/{roll}")
            found = re.search(r'name="version" value="(\d+)"', page)
            if stop.is_set() or found is None:
                return
            form = {"version": found[1], "place": place, "state": "on rack", "note": ""}
            self.places[f"{roll} {self.number}"] = place
            if not (status := post(port, f"/racks/{quote(roll)}", form)):
                return
            assert status == 303, f"moving a roll was answered by {status}"
            self.places[roll] = place
            self.seen["form told: roll"] += 1

    def undo_events(self, port: int, stop: threading.Event, events: list[int]) -> None:
        """Take back one event after the other, the cut of a roll first."""
        for event in reversed(events):
            if stop.is_set() or not (status := post(port, f"/undo/{event}", {"sure": "1"})):
                return
            assert status == 303, f"undo was answered by {status}"
            self.undone.add(event)
            self.seen["form told: undo"] += 1

    # --- afterwards --------------------------------------------------------------------------------------------------
    def check(self) -> None:
        """What must hold after every kill."""
        if "://" in self.shop:
            time.sleep(0.1)  # the database server may still be ending what the killed program asked for
        with Book.open(self.shop) as book:
            faults = book.keeping.doctor().faults
            assert faults == [], f"round {self.number}: {faults}"
            assert sum(m for masses in book.ledger.balances().values() for m in masses.values()) == 0
            lots = {row.id for row in book.lots.rows()}
            casts = set(book.casts.ids())
            assert self.lots <= lots, f"round {self.number}: lots lost: {sorted(self.lots - lots)}"
            assert self.casts <= casts, f"round {self.number}: casts lost: {sorted(self.casts - casts)}"
            assert self.undone <= book.history.undone(), f"round {self.number}: undos lost"
            part = [x for x in lots if x.startswith(f"I{self.number}-")]
            assert len(part) in (0, IMPORTED), f"round {self.number}: half an import: {len(part)}"
            for roll in (f"R{k}" for k in range(1, ROLLS)):
                held = book.rolls.row(roll).place
                # the last told, or the one that was on its way when the program was killed
                allowed = {self.places.get(roll, "rack 0"), self.places.get(f"{roll} {self.number}")}
                assert held in allowed, f"round {self.number}: {roll} is at {held}, told {allowed}"
                self.places[roll] = held


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(port: int, running: subprocess.Popen[bytes]) -> None:
    """Until the server answers, or has ended."""
    while running.poll() is None:
        if "{" in get(port, "/static/css/pages.css"):
            return
        time.sleep(0.03)
    raise AssertionError("the server did not come up")


def get(port: int, path: str) -> str:
    """A page, empty where the server is gone."""
    connection = HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        connection.request("GET", path)
        return connection.getresponse().read().decode()
    except (OSError, HTTPException):
        return ""
    finally:
        connection.close()


def post(port: int, path: str, form: dict[str, str]) -> int:
    """The answer to a form, nought where the server is gone."""
    connection = HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        connection.request("POST", path, urlencode(form), {"content-type": "application/x-www-form-urlencoded"})
        answer = connection.getresponse()
        answer.read()
        return answer.status
    except (OSError, HTTPException):
        return 0
    finally:
        connection.close()


def main(shop: str | None, rounds: int, seed: int) -> Counter[str]:
    """Run the rounds on a book of their own; gives what was seen. Raises: AssertionError."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        os.environ["PIPEMETAL_BACKUPS"] = str(folder / "backups")
        held = Rounds(shop or str(folder / "shop.sqlite"), folder, seed)
        held.run(rounds)
        return held.seen


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--shop")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    started = time.monotonic()
    seen = main(given.shop, given.rounds, given.seed)
    took = time.monotonic() - started
    lines = [f"{given.rounds} kills in {took:.0f} s: nothing told was lost, the ledger sums to nought, no faults"]
    lines += [f"  {times:5d} {what}" for what, times in sorted(seen.items())]
    sys.stdout.write("\n".join(lines) + "\n")

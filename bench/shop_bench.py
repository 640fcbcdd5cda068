"""The shop book: search over 10,000 rolls, and 8 writers with 8 readers at once.

`python bench/shop_bench.py [--seconds 60] [--rolls 10000] [--shop postgresql://...]`; run.py calls it with a short time.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConflictError
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.log_file import read_log
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book, NewLot
from pipemetal.shop.roles import Action
from pipemetal.shop.rolls import NewRoll, enter_roll

ALLOYS = {"plain-30": "Sn 30 Pb bal", "spotted-50": "Sn 50 Pb bal", "tin-75": "Sn 75 Pb bal"}
STATIONS, LINES = 31, 9


def invented_roll(number: int, rng: np.random.Generator) -> tuple[Roll, list[Reading]]:
    """A roll of 31 stations by 9 lines that falls off along its length, with 40 readings."""
    length, width = float(rng.uniform(2500.0, 5200.0)), float(rng.uniform(500.0, 900.0))
    start, fall = rng.uniform(0.6, 2.2), rng.uniform(0.0, 0.5)
    along = start - fall * np.linspace(0.0, 1.0, STATIONS)
    grid = along[None, :] + rng.normal(0.0, 0.01, (LINES, STATIONS))
    stations = np.linspace(0.0, length, STATIONS)
    field = ThicknessField.from_grid(stations, grid, width_mm=width)
    readings = [
        Reading(float(x), float(y), float(t))
        for x, y, t in zip(
            rng.uniform(0, length, 40), rng.uniform(0, width, 40), rng.normal(start, 0.05, 40), strict=True
        )
    ]
    return Roll(
        f"R{number:05d}", list(ALLOYS)[number % 3], length, width, 10.0, field, place=f"rack {number % 40}"
    ), readings


def fill(book: Book, rolls: int) -> None:
    """Enter the recipes and so many rolls, in one event."""
    for name, target in ALLOYS.items():
        book.recipes.add(Recipe(name, Composition.parse(target)))
    rng = np.random.default_rng(1)
    with book._writer.writing(Action.IMPORTED, "folder:bench") as w:
        for number in range(rolls):
            roll, readings = invented_roll(number, rng)
            day = f"{2000 + number % 25}-{1 + number % 12:02d}-01"
            enter_roll(w, NewRoll(roll, readings, note=f"note {number}", origin="counted", day=day))


SEARCHES = {
    "alloy, thickness, length": {"alloy": "spotted-50", "thickness_mm": (0.9, 1.1), "length_mm": 1200.0},
    "thickness alone": {"thickness_mm": (0.8, 1.6)},
    "the whole rack": {},
    "words": {"text": "note 77 rack"},
    "made in a span of years": {"made": ("2004", "2009")},
    "place": {"place": "rack 7"},
    "width and alloy": {"alloy": "tin-75", "width_mm": 700.0},
    "thickness and length": {"thickness_mm": (1.0, 1.2), "length_mm": 800.0},
}


def searches(target: str) -> None:
    """Print how long searches take, the first after opening, each kind fifteen times, and the first after a change."""
    with Book.open(target) as book:
        begun = time.perf_counter()
        book.rolls.find()
        print(f"{'shop: first search after opening':<58} {(time.perf_counter() - begun) * 1e3:10.1f} ms")
        for name, asked in SEARCHES.items():
            times, found = [], []
            for _ in range(15):
                begun = time.perf_counter()
                found = book.rolls.find(**asked)  # type: ignore[arg-type]
                times.append((time.perf_counter() - begun) * 1e3)
            what = f"shop: search by {name}, {len(found)} answers"
            print(f"{what:<58} {statistics.median(times):10.1f} ms   (median of 15, slowest {max(times):.1f})")
        times = []
        for number in range(9):
            book.rolls.change(f"R{number:05d}", book.rolls.row(f"R{number:05d}").version, place="rack 41")
            begun = time.perf_counter()
            book.rolls.find(thickness_mm=(0.9, 1.1))
            times.append((time.perf_counter() - begun) * 1e3)
        print(
            f"{'shop: first search after a roll was changed':<58} {statistics.median(times):10.1f} ms   "
            f"(median of 9, slowest {max(times):.1f})"
        )


def work(target: str, number: int, until: float, told: multiprocessing.Queue[Counter[str]]) -> None:
    """A writer (even numbers) or reader until the time is over: what it did, by kind."""
    counts: Counter[str] = Counter()
    with Book.open(target, who=f"worker {number}") as book:
        turn = 0
        while time.time() < until:
            turn += 1
            try:
                if number % 2:
                    book.ledger.stock_by_kind() if turn % 2 else book.rolls.find(
                        thickness_mm=(0.9, 1.1), length_mm=1000.0
                    )
                    counts["read"] += 1
                elif turn % 3 == 0:
                    row = book.recipes.row("shared")
                    with book._writer.writing(Action.RECIPE_ENTERED, "recipe:shared") as w:
                        w.change("recipes", "shared", row.version, note=str(int(row.note) + 1))
                    counts["counted"] += 1
                else:
                    book.lots.add(NewLot(f"L{number}-{turn}", "pig", 10.0, Composition.parse("Sn 50 Pb bal")))
                    counts["entered"] += 1
            except ConflictError:
                counts["conflict"] += 1
            except Exception as error:
                counts[f"error: {error}"] += 1
    told.put(counts)


def throughput(target: str, seconds: float) -> bool:
    """Eight writers and eight readers; prints what they did and gives whether nothing was lost."""
    with Book.open(target) as book:
        book.recipes.add(Recipe("shared", Composition.parse("Sn 50 Pb bal"), note="0"))
    told: multiprocessing.Queue[Counter[str]] = multiprocessing.get_context("spawn").Queue()
    until = time.time() + seconds + 5.0
    workers = [
        multiprocessing.get_context("spawn").Process(target=work, args=(target, n, until, told)) for n in range(16)
    ]
    for worker in workers:
        worker.start()
    counts: Counter[str] = Counter()
    for _ in workers:
        counts += told.get(timeout=seconds + 120.0)
    for worker in workers:
        worker.join()
    with Book.open(target) as book:
        lots = sum(1 for row in book.lots.rows() if row.id.startswith("L"))
        kept = int(book.recipes.row("shared").note)
        faults = book.keeping.doctor().faults
        ledger = sum(m for masses in book.ledger.balances().values() for m in masses.values())
    errors = {k: n for k, n in counts.items() if k.startswith("error")}
    sound = not errors and not faults and ledger == 0 and lots == counts["entered"] and kept == counts["counted"]
    verdict = (
        "nothing lost" if sound else f"{lots} of {counts['entered']} lots and {kept} of {counts['counted']} counts kept"
    )
    written = counts["entered"] + counts["counted"]
    print(
        f"shop: 8 writers and 8 readers for {seconds:g} s: {written / seconds:.0f} writes/s, {counts['read'] / seconds:.0f} "
        f"reads/s; {counts['conflict']} conflicts told, {len(errors)} errors, "
        f"{verdict}, "
        f"ledger sums to {ledger}"
    )
    for error, times in errors.items():
        print(f"  {times} x {error}")
    return sound


def log_reading() -> None:
    """300 casts read from a book: as a command does it, and again as a page does."""
    logged = read_log(packaged_file("log.csv"))
    with tempfile.TemporaryDirectory() as folder, Book.open(Path(folder) / "log.sqlite", create=True) as book:
        book.casts.record_all([replace(logged[k % len(logged)], id=f"C{k:03d}") for k in range(300)], "bench")
        taken = []
        for _ in range(2):
            begun = time.perf_counter()
            book.casts.log()
            taken.append((time.perf_counter() - begun) * 1e3)
    print(f"shop: 300 casts read from the book in {taken[0]:.0f} ms, again in {taken[1]:.0f} ms")


def main(seconds: float = 10.0, rolls: int = 10_000, shop: str | None = None) -> bool:
    """Fill a book and measure it."""
    with tempfile.TemporaryDirectory() as folder:
        target = shop or str(Path(folder) / "bench.sqlite")
        begun = time.perf_counter()
        with Book.open(target, create=True) as book:
            fill(book, rolls)
        print(f"shop: {rolls} rolls of {STATIONS} x {LINES} points entered in {time.perf_counter() - begun:.1f} s")
        searches(target)
        log_reading()
        return throughput(target, seconds)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rolls", type=int, default=10_000)
    parser.add_argument("--shop")
    given = parser.parse_args()
    raise SystemExit(0 if main(given.seconds, given.rolls, given.shop) else 1)

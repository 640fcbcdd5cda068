"""How times grow with the job: `python bench/growth.py [--quick]`.

Layout 100 to 10,000 blanks, log 10 to 10,000 casts, book 1,000 to 100,000 rolls.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import planted
import shop_bench
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.log import LoggedCast
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.log_file import read_log
from pipemetal.layout.solve import solve
from pipemetal.shop.book import Book


def longer_log(log: tuple[LoggedCast, ...], count: int) -> tuple[LoggedCast, ...]:
    """The invented shop's log over and over, each cast with an id of its own."""
    return tuple(replace(log[k % len(log)], id=f"{log[k % len(log)].id}-{k}") for k in range(count))


def book(rolls: int) -> None:
    """A book of so many rolls: how long it takes to fill, to open with a first search, and to search."""
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "shop.sqlite")
        begun = time.perf_counter()
        with Book.open(path, create=True) as held:
            shop_bench.fill(held, rolls)
        filled, begun = time.perf_counter() - begun, time.perf_counter()
        with Book.open(path) as held:
            held.rolls.find("spotted-50", (0.9, 1.1), 1200.0)
            first = time.perf_counter() - begun
            times = []
            for _ in range(9):
                begun = time.perf_counter()
                found = held.rolls.find("spotted-50", (0.9, 1.1), 1200.0)
                times.append(1e3 * (time.perf_counter() - begun))
    print(
        f"growth: book of {rolls} rolls: filled in {filled:.0f} s, opened with a first search in {first:.1f} s, "
        f"search by alloy, thickness and length {statistics.median(times):.0f} ms ({len(found)} answers)"
    )


def main() -> None:
    """Print the times."""
    for rolls in (1000,) if "--quick" in sys.argv else (1000, 10_000, 100_000):
        book(rolls)
    quick = "--quick" in sys.argv
    solve(planted.planted(30, 0)[0], iterations=5)
    for count in (100, 300, 1000) if quick else (100, 300, 1000, 3000, 10_000):
        problem = planted.planted(count, 1)[0]
        begun, first = time.perf_counter(), [0.0]

        def told(share: float, words: str, begun: float = begun, first: list[float] = first) -> None:
            if words.startswith("0 ") and not first[0]:
                first[0] = time.perf_counter() - begun

        seconds = 5.0 if quick else 20.0
        plan = solve(problem, seconds=seconds, progress=told)
        left = len(plan.unplaced)
        placed = (
            f"all placed after {first[0]:.1f} s" if first[0] else "all placed late" if not left else "not all placed"
        )
        print(
            f"growth: layout of {count} blanks on {len(problem.rolls)} rolls: {placed}, {left} unplaced after {seconds:.0f} s, "
            f"{100 * plan.utilisation:.1f} % used"
        )
    log = read_log(packaged_file("log.csv"))
    for count in (10, 100, 1000) if quick else (10, 100, 1000, 10_000):
        casts = longer_log(log, count)
        begun = time.perf_counter()
        calibrate(casts)
        print(f"growth: learning from {count} casts: {time.perf_counter() - begun:.2f} s")


if __name__ == "__main__":
    main()

"""Pages under load: `python bench/pages_bench.py [--quick]`: a book of 10,000 rolls, 300 plans and 1,000,000 readings, ten users.

The server runs in a process of its own, as `pipemetal serve` starts it; the ten users ask it over the loopback, each for one
page after the other in an order of their own.
"""

from __future__ import annotations

import argparse
import http.client
import json
import random
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book, NewLot
from pipemetal.shop.roles import Action
from pipemetal.shop.rolls import NewRoll, enter_roll

ALLOYS = ("half", "third", "lead")
USERS = 10
PAGES = (
    "/",
    "/racks",
    "/racks?alloy=half&low=0.8&high=1.0&length=1200",
    "/racks/R00042",
    "/cutting",
    "/melts",
    "/casting",
    "/casting/pour?n=0",
    "/casting/log?pour=0",
    "/stock",
    "/organs",
    "/plans",
    "/account",
    "/history",
    "/settings",
    "/scan?code=R00042",
    "/trace?of=roll:R00042",
    "/jobs",
)

SHORT_ORGAN = """
[organ]
name = "Brindle House"

[[rank]]
name = "Principal 4"
division = "Great"
footage = "4'"
compass = "c1-c3"
alloy = "half"
scale = { half_tones = [["c1", 0], ["c3", 1]] }
mouth = "1/4"
cut_up = "1/4"
"""


def made_book(path: Path, rolls: int, plans: int, readings: int) -> None:
    """An invented book of this size."""
    rng = np.random.default_rng(1)
    stations = np.linspace(0.0, 4000.0, 21)
    each = readings // rolls
    with Book.open(path, create=True, who="bench") as book:
        for alloy, tin in zip(ALLOYS, (50, 33, 5), strict=True):
            book.recipes.add(Recipe(alloy, Composition.parse(f"Sn {tin} Pb bal"), (("Sn", tin - 2.0, tin + 2.0),)))
        for key, metal in (("T1", "Sn 99.9 Pb bal"), ("L1", "Pb 99.9 Sn bal")):
            book.lots.add(NewLot(key, "pig", 2000.0, Composition.parse(metal)))
        book.plans.add_organ("Brindle House", SHORT_ORGAN)
        for begin in range(0, rolls, 1000):
            with book._writer.writing(Action.IMPORTED, f"file:bench {begin}") as w:
                for k in range(begin, min(begin + 1000, rolls)):
                    enter_roll(w, NewRoll(*_roll(rng, stations, k, each)))
        plan = _plan(book)
        for _ in range(plans):
            book.plans.keep(plan)


def _roll(rng: np.random.Generator, stations: np.ndarray, k: int, each: int) -> tuple[Roll, list[Reading]]:
    """A roll with its field and readings, made up."""
    thick = 0.5 + 1.5 * float(rng.random())
    line = np.round(thick - 0.1 * stations / 4000.0 + rng.normal(0.0, 0.01, (9, 21)), 3)
    field = ThicknessField.from_grid(list(stations), line.tolist(), width_mm=800.0)
    xs, ys = rng.random(each) * 4000.0, rng.random(each) * 800.0
    read = [Reading(round(float(x), 1), round(float(y), 1), round(thick, 3)) for x, y in zip(xs, ys, strict=True)]
    return Roll(f"R{k:05d}", ALLOYS[k % 3], 4000.0, 800.0, 15.0, field, place=f"rack {k % 40}"), read


def _plan(book: Book) -> dict[str, object]:
    from pipemetal.planning.plan import Search, make_plan
    from pipemetal.plans.making import plan_record
    from pipemetal.shop.stock import book_stock
    from pipemetal.web.organs import organ_of_text

    stock = book_stock(book)
    organ = organ_of_text(SHORT_ORGAN, stock.recipes)
    rack = [r for r in stock.rack if r.alloy == "half"][:3]
    return plan_record(make_plan(organ, replace(stock, rack=tuple(rack)), search=Search(iterations=60, seed=1)))


def served(path: Path) -> tuple[subprocess.Popen[bytes], int, float]:
    """A server on this book; gives it with its port and the seconds from its start to its first page."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    begun = time.perf_counter()
    command = [sys.executable, "-m", "pipemetal", "serve", "--shop", str(path), "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    while True:
        try:
            ask(port, "/")
            return process, port, time.perf_counter() - begun
        except OSError:
            time.sleep(0.01)


def ask(port: int, path: str) -> float:
    """Ask for a page; gives the milliseconds until all of it is here."""
    begun = time.perf_counter()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    connection.request("GET", path)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    if answer.status >= 400:
        raise SystemExit(f"{path}: {answer.status}")
    return (time.perf_counter() - begun) * 1e3


def load(port: int, rounds: int) -> dict[str, list[float]]:
    """Ten users at once, each through all pages in an order of their own."""
    took: dict[str, list[float]] = defaultdict(list)

    def user(number: int) -> None:
        order = random.Random(number)
        for _ in range(rounds):
            for path in order.sample(PAGES, len(PAGES)):
                took[path].append(ask(port, path))

    threads = [threading.Thread(target=user, args=(n,)) for n in range(USERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return took


def paced(port: int, seconds: float, pause_s: float) -> dict[str, list[float]]:
    """Ten users at once who look at a page before they ask for the next."""
    took: dict[str, list[float]] = defaultdict(list)
    end = time.monotonic() + seconds

    def user(number: int) -> None:
        order = random.Random(number)
        time.sleep(order.random() * pause_s)
        while time.monotonic() < end:
            path = order.choice(PAGES)
            took[path].append(ask(port, path))
            time.sleep(pause_s * (0.5 + order.random()))

    threads = [threading.Thread(target=user, args=(n,)) for n in range(USERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return took


def main(arguments: list[str] | None = None) -> None:
    """Print the figures."""
    options = argparse.ArgumentParser()
    options.add_argument("--quick", action="store_true", help="a tenth of everything")
    options.add_argument("--book", type=Path, help="use or make the book here")
    options.add_argument("--json", action="store_true")
    given = options.parse_args(arguments)
    size = (1000, 30, 100_000) if given.quick else (10_000, 300, 1_000_000)
    with tempfile.TemporaryDirectory() as folder:
        path = given.book or Path(folder) / "s.sqlite"
        if not path.exists():
            made_book(path, *size)
        process, port, start_s = served(path)
        try:
            time.sleep(5.0)
            for page in PAGES:
                ask(port, page)
            alone = {p: float(np.median([ask(port, p) for _ in range(5)])) for p in PAGES}
            calm, busy = paced(port, 6.0 if given.quick else 20.0, 1.0), load(port, 2 if given.quick else 4)
        finally:
            process.kill()
    rows = [(p, alone[p], *(float(np.percentile(t[p], 95)) if t[p] else 0.0 for t in (calm, busy))) for p in PAGES]
    if given.json:
        print(json.dumps({"start_s": start_s, "pages": rows}))
        return
    print(f"pages: {size[0]} rolls, {size[1]} plans, {size[2]} readings; start to first page {start_s:.2f} s")
    print(
        "  page, ms: alone (median of 5); 95 % of ten users with a second's look at each; of ten users without a pause"
    )
    for page, one, many, most in rows:
        print(f"  {quote(page, safe='/?=&:'):<52} {one:8.1f} {many:8.1f} {most:8.1f}")


if __name__ == "__main__":
    main(sys.argv[1:])

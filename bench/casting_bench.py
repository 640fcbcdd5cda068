"""Print what casting costs, and how well a roll is known from its push: `python bench/casting_bench.py [--quick]`.

How well a shop's law is learned is told by `bench/casting_worlds.py`, whose shops are written apart from the program's laws.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.freezing import freeze
from pipemetal.casting.learn import cloth_from_log, limits_from_verdicts
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, Sled
from pipemetal.casting.push import Push, Station, push_card, thickness_from_push
from pipemetal.casting.roll import places_to_gauge, roll_field
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.simulate import Made, Noise, simulate_cast
from pipemetal.casting.table import DayCast, day
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.casting.window import pour_window
from pipemetal.errors import CastingError, SheetError
from pipemetal.sheets.field import FloatArray
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading

ALLOYS = [Composition.parse(text) for text in ("Sn 20 Pb bal", "Sn 50 Pb bal", "Sn 75 Pb bal", "Sn 95 Pb bal")]
OUTFIT = Outfit(Sled(250, 800))
HALF = ALLOYS[1]
WANTED = Wanted(HALF, 195.0, 4000, 800, 2.0, 1.5)


def timed(what: str, work: Callable[[], object], runs: int = 7) -> None:
    """Print the median time of some work."""
    work()
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    print(f"{what:<58} {1e3 * statistics.median(times):10.2f} ms   (median of {runs})", flush=True)


def made(rng: np.random.Generator, n: int, truth: ShopLaw) -> list[LoggedCast]:
    """Casts of a made-up shop, one in twenty misread; sheets that cannot be pushed are drawn again."""
    casts: list[LoggedCast] = []
    while len(casts) < n:
        start = float(rng.uniform(1.1, 2.2))
        want = Wanted(
            ALLOYS[int(rng.integers(4))],
            float(rng.uniform(295, 330)),
            float(rng.uniform(2500, 4000)),
            800.0,
            start,
            start * float(rng.uniform(0.72, 1.0)),
        )
        asked = Made(str(len(casts)), want, OUTFIT, charge_kg=11.34 * float(rng.integers(7, 10)))
        try:
            casts.append(simulate_cast(rng, truth, asked, noise=Noise(timing_s=0.02, gross_share=0.05)))
        except CastingError:
            continue
    return casts


def sheet(rng: np.random.Generator, wave_mm: float) -> tuple[tuple[Station, ...], Callable[..., FloatArray]]:
    """A sheet 3.5 m by 0.8 m whose push went unevenly, and what it truly is: 5 % off in level, tilted 0.01 mm along and 0.02 mm
    across, bowed 0.02 mm across, with two waves of half and a third of its length."""
    start = float(rng.uniform(1.3, 2.2))
    card = push_card(Wanted(HALF, 240, 3500, 800, start, start * float(rng.uniform(0.7, 0.95))), OUTFIT)
    d = np.array([m.distance_m for m in card.marks])
    s = d / d[-1]
    uneven = (
        rng.normal(0, 0.05)
        + rng.normal(0, 0.08) * (s - 0.5)
        + rng.normal(0, 0.06) * np.sin(np.pi * s + rng.uniform(0, 6))
    )
    speed = np.array([m.speed_m_s for m in card.marks]) * np.exp(uneven)
    push = thickness_from_push(Push(HALF, 240, card.charge_kg + 15.0, card.gate_mm, d, speed), OUTFIT)
    level, tilt, bow, slope = np.exp(rng.normal(0, 0.05)), rng.normal(0, 0.02), rng.normal(0, 0.02), rng.normal(0, 0.01)
    phase = rng.uniform(0, 6, 3)

    def true(x: FloatArray, y: FloatArray) -> FloatArray:
        across = 2.0 * y / 800.0 - 1.0
        wave = np.sin(4 * np.pi * x / 3500 + phase[0]) + np.sin(6.6 * np.pi * x / 3500 + phase[1])
        level_mm = level * np.interp(x, 1e3 * d, [p.thickness_mm for p in push])
        return np.asarray(
            level_mm
            + tilt * across
            + bow * across**2
            + slope * (2 * x / 3500 - 1)
            + wave_mm * wave * np.cos(np.pi * y / 800 + phase[2])
        )

    return push, true


def rolls(count: int, wave_mm: float) -> None:
    """Print how far fitted sheets miss, and how much of them their bands hold; gauge 0.01 mm."""
    rng = np.random.default_rng(77)
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 3500, 40), np.linspace(0, 800, 13)))
    six, thirty = places_to_gauge(3500, 800), [(a, b) for a in np.linspace(105, 3395, 10) for b in (80.0, 400.0, 720.0)]
    kinds = {
        "thirty alone": (thirty, False),
        "six alone": (six, False),
        "six with the push": (six, True),
        "six thrice with the push": (3 * six, True),
        "thirty with the push": (thirty, True),
    }
    off: dict[str, list[float]] = {k: [] for k in kinds}
    held_share: dict[str, list[float]] = {k: [] for k in kinds}
    for _ in range(count):
        push, true = sheet(rng, wave_mm)
        for kind, (places, pushed) in kinds.items():
            at = np.array(places)
            seen = true(at[:, 0], at[:, 1]) + rng.normal(0, 0.01, len(at))
            readings = [Reading(float(a), float(b), float(t)) for (a, b), t in zip(places, seen, strict=True)]
            try:
                field = roll_field(push, readings, 3500, 800) if pushed else fit_field(readings, 3500, 800)
            except SheetError:  # so few readings of so uneven a sheet disagree; the user is told
                continue
            miss = field.at(x, y) - true(x, y)
            off[kind].append(float(np.mean(miss**2)))
            held_share[kind].append(float(np.mean(np.abs(miss) < TWO_SIDED_95 * field.error_at(x, y))))
    for kind in kinds:
        miss_um = 1e3 * math.sqrt(np.mean(off[kind]))
        who = f"casting: {len(off[kind])} of {count} sheets, waves {wave_mm:g} mm, {kind}"
        print(f"{who}: {miss_um:.1f} um off, band holds {100 * np.mean(held_share[kind]):.1f} %", flush=True)


def what_if() -> None:
    """What a page that answers "what if" works out: a card, a window, the day so far."""
    push_card(WANTED, OUTFIT)
    before = day([DayCast(HALF, 2.0, 234, 600.0 * i) for i in range(10)])[-1]
    pour_window(HALF, 2.0, before.cloth_c, 20)


def main() -> None:
    """Run everything; --quick leaves out most of the shops."""
    quick = "--quick" in sys.argv
    timed("casting: card before any cast, gate and fill chosen", lambda: push_card(WANTED, OUTFIT), 15)
    timed("casting: freezing run to all solid", lambda: freeze(HALF, 2.0, 233.8, 20, 20), 15)
    timed("casting: ten casts of a day", lambda: day([DayCast(HALF, 2.0, 234, 600.0 * i) for i in range(10)]))
    timed("casting: what-if page (card, window, day so far)", what_if)
    rng = np.random.default_rng(5)
    log = made(rng, 500, ShopLaw.known("mush", level=0.05, speed=-0.1, cast_scatter=0.04, station_scatter=0.02))
    timed("casting: the shop's law from 500 casts", lambda: calibrate(log), 3)
    law = calibrate(log[:40]).law
    timed("casting: card by the law of 40 casts", lambda: push_card(WANTED, OUTFIT, law), 15)
    timed("casting: 46 cards of a plan", lambda: [push_card(WANTED, OUTFIT, law) for _ in range(46)], 3)
    heated = [replace(c, seconds_to_matt=30.0, verdict="good") for c in log]
    timed("casting: cloth from seconds to matt, 500 casts", lambda: cloth_from_log(heated), 1)
    timed("casting: window from 500 verdicts", lambda: limits_from_verdicts(heated), 1)
    for wave_mm in (0.0, 0.01, 0.03):
        rolls(20 if quick else 60, wave_mm)


if __name__ == "__main__":
    main()

"""Print what casting costs and how well it learns: `python bench/casting_bench.py [--quick]`.

The shops are made up: true coefficients from the priors, cast scatter drawn even from 3 to 7 %, place scatter 2 %, one cast in
twenty with a gross misreading, timing by video (0.02 s) or hand (0.08 s). New casts are measured exactly.
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
from pipemetal.casting.laying import Box
from pipemetal.casting.learn import cloth_from_log, limits_from_verdicts
from pipemetal.casting.log import LoggedCast, reduced
from pipemetal.casting.model import TWO_SIDED_95, Coefficients, Gate, Sled, fluid_of
from pipemetal.casting.push import Station, coefficient_rows, push_card, thickness_from_push
from pipemetal.casting.roll import places_to_gauge, roll_field
from pipemetal.casting.simulate import Noise, simulate_cast
from pipemetal.casting.table import DayCast, day
from pipemetal.casting.window import pour_window
from pipemetal.errors import CastingError, SheetError
from pipemetal.sheets.field import FloatArray
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading

ALLOYS = [Composition.parse(text) for text in ("Sn 20 Pb bal", "Sn 50 Pb bal", "Sn 75 Pb bal", "Sn 95 Pb bal")]
SLED = Sled(200, 800)
HALF = ALLOYS[1]


def timed(what: str, work: Callable[[], object], runs: int = 7) -> None:
    """Print the median time of some work."""
    work()
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    print(f"{what:<58} {1e3 * statistics.median(times):10.2f} ms   (median of {runs})", flush=True)


def drawn(rng: np.random.Generator) -> Coefficients:
    """A shop's true coefficients from the priors; drag is never negative."""
    return Coefficients.known(
        0.6 * math.exp(0.15 * rng.normal()),
        0.3 * float(rng.normal()),
        max(0.0, 0.03 + 0.03 * float(rng.normal())),
        0.05 * float(rng.normal()),
        float(rng.uniform(0.03, 0.07)),
        0.02,
    )


def made(rng: np.random.Generator, n: int, truth: Coefficients, noise: Noise) -> list[LoggedCast]:
    """Casts of a shop; sheets that cannot be pushed are drawn again."""
    casts: list[LoggedCast] = []
    while len(casts) < n:
        start = float(rng.uniform(1.1, 2.3))
        end = start * float(rng.uniform(0.75, 1.0))
        gate = round(0.5 * (start + end) / 0.6 * float(rng.uniform(0.9, 1.15)), 1)
        try:
            casts.append(
                simulate_cast(
                    rng,
                    truth,
                    id=f"{len(casts)}",
                    comp=ALLOYS[int(rng.integers(4))],
                    sled=SLED,
                    length_mm=float(rng.uniform(2500, 4000)),
                    thickness_start_mm=start,
                    thickness_end_mm=end,
                    gate_mm=gate,
                    superheat_k=float(rng.uniform(10, 40)),
                    noise=noise,
                )
            )
        except CastingError:
            continue
    return casts


def held(coefficients: Coefficients, cast: LoggedCast) -> float:
    """Share of a new cast's places that lie in their 95 % band."""
    got = reduced(cast)
    if isinstance(got, str):
        return math.nan
    metal = fluid_of(cast.composition, round(cast.pour_temperature_c or 300.0, 1))
    box = Box.of(cast.sled, Gate(), cast.gate_mm, metal, coefficients, cast.superheat_k)
    expected = box.opening_m * (box.velocity_m_s(got.head_m) + box.beta * got.speed_m_s) / got.speed_m_s
    reach = TWO_SIDED_95 * coefficients.deviation(coefficient_rows(box, got.head_m, got.speed_m_s, cast.superheat_k))
    return float(np.mean(np.abs(np.log(got.film_m / expected)) < reach))


def unlike(rng: np.random.Generator) -> Coefficients:
    """A shop that is not drawn from the priors: every coefficient even over a wide range, places scattering 1 to 4 %."""
    return Coefficients.known(
        float(rng.uniform(0.46, 0.78)),
        float(rng.uniform(-0.5, 0.5)),
        float(rng.uniform(0.0, 0.09)),
        float(rng.uniform(-0.1, 0.1)),
        float(rng.uniform(0.03, 0.07)),
        float(rng.uniform(0.01, 0.04)),
    )


def partial(log: list[LoggedCast]) -> list[LoggedCast]:
    """What a small log holds: push time alone, three single readings, no leftover."""
    return [replace(c, marks=(), leftover_kg=None, thickness_mm=c.thickness_mm[::6]) for c in log]


def coverage(
    what: str,
    shops: int,
    logged: int,
    timing_s: float,
    seed: int,
    *,
    draw: Callable[[np.random.Generator], Coefficients] = drawn,
    kept: Callable[[list[LoggedCast]], list[LoggedCast]] = lambda log: log,
) -> None:
    """Print coverage, width against the shop's own scatter, and the miss of the drag over many shops."""
    rng = np.random.default_rng(seed)
    hits, widths, drags, bounds = [], [], [], []
    exact = Noise(timing_s=0.001, gauge_mm=0.001, scale_kg=0.01)
    for _ in range(shops):
        truth = draw(rng)
        found = calibrate(kept(made(rng, logged, truth, Noise(timing_s=timing_s, gross_share=0.05))))
        own = 100.0 * TWO_SIDED_95 * math.hypot(truth.cast_scatter, truth.station_scatter)
        widths.append(found.predictive_half_width_percent / own)
        fitted = 100.0 * TWO_SIDED_95 * math.hypot(found.coefficients.cast_scatter, found.coefficients.station_scatter)
        bounds.append(found.predictive_half_width_percent / fitted)
        drags.append(found.coefficients.beta - truth.beta)
        hits.append(np.nanmean([held(found.coefficients, c) for c in made(rng, 4, truth, exact)]))
    print(
        f"casting: {shops} shops, {logged} casts, {what}: 95 % band holds {100 * np.mean(hits):.1f} % "
        f"(+- {100 * np.std(hits) / math.sqrt(shops):.1f}), width over own scatter {np.mean(widths):.3f} mean "
        f"{np.median(widths):.3f} median (scatters known {np.mean(bounds):.3f}), "
        f"drag {np.mean(drags):+.4f} +- {np.std(drags) / math.sqrt(shops):.4f}",
        flush=True,
    )


def sheet(rng: np.random.Generator, wave_mm: float) -> tuple[tuple[Station, ...], Callable[..., FloatArray]]:
    """A sheet 3.5 m by 0.8 m whose push went unevenly, and what it truly is: 5 % off in level, tilted 0.01 mm along and 0.02 mm
    across, bowed 0.02 mm across, with two waves of half and a third of its length."""
    start = float(rng.uniform(1.3, 2.2))
    card = push_card(
        HALF, 240, 3500, 800, start, start * float(rng.uniform(0.7, 0.95)), Sled(220, 800), Coefficients.prior()
    )
    d = np.array([m.distance_m for m in card.marks])
    s = d / d[-1]
    uneven = (
        rng.normal(0, 0.05)
        + rng.normal(0, 0.08) * (s - 0.5)
        + rng.normal(0, 0.06) * np.sin(np.pi * s + rng.uniform(0, 6))
    )
    speed = np.array([m.speed_m_s for m in card.marks]) * np.exp(uneven)
    push = thickness_from_push(HALF, 240, card.charge_kg, card.gate_mm, d, speed, Sled(220, 800), Coefficients.prior())
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
    push_card(HALF, 234, 4000, 800, 2.0, 1.5, Sled(250, 800), Coefficients.prior())
    before = day([DayCast(HALF, 2.0, 234, 600.0 * i) for i in range(10)])[-1]
    pour_window(HALF, 2.0, before.cloth_c, 20)


def main() -> None:
    """Run everything; --quick leaves out most of the shops."""
    quick = "--quick" in sys.argv
    timed(
        "casting: plan (card with gate and charge chosen)",
        lambda: push_card(HALF, 234, 4000, 800, 2.0, 1.5, Sled(250, 800), Coefficients.prior()),
        15,
    )
    timed("casting: freezing run to all solid", lambda: freeze(HALF, 2.0, 233.8, 20, 20), 15)
    timed("casting: ten casts of a day", lambda: day([DayCast(HALF, 2.0, 234, 600.0 * i) for i in range(10)]))
    timed("casting: what-if page (card, window, day so far)", what_if)
    rng = np.random.default_rng(5)
    log = made(rng, 500, Coefficients.known(0.56, 0.2, 0.03, 0.0, 0.05, 0.02), Noise(timing_s=0.02, gross_share=0.05))
    timed("casting: fit of the gate to 500 casts", lambda: calibrate(log), 3)
    heated = [replace(c, seconds_to_matt=30.0, verdict="good") for c in log]
    timed("casting: cloth from seconds to matt, 500 casts", lambda: cloth_from_log(heated), 1)
    timed("casting: window from 500 verdicts", lambda: limits_from_verdicts(heated), 1)
    shops = 40 if quick else 200
    coverage("video", shops, 10, 0.02, 1021)
    coverage("hand", shops, 10, 0.08, 1022)
    coverage("video", shops, 5, 0.02, 1023)
    coverage("video", shops, 30, 0.02, 1024)
    coverage("video, unlike the priors", shops, 10, 0.02, 1025, draw=unlike)
    coverage("partial logs, by hand", shops, 10, 0.08, 1026, kept=partial)
    for wave_mm in (0.0, 0.01, 0.03):
        rolls(20 if quick else 60, wave_mm)


if __name__ == "__main__":
    main()

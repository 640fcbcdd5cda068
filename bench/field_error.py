"""How far true metal is from fitted fields, over what is stated for them: `python bench/field_error.py [--racks N] [--only NAME]
[--seed N]`.

Sheets of many kinds that the program never sees (tilt, bow, curve, waves of 60 mm to 2 m, ripples straight across, thin and
thick, small and large, gauged at 6 to 30 places on a grid, at the ends or in the middle, in racks of 1 to 12) are gauged and
fitted. Printed by kind: the true error over the stated one (root mean square) at places drawn at random and as means over areas
of a blank's size, and the share of places outside the bands of 95 and 99 %. Honest is 1; 5 and 1 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipemetal.errors import SheetError
from pipemetal.layout.guard import guard_factor
from pipemetal.sheets.field import FloatArray, ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.unsure import FieldError, error_of, waves_of

Waves = Callable[[np.random.Generator, FloatArray, FloatArray], FloatArray]
TRIM_MM, GAUGE_MM, PLACES, BLANKS = 15.0, 0.01, 40, 6
SHEETS = 36
"""Sheets of each kind, in racks of its size, times `--racks`."""
LARGE, SMALL = ((2400.0, 4500.0), (600.0, 900.0)), ((500.0, 1200.0), (200.0, 450.0))
GRIDS = {6: (3, 2), 12: (4, 3), 30: (10, 3)}
ALIKE_TO_MM = 1.2
"""Above this thickness the made-up sheets are uneven in proportion."""
TWO_SIDED = tuple(guard_factor(1.0 - p / 2.0, 0.0, 1.0) for p in (0.05, 0.01))


def none(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """No waves."""
    return np.zeros(np.broadcast_shapes(x.shape, y.shape))


def about(wave_mm: float) -> Waves:
    """Waves going every way whose lengths lie about one; of unit size."""

    def made(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
        total = none(rng, x, y)
        for _ in range(24):
            k, way = 2.0 * np.pi / (wave_mm * rng.lognormal(0.0, 0.25)), rng.uniform(0.0, 2.0 * np.pi)
            total = total + np.cos(k * (x * np.cos(way) + y * np.sin(way)) + rng.uniform(0.0, 2.0 * np.pi))
        return np.asarray(total * np.sqrt(2.0 / 24.0), dtype=float)

    return made


def ripple(shortest_mm: float, longest_mm: float) -> Waves:
    """One straight ripple along the sheet, as an uneven push gives it; of unit size."""

    def made(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
        wave = 2.0 * np.pi * x / rng.uniform(shortest_mm, longest_mm)
        return np.asarray(np.sqrt(2.0) * np.sin(wave + rng.uniform(0.0, 6.3)) + none(rng, x, y), dtype=float)

    return made


@dataclass(frozen=True)
class Kind:
    """What sheets of a kind are like, how they are gauged, and how many lie in a rack."""

    name: str
    waves: Waves
    waves_mm: float = 0.014
    readings: int = 12
    rack: int = 12
    size: tuple[tuple[float, float], tuple[float, float]] = LARGE
    thick_mm: tuple[float, float] = (0.7, 1.5)
    span: tuple[float, float] = (0.06, 0.94)
    ends: bool = False


KINDS = [
    *(Kind(f"no waves, {n} readings", none, readings=n) for n in GRIDS),
    Kind("no waves, small, 6 readings, rack of 1", none, readings=6, rack=1, size=SMALL),
    *(Kind(f"waves {w:g} m, {n} readings", about(1000 * w), readings=n) for w in (0.06, 0.3, 0.6, 2.0) for n in GRIDS),
    *(Kind(f"waves 0.3 m, 0.03 mm, {n} readings", about(300.0), 0.03, readings=n) for n in GRIDS),
    *(Kind(f"ripples, {n} readings", ripple(300.0, 1100.0), readings=n) for n in GRIDS),
    *(Kind(f"ripples 0.03 mm, {n} readings", ripple(300.0, 1100.0), 0.03, readings=n) for n in (6, 12)),
    *(Kind(f"short ripples {s:g} mm", ripple(60.0, 300.0), s) for s in (0.014, 0.03)),
    *(Kind(f"waves 0.6 m, rack of {r}", about(600.0), rack=r) for r in (1, 4)),
    *(
        Kind(f"small, {n} readings, rack of {r}", about(400.0), readings=n, rack=r, size=SMALL)
        for r in (1, 4, 12)
        for n in (6, 12)
    ),
    Kind("small, ripples, 6 readings", ripple(150.0, 600.0), readings=6, size=SMALL),
    Kind("thin 0.4 to 0.6 mm", about(400.0), 0.008, thick_mm=(0.4, 0.6)),
    *(Kind(f"thick 4 mm, {n} readings", about(500.0), readings=n, thick_mm=(3.5, 4.5)) for n in GRIDS),
    Kind("thick 4 mm, ripples, rack of 4", ripple(300.0, 1100.0), rack=4, thick_mm=(3.5, 4.5)),
    Kind("thick 2 mm, small, 6 readings", about(400.0), readings=6, rack=4, size=SMALL, thick_mm=(1.8, 2.5)),
    Kind("thick 4 mm, as even as thin", about(500.0), 0.014 / 3.3, thick_mm=(3.5, 4.5)),
    Kind("0.5 to 5 mm in one rack", about(500.0), thick_mm=(0.5, 5.0)),
    *(Kind(f"ends alone, {n} readings", about(500.0), readings=n, ends=True) for n in (6, 12)),
    Kind("middle alone", about(500.0), span=(0.35, 0.65)),
    Kind("even sheets", about(500.0), 0.005),
    Kind("uneven sheets", about(500.0), 0.025),
]


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet as it truly is, and what its readings gave."""

    true: ThicknessField
    fitted: ThicknessField


def sheet(kind: Kind, rng: np.random.Generator) -> Sheet | None:
    """A sheet of a kind; None where its readings were refused."""
    (length, width), wall = (float(rng.uniform(*s)) for s in kind.size), float(rng.uniform(*kind.thick_mm))
    grown = max(1.0, wall / ALIKE_TO_MM)
    x, y = np.linspace(0.0, length, int(length / 12.0)), np.linspace(0.0, width, int(width / 12.0))[:, None]
    u, v = 2.0 * x / length - 1.0, 2.0 * y / width - 1.0
    curve, tilt, bow = rng.normal(0.0, (0.03, 0.03, 0.015))
    off = curve * u**2 + tilt * v + bow * v**2 + kind.waves_mm * kind.waves(rng, x, y)
    metal = wall - rng.uniform(0.03, 0.1) * wall * u / 2.0 + grown * off
    true = ThicknessField.from_grid(x, metal, width_mm=width)
    readings = [
        Reading(float(a), float(b), round(float(true.at(a, b)) + rng.normal(0.0, GAUGE_MM), 2))
        for a, b in places(kind, length, width)
    ]
    try:
        return Sheet(true, fit_field(readings, length, width))
    except SheetError:
        return None


def places(kind: Kind, length: float, width: float) -> list[tuple[float, float]]:
    """Where a sheet is gauged: a grid over its span, or across both ends."""
    along, across = (2, kind.readings // 2) if kind.ends else GRIDS[kind.readings]
    xs, ys = np.linspace(*kind.span, along) * length, np.linspace(0.1, 0.9, across) * width
    return [(float(a), float(b)) for a in xs for b in ys]


@dataclass
class Tally:
    """Errors over what is stated for them: at places, and as means over areas of a blank's size."""

    places: list[float] = field(default_factory=list)
    means: list[float] = field(default_factory=list)
    stated_mm: list[float] = field(default_factory=list)
    refused: int = 0

    def add(self, s: Sheet, error: FieldError, rng: np.random.Generator) -> None:
        """Count one sheet."""
        f = s.fitted
        x, y = (rng.uniform(TRIM_MM, far - TRIM_MM, PLACES) for far in (f.length_mm, f.width_mm))
        stated = ThicknessField(f.length_mm, f.width_mm, f.stations_mm, f.thickness_mm, error.sd_mm)
        sd = stated.error_at(x, y)
        self.stated_mm += list(sd)
        self.places += list((s.true.at(x, y) - f.at(x, y)) / sd)
        for _ in range(BLANKS):
            long, wide = (rng.uniform(0.1, 0.4) * far for far in (f.length_mm, f.width_mm))
            x0, y0 = rng.uniform(0.0, f.length_mm - long), rng.uniform(0.0, f.width_mm - wide)
            px, py = (a.ravel() for a in np.meshgrid(x0 + long * np.arange(9) / 8.0, y0 + wide * np.arange(5) / 4.0))
            fine_x, fine_y = np.meshgrid(np.linspace(x0, x0 + long, 60), np.linspace(y0, y0 + wide, 20))
            off = float((s.true.at(fine_x, fine_y) - f.at(fine_x, fine_y)).mean())
            far = sum(((p[:, None] - p) / r) ** 2 for p, r in zip((px, py), error.reach_mm, strict=True))
            e = stated.error_at(px, py)
            self.means.append(off / float(np.sqrt((np.outer(e, e) * np.exp(-0.5 * far)).mean())))

    def rms(self) -> tuple[float, float]:
        """True error over stated, at places and as means over areas."""
        return float(np.sqrt(np.mean(np.square(self.places)))), float(np.sqrt(np.mean(np.square(self.means))))

    def outside(self) -> tuple[float, float]:
        """Shares of places outside the bands of 95 and 99 %."""
        low, high = (float(np.mean(np.abs(self.places) > limit)) for limit in TWO_SIDED)
        return low, high


def racks(kind: Kind, seed: int, times: float) -> list[list[Sheet | None]]:
    """Racks of a kind."""
    rng, count = np.random.default_rng(seed), max(1, round(times * SHEETS / kind.rack))
    return [[sheet(kind, rng) for _ in range(kind.rack)] for _ in range(count)]


def judged(some: Sequence[Sequence[Sheet | None]], seed: int) -> Tally:
    """What racks of one kind come to."""
    rng, tally = np.random.default_rng(seed), Tally()
    for rack in some:
        sheets = [s for s in rack if s is not None]
        tally.refused += len(rack) - len(sheets)
        waves = waves_of([s.fitted for s in sheets])
        for s in sheets:
            tally.add(s, error_of(s.fitted, waves), rng)
    return tally


def main() -> None:
    """Print one line a kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--racks", type=float, default=1.0, help=f"times {SHEETS} sheets of each kind")
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    for k, kind in enumerate(KINDS):
        if options.only in kind.name:
            tally = judged(racks(kind, options.seed + k, options.racks), options.seed + k)
            (at, mean), (p95, p99) = tally.rms(), tally.outside()
            stated = 1000.0 * float(np.mean(tally.stated_mm))
            print(
                f"{kind.name:42} error over stated: places {at:4.2f}, means {mean:4.2f}; outside 95 % {100 * p95:4.1f} %,"
                f" 99 % {100 * p99:4.1f} %; stated {stated:5.1f} um; refused {tally.refused}",
                flush=True,
            )


if __name__ == "__main__":
    main()

"""Layout problems with a planted perfect solution: `python bench/planted.py [--seconds N] [blanks ...]`.

Sheets with realistic thickness fields are cut up by random straight cuts; what each piece wants is read off the field with
noise inside its tolerance, and decoy rolls are hung beside the true ones. The planted plan uses all of its sheets' net area, so
metal used over that area is metal used over the least possible.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from pipemetal.layout.bound import area_bound_mm2
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.solve import solve
from pipemetal.layout.totals import totals_of
from pipemetal.layout.verify import verify

KERF_MM = 1.0
TRIM_MM = 15.0


def random_roll(rng: np.random.Generator, name: str) -> LayoutRoll:
    """A roll as a cast gives it: thinning along, a little bowed along and across."""
    length, width = float(rng.integers(30, 50) * 100), float(rng.integers(60, 100) * 10)
    start, taper = float(rng.uniform(0.7, 1.7)), float(rng.uniform(0.085, 0.14))
    stations = np.linspace(0.0, length, 11)
    along, across = stations / length, np.linspace(-1.0, 1.0, 3)[:, None]
    bow, edge = float(rng.normal(0.0, 0.01)), float(abs(rng.normal(0.0, 0.008)))
    grid = start - taper * stations / 1000.0 + bow * 4.0 * along * (1.0 - along) - edge * across**2
    return LayoutRoll(name, "A", length, width, TRIM_MM, tuple(float(s) for s in stations), np.maximum(grid, 0.2))


Box = tuple[float, float, float, float]


def cut_up(rng: np.random.Generator, box: Box, pieces: int) -> list[Box]:
    """A rectangle cut by random straight cuts, each leaving a kerf."""
    boxes = [box]
    while len(boxes) < pieces:
        boxes.sort(key=lambda b: (b[2] - b[0]) * (b[3] - b[1]))
        x0, y0, x1, y1 = boxes.pop()
        share = float(rng.uniform(0.25, 0.75))
        # long pieces first: bodies are longer than wide
        if (x1 - x0) > float(rng.uniform(2.0, 5.0)) * (y1 - y0):
            at = x0 + share * (x1 - x0 - KERF_MM)
            boxes += [(x0, y0, at, y1), (at + KERF_MM, y0, x1, y1)]
        else:
            at = y0 + share * (y1 - y0 - KERF_MM)
            boxes += [(x0, y0, x1, at), (x0, at + KERF_MM, x1, y1)]
    return boxes


def planted(blanks: int, seed: int = 0, decoys: float = 0.5) -> tuple[LayoutProblem, LayoutPlan]:
    """A problem of about so many blanks and the plan that was planted in it."""
    rng = np.random.default_rng(seed)
    sheets = max(1, round(blanks / 18))
    rolls, wanted, placements = [], [], []
    for s in range(sheets):
        roll = random_roll(rng, f"R{s:03d}")
        rolls.append(roll)
        count = blanks // sheets + (s < blanks % sheets)
        net = (TRIM_MM, TRIM_MM, roll.length_mm - TRIM_MM, roll.width_mm - TRIM_MM)
        for k, (x0, y0, x1, y1) in enumerate(cut_up(rng, net, count)):
            xs, ys = np.linspace(x0, x1, 41), np.linspace(y0, y1, 9)
            lines = np.linspace(0.0, roll.width_mm, roll.thickness_mm.shape[0])
            by_line = np.array([np.interp(xs, roll.stations_mm, line) for line in roll.thickness_mm])
            field = np.array([np.interp(ys, lines, by_line[:, i]) for i in range(len(xs))])
            mouth, top = float(field[0].mean()), float(field[-1].mean())
            usual = 0.05 + 0.03 * mouth / 1.1
            off = float(np.abs(field - np.linspace(mouth, top, len(xs))[:, None]).max())
            room = max(usual - off, 0.0)
            shift = float(rng.uniform(-0.6, 0.6)) * room
            name = f"B{s:03d}-{k:03d}"
            wanted.append(
                Blank(name, "body", "A", x1 - x0, y1 - y0, mouth + shift, top + shift, max(usual, 1.05 * off + 1e-4))
            )
            placements.append(Placement(name, roll.id, x0, y0))
    rolls += [random_roll(rng, f"D{k:03d}") for k in range(round(decoys * sheets))]
    order = rng.permutation(len(wanted))
    problem = LayoutProblem(tuple(wanted[i] for i in order), tuple(rolls), None, KERF_MM)
    t = totals_of(problem, placements, ())
    bound = area_bound_mm2(problem.blanks)
    gap = 100.0 * (t.consumed_mm2 / bound - 1.0)
    areas = (t.opened_mm2, t.consumed_mm2, t.utilisation, bound, gap)
    return problem, LayoutPlan(tuple(placements), (), (), *areas, 0, 0)


def main() -> None:
    """Print metal used over the planted least, and when the first complete plan stood."""
    words = sys.argv[1:]
    seconds = float(words[words.index("--seconds") + 1]) if "--seconds" in words else 20.0
    sizes = [int(w) for i, w in enumerate(words) if w.isdigit() and (i == 0 or words[i - 1] != "--seconds")]
    solve(planted(20, 5)[0], iterations=20)
    for blanks in sizes or [100, 300, 1000, 2000, 10_000]:
        problem, plan = planted(blanks)
        faults = verify(problem, plan)
        assert not faults, faults[:3]
        begun, complete = time.perf_counter(), [0.0]

        def watch(_: float, message: str, begun: float = begun, complete: list[float] = complete) -> None:
            if message.startswith("0 ") and not complete[0]:
                complete[0] = time.perf_counter() - begun

        found = solve(problem, seconds=seconds * (3.0 if blanks > 5000 else 1.0), seed=0, progress=watch)
        took = time.perf_counter() - begun
        over = 100.0 * (found.consumed_mm2 / plan.consumed_mm2 - 1.0)
        used, least = found.consumed_mm2 / 1e6, plan.consumed_mm2 / 1e6
        print(
            f"planted {blanks:5d} blanks: {took:6.1f} s  {used:8.3f} m2, planted {least:8.3f} m2, {over:+.2f} % over  "
            f"complete after {complete[0]:.1f} s  left {len(found.unplaced)}  faults {len(verify(problem, found))}"
        )


if __name__ == "__main__":
    main()

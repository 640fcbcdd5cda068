"""Hold the cloth's law against a two-dimensional computation: `python bench/cloth_drag_2d.py [--write]`.

The metal lies on a cloth that passes under it for the whole length of the sled. Its layer is marched along the cloth
by the boundary layer equations (laminar, or turbulent by a mixing length over a rough cloth), its streams are drawn
together at the gate by Bernoulli's equation, spread again to the full gap by the balance of momentum, and marched
through the lip between moving cloth and still board with the pressure that keeps their flow. The flow is right when
the pressure at the end of the lip is that of the film behind it. Written apart from the law
(`pipemetal.casting.rivals.cloth_film_m`); it knows heads, speeds, gates and viscosities, nothing of the fit.
`--write` puts the runs into tests/data/casting/cloth_drag_2d.csv, which a test holds the law against.

Sources: boundary layer equations in von Mises' form by finite differences (Schlichting, Boundary-Layer Theory; from
memory); mixing length 0.41 y, at most 0.085 of the layer; sand roughness 0.3 mm of a cloth (estimate). Trust it to 10
%.
"""

from __future__ import annotations

import argparse
import csv
import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_banded

from pipemetal.casting.rivals import At, cloth_film_m

Array = npt.NDArray[np.float64]
GRAVITY, DENSITY = 9.81, 8700.0
KARMAN, OUTER, ROUGHNESS = 0.41, 0.085, 3e-4
DATA = Path(__file__).parents[1] / "tests" / "data" / "casting" / "cloth_drag_2d.csv"


@dataclass(frozen=True)
class Run:
    """One place: viscosity Pa s (turbulent when thin), gate, head, lip and box in m, speed in m/s."""

    viscosity: float
    gate: float
    head: float
    speed: float
    lip: float = 0.02
    box: float = 0.25

    @property
    def kinematic(self) -> float:
        return self.viscosity / DENSITY

    @property
    def turbulent(self) -> bool:
        return self.viscosity < 0.02


def eddies(run: Run, y: Array, u: Array, top: float | None) -> Array:
    """Viscosity between the points of a profile, eddies included; `top` is the board of a gap."""
    if not run.turbulent:
        return np.full(len(y) - 1, run.kinematic)
    middle = 0.5 * (y[1:] + y[:-1])
    wall = 0.031 * ROUGHNESS
    length = KARMAN * (middle + wall)
    if top is not None:
        length = np.minimum(length, KARMAN * (top - middle + 0.2 * wall))
    else:
        slow = np.flatnonzero(u < 0.01 * u[0])
        depth = y[slow[0]] if len(slow) else y[-1]
        length = np.minimum(length, OUTER * depth + KARMAN * wall)
    return run.kinematic + length**2 * np.abs(np.diff(u) / np.diff(y))


def marched(y: Array, old: Array, guess: Array, step: float, nu: Array, sources: Array) -> Array:
    """One step of u u_x + v u_y = (nu u_y)_y + source along the cloth; ends of `old` are kept; one solution for
    each source.
    """
    gain = (guess - old) / step
    v = -np.concatenate([[0.0], np.cumsum(0.5 * (gain[1:] + gain[:-1]) * np.diff(y))])
    below, above = np.diff(y)[:-1], np.diff(y)[1:]
    carried = np.maximum(guess[1:-1], 1e-4 * max(float(guess[0]), 1e-3)) / step
    low = -2.0 * nu[:-1] / (below * (below + above)) - np.maximum(v[1:-1], 0.0) / below
    high = -2.0 * nu[1:] / (above * (below + above)) + np.minimum(v[1:-1], 0.0) / above
    bands = np.zeros((3, len(y)))
    bands[1, 0] = bands[1, -1] = 1.0
    bands[1, 1:-1], bands[2, :-2], bands[0, 2:] = carried - low - high, low, high
    right = np.zeros((len(y), len(sources)))
    right[1:-1] = sources[None, :]
    right[1:-1, 0] += carried * old[1:-1]
    right[0, 0], right[-1, 0] = old[0], old[-1]
    return solve_banded((1, 1), bands, right)


def under_the_sled(run: Run, points: int = 140, steps: int = 60) -> tuple[Array, Array]:
    """Height and speed of the layer that the cloth drags to the gate."""
    most = 0.035 if run.turbulent else max(6.0 * np.sqrt(run.kinematic * run.box / run.speed), 2e-3)
    y = most * np.expm1(4.0 * np.linspace(0.0, 1.0, points)) / np.expm1(4.0)
    u = np.zeros(points)
    u[0] = run.speed
    places = run.box * np.linspace(0.0, 1.0, steps + 1) ** 2
    for step in np.diff(places):
        guess = u.copy()
        for _ in range(3):
            guess = marched(y, u, guess, step, eddies(run, y, guess, None), np.zeros(1))[:, 0]
        u = guess
    return y, u


def end_pressure(
    run: Run, flow: float, y: Array, u: Array, contraction: float = 0.61, points: int = 60, steps: int = 40
) -> float:
    """Pressure over density at the end of the lip, for a flow per width."""
    stream = np.concatenate([[0.0], np.cumsum(0.5 * (u[1:] + u[:-1]) * np.diff(y))])
    edges = np.linspace(0.0, flow, 400)
    speeds = np.interp(edges, stream, u, right=0.0)
    coming, share = 0.5 * (speeds[1:] + speeds[:-1]), np.diff(edges)
    low, high = 0.0, 50.0
    for _ in range(50):
        drop = 0.5 * (low + high)
        depth = float(np.sum(share / np.sqrt(coming**2 + 2.0 * drop + 1e-12)))
        low, high = (drop, high) if depth > contraction * run.gate else (low, drop)
    jet = np.sqrt(coming**2 + 2.0 * drop)
    pressure = GRAVITY * run.head - drop
    heights = np.concatenate([[0.0], np.cumsum(share / jet)])
    across = np.linspace(0.0, run.gate, points)
    profile = np.interp(across, 0.5 * (heights[1:] + heights[:-1]) * run.gate / heights[-1], jet)
    profile *= flow / np.trapezoid(profile, across)
    pressure += (float(np.sum(jet * share)) - float(np.trapezoid(profile**2, across))) / run.gate
    profile[0], profile[-1] = run.speed, 0.0
    places = run.lip * np.linspace(0.0, 1.0, steps + 1) ** 1.5
    for step in np.diff(places):
        guess = profile.copy()
        for _ in range(2):
            parts = marched(across, profile, guess, step, eddies(run, across, guess, run.gate), np.array([0.0, 1.0]))
            carried, driven = (float(np.trapezoid(part, across)) for part in parts.T)
            gradient = (flow - carried) / driven
            guess = parts[:, 0] + gradient * parts[:, 1]
        profile = guess
        pressure -= gradient * step
    return pressure


def film_mm(run: Run) -> float:
    """The film that leaves, in mm: the flow whose pressure at the end of the lip is the film's own."""
    y, u = under_the_sled(run)
    low, high = 0.02 * run.gate * run.speed, 6.0 * run.gate * run.speed
    for _ in range(24):
        flow = 0.5 * (low + high)
        low, high = (flow, high) if end_pressure(run, flow, y, u) > 0.5 * GRAVITY * run.gate else (low, flow)
    return 1e3 * flow / run.speed


def law_mm(run: Run) -> float:
    """The same by the cloth's law, metal level in the sled."""
    values = (run.gate, run.head, run.speed, 0.5, 0.0, 20.0, DENSITY, run.viscosity, 0.47, run.lip, run.box)
    return 1e3 * float(cloth_film_m(At(*(np.array([v]) for v in values)), thickening=None, piling=False)[0])


RUNS = [
    *(
        Run(viscosity, gate, head, speed)
        for viscosity, gate in ((0.0026, 2.3e-3), (0.1, 2.4e-3), (0.3, 2.6e-3), (1.0, 3.0e-3))
        for head, speed in itertools.product((0.010, 0.020, 0.037), (0.7, 1.0, 1.4))
    ),
    *(Run(v, 2.6e-3, 0.03, 1.0, lip=lip) for v in (0.0026, 0.3) for lip in (0.01, 0.04)),
    *(Run(v, 2.6e-3, 0.03, 1.0, box=box) for v in (0.0026, 0.3) for box in (0.2, 0.4)),
]


def main() -> None:
    """Compute every run and print it beside the law."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    rows = []
    print("viscosity gate head speed lip box   two-dimensional   law   off")
    for run in RUNS:
        two, law = film_mm(run), law_mm(run)
        rows.append((run, two))
        print(
            f"{run.viscosity:9.4f} {1e3 * run.gate:4.1f} {1e3 * run.head:4.0f} {run.speed:5.2f} {1e3 * run.lip:3.0f} "
            f"{1e3 * run.box:4.0f} {two:12.3f} {law:10.3f} {100 * (law / two - 1):+6.1f} %",
            flush=True,
        )
    off = np.array([np.log(law_mm(run) / two) for run, two in rows])
    print(f"root mean square {100 * np.sqrt(np.mean(off**2)):.1f} %, worst {100 * np.abs(off).max():.1f} %")
    if asked.write:
        DATA.parent.mkdir(parents=True, exist_ok=True)
        with DATA.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(["viscosity_pa_s", "gate_mm", "head_mm", "speed_m_s", "lip_mm", "box_mm", "film_mm"])
            for run, two in rows:
                sizes = (1e3 * v for v in (run.gate, run.head))
                writer.writerow(
                    [
                        run.viscosity,
                        *(f"{v:g}" for v in sizes),
                        run.speed,
                        f"{1e3 * run.lip:g}",
                        f"{1e3 * run.box:g}",
                        f"{two:.4f}",
                    ]
                )


if __name__ == "__main__":
    main()

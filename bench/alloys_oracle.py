"""Make `tests/data/alloys/oracle.csv`: sixty alloys by pycalphad and scheil on the packaged database.

`python bench/alloys_oracle.py` takes some forty minutes and goes on where it stopped: remove the file after the database
has changed. Liquidus and solidus are found by halving on the
amount of liquid alone, without looking at our own answers; a point that the program gives no phases for is asked again a little
to the side. The curves go in steps of 0.2 to 1 K and are read at eleven molar shares of solid.
"""

from __future__ import annotations

import csv
import random
import time
import warnings
from collections.abc import Callable
from importlib import metadata, resources
from pathlib import Path

import numpy as np

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.liquidus import ASSESSED_LIMITS_WT_PCT

OUT = Path(__file__).parents[1] / "tests" / "data" / "alloys" / "oracle.csv"
SHARES = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
PHASES = [
    "LIQUID",
    "FCC_A1",
    "BCT_A5",
    "RHOMBO_A7",
    "HCP_A3",
    "AG3SN",
    "CU3SN",
    "CU6SN5",
    "CU6SN5_L",
    "SB3SN4",
    "SBSN",
]
# Aside in K, and how finely the other program samples the compositions before it settles.
TRIES = ((0.0, 60), (0.011, 60), (-0.011, 60), (0.0, 500), (0.007, 500), (-0.007, 2000), (0.03, 2000))
# Steps of the freezing curves, by the number of elements: the steps of the other program lag where the curve is steep.
STEPS_K = {2: 0.2, 3: 0.25, 4: 0.5, 5: 1.0}
MINOR = (
    (14, ""),
    (12, "Sb"),
    (8, "Bi"),
    (6, "Cu"),
    (4, "Ag"),
    (6, "Sb Bi"),
    (4, "Sb Cu"),
    (6, "Sb Bi Cu"),
)


def alloys() -> list[str]:
    """Sixty alloys over the whole assessed range, the same every time."""
    rng = random.Random(1995)
    found = []
    for count, minor in MINOR:
        for k in range(count):
            # tin in even strides through 1 to 97 %, so that no part of the range is missed
            tin = round(1 + 96 * (k + rng.random()) / count, 1)
            parts = {e: round(rng.uniform(0.1, 1.0) * ASSESSED_LIMITS_WT_PCT[e], 2) for e in minor.split()}
            tin = min(tin, round(99.0 - sum(parts.values()), 1))
            found.append(" ".join(f"{e} {v:g}" for e, v in {"Sn": tin, **parts}.items()) + " Pb bal")
    return found


class Oracle:
    """The other program on the packaged database."""

    def __init__(self) -> None:
        from pycalphad import Database, equilibrium, variables

        self._equilibrium, self._v = equilibrium, variables
        path = resources.files("pipemetal.alloys") / "data" / "pbsn_pipe.tdb"
        self.database = Database(str(path))

    def _asked(self, comp: Composition) -> tuple[list[str], dict[object, float]]:
        shares = {e.upper(): x for e, x in zip(ELEMENTS, comp.mole_fractions(), strict=True) if x > 0.0}
        return [*shares, "VA"], {self._v.X(e): x for e, x in shares.items() if e != "PB"}

    def liquid_share(self, comp: Composition, kelvin: float) -> float:
        """Molar share of liquid; a point without an answer is asked again a little to the side."""
        elements, shares = self._asked(comp)
        return self._share(elements, shares, kelvin)

    def _share(self, elements: list[str], shares: dict[object, float], kelvin: float) -> float:
        for aside, density in TRIES:
            conditions = {**shares, self._v.T: kelvin + aside, self._v.P: 101325, self._v.N: 1}
            options = {"pdens": density}
            found = self._equilibrium(self.database, elements, PHASES, conditions, calc_opts=options)
            names, amounts = found.Phase.values.ravel(), found.NP.values.ravel()
            if any(names):
                return float(sum(a for name, a in zip(names, amounts, strict=True) if name == "LIQUID"))
        raise RuntimeError(f"no answer at {kelvin:.2f} K")

    def liquidus_c(self, comp: Composition, resolution_k: float = 0.02) -> float:
        return _halved(lambda k: self.liquid_share(comp, k) > 1.0 - 1e-9, 400.0, 900.0, resolution_k) - 273.15

    def solidus_c(self, comp: Composition, liquidus_c: float, resolution_k: float = 0.02) -> float:
        return _halved(lambda k: self.liquid_share(comp, k) > 1e-9, 350.0, liquidus_c + 273.3, resolution_k) - 273.15

    def curve_c(self, comp: Composition, liquidus_c: float) -> list[float | None]:
        """Temperatures at the shares of solid; None beyond where the other program breaks off.

        It closes its curve at once where it finds no liquid, be it because the rest freezes on a halt or because a point
        gave it no phases: such an end counts if the rest is asked for again and is indeed all solid. Else another step
        is tried, and of several curves that broke off the longest is kept.
        """
        from scheil import simulate_scheil_solidification

        elements, shares = self._asked(comp)
        step = STEPS_K.get(len(elements) - 1, 0.5)
        longest: tuple[float, list[float | None]] = (0.0, [None] * len(SHARES))
        for step_k in (step, 0.87 * step, 1.13 * step, 0.6 * step, 0.5 * step):
            start = liquidus_c + 273.15 + 0.6 * step_k
            found = simulate_scheil_solidification(
                self.database, elements, PHASES, shares, start, step_temperature=step_k
            )
            solid, celsius = np.array(found.fraction_solid), np.array(found.temperatures) - 273.15
            rest = {self._v.X(e): found.x_liquid[e][-2] for e in elements if e not in ("PB", "VA")}
            whole = found.converged or self._all_solid(elements, rest, celsius[-2] + 273.15 - max(step_k, 0.3))
            if not whole:
                solid, celsius = solid[:-1], celsius[:-1]
            values = [float(t) for t in np.interp(SHARES, solid, celsius)]
            curve = [t if s <= solid[-1] else None for s, t in zip(SHARES, values, strict=True)]
            longest = max(longest, (float(solid[-1]), curve), key=lambda one: one[0])
            if longest[0] >= SHARES[-1]:
                break
        return longest[1]

    def _all_solid(self, elements: list[str], shares: dict[object, float], kelvin: float) -> bool:
        try:
            return self._share(elements, shares, kelvin) < 1e-6
        except RuntimeError:
            return False


def _halved(liquid: Callable[[float], bool], low: float, high: float, resolution: float) -> float:
    """Where liquid begins to be true; a point without an answer is passed by."""
    while high - low > resolution:
        for part in (0.5, 0.47, 0.54, 0.43, 0.6):
            middle = low + part * (high - low)
            try:
                wet = liquid(middle)
                break
            except RuntimeError:
                continue
        else:
            raise RuntimeError(f"no answer between {low:.2f} and {high:.2f} K")
        low, high = (low, middle) if wet else (middle, high)
    return 0.5 * (low + high)


def read() -> dict[str, list[str]]:
    """Rows that are there already, by composition."""
    if not OUT.exists():
        return {}
    rows = csv.reader(line for line in OUT.read_text(encoding="utf-8").splitlines() if not line.startswith("#"))
    return {row[0]: row for row in rows if row[0] != "composition"}


def write(rows: dict[str, list[str]]) -> None:
    """All rows so far, in the order of the alloys."""
    with OUT.open("w", encoding="utf-8", newline="") as file:
        file.write(
            f"# By bench/alloys_oracle.py: pycalphad {metadata.version('pycalphad')}, scheil {metadata.version('scheil')} on "
            "pbsn_pipe.tdb; liquidus, solidus, and C at molar shares of solid\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["composition", "liquidus_c", "solidus_c", *(f"at_{s:g}" for s in SHARES)])
        writer.writerows(rows[text] for text in alloys() if text in rows)


def main() -> None:
    # The other programs warn of their own matters; what they answer is what counts here.
    warnings.simplefilter("ignore")
    oracle, rows = Oracle(), read()
    for text in alloys():
        if text in rows:
            continue
        begun = time.perf_counter()
        comp = Composition.parse(text)
        try:
            high = oracle.liquidus_c(comp)
            low = oracle.solidus_c(comp, high)
            curve = oracle.curve_c(comp, high)
        except RuntimeError as error:
            print(error, flush=True)
            continue
        rows[text] = [text, f"{high:.2f}", f"{low:.2f}", *("" if t is None else f"{t:.2f}" for t in curve)]
        write(rows)
        print(f"{text:<40} {high:8.2f} {low:8.2f}  {time.perf_counter() - begun:6.1f} s", flush=True)


if __name__ == "__main__":
    main()

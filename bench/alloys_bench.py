"""Print the alloys' figures: times beside pycalphad and scheil on the same alloys in the same run, and a grid without a gap.

`python bench/alloys_bench.py [--quick]`. Every time is of one call with nothing remembered from before but the database.
"""

from __future__ import annotations

import itertools
import statistics
import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Iterable
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.gibbs import System
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c
from pipemetal.errors import PipemetalError

# One for each kind of system, asked of both sides.
COMPARED = ("Sn 50 Pb bal", "Sn 10 Pb bal", "Sn 52 Sb 0.5 Pb bal", "Sn 30 Bi 0.4 Pb bal", "Sn 70 Sb 0.5 Cu 0.1 Pb bal")
FIVE = "Sn 30 Sb 0.6 Bi 0.2 Cu 0.05 Pb bal"


def spread(what: str, aim: str, times_ms: Iterable[float]) -> None:
    """Median and worst of some times."""
    times = list(times_ms)
    print(
        f"{what:<52} {statistics.median(times):8.1f} ms median {max(times):8.1f} worst of {len(times)}   (aim: {aim})"
    )


def once_ms(work: Callable[[Composition], object], comp: Composition) -> float:
    """Time of one call on one core, nothing remembered."""
    System.at.cache_clear()
    begun = time.process_time()
    work(comp)
    return 1e3 * (time.process_time() - begun)


def varied(count: int, minor: tuple[str, ...]) -> list[Composition]:
    """Alloys over the whole range of tin with these other elements."""
    top = {"Sb": 2.4, "Bi": 1.6, "Cu": 0.4, "Ag": 0.25}
    found = []
    for k in range(count):
        parts = {e: top[e] * (0.2 + 0.8 * ((k * (i + 3)) % count) / count) for i, e in enumerate(minor)}
        tin = 2.0 + 94.0 * (k + 0.5) / count
        found.append(Composition.from_wt_pct({"Sn": tin, **parts, "Pb": 100.0 - tin - sum(parts.values())}))
    return found


def own_times(count: int) -> None:
    liquid, solid, curve = liquidus.__wrapped__, solidus_c.__wrapped__, freezing_curve.__wrapped__
    sets = {
        n: [c for m in minors for c in varied(count, m)]
        for n, minors in (
            (2, [()]),
            (3, [("Sb",), ("Bi",), ("Cu",)]),
            (4, [("Sb", "Bi"), ("Sb", "Cu")]),
            (5, [("Sb", "Bi", "Cu")]),
        )
    }
    for comps in sets.values():
        liquid(comps[0])  # the tables of the system are made once in a process
    every = [comp for comps in sets.values() for comp in comps]
    spread("alloys: liquidus, two to five elements", "10, worst 25", (once_ms(liquid, c) for c in every))
    spread("alloys: solidus, two to five elements", "none", (once_ms(solid, c) for c in every))
    for n, aim in ((2, "150"), (3, "150"), (4, "300"), (5, "300")):
        spread(f"alloys: freezing curve, {n} elements", aim, (once_ms(curve, c) for c in sets[n]))


def command_ms() -> float:
    begun = time.perf_counter()
    command = [str(Path(sys.executable).with_name("pipemetal")), "alloy", "Sn 50 Sb 0.5 Pb bal"]
    subprocess.run(command, check=True, capture_output=True)
    return 1e3 * (time.perf_counter() - begun)


def imports() -> None:
    """What importing the room costs, and what it brings in beside Python and numpy."""
    code = (
        "import sys, time, numpy; before = set(sys.modules); t = time.perf_counter();"
        "import pipemetal.alloys.scheil, pipemetal.alloys.properties, pipemetal.alloys.assay, pipemetal.alloys.solidus;"
        "t = time.perf_counter() - t; "
        "more = {m.split('.')[0] for m in set(sys.modules) - before} - set(sys.stdlib_module_names) - {'numpy', 'pipemetal'};"
        "print(f'{1e3 * t:.0f} ms after numpy; other packages: ' + (', '.join(sorted(more)) or 'none'))"
    )
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    print(f"{'alloys: import of the room':<52} {found.stdout.strip()}")


def beside_others() -> None:
    """The same alloys by both sides in this run; the other side once untimed, to build what it keeps."""
    warnings.simplefilter("ignore")
    try:
        from alloys_oracle import Oracle
    except ImportError:
        print("pycalphad and scheil are not installed: no comparison (pip install -e '.[dev]')")
        return
    oracle = Oracle()
    for text in (*COMPARED, FIVE):
        comp = Composition.parse(text)
        high = liquidus(comp).temperature_c
        mine = [once_ms(f.__wrapped__, comp) for f in (liquidus, freezing_curve)]
        oracle.liquid_share(comp, high + 283.15)
        begun = time.process_time()
        theirs_c = oracle.liquidus_c(comp, resolution_k=0.1)
        point = 1e3 * (time.process_time() - begun)
        begun = time.process_time()
        whole = oracle.curve_c(comp, theirs_c)[-1] is not None
        took = 1e3 * (time.process_time() - begun)
        curve = f"{took:8.0f} ms, {took / mine[1]:5.0f} times" + ("" if whole else ", broken off")
        print(
            f"  {text:<36} liquidus {mine[0]:6.1f} ms, pycalphad {point:8.0f} ms, {point / mine[0]:5.0f} times; "
            f"curve {mine[1]:6.1f} ms, scheil {curve}"
        )


def grid(every: int) -> None:
    """Liquidus, solidus and curve on a grid of 3,000 compositions: how many have no answer."""
    tin = [100.0 * k / 24 for k in range(25)]
    points = list(itertools.product(tin, (0, 0.3, 1, 2, 3), (0, 0.2, 1, 2), (0, 0.05, 0.5), (0, 0.2)))
    failed: dict[str, list[str]] = {"liquidus": [], "solidus": [], "curve": []}
    begun = time.perf_counter()
    chosen = points[::every]
    for sn, sb, bi, cu, ag in chosen:
        rest = 100.0 - sb - bi - cu - ag
        comp = Composition.from_wt_pct(
            {"Sn": rest * sn / 100, "Pb": rest * (100 - sn) / 100, "Sb": sb, "Bi": bi, "Cu": cu, "Ag": ag}
        )
        for name, work in (("liquidus", liquidus), ("solidus", solidus_c), ("curve", freezing_curve)):
            try:
                work.__wrapped__(comp)
            except PipemetalError as error:
                failed[name].append(f"{comp.text()}: {error}")
    gaps = ", ".join(f"{len(v)} {k}" for k, v in failed.items())
    seconds = time.perf_counter() - begun
    print(f"alloys: grid of {len(chosen)} of {len(points)} compositions in {seconds:.0f} s: without an answer {gaps}")
    for line in itertools.chain.from_iterable(v[:5] for v in failed.values()):
        print("  " + line)


def main() -> None:
    """Run everything."""
    quick = "--quick" in sys.argv
    imports()
    spread(
        "alloys: `pipemetal metal alloy` as a whole command", "600", (command_ms() for _ in range(3 if quick else 7))
    )
    own_times(6 if quick else 20)
    beside_others()
    grid(1 if "--whole" in sys.argv else 30 if quick else 10)


if __name__ == "__main__":
    main()

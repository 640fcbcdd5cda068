"""Print the project's figures on this machine: `python bench/run.py [--quick]`, or `make bench`.

Times are medians of several runs in this process; the layout figures come from `bench/layout_bench.py` in one run of its own.
"""

from __future__ import annotations

import itertools
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from importlib import metadata
from pathlib import Path

import pipes_bench
from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.freezing import freeze
from pipemetal.casting.model import Sled
from pipemetal.casting.push import push_card
from pipemetal.casting.table import DayCast, day
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.log_file import read_log
from pipemetal.files.lots_file import read_lots
from pipemetal.files.organ_file import read_organ
from pipemetal.files.rack_file import read_rack
from pipemetal.files.recipe_file import read_recipes
from pipemetal.melts.mend import charge
from pipemetal.melts.request import ChargeRequest
from pipemetal.pipes.make import organ_pipes


def timed(what: str, work: Callable[[], object], runs: int = 5, scale: float = 1e3, unit: str = "ms") -> None:
    """Print the median time of some work."""
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    print(f"{what:<58} {scale * statistics.median(times):10.2f} {unit}   (median of {runs})")


def main() -> None:
    """Run everything."""
    print(
        f"{platform.platform()}, Python {platform.python_version()}, "
        + ", ".join(f"{name} {metadata.version(name)}" for name in ("numpy", "numba", "highspy", "shapely"))
    )
    recipes = read_recipes(packaged_file("recipes.toml"))
    organ = read_organ(packaged_file("organ.toml"), recipes)
    density = {name: solid_density_g_cm3(recipe.target) for name, recipe in recipes.items()}
    lots, _ = read_lots(packaged_file("lots.csv"), recipes)
    log = read_log(packaged_file("log.csv"))
    half = Composition.parse("Sn 50 Pb bal")

    timed("pipes: 904 pipes with all parts and blanks", lambda: organ_pipes(organ, lambda a: density[a]), 3)
    pipes_bench.main()
    number = itertools.count()

    def fresh() -> Composition:
        """A composition that no cache knows."""
        return Composition.parse(f"Sn {50 + next(number) * 1e-3:.4f} Sb 0.5 Pb bal")

    timed("alloys: liquidus, three elements", lambda: liquidus(fresh()), 15)
    timed("alloys: solidus, three elements", lambda: solidus_c(fresh()), 7)
    timed("alloys: freezing curve, three elements", lambda: freezing_curve(fresh()), 5)
    request = ChargeRequest("M", recipes["spotted-50"], 380.0, 450.0)
    timed("melts: one charge from 20 lots, 95 % certain", lambda: charge(request, lots), 3)
    timed(
        "casting: push card, gate and charge chosen",
        lambda: push_card(Wanted(half, 195, 4000, 800, 2.0, 1.5), Outfit(Sled(250, 800))),
        5,
    )
    timed("casting: freezing of a sheet", lambda: freeze(half, 2.0, 233.8, 20, 20), 7)
    timed("casting: ten casts of a day", lambda: day([DayCast(half, 2.0, 234, 600.0 * i) for i in range(10)]), 3)
    timed("casting: learning from 30 casts", lambda: calibrate(log), 3)
    timed("sheets: fields of the invented rack, 40 rolls", lambda: read_rack(packaged_file("rack.csv"), recipes), 1)
    quick = "--quick" in sys.argv
    for script, shorter in (
        ("demo_bench.py", ["--quick"]),
        ("alloys_bench.py", ["--quick"]),
        ("casting_bench.py", ["--quick"]),
        ("casting_worlds.py", ["--shops", "4"]),
        ("melts_bench.py", []),
        ("sound_bench.py", ["2"]),
        ("shop_bench.py", ["--seconds", "10", "--rolls", "2000"]),
        ("documents_bench.py", []),
        ("pages_bench.py", ["--quick"]),
        ("growth.py", ["--quick"]),
        ("layout_bench.py", ["--quick"]),
        ("planted.py", ["--seconds", "5", "100", "300"]),
        ("layout_peers.py", ["--quick"]),
    ):
        print(f"-- {script}", flush=True)
        command = [sys.executable, str(Path(__file__).with_name(script))]
        subprocess.run([*command, *(shorter if quick else [])], check=True)


if __name__ == "__main__":
    main()

"""Print what a charge costs in time, and that small ones are as cheap as trying everything: `python bench/melts_bench.py`."""

from __future__ import annotations

import itertools
import math
import statistics
import time

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.mend import Blocked, charge

NO_LOSS = LossModel(tuple((kind, 0.0) for kind in ("pig", "ingot", "master", "scrap", "shavings", "buy")))
SMALL = 500
RECIPE = Recipe(
    "spotted", Composition.parse("Sn 50 Sb 0.4 Bi 0.1 Cu 0.05 Pb bal"),
    (("Sn", 49.0, 51.0), ("Sb", 0.2, 0.6), ("Bi", 0.0, 0.2), ("Cu", 0.02, 0.08), ("Ag", 0.0, 0.05)),
)  # fmt: skip


def small_charge(seed: int) -> tuple[tuple[Lot, ...], Recipe]:
    """Five lots of whole pieces and a recipe for tin."""
    rng = np.random.default_rng(seed)
    lots = []
    for i, piece in enumerate(rng.choice([5.0, 7.5, 10.0, 20.0], size=5)):
        tin = float(rng.integers(0, 101))
        comp = Composition.from_wt_pct({"Sn": tin, "Pb": 100.0 - tin})
        mass, price = piece * int(rng.integers(1, 6)), float(rng.uniform(1, 30))
        lots.append(Lot(f"L{i}", "ingot", comp, mass, piece, (), price))
    target = float(rng.uniform(20, 80))
    window = (("Sn", target - 3.0, target + 3.0),)
    return tuple(lots), Recipe("r", Composition.from_wt_pct({"Sn": target, "Pb": 100.0 - target}), window)


def cheapest(lots: tuple[Lot, ...], recipe: Recipe) -> float:
    """Least cost of 60 to 75 kg within the window, by trying every number of pieces."""
    best = math.inf
    low, high = recipe.window("Sn")
    for counts in itertools.product(*(range(lot.pieces + 1) for lot in lots)):
        masses = [n * (lot.piece_kg or 0.0) for n, lot in zip(counts, lots, strict=True)]
        total = sum(masses)
        if 60.0 - 1e-9 <= total <= 75.0 + 1e-9:
            tin = sum(m * lot.composition.wt_pct("Sn") for m, lot in zip(masses, lots, strict=True)) / total
            if low - 1e-9 <= tin <= high + 1e-9:
                best = min(best, sum(m * lot.price_per_kg for m, lot in zip(masses, lots, strict=True)))
    return best


def rack_of_lots(count: int, seed: int) -> tuple[Lot, ...]:
    """Pigs, master alloys and unsure scrap of six elements, as a shop's stock may be."""
    rng = np.random.default_rng(seed)
    lots = [
        Lot("tin", "pig", Composition.parse("Sn 99.9 Pb bal"), 300.0, 30.0, price_per_kg=28.0),
        Lot("lead", "pig", Composition.parse("Pb 99.95 Bi 0.05"), 600.0, 30.0, price_per_kg=2.2),
        Lot("antimonial", "master", Composition.parse("Sb 20 Pb bal"), 40.0, 5.0, price_per_kg=9.0),
        Lot("coppery", "master", Composition.parse("Cu 4 Sn bal"), 20.0, 2.0, price_per_kg=30.0),
    ]
    for i in range(count - len(lots)):
        part = {"Sn": float(rng.uniform(5, 80)), "Sb": float(rng.uniform(0, 1.2)), "Bi": float(rng.uniform(0, 0.4)),
                "Cu": float(rng.uniform(0, 0.12)), "Ag": float(rng.uniform(0, 0.05))}  # fmt: skip
        comp = Composition.from_wt_pct(part | {"Pb": 100.0 - sum(part.values())})
        unsure = (("Sn", float(rng.uniform(0.1, 1.5))), ("Sb", 0.1))
        lots.append(Lot(f"S{i}", "scrap", comp, float(rng.uniform(8, 80)), None, unsure, float(rng.uniform(1, 12))))
    return tuple(lots)


def general_front_s(lots: tuple[Lot, ...]) -> float:
    """Seconds that scipy's MILP takes for the same stock without unsure analyses, dross or weighing steps, gap 0.5 %."""
    n = len(lots)
    whole = np.array([1 if lot.piece_kg else 0 for lot in lots])
    unit = np.array([lot.piece_kg or 1.0 for lot in lots])
    rows, lows, highs = [unit], [400.0], [410.0]
    for element in ("Sn", "Sb", "Bi", "Cu", "Ag"):
        low, high = RECIPE.window(element)
        share = np.array([lot.composition.wt_pct(element) for lot in lots])
        rows += [(share - low) * unit, (share - high) * unit]
        lows += [0.0, -np.inf]
        highs += [np.inf, 0.0]
    begun = time.perf_counter()
    milp(np.array([lot.price_per_kg for lot in lots]) * unit, integrality=whole,
         bounds=Bounds(np.zeros(n), np.array([lot.mass_kg for lot in lots]) / unit),
         constraints=LinearConstraint(np.array(rows), np.array(lows), np.array(highs)),
         options={"mip_rel_gap": 0.005, "time_limit": 10.0})  # fmt: skip
    return time.perf_counter() - begun


def timed_charges(count: int) -> None:
    """Median and worst time of ten stocks of so many lots."""
    times, peers, gaps = [], [], []
    for seed in range(10):
        lots = rack_of_lots(count, seed)
        begun = time.perf_counter()
        answer = charge(ChargeRequest("M", RECIPE, 400.0, 450.0), lots)
        times.append(time.perf_counter() - begun)
        gaps.append(answer.gap_percent if isinstance(answer, Charge) else math.nan)
        peers.append(general_front_s(lots))
    print(f"melts: {count} lots, six elements, 95 % sure: median {statistics.median(times):.2f} s, worst {max(times):.2f} s, "
          f"gap at most {max(gaps):.2f} %; scipy.milp on the bare mixture {statistics.median(peers):.2f} s")  # fmt: skip


def main() -> None:
    """Run everything."""
    wrong, none, begun = 0, 0, time.perf_counter()
    for seed in range(SMALL):
        lots, recipe = small_charge(seed)
        expected = cheapest(lots, recipe)
        found = solve_charges([ChargeRequest("M", recipe, 60.0, 450.0, spare_kg=15.0)], lots, losses=NO_LOSS, gap=1e-6)
        cost = math.inf if found is None else found[0].cost
        none += math.isinf(expected)
        wrong += not (math.isinf(cost) and math.isinf(expected)) and abs(cost - expected) > 1e-6 * expected
    print(f"melts: {SMALL} small charges beside trying everything: {wrong} differ ({none} cannot be met), "
          f"{time.perf_counter() - begun:.0f} s")  # fmt: skip
    for count in (100, 200):
        timed_charges(count)
    times = []
    for seed in range(10):
        lots = tuple(
            lot
            for lot in rack_of_lots(100, seed)
            if lot.id not in ("tin", "coppery") and lot.composition.wt_pct("Sn") < 45
        )
        begun = time.perf_counter()
        assert isinstance(charge(ChargeRequest("M", RECIPE, 400.0, 450.0), lots), Blocked)
        times.append(time.perf_counter() - begun)
    print(
        f"melts: a charge that cannot be met explained: median {statistics.median(times):.2f} s, worst {max(times):.2f} s"
    )


if __name__ == "__main__":
    main()

"""Print what a charge costs in time, and that small ones are as cheap as trying everything: `python bench/melts_bench.py`."""

from __future__ import annotations

import itertools
import math
import statistics
import time
from dataclasses import replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp, minimize

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts import dross
from pipemetal.melts.charge import Charge, ChargeRequest, solve_charges
from pipemetal.melts.day import SheetDemand
from pipemetal.melts.dross import MeltRecord, fit_dross
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot
from pipemetal.melts.mend import Blocked, charge
from pipemetal.melts.mixing import Effort, Weighing
from pipemetal.planning.melting import plan_season
from pipemetal.planning.settings import ShopSettings

NO_LOSS = LossModel(tuple((kind, 0.0) for kind in ("pig", "ingot", "master", "scrap", "shavings", "buy")))
SMALL = 500
RECIPE = Recipe(
    "spotted",
    Composition.parse("Sn 50 Sb 0.4 Bi 0.1 Cu 0.05 Pb bal"),
    (("Sn", 49.0, 51.0), ("Sb", 0.2, 0.6), ("Bi", 0.0, 0.2), ("Cu", 0.02, 0.08), ("Ag", 0.0, 0.05)),
)


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
        part = {
            "Sn": float(rng.uniform(5, 80)),
            "Sb": float(rng.uniform(0, 1.2)),
            "Bi": float(rng.uniform(0, 0.4)),
            "Cu": float(rng.uniform(0, 0.12)),
            "Ag": float(rng.uniform(0, 0.05)),
        }
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
    milp(
        np.array([lot.price_per_kg for lot in lots]) * unit,
        integrality=whole,
        bounds=Bounds(np.zeros(n), np.array([lot.mass_kg for lot in lots]) / unit),
        constraints=LinearConstraint(np.array(rows), np.array(lows), np.array(highs)),
        options={"mip_rel_gap": 0.005, "time_limit": 10.0},
    )
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
    print(
        f"melts: {count} lots, six elements, 95 % sure: median {statistics.median(times):.2f} s, worst {max(times):.2f} s, "
        f"gap at most {max(gaps):.2f} %; scipy.milp on the bare mixture {statistics.median(peers):.2f} s"
    )


def season() -> None:
    """A season of 60 melts of five alloys from one floor: time, gap, fewest melts, and what changes of alloy cost."""
    rng = np.random.default_rng(7)
    recipes = {}
    for name, tin, antimony in (("a", 15, 0.9), ("b", 30, 0.5), ("c", 50, 0.25), ("d", 75, 0.2), ("e", 90, 0.02)):
        target = Composition.from_wt_pct({"Sn": tin, "Sb": antimony, "Bi": 0.05, "Pb": 99.95 - tin - antimony})
        windows = (("Sn", tin - 1.0, tin + 1.5), ("Sb", 0.0, antimony + 0.1), ("Bi", 0.0, 0.25))
        recipes[name] = Recipe(name, target, windows)
    demands = []
    for number in range(330):
        used = float(rng.uniform(45.0, 85.0))
        demands.append(
            SheetDemand(f"S{number:03d}", str(rng.choice(list(recipes))), used * float(rng.uniform(1.05, 1.3)), used)
        )
    lots = [replace(lot, mass_kg=lot.mass_kg * (40 if lot.piece_kg else 4)) for lot in rack_of_lots(40, 3)]
    begun = time.perf_counter()
    found = plan_season(demands, recipes, lots, ShopSettings())
    blocked = sum(isinstance(m.charge, Blocked) for m in found.melts)
    print(
        f"melts: a season of {len(found.melts)} melts (no fewer than {found.fewest_melts}), {len(lots)} lots: "
        f"{time.perf_counter() - begun:.1f} s, {blocked} cannot be charged, weighing lists together at most "
        f"{found.gap_percent:.2f} % off the best, changes of alloy {found.change_cost:.0f} (no order below "
        f"{found.change_bound:.0f})"
    )


def coverage_of_dross() -> None:
    """How often 95 % intervals of fitted dross factors hold the truth, over shops drawn from the priors."""
    hits, total, begun = 0, 0, time.perf_counter()
    for seed in range(100):
        rng = np.random.default_rng(seed)
        true = LossModel(
            tuple(
                (kind, min(share * math.exp(rng.normal(0.0, 0.56)), 0.29)) for kind, share in LossModel().dross_share
            ),
            0.10,
            tuple((e, min(math.exp(rng.normal(0.0, 0.4)), 2.9)) for e in ("Sn", "Sb")),
        )
        truth = dict(true.dross_share) | dict(true.element_factor)
        for factor in fit_dross([weighed_melt(rng, true, n) for n in range(15)]).factors:
            if factor.name in truth:
                total += 1
                hits += factor.low <= truth[factor.name] <= factor.high
    print(
        f"melts: dross of 100 shops from 15 melts each: {100.0 * hits / total:.1f} % of 95 % intervals hold the truth, "
        f"{(time.perf_counter() - begun) / 100.0:.3f} s a fit"
    )


def weighed_melt(rng: np.random.Generator, true: LossModel, number: int) -> MeltRecord:
    """A melt weighed in and out, assayed, skimmed a fifth more or less than usual; one in twenty is badly skimmed."""
    lots = (
        Lot(
            "s",
            "scrap",
            Composition.parse("Sn 48 Sb 0.6 Pb bal"),
            float(rng.uniform(80, 220)),
            None,
            (("Sn", 0.6), ("Sb", 0.05)),
        ),
        Lot("h", "shavings", Composition.parse("Sn 50 Sb 0.4 Pb bal"), float(rng.uniform(5, 50)), None, (("Sn", 1.0),)),
        Lot("p", "pig", Composition.parse("Sn 99.9 Pb bal"), float(rng.uniform(25, 150))),
    )
    came, kept = np.zeros(len(ELEMENTS)), np.zeros(len(ELEMENTS))
    for lot in lots:
        came += lot.mass_kg * np.array(lot.composition.fractions)
        kept += lot.mass_kg * np.array(true.kept_kg_per_kg(lot, tin_present=True))
        for element, half in lot.uncertainty_wt_pct:
            wrong = lot.mass_kg * rng.normal(0.0, half / 1.96) / 100.0
            came[ELEMENTS.index(element)] += wrong
            came[0] -= wrong
            kept[ELEMENTS.index(element)] += wrong
            kept[0] -= wrong
    skimmed = max(1.0 + rng.normal(0.0, 0.2), 0.1) * (2.5 if rng.uniform() < 0.05 else 1.0)
    left = came - skimmed * (came - kept)
    share = 100.0 * left / left.sum()
    share[1] += rng.normal(0.0, 0.1)
    assay = Composition.from_wt_pct(
        {e: float(max(share[i], 0.0)) for i, e in enumerate(ELEMENTS) if e != "Pb"}
        | {"Pb": float(100.0 - share[1:].sum())}
    )
    return MeltRecord(
        f"M{number}", lots, float(left.sum() + rng.normal(0.0, 0.25)), None, assay, (("Sn", 0.2), ("Sb", 0.02))
    )


def beside_a_general_optimiser() -> None:
    """The fit of dross beside scipy's BFGS on the same posterior, scatter held: the same factors, and how long each takes."""
    rng = np.random.default_rng(5)
    truth = LossModel((("pig", 0.010), ("scrap", 0.025), ("shavings", 0.060)), 0.10, (("Sb", 1.5),))
    records = [weighed_melt(rng, truth, n) for n in range(40)]
    kinds, elements, oxide, scatter = ["pig", "scrap", "shavings"], ["Sn", "Sb"], LossModel().oxide_share, 0.18
    held = [dross._numbers(record, kinds, oxide) for record in records]
    start = np.log([LossModel().share_of(kind) for kind in kinds] + [1.0] * len(elements))
    sds = np.array([dross.PRIOR_LOG_SD_KIND] * len(kinds) + [dross.PRIOR_LOG_SD_ELEMENT] * len(elements))

    def cost(theta: np.ndarray) -> float:
        total = 0.5 * float((((theta - start) / sds) ** 2).sum())
        for melt in held:
            taken, _ = dross._predicted(melt, theta, len(kinds), elements)
            covariance = melt.covariance + scatter**2 * np.outer(taken, taken)
            miss = melt.observed - taken
            distance = float(miss @ np.linalg.solve(covariance, miss))
            total += 0.5 * float(np.linalg.slogdet(covariance)[1])
            total += 0.5 * (dross.DEGREES + len(miss)) * math.log1p(distance / dross.DEGREES)
        return total

    begun = time.perf_counter()
    ours = dross._fitted(held, start, np.diag(sds**-2), len(kinds), elements, oxide, scatter)[0]
    own_s, begun = time.perf_counter() - begun, time.perf_counter()
    theirs = minimize(cost, start, method="BFGS").x
    their_s = time.perf_counter() - begun
    print(
        f"melts: dross of 40 melts at one scatter: {1e3 * own_s:.0f} ms, scipy BFGS on the same {1e3 * their_s:.0f} ms; "
        f"minus ln posterior {cost(ours):.3f} ours, {cost(theirs):.3f} scipy; factors {np.abs(ours - theirs).max():.3f} apart "
        "in ln at most"
    )


def main() -> None:
    """Run everything."""
    beside_a_general_optimiser()
    season()
    coverage_of_dross()
    wrong, none, begun = 0, 0, time.perf_counter()
    for seed in range(SMALL):
        lots, recipe = small_charge(seed)
        expected = cheapest(lots, recipe)
        found = solve_charges(
            [ChargeRequest("M", recipe, 60.0, 450.0, spare_kg=15.0)],
            lots,
            rules=Weighing(losses=NO_LOSS),
            effort=Effort(gap=1e-6),
        )
        cost = math.inf if found is None else found[0].cost
        none += math.isinf(expected)
        wrong += not (math.isinf(cost) and math.isinf(expected)) and abs(cost - expected) > 1e-6 * expected
    print(
        f"melts: {SMALL} small charges beside trying everything: {wrong} differ ({none} cannot be met), "
        f"{time.perf_counter() - begun:.0f} s"
    )
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

"""Made-up shops for the tests of casting: a law that is known, and casts that obey it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled, ThermalSettings
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.simulate import Made, Noise, simulate_cast
from pipemetal.casting.wanted import Outfit, Wanted

SN50 = Composition.parse("Sn 50 Pb bal")
SLED = Sled(250, 800)
OUTFIT = Outfit(SLED)


def wanted(start: float = 2.0, end: float = 1.5, length: float = 4000.0, pour_c: float = 195.0) -> Wanted:
    return Wanted(SN50, pour_c, length, 800.0, start, end)


def cast_of(
    rng: np.random.Generator,
    truth: ShopLaw,
    name: str,
    *,
    superheat_k: float = 20.0,
    noise: Noise | None = None,
    thermal: ThermalSettings | None = None,
    limits: WindowLimits | None = None,
    gate_mm: float | None = None,
) -> LoggedCast:
    """One cast: a sheet drawn at random, cast by the prior's card, as the shop's law has it."""
    start = float(rng.uniform(1.3, 2.1))
    want = Wanted(
        SN50,
        liquidus(SN50).temperature_c + superheat_k,
        float(rng.uniform(3000, 4200)),
        800.0,
        start,
        start * float(rng.uniform(0.72, 0.9)),
    )
    made = Made(name, want, OUTFIT, gate_mm=gate_mm, charge_kg=11.34 * 8, thermal=thermal, limits=limits)
    return simulate_cast(rng, truth, made, noise=noise or Noise(timing_s=0.02))


def shop(n: int, seed: int, rival: str = "liquid on a rough cloth", **truth: Any) -> list[LoggedCast]:
    """Casts of one shop; `truth` as ShopLaw.known takes it, beside `crew_b` (thicker) and `slide` (by the cast)."""
    crew_b, slide = truth.pop("crew_b", 0.0), truth.pop("slide", 0.0)
    noise = truth.pop("noise", None)
    truth = {"cast_scatter": 0.03, "station_scatter": 0.015} | truth
    rng = np.random.default_rng(seed)
    casts = []
    for k in range(n):
        crew = "B" if k % 2 else "A"
        law = ShopLaw.known(rival, **truth).shifted((crew_b if crew == "B" else 0.0) + slide * k)
        superheat = float(rng.uniform(10, 45))
        cast = cast_of(rng, law, f"c{k}", superheat_k=superheat, noise=noise)
        casts.append(replace(cast, crew=crew, gate_name="wide" if k % 3 else "old"))
    return casts

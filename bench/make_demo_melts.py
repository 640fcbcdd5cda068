"""Make the invented shop's melt log anew: `python bench/make_demo_melts.py`. Drawn from a fixed seed.

The shop skims a little more than is usual: 1.1 % of pigs, 2.1 % of scrap, 5.5 % of shavings, and half as much antimony again
as lead; a melt in twenty is badly skimmed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.files.recipe_file import read_recipes
from pipemetal.melts.losses import LossModel
from pipemetal.melts.lots import Lot

SEED = 20267
SHOP = Path(__file__).parents[1] / "src" / "pipemetal" / "demo_shop"
HEADINGS = "melt,entry,lot,kind,mass_kg,composition,plus_minus_Sn,plus_minus_Sb,note"
TRUE = LossModel(
    (("pig", 0.011), ("ingot", 0.010), ("master", 0.010), ("scrap", 0.021), ("shavings", 0.055)), 0.10, (("Sb", 1.5),)
)
SCATTER, BADLY_SKIMMED = 0.18, 0.05


def rounded(parts: dict[str, float]) -> Composition:
    """A composition as an analysis gives it."""
    held = {element: round(max(value, 0.0), 2) for element, value in parts.items() if element != "Pb" and value > 0.004}
    return Composition.from_wt_pct(held | {"Pb": 100.0 - sum(held.values())})


def melt_rows(rng: np.random.Generator, number: int, target: Composition) -> list[str]:
    """The weighings of one melt."""
    name = f"M{number:03d}"
    scrap_kg, shavings_kg = 0.5 * round(2 * rng.uniform(90, 220)), 0.5 * round(2 * rng.uniform(6, 30))
    tin_kg, lead_kg = 25.0 * rng.integers(1, 5), 25.0 * rng.integers(1, 5)
    lots = []
    for kind, kg, sure in (("scrap", scrap_kg, 0.8), ("shavings", shavings_kg, 1.2)):
        true = rounded({e: target.wt_pct(e) + rng.normal(0, sure / 2) * (e == "Sn") for e in ELEMENTS})
        seen = rounded({e: true.wt_pct(e) + rng.normal(0, sure / 1.96) * (e == "Sn") for e in ELEMENTS})
        lots.append((Lot(kind, kind, true, kg), seen, sure))
    for name_of, text, kg in (("tin", "Sn 99.9 Pb bal", tin_kg), ("lead", "Pb 99.95 Bi 0.05", lead_kg)):
        metal = Composition.parse(text)
        lots.append((Lot(name_of, "pig", metal, float(kg)), metal, 0.0))
    skimmed = max(1.0 + rng.normal(0, SCATTER), 0.2) * (2.5 if rng.uniform() < BADLY_SKIMMED else 1.0)
    came = sum(lot.mass_kg * np.array(lot.composition.fractions) for lot, _, _ in lots)
    kept = sum(lot.mass_kg * np.array(TRUE.kept_kg_per_kg(lot, tin_present=True)) for lot, _, _ in lots)
    left = came - skimmed * (came - kept)
    out_kg = 0.5 * round(2 * (float(left.sum()) + rng.normal(0, 0.25)))
    rows = [
        f"{name},in,{lot.id},{lot.kind},{lot.mass_kg:g},{seen.text()},{sure or ''},{0.08 if sure else ''},"
        for lot, seen, sure in lots
    ]
    assay = ""
    if number % 2:
        share = left / left.sum()
        metal = rounded(
            {
                e: 100 * float(share[i]) + rng.normal(0, {"Sn": 0.1, "Sb": 0.01}.get(e, 0.003))
                for i, e in enumerate(ELEMENTS)
            }
        )
        assay = f"{metal.text()},0.2,0.02"
    rows.append(f"{name},out,,,{out_kg:g},{assay or ',,'},")
    if number % 3 == 0:
        lost = float(came.sum() - left.sum()) * 1.027
        rows.append(f"{name},dross,,,{round(lost, 1):g},,,,")
    return rows


def main() -> None:
    """Write melts.csv."""
    rng = np.random.default_rng(SEED)
    recipes = list(read_recipes(SHOP / "recipes.toml").values())
    rows = [row for number in range(1, 19) for row in melt_rows(rng, number, recipes[number % len(recipes)].target)]
    head = [
        "# The invented Tinbrook pipe shop: every name and number here is made up for demonstration.",
        "# One row a weighing: in (what was charged), out (all that came out or stayed, with the melt's assay), dross.",
        HEADINGS,
    ]
    (SHOP / "melts.csv").write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""Paper: 60 cutting sheets to one PDF, and all papers of the invented organ: `python bench/documents_bench.py`."""

from __future__ import annotations

import time

from pipemetal.documents.plan_paper import PAPERS, cutting_pdf, plan_paper
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.lots_file import read_lots
from pipemetal.files.organ_file import read_organ
from pipemetal.files.rack_file import read_rack
from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.shop_file import read_shop
from pipemetal.planning.plan import Search, make_plan
from pipemetal.planning.stock import Stock
from pipemetal.plans.making import plan_record
from pipemetal.units import UnitSystem
from pipemetal.words import Words


def main() -> None:
    """Print the times."""
    recipes = read_recipes(packaged_file("recipes.toml"))
    lots, _ = read_lots(packaged_file("lots.csv"), recipes)
    plan = make_plan(
        read_organ(packaged_file("organ.toml"), recipes),
        Stock(recipes, read_rack(packaged_file("rack.csv"), recipes), lots),
        read_shop(packaged_file("shop.toml")),
        search=Search(seconds=5.0, seed=1),
    )
    units, say = UnitSystem(), Words()
    begun = time.perf_counter()
    cutting_pdf(plan.cut_rolls[:60], plan.organ.name, units, say)
    print(f"documents: {len(plan.cut_rolls[:60])} cutting sheets to one PDF: {time.perf_counter() - begun:.1f} s")
    data, begun = plan_record(plan), time.perf_counter()
    for name in PAPERS:
        plan_paper(name, data, units, say)
    print(f"documents: {len(PAPERS)} other papers of 904 pipes: {time.perf_counter() - begun:.1f} s")


if __name__ == "__main__":
    main()

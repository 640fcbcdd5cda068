"""All papers of the invented organ, and how many pages each takes: `python bench/documents_bench.py`."""

from __future__ import annotations

import time

import pypdfium2

from pipemetal.documents.plan_paper import PAPERS, plan_paper
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
    units, say, data = UnitSystem(), Words(), plan_record(plan)
    for name in PAPERS:
        begun = time.perf_counter()
        made = plan_paper(name, data, units, say)
        pages = len(pypdfium2.PdfDocument(made))
        print(f"documents: {name} of 904 pipes, {pages} pages: {time.perf_counter() - begun:.1f} s")


if __name__ == "__main__":
    main()

"""The main job in Python: read the invented shop, plan one of its ranks, and look at a few numbers.

Run it with `python examples/plan_in_python.py`. Every name and number of the shop is made up.
"""

from dataclasses import replace

from pipemetal.files.demo_files import packaged_file
from pipemetal.files.lots_file import read_lots
from pipemetal.files.organ_file import read_organ
from pipemetal.files.rack_file import read_rack
from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.shop_file import read_shop
from pipemetal.planning.plan import make_plan

recipes = read_recipes(packaged_file("recipes.toml"))
organ = read_organ(packaged_file("organ.toml"), recipes)
lots, waiting_for_an_assay = read_lots(packaged_file("lots.csv"), recipes)
rack = read_rack(packaged_file("rack.csv"), recipes)
settings = read_shop(packaged_file("shop.toml"))

octave = replace(organ, ranks=tuple(rank for rank in organ.ranks if rank.name == "Octave 4"))
plan = make_plan(octave, recipes, rack, lots, settings, iterations=500, seed=1)

print(f"{plan.pipes_served} of {len(plan.pipes)} pipes served, {len(plan.faults)} faults")
print("rolls to take down:", ", ".join(cut.roll.id for cut in plan.cut_rolls if not cut.is_new))
print(
    f"pipes take {plan.account.total_kg('pipes'):.1f} kg; the account closes to {plan.account.unexplained_kg():.6f} kg"
)

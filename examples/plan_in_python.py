"""The main job in Python: read the invented shop, plan one of its ranks, and look at a few numbers.

Run it with `python examples/plan_in_python.py`. Every name and number of the shop is made up.
"""

from dataclasses import replace

import pipemetal as pm
from pipemetal.files.demo_files import packaged_file

shop = pm.read_shop(packaged_file("rack.csv").parent)
organ = pm.read_organ(packaged_file("organ.toml"), shop)
octave = replace(organ, ranks=tuple(rank for rank in organ.ranks if rank.name == "Octave 4"))
plan = pm.make_plan(octave, shop, iterations=500, seed=1)

print(f"{plan.pipes_served} of {len(plan.pipes)} pipes served, {len(plan.faults)} faults")
print("rolls to take down:", ", ".join(sheet.id for sheet in plan.rolls_used))
print(f"pipes take {plan.metal.in_all['pipes_kg']:.1f} kg; the account closes to {plan.metal.unexplained_kg:.6f} kg")

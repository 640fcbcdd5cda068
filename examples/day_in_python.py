"""A casting day in Python: after each sheet its readings go in, and the rest of the plan is planned anew.

Run it with `python examples/day_in_python.py`. Every name and number of the shop is made up; the readings are drawn.
"""

from dataclasses import replace

import pipemetal as pm
from pipemetal.files.demo_files import packaged_file
from pipemetal.sheets.readings import Reading

shop = pm.read_shop(packaged_file("rack.csv").parent)
organ = pm.read_organ(packaged_file("organ.toml"), shop)
rank = replace(organ, ranks=tuple(r for r in organ.ranks if r.name == "Fifteenth 2"))
shop = replace(shop, stock=replace(shop.stock, rack=()), casts=())  # a bare rack, nothing cast before
plan = pm.make_plan(rank, shop, iterations=20)
first = next(m for m in plan.melts)
pots = {first.name: first.charge.mass_kg if first.charge else first.wanted_kg}

pour = plan.pours[0]
for off in (1.05, 0.97):  # so much thicker, so much thinner than the card says
    sheet = next(s for s in plan.new_sheets if s.id == pour.sheet)
    readings = []
    for x in (0.02, 0.25, 0.5, 0.75, 0.98):
        as_cast_mm = off * (pour.cast_start_mm + (pour.cast_end_mm - pour.cast_start_mm) * x)
        readings += [Reading(x * sheet.length_mm, y * sheet.width_mm, round(as_cast_mm, 2)) for y in (0.1, 0.5, 0.9)]
    pots[pour.melt] = pots.get(pour.melt, 0.0) - pour.used_kg  # what is left in the pot; a scale knows it better
    anew = pm.plan_anew(
        plan, shop, {sheet.id: readings}, in_pots={m: max(kg, 0.0) for m, kg in pots.items()}, effort=0.1
    )
    print(f"{sheet.id} was measured: {len(anew.differences)} changes, {len(anew.plan.unserved)} blanks without a place")
    for stop in anew.stops:
        print(f"  {stop.alloy}: {stop.sheets} sheets to come, they are the last {100 * stop.last:.0f} times in 100")
        for check in stop.check[:2]:
            print(f"  gauge {check.blank} before it is cut: {check.roll} at {check.x_mm:.0f}, {check.y_mm:.0f} mm")
    plan, shop = anew.plan, replace(shop, stock=anew.now.stock)  # the measured sheet hangs on the rack now
    waiting = [p for p in plan.pours if p.sheet in {s.id for s in plan.new_sheets}]
    if not waiting:
        break
    pour = next((p for p in waiting if p.sheet in anew.first), waiting[0])
    print(f"  pour next: {pour.sheet} from {pour.melt}, gate {pour.card.gate_mm:.1f} mm" if pour.card else pour.problem)

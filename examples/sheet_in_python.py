"""A melt and a sheet in Python: what to weigh for 200 kg of spotted metal, and how to push a sheet of it.

Run it with `python examples/sheet_in_python.py`. Every name and number of the shop is made up.
Liquid lead alloys burn, and moisture under the surface throws them: read the cautions of docs/casting.md first.
"""

import pipemetal as pm
from pipemetal.files.demo_files import packaged_file
from pipemetal.melts.charge import Charge

shop = pm.read_shop(packaged_file("rack.csv").parent)
charge = pm.weigh_out(shop, "spotted-50", 200.0)
assert isinstance(charge, Charge)
for line in charge.lines:
    print(f"{line.lot.id:8} {line.mass_kg:6.1f} kg")
print("gives", charge.composition.text())

card = pm.push_card(shop, charge.composition, 240.0, (4000.0, 700.0), (1.2, 0.9))
print(f"{card.scoops} scoops, gate {card.gate_mm:.1f} mm, push {card.push_time_s:.1f} s")
for mark in card.marks[::2]:
    print(f"{mark.distance_m:.1f} m at {mark.time_s:.1f} s")

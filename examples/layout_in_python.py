"""A layout in Python: two blanks on one tapering roll, laid out and checked by the independent check.

Run it with `python examples/layout_in_python.py`.
"""

import numpy as np

import pipemetal as pm
from pipemetal.layout.problem import Blank, LayoutRoll

roll = LayoutRoll("R1", "spotted", 2000.0, 600.0, 15.0, (0.0, 2000.0), np.array([[1.10, 0.90]]))
blanks = (
    Blank("c body", "body", "spotted", 900.0, 250.0, 1.05, 0.97, 0.05, (0, 180)),
    Blank("c# body", "body", "spotted", 850.0, 240.0, 1.04, 0.96, 0.05, (0, 180)),
)
problem = pm.LayoutProblem(blanks, (roll,))
layout = pm.lay_out(problem, iterations=200, seed=1)
for place in layout.placements:
    print(f"{place.blank}: {place.x_mm:.0f}, {place.y_mm:.0f} mm on {place.roll}, turned {place.turn_deg}")
print(f"{len(pm.check_layout(problem, layout))} faults, {100 * layout.utilisation:.0f} % of the metal used")

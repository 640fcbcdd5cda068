"""One question to packingsolver, in a Python of its own (it needs 3.12): `python packing_child.py < question.json`.

A question: `items` (length, width pairs), `turning`, `seconds`, and either `strip_width` or `bins` (length, width pairs) and
perhaps `serve` (for each item the numbers of the bins that it may go into). Sizes are whole numbers. The answer: `height` of the
strip or `area` of the bins used, null where not all items are in.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import packingsolver
from packingsolver import rectangle


def answer(asked: dict[str, Any]) -> dict[str, Any]:
    """What the solver found in the time given."""
    build = rectangle.InstanceBuilder()
    strip = asked.get("strip_width")
    if strip is not None:
        build.set_objective(packingsolver.Objective.OpenDimensionY)
        build.add_bin_type(strip, sum(max(item) for item in asked["items"]))
    serve = asked.get("serve")
    if strip is None:
        build.set_objective(packingsolver.Objective.VariableSizedBinPacking)
        for number, (length, width) in enumerate(asked["bins"]):
            may = None if serve is None else [item for item, bins in enumerate(serve) if number in bins]
            build.add_bin_type(length, width, cost=length * width, copies=1, eligibility_ids=may)
    for number, (length, width) in enumerate(asked["items"]):
        kind = None if serve is None else number
        build.add_item_type(length, width, oriented=not asked["turning"], copies=1, eligibility_id=kind)
    parameters = rectangle.OptimizeParameters()
    parameters.time_limit = asked["seconds"]
    parameters.verbosity_level = 0
    found = rectangle.optimize(build.build(), parameters)
    best = found.solution
    whole = best.number_of_items() == len(asked["items"])
    return {
        "version": packingsolver.__version__,
        "seconds": found.time,
        "height": best.y_max() if whole and strip is not None else None,
        "area": best.cost() if whole and strip is None else None,
    }


if __name__ == "__main__":
    print("\n" + json.dumps(answer(json.load(sys.stdin))))

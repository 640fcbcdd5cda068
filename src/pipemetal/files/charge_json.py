"""A weighing list as JSON, for the command line and for scripts."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.melts.charge import Charge
from pipemetal.melts.loading import when_to_load
from pipemetal.melts.mend import Blocked
from pipemetal.melts.relax import Relaxed

__all__ = ["between_wt_pct", "blocked_dict", "charge_dict"]


def between_wt_pct(answer: Charge) -> dict[str, tuple[float, float]]:
    """95 % interval of each element that is there, in % by mass."""
    values, half = answer.composition.as_wt_pct(), dict(answer.half_width_wt_pct)
    return {e: (max(values[e] - half[e], 0.0), values[e] + half[e]) for e in ELEMENTS if values[e] > 0.0}


def charge_dict(answer: Charge, relaxed: Sequence[Relaxed]) -> dict[str, object]:
    """A weighing list in the order of loading, and what it gives."""
    between, values = between_wt_pct(answer), answer.composition.as_wt_pct()
    return {
        "lots": [
            {"id": x.lot.id, "mass_kg": round(x.mass_kg, 3), "pieces": x.pieces, "when": when_to_load(x.lot)}
            for x in answer.lines
        ],
        "composition_wt_pct": {e: round(values[e], 4) for e in between},
        "interval_wt_pct": {e: [round(low, 3), round(high, 3)] for e, (low, high) in between.items()},
        "mass_kg": round(answer.mass_kg, 3),
        "charged_kg": round(answer.charged_kg, 3),
        "loss_kg": {e: round(m, 4) for e, m in answer.loss_kg if m > 0.0},
        "cost": round(answer.cost, 2),
        "worth_per_kg": round(answer.worth_per_kg, 3),
        "gap_percent": round(answer.gap_percent, 3) + 0.0 if math.isfinite(answer.gap_percent) else None,
        "binding": list(answer.binding),
        "relaxed": [vars(r) | {"saves": round(r.saves, 2)} for r in relaxed],
    }


def blocked_dict(answer: Blocked) -> dict[str, object]:
    """What stands in the way of a melt, and what would mend it."""
    rows = [
        {
            "element": b.element,
            "reached_wt_pct": round(b.reached_wt_pct, 3),
            "low_wt_pct": b.low_wt_pct,
            "high_wt_pct": b.high_wt_pct,
        }
        for b in answer.blockages
    ]
    return {"blocked_by": rows, "missing_kg": dict(answer.missing_kg), "words": answer.words}

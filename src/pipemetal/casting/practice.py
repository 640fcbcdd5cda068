"""What common practice would do for a tapered sheet, and what the model says of it: both shown, the shop's log decides."""

from __future__ import annotations

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.model import Coefficients, Gate, Sled
from pipemetal.casting.push import PushCard, thickness_from_push
from pipemetal.errors import CastingError

__all__ = ["PRACTICE_SCOOPS", "practice_words"]

# Five or six scoops of 25 lb to a sheet, and a push that quickens so that the sheet thins: common practice, no source.
PRACTICE_SCOOPS = (5, 6)
PRACTICE_SCOOP_KG = 25.0 * 0.45359237


def practice_words(
    card: PushCard, comp: Composition, sled: Sled, coefficients: Coefficients, gate: Gate | None = None
) -> str:
    """Common practice beside a card, as the model sees it: six scoops, the card's gate, a push that quickens with the taper.

    >>> from pipemetal.casting.push import push_card
    >>> alloy, sled, prior = Composition.parse("Sn 50 Pb bal"), Sled(250, 800), Coefficients.prior()
    >>> card = push_card(alloy, 234, 4000, 800, 2.0, 1.5, sled, prior)
    >>> "no source" in practice_words(card, alloy, sled, prior)
    True
    """
    start, end = card.thickness[0].thickness_mm, card.thickness[-1].thickness_mm
    charge_kg = PRACTICE_SCOOPS[1] * PRACTICE_SCOOP_KG
    words = (
        f"common practice (no source): {PRACTICE_SCOOPS[0]} or {PRACTICE_SCOOPS[1]} scoops of 25 lb "
        f"({PRACTICE_SCOOPS[0] * PRACTICE_SCOOP_KG:.0f} or {charge_kg:.0f} kg), here {card.charge_kg:.0f} kg"
    )
    if end >= start:
        return words
    first = float(np.mean([m.speed_m_s for m in card.marks])) * 2.0 / (1.0 + start / end)
    distances = [m.distance_m for m in card.marks]
    speeds = first * (1.0 + (start / end - 1.0) * np.array(distances) / distances[-1])
    words += f"; it quickens, say from {speeds[0]:.2f} to {speeds[-1]:.2f} m/s. By the model six scoops pushed so "
    try:
        sheet = thickness_from_push(
            comp,
            card.pour_temperature_c,
            charge_kg,
            card.gate_mm,
            distances,
            speeds,
            sled,
            coefficients,
            run_up_mm=card.run_up_mm,
            gate=gate,
        )
    except CastingError as error:
        return f"{words}do not make this sheet: {error.problem}; if yours do, log them: the log decides"
    return (
        f"{words}would lay {sheet[0].thickness_mm:.2f} to {sheet[-1].thickness_mm:.2f} mm, not {start:.2f} to {end:.2f}; "
        "if yours come out as wanted, more stays in the sled or the cloth drags more than believed: log leftover and times"
    )

"""Push cards and pouring windows as plain dictionaries whose keys carry their units."""

from __future__ import annotations

from typing import Any

from pipemetal.casting.push import Mark, PushCard
from pipemetal.casting.window import PourWindow

__all__ = ["card_dict", "window_dict"]


def _mark(mark: Mark) -> dict[str, float]:
    return {
        "distance_m": round(mark.distance_m, 3),
        "time_s": round(mark.time_s, 3),
        "speed_m_s": round(mark.speed_m_s, 3),
    }


def card_dict(card: PushCard) -> dict[str, Any]:
    """A push card: what to charge, how to set the gate, where the sled is when, and the sheet that should come of it."""
    return {
        "charge_kg": round(card.charge_kg, 2),
        "left_kg": round(card.left_kg, 2),
        "scoops": card.scoops,
        "gate_mm": round(card.gate_mm, 2),
        "marks": [_mark(m) for m in card.marks],
        "beats": [_mark(m) for m in card.beats],
        "beat_s": card.beat_s,
        "push_time_s": round(card.push_time_s, 2),
        "run_up_mm": round(card.run_up_mm, 0),
        "thickness_mm": [
            {
                "distance_m": round(s.distance_m, 3),
                "thickness": round(s.thickness_mm, 3),
                "low": round(s.low_mm, 3),
                "high": round(s.high_mm, 3),
            }
            for s in card.thickness
        ],
        "head_start_mm": round(card.head_start_mm, 1),
        "head_end_mm": round(card.head_end_mm, 1),
        "speed_change": card.speed_change,
        "rests_on": card.rests_on,
        "warnings": list(card.warnings),
    }


def window_dict(window: PourWindow) -> dict[str, Any]:
    """The band of pouring temperatures."""
    return {
        "too_cold_below": round(window.too_cold_below_c, 1),
        "try_low": round(window.try_low_c, 1),
        "try_high": round(window.try_high_c, 1),
        "too_hot_above": round(window.too_hot_above_c, 1),
        "rests_on": window.rests_on,
    }

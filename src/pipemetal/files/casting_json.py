"""Push cards and pouring windows as plain dictionaries whose keys carry their units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipemetal.casting.calibrate import Calibration
from pipemetal.casting.next_cast import Trial
from pipemetal.casting.push import Mark, PushCard
from pipemetal.casting.says import Quantity
from pipemetal.casting.window import Band, PourWindow

__all__ = ["card_dict", "learned_dict", "window_dict"]


def _mark(mark: Mark) -> dict[str, float]:
    return {
        "distance_m": round(mark.distance_m, 3),
        "time_s": round(mark.time_s, 3),
        "speed_m_s": round(mark.speed_m_s, 3),
    }


def card_dict(card: PushCard) -> dict[str, object]:
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
        "regime": card.regime,
        "warnings": list(card.warnings),
    }


def _try(band: Band | PourWindow) -> dict[str, float | None]:
    """Where to try, in C; nothing where no temperature suits."""
    low, high = (None if band.empty else round(value, 1) for value in (band.try_low_c, band.try_high_c))
    return {"try_low": low, "try_high": high}


def window_dict(window: PourWindow) -> dict[str, object]:
    """The pouring range: the band that is meant, why, and both bands with what sets their ends."""
    return {
        "too_cold_below": round(window.too_cold_below_c, 1),
        **_try(window),
        "too_hot_above": round(window.too_hot_above_c, 1),
        "regime": window.regime,
        "why": window.why,
        "empty": window.empty,
        "bands": [
            {
                "name": band.name,
                "too_cold_below": round(band.too_cold_below_c, 1),
                **_try(band),
                "too_hot_above": round(band.too_hot_above_c, 1),
                "cold_end": band.cold_end,
                "hot_end": band.hot_end,
                "empty": band.empty,
            }
            for band in window.bands
        ],
        "rests_on": window.rests_on,
    }


def learned_dict(
    found: Calibration, told: Sequence[Quantity], trials: Sequence[Trial], starts: Mapping[str, float]
) -> dict[str, object]:
    """What a log teaches: quantities with intervals, regimes, groups, drift, and the casts that would teach most next."""
    return {
        "coefficients": {
            q.key: {"value": round(q.value, 5), "low": round(q.low, 5), "high": round(q.high, 5)} for q in told
        },
        "departures": [
            {"name": q.key, "before": round(q.before, 4), "differs": q.differs, "words": q.words} for q in told
        ],
        "regimes": {name: round(weight, 4) for name, weight in found.law.regimes.items()},
        "casts_used": found.casts_used,
        "predictive_half_width_percent": round(found.predictive_half_width_percent, 2),
        "own_scatter_percent": round(found.own_scatter_percent, 2),
        "cast_scatter": round(found.law.cast_scatter, 5),
        "station_scatter": round(found.law.station_scatter, 5),
        "words": found.words,
        "watch": list(found.watch),
        "drift": {
            "now_percent": round(found.drift.now_percent, 2),
            "low_percent": round(found.drift.low_percent, 2),
            "high_percent": round(found.drift.high_percent, 2),
            "words": found.drift.words,
        },
        "groups": [
            {
                "kind": g.kind,
                "name": g.name,
                "casts": g.casts,
                "thicker_percent": round(g.thicker_percent, 2),
                "low_percent": round(g.low_percent, 2),
                "high_percent": round(g.high_percent, 2),
                "words": g.words,
            }
            for g in found.groups
        ],
        "next_casts": [
            {
                "words": t.words,
                "casts": t.casts,
                "before_percent": round(t.before_percent, 2),
                "after_percent": round(t.after_percent, 2),
            }
            for t in trials
        ],
        "two_starts_thinner_percent": {name: round(value, 1) for name, value in starts.items()},
    }

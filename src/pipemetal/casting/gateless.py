"""Casts without a gate's opening: a box that has no gate, and an opening that somebody forgot to write down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pipemetal.casting.log import LoggedCast
from pipemetal.texts import Text

__all__ = ["with_forgotten_gates", "with_gap"]

FORGOTTEN: Final = "gate_mm is empty, but the cast names the gate {gate}: write its opening"
UNLIKE: Final = (
    "gate_mm is empty, but other casts of this sled have a gate: write its opening, or give a sled without a gate its own "
    "sled_name"
)
# A sled whose casts have a gate more often than this is a sled with a gate (estimate).
_MOSTLY = 0.5


def with_gap(casts: Sequence[LoggedCast], gap_mm: float | None) -> tuple[LoggedCast, ...]:
    """The casts, those of a box without a gate at the gap that the box is known to have; nothing changes where none is known.

    What the log taught at a supposed gap and the card that asks for the real one would not speak of the same box.
    """
    if gap_mm is None:
        return tuple(casts)
    named = with_forgotten_gates(casts)
    return tuple(replace(c, gate_mm=gap_mm) if c.gate_mm == 0.0 and c.spoiled is None else c for c in named)


def with_forgotten_gates(casts: Sequence[LoggedCast]) -> tuple[LoggedCast, ...]:
    """The casts, those spoiled whose opening was forgotten: they name a gate, or their sled is one with a gate."""
    by_sled: dict[tuple[object, ...], list[bool]] = {}
    for cast in casts:
        by_sled.setdefault(_sled(cast), []).append(cast.gate_mm > 0.0)
    gated = {sled for sled, with_gate in by_sled.items() if sum(with_gate) > _MOSTLY * len(with_gate)}

    def judged(cast: LoggedCast) -> LoggedCast:
        if cast.gate_mm > 0.0 or cast.spoiled is not None:
            return cast
        if cast.gate_name:
            return replace(cast, spoiled=Text(FORGOTTEN, gate=cast.gate_name))
        return replace(cast, spoiled=Text(UNLIKE)) if _sled(cast) in gated else cast

    return tuple(judged(cast) for cast in casts)


def _sled(cast: LoggedCast) -> tuple[object, ...]:
    return cast.sled_name, cast.sled.inner_length_mm, cast.sled.inner_width_mm

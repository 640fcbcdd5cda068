"""Published rules for the length of an open pipe side by side, and what each can claim in cents.

No formula knows the mouth better than within a tenth of the diameter: three rules of 1860, 1947 and 1971 agree so far.
That tenth, in cents of this pipe, is what the full form can claim; a rule that leaves the mass of the mouth out of account
is off by its distance from the full form besides. Voicing moves the pitch further (Dom Bedos 1766, art. 207).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pipemetal.pipes import length as lengths
from pipemetal.pipes.ends import UNFLANGED

__all__ = ["LengthRule", "cents_per_mm", "claim_cents", "open_rules"]

MOUTH_KNOWN_WITHIN: Final = 0.1
"""Share of a diameter within which the rules agree about the end corrections."""
NUDGE: Final = 1e-4


@dataclass(frozen=True)
class LengthRule:
    """A rule's body length for one pipe, its pitch against the full form, and the cents that it can claim."""

    name: str
    source: str
    body_length_mm: float
    cents_from_default: float
    claim_cents: float


def cents_per_mm(length_mm: Callable[[float], float], frequency_hz: float) -> float:
    """By how many cents a pipe falls for each mm that it is longer; `length_mm` gives its length for a frequency.

    >>> round(cents_per_mm(lambda hz: 171_500.0 / hz, 65.4), 3)
    0.66
    """
    shorter, longer = length_mm(frequency_hz * (1.0 + NUDGE)), length_mm(frequency_hz * (1.0 - NUDGE))
    return 2400.0 * math.log2(1.0 + NUDGE) / (longer - shorter)


def claim_cents(length_mm: Callable[[float], float], frequency_hz: float, diameter_mm: float) -> float:
    """Cents that a tenth of the diameter makes for a pipe: what any formula for its length can claim, plus or minus.

    >>> width = math.pi * 155.5 / 4
    >>> body = lambda hz: lengths.open_length_mm(hz, 343.2, 155.5, width, width / 4)
    >>> round(claim_cents(body, 65.4064, 155.5), 1)
    10.3
    """
    return MOUTH_KNOWN_WITHIN * diameter_mm * cents_per_mm(length_mm, frequency_hz)


def open_rules(
    frequency_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float
) -> tuple[LengthRule, ...]:
    """The default and three published rules for an open cylinder.

    >>> width = math.pi * 155.5 / 4
    >>> [round(rule.body_length_mm, 1) for rule in open_rules(65.4064, 343.2, 155.5, width, width / 4)]
    [2355.1, 2349.7, 2348.2, 2364.4]
    """
    args = (speed_m_s, diameter_mm, mouth_width_mm, cut_up_mm)

    def full(hz: float) -> float:
        return lengths.open_length_mm(hz, *args)

    half_wave = 500.0 * speed_m_s / frequency_hz
    frobenius = 2.3 * (diameter_mm / 2.0) ** 2 / math.sqrt(mouth_width_mm * cut_up_mm)
    found = (
        ("mass load (default)", "mass of the mouth at its own frequency; derived", full(frequency_hz)),
        (
            "Ising 1971",
            "c/2f - 0.73 S/sqrt(Sm) - 0.34 sqrt(S), second hand",
            half_wave
            - lengths.mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
            - lengths.top_correction_mm(diameter_mm),
        ),
        (
            "Ingerslev & Frobenius 1947",
            "c/2f - 2.3 R^2/sqrt(b h) - 0.6133 R, not checked",
            half_wave - frobenius - UNFLANGED * diameter_mm / 2.0,
        ),
        ("Cavaille-Coll 1860", "c/2f - 5/3 D, constants not checked", half_wave - 5.0 / 3.0 * diameter_mm),
    )
    known = claim_cents(full, frequency_hz, diameter_mm)
    rules = []
    for name, source, body in found:
        hz = _open_pitch_hz(body, frequency_hz, *args)
        cents = 1200.0 * math.log2(hz / frequency_hz)
        rules.append(LengthRule(name, source, body, cents, known + abs(cents)))
    return tuple(rules)


def _open_pitch_hz(
    body_mm: float, guess_hz: float, speed_m_s: float, diameter_mm: float, mouth_width_mm: float, cut_up_mm: float
) -> float:
    """What an open cylinder of this length sounds by the full form: k (L + top) + atan(k mouth) = pi, by Newton."""
    mouth = lengths.mouth_correction_mm(diameter_mm, mouth_width_mm, cut_up_mm)
    whole = body_mm + lengths.top_correction_mm(diameter_mm)
    k = 2.0 * math.pi * guess_hz / (1000.0 * speed_m_s)
    for _ in range(20):
        k -= (k * whole + math.atan(k * mouth) - math.pi) / (whole + mouth / (1.0 + (k * mouth) ** 2))
    return k * 1000.0 * speed_m_s / (2.0 * math.pi)

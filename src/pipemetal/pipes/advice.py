"""What a maker must know of a whole rank: said once for the rank, with what would mend it, never on every pipe."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import Final

from pipemetal.pipes.caps import MOST_OF_LENGTH
from pipemetal.pipes.mouth import ISING_BEST, ISING_RANGE, flue_for_ising_mm, pressure_pa
from pipemetal.pipes.parts import WIDEST_TOE
from pipemetal.pipes.pipe import Pipe, span_text
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.statics import standing_stress
from pipemetal.pipes.walls import WallRule

__all__ = ["rank_advice"]

STANDS_MPA: Final = 0.7
"""Stress above the mouth of a 16' open pipe of half tin, about the tallest that is made of pipe metal; taller ones are of zinc or
wood, or are held (common practice, no source)."""
HELD_MM: Final = 0.05
"""A size that differs by less from what was asked for was not held."""
SHARE_THAT_COUNTS: Final = 0.5
"""A rank is spoken of where at least this share of its pipes is concerned."""


def rank_advice(organ: Organ, rank: Rank, pipes: Sequence[Pipe]) -> tuple[str, ...]:
    """Sentences about a rank, none for one without anything to mind; `pipes` are the rank's own.

    >>> from fractions import Fraction
    >>> from pipemetal.pipes.make import rank_pipes
    >>> from pipemetal.pipes.pitch import Pitch
    >>> rank = Rank("Octave 4", "Great", "spotted", Fraction(4), 0, 12)
    >>> organ = Organ("Chapel", Pitch(), (rank,))
    >>> rank_advice(organ, rank, rank_pipes(organ, rank, lambda alloy: 8.9))
    ()
    """
    made = [p for p in pipes if p.made not in ("wood", "old")]
    if not made:
        return ()
    said = (
        _ising(organ, rank, made),
        _walls(rank, made),
        _standing(made),
        _toe(rank, made),
        _bore(rank, made),
        _travel(rank, made),
        _not_worked_out(rank),
    )
    return tuple(f"{rank.name}: {words}" for words in said if words)


def _ising(organ: Organ, rank: Rank, pipes: Sequence[Pipe]) -> str:
    wind = rank.wind_mm_water if rank.wind_mm_water is not None else organ.wind_mm_water
    known = [p for p in pipes if p.ising is not None]
    low, high = ISING_RANGE
    outside = [p for p in known if p.ising is not None and not low <= p.ising <= high]
    if wind is None or not known or len(outside) < SHARE_THAT_COUNTS * len(known):
        return ""
    middle = sorted(outside, key=lambda p: p.key)[len(outside) // 2]
    number = median(p.ising for p in known if p.ising is not None)
    flue = flue_for_ising_mm(ISING_BEST, middle.frequency_hz, pressure_pa(wind), middle.cut_up_mm)
    cut_up = middle.cut_up_mm * ((middle.ising or ISING_BEST) / ISING_BEST) ** (2.0 / 3.0)
    return (
        f"Ising's number is {number:.1f} in the middle, pipes are said to work from {low:g} to {high:g}. "
        f"On {middle.note}, a flue of {flue:.2f} mm instead of {middle.flue_mm:.2f} mm, or a cut-up of {cut_up:.1f} mm "
        f"instead of {middle.cut_up_mm:.1f} mm, would bring it to {ISING_BEST:g}; the voicer decides"
    )


def _not_worked_out(rank: Rank) -> str:
    """What of a rank is no sheet metal, or not known."""
    if rank.resonator is not None:
        boots = "" if rank.resonator.boot else "; boots are not ordered, for the rank names none"
        return f"block, shallot, tongue, wedge and tuning wire are not sheet metal and not worked out{boots}"
    if rank.lips.made == "raised":
        return "how far raised lips thin the metal that they are driven out of is not worked out"
    if rank.lips.made == "applied":
        return "the body behind applied lips is counted whole"
    return ""


def _walls(rank: Rank, pipes: Sequence[Pipe]) -> str:
    if not isinstance(rank.wall, WallRule):
        return ""
    beyond = [p for p in pipes if p.made == "cast" and p.diameter_mm > rank.wall.widest_mm]
    if not beyond or math.isinf(rank.wall.widest_mm):
        return ""
    widest = max(beyond, key=lambda p: p.diameter_mm)
    return (
        f"{len(beyond)} pipes are wider than the wall table goes ({rank.wall.widest_mm:.0f} mm). Their walls go on as it "
        f"ends, {widest.thickness_mouth_mm:.2f} mm on {widest.note} of {widest.diameter_mm:.0f} mm: look at them"
    )


def _toe(rank: Rank, pipes: Sequence[Pipe]) -> str:
    """Toes that were asked for and are held, so that the foot stays a cone."""
    asked = rank.toe_diameter_mm
    if asked is None:
        return ""
    narrower = [p for p in pipes if 0.0 < p.toe_diameter_mm < asked - HELD_MM]
    wider = [p for p in pipes if p.toe_diameter_mm > asked + HELD_MM]
    if narrower:
        least = min(narrower, key=lambda p: p.toe_diameter_mm)
        fits = math.floor(10.0 * least.toe_diameter_mm) / 10.0
        return (
            f"the toe of {asked:.1f} mm is too wide for {span_text(narrower)}: held at {WIDEST_TOE:.0%} of the foot's "
            f"upper end, {least.toe_diameter_mm:.1f} mm on {least.note}. To mend it: a toe_diameter_mm of {fits:.1f} or less, "
            "or none, which goes with the diameter"
        )
    if wider:
        most = max(wider, key=lambda p: p.toe_diameter_mm)
        return (
            f"the toe of {asked:.1f} mm leaves no bore in the feet of {span_text(wider)}: held at two walls, "
            f"{most.toe_diameter_mm:.1f} mm on {most.note}. To mend it: a wider toe_diameter_mm, or none, "
            "which goes with the diameter"
        )
    return ""


def _bore(rank: Rank, pipes: Sequence[Pipe]) -> str:
    """Bores of the toe that were asked for and are held by the toe and its walls."""
    asked = rank.toe_bore_mm
    held = [p for p in pipes if asked is not None and 0.0 < p.toe_bore_mm < asked - HELD_MM]
    if not held or asked is None:
        return ""
    least = min(held, key=lambda p: p.toe_bore_mm)
    return (
        f"the toe's bore of {asked:.1f} mm does not go into the toes of {span_text(held)}: held at {least.toe_bore_mm:.1f} mm on "
        f"{least.note}. To mend it: a smaller toe_bore_mm, or a wider toe_diameter_mm"
    )


def _travel(rank: Rank, pipes: Sequence[Pipe]) -> str:
    """Travels of caps that were asked for and are held at their share of the length."""
    held = [p for p in pipes if p.cap is not None and p.cap.asked_mm > 0.0]
    if not held:
        return ""
    worst = max(held, key=lambda p: p.cap.asked_mm / p.body_length_mm if p.cap else 0.0)
    assert worst.cap is not None
    travel, share = MOST_OF_LENGTH * worst.body_length_mm, f"{MOST_OF_LENGTH:.0%}"
    return (
        f"the cap's travel of {span_text(held)} is held at {share} of the sounding length: {travel:.1f} mm instead "
        f"of {worst.cap.asked_mm:.1f} mm on {worst.note}. To mend it: a smaller travel or least_mm of the cap, or travel_cents, "
        "which goes with the length"
    )


def _standing(pipes: Sequence[Pipe]) -> str:
    stresses = [(standing_stress(p), p) for p in pipes if p.parts and p.made == "cast"]
    heavy = [(s, p) for s, p in stresses if s.mouth_mpa > STANDS_MPA]
    if heavy:
        worst = max(heavy, key=lambda item: item[0].mouth_mpa)
        return (
            f"{len(heavy)} pipes are not known to stand by themselves: {worst[0].mouth_mpa:.2f} MPa above the mouth of "
            f"{worst[1].note}, {worst[0].toe_mpa:.1f} MPa at its toe. Pipes of this height are of zinc or wood, or hang from "
            "hooks (common practice, no source)"
        )
    flagged = [(s, p) for s, p in stresses if s.toe_flag]
    if not flagged:
        return ""
    worst = max(flagged, key=lambda item: item[0].toe_mpa)
    count = "1 pipe is" if len(flagged) == 1 else f"{len(flagged)} pipes are"
    return (
        f"{count} over 4 feet: by published repair reports such toes give way first; most is borne by {worst[1].note}, "
        f"{worst[0].toe_mpa:.1f} MPa"
    )

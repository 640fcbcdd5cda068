"""What a maker must know of a whole rank: said once for the rank, with what would mend it, never on every pipe."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import Final

from pipemetal.pipes.caps import MOST_OF_LENGTH
from pipemetal.pipes.languid import languid_shape
from pipemetal.pipes.mouth import CUT_UP_RANGE, FLUE_RANGE_MM, ISING_BEST, ISING_RANGE, flue_for_ising_mm, pressure_pa
from pipemetal.pipes.parts import WIDEST_TOE
from pipemetal.pipes.pipe import Pipe, span_text
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.statics import standing_stress, toe_stress_mpa
from pipemetal.pipes.walls import WallRule
from pipemetal.texts import Amount, Text

__all__ = ["rank_advice"]

STANDS_MPA: Final = 0.7
"""Stress above the mouth of a 16' open pipe of half tin, about the tallest that is made of pipe metal; taller ones are of zinc or
wood, or are held (common practice, no source)."""
TOE_MPA: Final = 3.0
"""Stress at the toe from which a rank is spoken of: well over the 1.8 MPa of an open 8' pipe, so that a sound organ's bass is
left alone (common practice, no source)."""
LEAST_CENTS: Final = 1.0
"""A cap that reaches less does not tune."""
WIDE_MOUTH: Final = 1.0 / 3.0
"""Share of the circumference over which a mouth is spoken of."""
HELD_MM: Final = 0.05
"""A size that differs by less from what was asked for was not held."""
SHARE_THAT_COUNTS: Final = 0.5
"""A rank is spoken of where at least this share of its pipes is concerned."""


def rank_advice(organ: Organ, rank: Rank, pipes: Sequence[Pipe]) -> tuple[Text, ...]:
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
        _standing(rank, made),
        _toe(rank, made),
        _bore(rank, made),
        _mouth(rank, made),
        _travel(organ, rank, made),
        _not_worked_out(rank),
    )
    return tuple(Text("{rank}: {words}", rank=rank.name, words=words) for words in said if words is not None)


_ISING_WORDS: Final = {
    (
        True,
        True,
    ): "Ising's number is {number} in the middle, pipes are said to work from {low} to {high}. On {note}, a flue of "
    "{flue} instead of {flue_now}, or a cut-up of {cut_up} instead of {cut_up_now}, would bring it to {best}; the voicer decides",
    (
        True,
        False,
    ): "Ising's number is {number} in the middle, pipes are said to work from {low} to {high}. On {note}, a flue of "
    "{flue} instead of {flue_now} would bring it to {best}; the voicer decides",
    (
        False,
        True,
    ): "Ising's number is {number} in the middle, pipes are said to work from {low} to {high}. On {note}, a cut-up of "
    "{cut_up} instead of {cut_up_now} would bring it to {best}; the voicer decides",
    (
        False,
        False,
    ): "Ising's number is {number} in the middle, pipes are said to work from {low} to {high}. On {note}, neither a "
    "flue nor a cut-up that may be named brings it to {best}; look at the wind and at the mouth's width",
}
"""By whether the flue and the cut-up that would mend it may be named."""


def _ising(organ: Organ, rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    wind = rank.wind_mm_water if rank.wind_mm_water is not None else organ.wind_mm_water
    known = [p for p in pipes if p.ising is not None]
    low, high = ISING_RANGE
    outside = [p for p in known if p.ising is not None and not low <= p.ising <= high]
    if wind is None or not known or len(outside) < SHARE_THAT_COUNTS * len(known):
        return None
    middle = sorted(outside, key=lambda p: p.key)[len(outside) // 2]
    number = median(p.ising for p in known if p.ising is not None)
    flue = flue_for_ising_mm(ISING_BEST, middle.frequency_hz, pressure_pa(wind), middle.cut_up_mm)
    cut_up = middle.cut_up_mm * ((middle.ising or ISING_BEST) / ISING_BEST) ** (2.0 / 3.0)
    share = round(cut_up, 1) / middle.mouth_width_mm
    flue_goes = FLUE_RANGE_MM[0] <= round(flue, 2) <= FLUE_RANGE_MM[1]
    cut_up_goes = CUT_UP_RANGE[0] <= share <= CUT_UP_RANGE[1] and rank.arch < share
    return Text(
        _ISING_WORDS[flue_goes, cut_up_goes],
        number=Amount(number, "", 1),
        low=Amount.short(low),
        high=Amount.short(high),
        note=middle.note,
        flue=Amount(flue, "mm", 2),
        flue_now=Amount(middle.flue_mm, "mm", 2),
        cut_up=Amount(cut_up, "mm", 1),
        cut_up_now=Amount(middle.cut_up_mm, "mm", 1),
        best=Amount.short(ISING_BEST),
    )


def _not_worked_out(rank: Rank) -> Text | None:
    """What of a rank is no sheet metal, or not known."""
    if rank.resonator is not None and rank.resonator.boot is not None:
        return Text("block, shallot, tongue, wedge and tuning wire are not sheet metal and not worked out")
    if rank.resonator is not None:
        return Text(
            "block, shallot, tongue, wedge and tuning wire are not sheet metal and not worked out; boots are not ordered, "
            "for the rank names none"
        )
    if rank.lips.made == "raised":
        return Text("how far raised lips thin the metal that they are driven out of is not worked out")
    if rank.lips.made == "applied":
        return Text("the body behind applied lips is counted whole")
    return None


def _walls(rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    if not isinstance(rank.wall, WallRule):
        return None
    beyond = [p for p in pipes if p.made == "cast" and p.diameter_mm > rank.wall.widest_mm]
    if not beyond or math.isinf(rank.wall.widest_mm):
        return None
    widest = max(beyond, key=lambda p: p.diameter_mm)
    return Text(
        "pipes wider than the wall table goes ({end}): {count}. Their walls go on as it ends, {wall} on {note} of {across}: "
        "look at them",
        count=len(beyond),
        end=Amount(rank.wall.widest_mm, "mm"),
        wall=Amount(widest.thickness_mouth_mm, "mm", 2),
        note=widest.note,
        across=Amount(widest.diameter_mm, "mm"),
    )


def _toe(rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    """Toes that were asked for and are held, so that the foot stays a cone."""
    asked = rank.toe_diameter_mm
    if asked is None:
        return None
    narrower = [p for p in pipes if 0.0 < p.toe_diameter_mm < asked - HELD_MM]
    wider = [p for p in pipes if p.toe_diameter_mm > asked + HELD_MM]
    if narrower:
        least = min(narrower, key=lambda p: p.toe_diameter_mm)
        return Text(
            "the toe of {asked} is too wide for {notes}: held at {share} % of the foot's upper end, {toe} on {note}. To mend it: "
            "a toe of {fits} or less, or none named, which goes with the diameter",
            asked=Amount(asked, "mm", 1),
            notes=span_text(narrower),
            share=round(100 * WIDEST_TOE),
            toe=Amount(least.toe_diameter_mm, "mm", 1),
            note=least.note,
            fits=Amount(math.floor(10.0 * least.toe_diameter_mm) / 10.0, "mm", 1),
        )
    if wider:
        most = max(wider, key=lambda p: p.toe_diameter_mm)
        return Text(
            "the toe of {asked} leaves no bore in the feet of {notes}: held at two walls, {toe} on {note}. To mend it: a wider "
            "toe, or none named, which goes with the diameter",
            asked=Amount(asked, "mm", 1),
            notes=span_text(wider),
            toe=Amount(most.toe_diameter_mm, "mm", 1),
            note=most.note,
        )
    return None


def _bore(rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    """Bores of the toe that were asked for, or that the mouth wants, and are held by a toe or a lining that was named."""
    if rank.toe_bore_mm is None and rank.toe_diameter_mm is None and rank.foot_lining is None:
        return None
    wanted = {p.id: rank.mouth.toe_bore(p.flue_mm, p.mouth_width_mm) for p in pipes if p.toe_bore_mm > 0.0}
    held = [p for p in pipes if p.id in wanted and p.toe_bore_mm < wanted[p.id] - HELD_MM]
    if not held:
        return None
    least = min(held, key=lambda p: p.toe_bore_mm)
    words = (
        "the bore that the mouth wants does not go into the toes of {notes}: held at {bore} instead of {asked} on {note}. "
        "To mend it: toe_bore_mm = {fits} or less"
    )
    if rank.toe_bore_mm is not None:
        words = (
            "the toe's bore of {asked} does not go into the toes of {notes}: held at {bore} on {note}. "
            "To mend it: toe_bore_mm = {fits} or less"
        )
    return Text(
        words,
        asked=Amount(wanted[least.id], "mm", 1),
        notes=span_text(held),
        bore=Amount(least.toe_bore_mm, "mm", 1),
        note=least.note,
        fits=Amount(_down(least.toe_bore_mm), "mm", 1),
    )


def _mouth(rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    """Mouths so wide that the lip pressed flat leaves little of the round body."""
    if rank.mouth_fraction <= WIDE_MOUTH or pipes[0].mouth_width_mm <= 0.0:
        return None
    widest = max(pipes, key=lambda p: p.diameter_mm)
    return Text(
        "a mouth of {share} of the circumference leaves a languid of {depth} in {note}, {across} wide inside: the body comes out "
        "flat. To mend it: mouth = 2/7, as wide as mouths usually are, or less (common practice, no source)",
        share=Amount(rank.mouth_fraction, "", 2),
        depth=Amount(languid_shape(widest.diameter_mm, widest.mouth_width_mm).depth_mm, "mm"),
        note=widest.note,
        across=Amount(widest.diameter_mm, "mm"),
    )


def _down(value: float) -> float:
    """A tenth or a little less: what is named as still going in goes in."""
    return math.floor(10.0 * value + 1e-6) / 10.0


def _travel(organ: Organ, rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    """Travels of caps that were asked for and are held at their share of the length, or that are none at all."""
    capped = [(p, p.cap) for p in pipes if p.cap is not None and p.cap.kind != "soldered"]
    fixed = [p for p, cap in capped if cap.sharp_cents < LEAST_CENTS]
    if fixed:
        return Text(
            "the caps of {notes} cannot be pressed down: {cents} cents are left to the tuner. To mend it: a longer travel_mm, or "
            "travel_cents; or a cap of the kind soldered",
            notes=span_text(fixed),
            cents=Amount(min(cap.sharp_cents for _, cap in capped), "", 1),
        )
    held = [(p, cap) for p, cap in capped if cap.asked_mm > 0.0]
    if not held:
        return None
    worst, cap = max(held, key=lambda item: item[1].asked_mm / item[0].body_length_mm)
    fits = Amount(_down(min(MOST_OF_LENGTH * p.body_length_mm for p, _ in held)), "mm", 1)
    mend = Text("travel_mm = {fits} or less in the cap, or travel_cents, which goes with the length", fits=fits)
    if cap.asked_by == "least_mm":
        mend = Text("least_mm = {fits} or less in the cap", fits=fits)
    elif cap.asked_by == "travel_cents":
        cents = math.floor(min(fit.sharp_cents for _, fit in held))
        mend = Text("travel_cents = {cents} or less in the cap", cents=cents)
    elif rank.cap.travel_mm is None and organ.allowances.cap_travel is not None:
        mend = Text("a cap of the rank's own with travel_mm = {fits} or less", fits=fits)
    return Text(
        "the cap's travel of {notes} is held at {share} % of the sounding length: {travel} instead of {asked} on {note}. "
        "To mend it: {mend}",
        notes=span_text([p for p, _ in held]),
        share=round(100 * MOST_OF_LENGTH),
        travel=Amount(MOST_OF_LENGTH * worst.body_length_mm, "mm", 1),
        asked=Amount(cap.asked_mm, "mm", 1),
        note=worst.note,
        mend=mend,
    )


def _standing(rank: Rank, pipes: Sequence[Pipe]) -> Text | None:
    stresses = [(standing_stress(p), p) for p in pipes if p.parts and p.made == "cast"]
    heavy = [(s, p) for s, p in stresses if s.mouth_mpa > STANDS_MPA]
    if heavy:
        stress, worst = max(heavy, key=lambda item: item[0].mouth_mpa)
        return Text(
            "pipes not known to stand by themselves: {count}; {mouth} MPa above the mouth of {note}, {toe} MPa at its toe. "
            "Pipes of this height are of zinc or wood, or hang from hooks (common practice, no source)",
            count=len(heavy),
            mouth=Amount(stress.mouth_mpa, "", 2),
            note=worst.note,
            toe=Amount(stress.toe_mpa, "", 1),
        )
    flagged = [(s, p) for s, p in stresses if s.toe_flag and s.toe_mpa > TOE_MPA]
    if not flagged:
        return None
    stress, worst = max(flagged, key=lambda item: item[0].toe_mpa)
    factor = _sturdy_factor(rank, [p for _, p in flagged])
    mend = Text("a lining in the foot (foot_lining), or hooks that bear a part of the weight")
    if factor is not None:
        mend = Text("foot_factor = {factor}, or a lining in the foot (foot_lining)", factor=Amount(factor, "", 2))
        toe = _roomy_toe_mm(rank, pipes, factor)
        if rank.toe_diameter_mm is not None and rank.toe_diameter_mm < toe:
            mend = Text(
                "foot_factor = {factor} with toe_diameter_mm = {toe} or more, for the toe that is named has no room for that "
                "wall; or a lining in the foot (foot_lining)",
                factor=Amount(factor, "", 2),
                toe=Amount(toe, "mm", 1),
            )
    return Text(
        "pipes over 4 feet with more than {limit} MPa at the toe: {count}, most on {note}, {toe} MPa. By published repair "
        "reports the toes of such pipes give way first. To mend it: {mend}",
        limit=Amount(TOE_MPA, "", 1),
        count=len(flagged),
        note=worst.note,
        toe=Amount(stress.toe_mpa, "", 1),
        mend=mend,
    )


def _roomy_toe_mm(rank: Rank, pipes: Sequence[Pipe], factor: float) -> float:
    """The least toe, to a tenth, in which the bore that every mouth wants goes with this factor's wall and the lining."""
    lining = rank.foot_lining.sheet_mm if rank.foot_lining is not None else 0.0
    toes = (
        rank.mouth.toe_bore(p.flue_mm, p.mouth_width_mm) + 2.0 * (p.thickness_mouth_mm * factor + lining)
        for p in pipes
        if p.toe_bore_mm > 0.0 and p.made == "cast"
    )
    return math.ceil(10.0 * max(toes) - 1e-6) / 10.0


def _sturdy_factor(rank: Rank, pipes: Sequence[Pipe]) -> float | None:
    """The foot_factor with which no toe of these bears more than TOE_MPA; None where no allowed one does it."""
    for hundredths in range(math.ceil(100 * rank.foot_factor - 1e-6), 301, 5):
        factor = hundredths / 100.0
        walls = ((p, p.thickness_mouth_mm * factor) for p in pipes)
        if all(toe_stress_mpa(p, wall) <= TOE_MPA for p, wall in walls):
            return factor
    return None

"""Old pipes for an organ's places: which of them to use as they are, to shorten, to lengthen, to round again, or to melt.

Every old pipe is tried in every place that its diameter could serve; what it would take to fit is weighed in points, and the
assignment with the fewest points in all is found by linear programming, whose best corner uses each pipe and each place once. The
weights are common practice, no source: they say what a shop would rather do, and stand below with their reasons.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.linear import Model
from pipemetal.pipes.caps import shifted_cents
from pipemetal.pipes.make import made_of_old, sounding_length_mm
from pipemetal.pipes.old import OldPipe
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.scale import REFERENCE_STEPS
from pipemetal.texts import Amount, Text

__all__ = ["Offer", "OldOne", "Reuse", "ReuseRules", "match_old", "offer"]

CYLINDERS: Final = ("open", "stopped", "chimney", "half_covered")
"""Constructions whose body is one cylinder, so that an old cylinder can serve; an old cone serves where the place is tapered."""
SETTLED: Final = 12
"""Rounds in which a cone's length and its top agree: each brings them nearer by the share that the top has in the length."""
LOST: Final = ("cracked", "corroded")
"""Conditions after which a pipe is metal only."""
ROUNDED: Final = ("dented", "oval")
TUNED_AT_THE_TOP: Final = ("cone", "slot")
"""Ways of tuning that leave metal over the sounding length until the pipe is in tune."""
HELD_MM: Final = 0.5
"""A length that differs by less is left alone."""
CONED_IN: Final = 0.006
"""Share of the sounding length that a body may lack, 10 cents: a top that is coned or rolled in makes up for it (common practice,
no source)."""
ABSURD_SHARE: Final = 0.02
ABSURD_MM: Final = 1.5
"""A wall over this share of the diameter and this much was read wrongly: thrice what any wall rule gives (common practice, no
source)."""
TORN_TOP: Final = 0.5
"""Diameters that are cut off a torn top (common practice, no source)."""
A_NEW_PIPE: Final = 10.0
"""Points of a new pipe: no old one is used that takes more."""
A_HALF_TONE: Final = 3.0
"""Points of a half tone of scale: a rank that jumps in its scale is heard."""
A_LENGTHENING: Final = 2.0
"""Points of a seam around, and as many again for a fifth of the length added: the joint is seen, the wall may jump."""
A_SHORTENING: Final = 0.5
A_FIFTH: Final = 0.2
A_ROUNDING: Final = 1.0
A_TOE: Final = 1.0
A_TENTH_THIN: Final = 1.0
"""Points of a wall a tenth thinner than wanted; a thicker one does no harm."""
A_TENTH_OF_MOUTH: Final = 1.0


@dataclass(frozen=True)
class ReuseRules:
    """How far an old pipe may be from its new place: half tones of scale, share of the length that is added, share of the wall
    that it may lack, and how much wider or narrower its mouth, and higher its cut-up, may be."""

    half_tones: float = 1.5
    lengthened: float = 0.35
    thinner: float = 0.25
    mouth: float = 0.2
    cut_up: float = 0.2


@dataclass(frozen=True)
class OldOne:
    """An old pipe of an old rank."""

    rank: str
    pipe: OldPipe

    @property
    def name(self) -> str:
        """Rank and note."""
        return f"{self.rank} {self.pipe.note}"


@dataclass(frozen=True)
class Offer:
    """An old pipe in a place of the organ.

    `longer_mm` is what is to be added (above 0) or cut off (below 0), none where what is there can be tuned at its top; `cents`
    what it would be sharp (above 0) or flat if it were left as it is; `half_tones` its scale against that of the place;
    `wall_mm`, `mouth_mm` and `cut_up_mm` what it has beyond what is wanted, None where it was not measured; `top_half_tones`
    the scale of a cone at its new top.
    """

    place: Pipe
    half_tones: float
    longer_mm: float
    cents: float
    wall_mm: float | None
    mouth_mm: float | None
    cut_up_mm: float | None
    points: float
    top_half_tones: float | None = None


@dataclass(frozen=True)
class Reuse:
    """What becomes of an old pipe: its place, or none, what is to be done in order, and why where it is melted."""

    old: OldOne
    offer: Offer | None
    todo: tuple[str, ...]
    why: str = ""

    @property
    def verdict(self) -> str:
        """reuse, shorten, lengthen, round again, melt, or measure (what was not measured is not condemned)."""
        if self.offer is None:
            return self.todo[0]
        return next((word for word in ("lengthen", "shorten", "round again") if word in self.todo), "reuse")


def _usable_mm(old: OldPipe) -> float | None:
    """Length of body that can be used."""
    if old.length_mm is None or old.diameter_mm is None:
        return old.length_mm
    return old.length_mm - (TORN_TOP * old.diameter_mm if old.condition == "top" else 0.0)


def offer(organ: Organ, rank: Rank, place: Pipe, old: OldPipe, rules: ReuseRules | None = None) -> Offer | None:
    """What an old pipe would be in a place; None where it cannot serve by the rules."""
    rules = rules or ReuseRules()
    length = _usable_mm(old)
    bodies = ("tapered",) if old.is_cone else CYLINDERS
    if old.diameter_mm is None or length is None or place.construction not in bodies or old.condition in LOST:
        return None
    half_tones = REFERENCE_STEPS * math.log2(old.diameter_mm / place.diameter_mm)
    if abs(half_tones) > rules.half_tones:
        return None
    try:
        made = _made(organ, rank, place, old)
    except PipeError:
        return None
    top = REFERENCE_STEPS * math.log2(made.top_diameter_mm / place.top_diameter_mm) if old.is_cone else None
    wanted = made.visible_length_mm or made.cut_length_mm
    longer, lacks = _changes(organ, rank, made, old, length)
    wall = None if old.thickness_mm is None else old.thickness_mm - place.thickness_mouth_mm
    mouth = None if old.mouth_width_mm is None else old.mouth_width_mm - place.mouth_width_mm
    cut_up = None if old.cut_up_mm is None else old.cut_up_mm - place.cut_up_mm
    outside = (
        top is not None and abs(top) > rules.half_tones,
        longer > rules.lengthened * wanted,
        wall is not None and wall < -rules.thinner * place.thickness_mouth_mm,
        mouth is not None and abs(mouth) > rules.mouth * place.mouth_width_mm,
        cut_up is not None and cut_up > rules.cut_up * place.cut_up_mm,
    )
    if any(outside):
        return None
    points = _points(place, old, max(abs(half_tones), abs(top or 0.0)), longer / wanted, wall, mouth)
    cents = _cents(organ, rank, made, lacks, old, length)
    return Offer(place, half_tones, longer, cents, wall, mouth, cut_up, points, top)


def _changes(organ: Organ, rank: Rank, made: Pipe, old: OldPipe, length_mm: float) -> tuple[float, float]:
    """What is to be added to an old body, and by how much it lacks its sounding length as it is.

    A body that is tuned at its open top serves as it is from the sounding length up to the length that a new one is cut to: what
    is over is what the cone or the slot still takes. Others must have the length that a new one is cut to.
    """
    wanted = made.visible_length_mm or made.cut_length_mm
    sounding = made.body_length_mm + _own_top_mm(organ, rank, made, old, length_mm)
    if made.visible_length_mm > 0.0 or rank.tuning not in TUNED_AT_THE_TOP or made.cap is not None:
        return wanted - length_mm, wanted - length_mm + sounding - made.body_length_mm
    serves = sounding * (1.0 - CONED_IN) <= length_mm <= wanted + HELD_MM
    return (0.0 if serves else wanted - length_mm), sounding - length_mm


def _own_top_mm(organ: Organ, rank: Rank, made: Pipe, old: OldPipe, length_mm: float) -> float:
    """How much longer an old cone must be with its own top than with the one that its place gives it; 0 for a cylinder."""
    if not old.is_cone:
        return 0.0
    own = replace(rank, top_ratio=old.top_share(length_mm))
    return _sounding_mm(organ, own, made, made.frequency_hz) - made.body_length_mm


def _sounding_mm(organ: Organ, rank: Rank, made: Pipe, hz: float) -> float:
    mean = made.cut_up_mm - rank.arch * made.mouth_width_mm / 3.0
    size = (made.diameter_mm, made.mouth_width_mm, mean, made.thickness_mouth_mm)
    return sounding_length_mm(rank, hz, organ.pitch.speed_m_s, *size)


def _made(organ: Organ, rank: Rank, place: Pipe, old: OldPipe) -> Pipe:
    """The old pipe in a place; a cone goes on with its own slope, so that its top follows the length that the place wants.

    Errors: PipeError where such a pipe cannot sound there, or would run to a point.
    """
    if not old.is_cone:
        return made_of_old(organ, rank, place, old)
    share = rank.top_ratio
    for _ in range(SETTLED):
        made = made_of_old(organ, replace(rank, top_ratio=share), place, old)
        share = old.top_share(made.body_length_mm if made.visible_length_mm else made.cut_length_mm)
    return made


def _points(
    place: Pipe, old: OldPipe, half_tones: float, longer: float, wall_mm: float | None, mouth_mm: float | None
) -> float:
    points = A_HALF_TONE * abs(half_tones)
    if longer > 0.0:
        points += A_LENGTHENING * (1.0 + longer / A_FIFTH)
    elif longer < 0.0:
        points += A_SHORTENING * (1.0 - longer / A_FIFTH)
    points += A_ROUNDING * (old.condition in ROUNDED) + A_TOE * (old.condition == "toe")
    points += A_TENTH_THIN * 10.0 * max(-(wall_mm or 0.0), 0.0) / place.thickness_mouth_mm
    return points + A_TENTH_OF_MOUTH * 10.0 * abs(mouth_mm or 0.0) / max(place.mouth_width_mm, 1.0)


def _cents(organ: Organ, rank: Rank, made: Pipe, lacks_mm: float, old: OldPipe, length_mm: float) -> float:
    """What a pipe is sharp that lacks so much of its sounding length; a cone as it is has its own top."""
    own = replace(rank, top_ratio=old.top_share(length_mm)) if old.is_cone else rank
    return -shifted_cents(lambda hz: _sounding_mm(organ, own, made, hz), made.frequency_hz, -lacks_mm)


def match_old(
    organ: Organ, places: Sequence[Pipe], olds: Sequence[OldOne], rules: ReuseRules | None = None
) -> tuple[Reuse, ...]:
    """What becomes of every old pipe, in their order. `places` are pipes that the organ would cast; others are passed over.

    Errors: ConvergenceError where the solver gives up.
    """
    ranks = {rank.name: rank for rank in organ.ranks}
    free = [p for p in places if p.made == "cast"]
    offers = {
        (number, place): found
        for number, old in enumerate(olds)
        for place, pipe in enumerate(free)
        if not _is_absurd(old.pipe)
        and (found := offer(organ, ranks[pipe.rank], pipe, old.pipe, rules)) is not None
        and found.points < A_NEW_PIPE
    }
    chosen = _assigned({pair: found.points for pair, found in offers.items()})
    taken = {number: offers[number, place] for number, place in chosen}
    return tuple(_reuse(old, taken.get(number), _why(old, number, offers)) for number, old in enumerate(olds))


def _assigned(points: dict[tuple[int, int], float]) -> list[tuple[int, int]]:
    """The pairs that together save most, each pipe and each place once."""
    if not points:
        return []
    model = Model()
    columns = {pair: model.column(cost=value - A_NEW_PIPE, low=0.0, high=1.0) for pair, value in points.items()}
    for side in (0, 1):
        rows: dict[int, dict[int, float]] = {}
        for pair, column in columns.items():
            rows.setdefault(pair[side], {})[column] = 1.0
        for row in rows.values():
            model.row(row, high=1.0)
    found = model.solve(relaxed=True, seconds=60.0)
    values = found.values if found is not None else ()
    return [pair for pair, column in columns.items() if values and values[column] > 0.5]


def _is_absurd(old: OldPipe) -> bool:
    """Whether a wall was measured that no pipe of such a diameter has."""
    if old.thickness_mm is None or old.diameter_mm is None:
        return False
    return old.thickness_mm > ABSURD_MM + ABSURD_SHARE * old.diameter_mm


def _why(old: OldOne, number: int, offers: dict[tuple[int, int], Offer]) -> str:
    pipe = old.pipe
    if pipe.condition in LOST:
        return f"it is {pipe.condition}"
    if pipe.diameter_mm is None or pipe.length_mm is None:
        return "its diameter or its length was not measured"
    if _is_absurd(pipe) and pipe.thickness_mm is not None:
        return Text(
            "no pipe so wide has a wall of {wall}: measure it again", wall=Amount.short(pipe.thickness_mm, "mm")
        )
    if any(key[0] == number for key in offers):
        return "others fit better where it would"
    return "it fits no place of this organ"


def _reuse(old: OldOne, found: Offer | None, why: str) -> Reuse:
    if found is None:
        lacking = old.pipe.diameter_mm is None or old.pipe.length_mm is None or _is_absurd(old.pipe)
        lacking = lacking and old.pipe.condition not in LOST
        return Reuse(old, None, ("measure" if lacking else "melt",), why)
    todo = []
    if old.pipe.condition == "top":
        todo.append("cut the torn top off")
    if old.pipe.condition in ROUNDED:
        todo.append("round again")
    if old.pipe.condition == "toe":
        todo.append("new toe")
    if found.longer_mm > HELD_MM:
        todo.append("lengthen")
    elif found.longer_mm < -HELD_MM:
        todo.append("shorten")
    if found.place.cap is not None:
        todo.append("new cap")
    if found.cut_up_mm is not None and found.cut_up_mm < -0.5:
        todo.append("cut the mouth up")
    elif found.cut_up_mm is not None and found.cut_up_mm > 0.5:
        todo.append("lower the upper lip")
    return Reuse(old, found, tuple(todo))

"""How fast a push went, by its marks, by its whole time, and by what the card asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Array
from pipemetal.texts import Amount, Text

__all__ = ["BY_CARD", "BY_TIME", "Timed", "push_scatter", "speeds", "with_sound_times"]

# How far a push may change its speed from end to end about what its crew always does, and bend between, in ln speed: where
# nothing is asked, and where the card's asked push is known and followed as crews do (estimates).
UNKNOWN_CHANGE, _UNKNOWN_BEND = 0.5, 0.15
_FOLLOWED_CHANGE, _FOLLOWED_BEND = 0.1, 0.04
# What tells how the speed went.
BY_MARKS, BY_CARD, BY_TIME = "marks", "card", "time"
# Fewer marks than this tell no shape of a push; places on which one is followed.
_ENOUGH_MARKS, _PLACES = 4, 101
# Fewest casts that tell how a shop keeps to its marks (estimate).
_ENOUGH_PUSHES = 4
# Paces (s/m) that a push can have, and how far off any may be (s/m).
_PACES_S_M, _ANY = (0.2, 20.0), 1e3
# A push slower than this sets in the sled, or was timed ten times over (estimate: a third less than the slowest that is asked).
_SLOWEST_M_S = 0.2
# Marks further than this times the length lie past the sheet; marks over so much of it tell its whole time, and a logged one
# that is off by so much (ln) contradicts them: a run-up counted in is not yet that (estimates).
# Times good to no more than this are taken by hand; a hand starts a watch so late or early (s; estimates: reaction).
_BY_HAND_S, _START_SD_S = 0.05, 0.2
# A mark this far off the line through the others (share of their time), and so many times further than any of them, is a slip
# of the pen: a push that doubles its speed bends by 0.1 (estimates).
_FAR_OFF, _FAR_TIMES = 0.3, 3.0
_PAST_END, _TELLING_SHARE, _CONTRADICTS = 1.01, 0.6, 0.25


@dataclass(frozen=True, eq=False)
class Timed:
    """Speed at some places, how ln speed changes with the three numbers of the timing (n, 3), and their covariance.

    ``by``: marks, card or time, whichever tells how the speed went. ``shapeless``: how much of a change of speed that the
    crew always makes the marks do not tell, in units of the widest doubt. ``misfit``: squares of the marks about the push
    over the stated timing, with ``freedom`` degrees. ``late_s``: how late the watch was started, by the other marks, where a
    hand started it.
    """

    speed_m_s: Array
    slopes: Array
    covariance: Array
    by: str
    shapeless: float
    misfit: float
    freedom: int
    late_s: float | None = None


def speeds(cast: LoggedCast, x_m: Array) -> Timed | Text:
    """Speed at places of a cast; words where its times tell none.

    The pace is that of the card's asked push, or an even one where none is known, times a level, a change and a bend: the
    level free, the others held by what crews do; everything by least squares from the marks, or from the whole time.
    """
    marks = sorted(cast.marks)
    if len(marks) < 2:
        if cast.push_time_s is None:
            return Text("no times were logged")
        marks = [(0.0, 0.0), (cast.length_mm * 1e-3, cast.push_time_s)]
    d, t = np.array(marks).T
    if np.any(np.diff(d) <= 0.0) or np.any(np.diff(t) <= 0.0):
        return Text("the marks do not rise in distance and time")
    usual = float(t[-1] - t[0]) / float(d[-1] - d[0])
    if usual > 1.0 / _SLOWEST_M_S:
        words = "its times make {a}, and nobody pushes slower than {b}: marks or times misread?"
        return Text(words, a=Amount(1.0 / usual, "m/s", 2), b=Amount.short(_SLOWEST_M_S, "m/s"))
    fine = np.linspace(0.0, max(cast.length_mm * 1e-3, float(d[-1]), float(x_m[-1])), _PLACES)
    asked = _asked_shape(cast, fine)
    change, bend = (UNKNOWN_CHANGE, _UNKNOWN_BEND) if asked is None else (_FOLLOWED_CHANGE, _FOLLOWED_BEND)
    along = fine / (cast.length_mm * 1e-3) - 0.5
    shape = np.ones(_PLACES) if asked is None else asked
    # paces of level, change and bend; their integrals are the times
    paces = shape[:, None] * np.column_stack([np.ones(_PLACES), along, 4.0 * along**2 - 1.0 / 3.0])
    times = np.vstack([np.zeros(3), np.cumsum(0.5 * (paces[1:] + paces[:-1]) * np.diff(fine)[:, None], axis=0)])
    design = np.column_stack([np.ones(len(d)), _at(d, fine, times)])
    # a watch that people start by hand starts late, which the other marks tell
    timing_sd = np.full(len(d), max(cast.timing_sd_s, 1e-3))
    by_hand = t[0] == 0.0 and len(d) >= _ENOUGH_MARKS and cast.timing_sd_s >= _BY_HAND_S
    timing_sd[0] = math.hypot(timing_sd[0], _START_SD_S if by_hand else 0.0)
    held = np.diag([0.0, _ANY**-2.0, (change * usual) ** -2.0, (bend * usual) ** -2.0])
    scaled = design / timing_sd[:, None]
    covariance = np.linalg.inv(scaled.T @ scaled + held + 1e-9 * np.eye(4))
    terms = covariance @ (scaled.T @ (t / timing_sd))
    rows = _at(x_m, fine, paces)
    pace = rows @ terms[1:]
    if np.any(pace <= _PACES_S_M[0]) or np.any(pace > _PACES_S_M[1]):
        words = "the marks give no speed that a push can have"
        return Text(words if cast.marks else "the times give no speed that a push can have")
    slopes = -rows / pace[:, None]
    # the logarithm of a pace that the watch scatters lies low on the mean: by half its variance
    scatter = (covariance @ (scaled.T @ scaled) @ covariance)[1:, 1:]
    unsure = np.einsum("ni,ij,nj->n", slopes, scatter, slopes)
    told = 1.0 - min(float(covariance[2, 2]) / (change * usual) ** 2, 1.0)
    off = t - design @ terms
    misfit = float(np.sum(np.square(off / timing_sd)))
    return Timed(
        np.exp(-0.5 * np.minimum(unsure, 0.05)) / pace,
        slopes,
        covariance[1:, 1:],
        BY_MARKS if len(marks) >= _ENOUGH_MARKS else BY_TIME if asked is None else BY_CARD,
        (1.0 - told) * change / UNKNOWN_CHANGE,
        misfit,
        max(len(marks) - 4, 0),
        float(off[0]) if by_hand else None,
    )


def _at(x_m: Array, fine: Array, columns: Array) -> Array:
    found: Array = np.column_stack([np.interp(x_m, fine, column) for column in columns.T])
    return found


def _asked_shape(cast: LoggedCast, fine: Array) -> Array | None:
    """The pace that the card asked for over its mean, at places; None where it is not known."""
    asked = np.array(sorted(cast.asked_marks)).reshape(-1, 2)
    if len(asked) < _ENOUGH_MARKS or np.any(np.diff(asked, axis=0) <= 0.0):
        return None
    paces = np.diff(asked[:, 1]) / np.diff(asked[:, 0])
    middles = 0.5 * (asked[1:, 0] + asked[:-1, 0])
    # a smooth push: its pace as a square of the distance, by the pieces between the marks
    share = middles / fine[-1]
    shape: Array = np.polyval(np.polyfit(share, paces, 2), fine / fine[-1]) / float(paces.mean())
    return shape if float(shape.min()) > 0.2 and float(shape.max()) < 5.0 else None


def _odd_mark(marks: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """A mark that stands further off the line through the others than a push can bend; none where there is no such one.

    Only one that leaves a smooth push behind is told: marks that all disagree speak of no single slip.
    """
    if len(marks) < _ENOUGH_MARKS:
        return None
    offs = {m: _bent(m, [o for o in marks if o != m]) for m in marks}
    worst = max(offs, key=lambda m: offs[m][0] - offs[m][1])
    off, rest = offs[worst]
    if off > _FAR_OFF and off > _FAR_TIMES * rest:
        return worst
    if len(marks) <= _ENOUGH_MARKS or _can_be(marks):
        return None
    mending = [m for m in marks if _can_be([o for o in marks if o != m])]
    return min(mending, key=lambda m: offs[m][1], default=None)


def _can_be(marks: Sequence[tuple[float, float]]) -> bool:
    """Whether a sled can pass from mark to mark so."""
    d, t = np.array(sorted(marks)).T
    return bool(np.all(np.diff(d) > 0.0)) and bool(np.all(np.diff(t) > _PACES_S_M[0] * np.diff(d)))


def _bent(mark: tuple[float, float], others: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """How far a mark lies from the straight line through others, and the furthest of those, as shares of their time."""
    d, t = np.array(others).T
    span = float(np.ptp(t))
    if span <= 0.0 or float(np.ptp(d)) <= 0.0:
        return 0.0, 0.0
    line = np.polyfit(d, t, 1)
    return (
        abs(mark[1] - float(np.polyval(line, mark[0]))) / span,
        float(np.abs(t - np.polyval(line, d)).max()) / span,
    )


def push_scatter(casts: Sequence[LoggedCast]) -> float:
    """How far pushes keep off the pace that their cards asked for, in ln speed, root mean square; zero where few casts hold
    both the asked and the timed marks.
    """
    offs = []
    for cast in casts:
        marks, asked = sorted(cast.marks), sorted(cast.asked_marks)
        if len(marks) < _ENOUGH_MARKS or len(asked) < _ENOUGH_MARKS or not _can_be(marks) or not _can_be(asked):
            continue
        ends = max(marks[0][0], asked[0][0]), min(marks[-1][0], asked[-1][0])
        if ends[1] - ends[0] > _TELLING_SHARE * 1e-3 * cast.length_mm:
            took, meant = (float(np.ptp(np.interp(ends, *np.array(each).T))) for each in (marks, asked))
            offs.append(math.log(took / meant))
    return float(np.sqrt(np.mean(np.square(offs)))) if len(offs) >= _ENOUGH_PUSHES else 0.0


def with_sound_times(cast: LoggedCast) -> tuple[LoggedCast, tuple[Text, ...]]:
    """The cast without marks past the sheet's end and without a whole time that its marks contradict; what was dropped."""
    end_m = 1e-3 * cast.length_mm
    past = [(d, t) for d, t in cast.marks if d > _PAST_END * end_m]
    beyond, end = "mark of {t} s at {d} lies past the sheet's end at {end}: dropped", Amount.short(end_m, "m")
    told = [Text(beyond, t=Amount.short(t), d=Amount.short(d, "m"), end=end) for d, t in past]
    marks = tuple(m for m in cast.marks if m not in past)
    while (odd := _odd_mark(marks)) is not None:
        words = "mark of {t} s at {d} stands far off the others: dropped"
        told.append(Text(words, t=Amount.short(odd[1]), d=Amount.short(odd[0], "m")))
        marks = tuple(m for m in marks if m != odd)
    whole = cast.push_time_s
    if whole is not None and len(marks) >= 2:
        (d0, t0), (d1, t1) = min(marks), max(marks)
        by_marks = (t1 - t0) / (d1 - d0) * end_m if d1 > d0 else 0.0
        if d1 - d0 > _TELLING_SHARE * end_m and by_marks > 0.0 and abs(math.log(whole / by_marks)) > _CONTRADICTS:
            words = "push_time_s {a} contradicts the marks, which make it {b} s: marks kept, it dropped"
            told.append(Text(words, a=Amount.short(whole), b=Amount(by_marks, "", 1)))
            whole = None
    return (replace(cast, marks=marks, push_time_s=whole) if told else cast), tuple(told)

"""After a cast is measured: why it came out so, in millimetres, and what the next one should change."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.calibrate import Calibration, calibrate
from pipemetal.casting.gateless import with_forgotten_gates
from pipemetal.casting.laying import Box, film_of_push
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import TWO_SIDED_95, Array, CastingTable, Gate, laid_thickness_mm
from pipemetal.casting.push import Push, Station, thickness_from_push
from pipemetal.casting.reduce import ReducedCast, reduced
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.wanted import EASY_SPEED_M_S, Outfit, checked_metal
from pipemetal.errors import CastingError
from pipemetal.texts import Amount, Text, Unit, Value, joined

__all__ = ["Cause", "Explanation", "expected_stations", "explain", "law_of_cast"]

CAUSES = ("gate", "fill", "speed", "temperature")
_PLACES = 25
# Corrections smaller than this are not worth a change of habit: people do not push more evenly (common practice, no
# source).
_LEAST_CHANGE = 0.02
# Share of a standard deviation of the times that is tried to see what it moves.
_SMALL_STEP = 0.1
# A gate is told within this factor of the one that was set, for further off the cast says little (estimate).
_GATE_REACH, _HALVINGS = 1.5, 12
# A power of the speed below this is hardly any (estimate).
_SLOW_TO_ANSWER = 0.2


@dataclass(frozen=True, slots=True)
class Cause:
    """What one cause adds to the thickness, in mm, at the beginning, the middle and the end, and on the mean; with
    its words.
    """

    name: str
    start_mm: float
    middle_mm: float
    end_mm: float
    mean_mm: float
    words: Text


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a cast came out as it did against another: ``measured_mean_mm`` is ``reference_mean_mm`` and all causes
    together.

    ``reference_mean_mm`` is what the shop's own numbers say this sheet had been with the other cast's gate, charge,
    speed and temperature. The last cause is what these do not explain; ``within_scatter`` says whether it is the
    shop's usual luck.
    """

    cast: str
    reference: str
    measured_mean_mm: float
    expected_mean_mm: float
    reference_mean_mm: float
    causes: tuple[Cause, ...]
    within_scatter: bool
    next_words: Text
    rests_on: Text


def explain(
    cast_id: str, casts: Sequence[LoggedCast], found: Calibration | None = None, reference_id: str | None = None
) -> Explanation:
    """Why a logged cast came out so.

    Arguments:
        casts: the log. found: its calibration, if it is at hand. reference_id: the cast to compare with; without it
            the cast before this one in the log that is nearest in gate, or the nearest after it.
    Raises:
        CastingError: a cast that is not in the log or that cannot be used, with the reason.
    Sources: each cause by its mean share over all orders in which the causes can be changed (Shapley, Contributions
        to the Theory of Games II (1953); not checked), so that they add up exactly.
    """
    casts = with_forgotten_gates(casts)
    found = found or calibrate(casts)
    cast, mine = _usable(cast_id, casts)
    other_id = reference_id or _nearest(cast, casts)
    other, theirs = _usable(other_id, casts)
    push = _Push(cast, mine, law_of_cast(found, cast))
    own, its = _settings(cast, mine), _settings(other, theirs)
    profiles = {
        chosen: push.solid_mm(
            own[0] if 0 in chosen else its[0],
            own[1] if 1 in chosen else its[1],
            own[2] if 2 in chosen else its[2],
            own[3] if 3 in chosen else its[3],
        )
        for n in range(5)
        for chosen in itertools.combinations(range(4), n)
    }
    measured = np.interp(push.x_m, mine.x_m, 1e3 * mine.film_m) / laid_thickness_mm(cast.composition, 1.0)
    expected, base = profiles[tuple(range(4))], profiles[()]
    causes = [_cause(CAUSES[k], _share(profiles, k), _change(k, own, its)) for k in range(4)]
    scatter = math.hypot(found.law.cast_scatter, found.law.station_scatter / math.sqrt(len(mine.x_m)))
    off = math.log(float(measured.mean()) / float(expected.mean()))
    usual = abs(off) < TWO_SIDED_95 * scatter
    causes.append(
        _cause(
            "the rest",
            measured - expected,
            Text("the shop's usual scatter")
            if usual
            else Text("more than the shop's usual scatter: gate, fill or times misread, or something new"),
        )
    )
    return Explanation(
        cast.id,
        other.id,
        float(measured.mean()),
        float(expected.mean()),
        float(base.mean()),
        tuple(causes),
        usual,
        _next_words(cast, mine, push),
        Text("{a} logged casts of this shop; a guide", a=found.casts_used),
    )


def law_of_cast(found: Calibration, cast: LoggedCast) -> ShopLaw:
    """The shop's law for the groups that a logged cast belonged to."""
    names = {
        "gate": cast.gate_name,
        "sled": cast.sled_name or f"{cast.sled.inner_width_mm:.0f} wide",
        "cloth": cast.cloth_name,
        "crew": cast.crew,
        "table": cast.table_name,
    }
    return found.law.for_cast(**names)


def expected_stations(cast_id: str, casts: Sequence[LoggedCast], found: Calibration) -> tuple[Station, ...]:
    """What a logged cast's own push should have given along the sheet, with its band.

    The band holds what the law, cast and place leave open, and what the watch does: marks taken by hand tell the
    speed at a place to some ten percent only.
    Raises:
        CastingError: a cast that is not in the log, cannot be used, or ran its sled empty.
    """
    cast, got = _usable(cast_id, casts)
    law = law_of_cast(found, cast)
    x = np.linspace(0.0, cast.length_mm * 1e-3, _PLACES)

    outfit = _outfit(cast)

    def pushed(quicker: Array) -> tuple[Station, ...]:
        speed = np.clip(np.interp(x, got.x_m, got.speed_m_s * np.exp(quicker)), 0.05, 5.0)
        push = Push(cast.composition, _pour_c(cast), cast.charge_kg, cast.opening_mm, x, speed, _table_c(cast))
        return thickness_from_push(push, outfit, law)

    expected = pushed(np.zeros_like(got.speed_m_s))
    thickness = np.array([s.thickness_mm for s in expected])
    # the three ways in which the times may be off, each tried a little: what it moves, head and all
    ways = got.speed_slopes @ np.linalg.cholesky(got.speed_covariance)
    moved = [np.log([s.thickness_mm for s in pushed(_SMALL_STEP * way)]) - np.log(thickness) for way in ways.T]
    timing_sd = np.sqrt(np.sum(np.square(moved), axis=0)) / _SMALL_STEP
    reach = np.exp(
        [
            math.hypot(math.log(s.high_mm / s.thickness_mm), TWO_SIDED_95 * sd)
            for s, sd in zip(expected, timing_sd, strict=True)
        ]
    )
    return tuple(
        Station(s.distance_m, s.thickness_mm, s.thickness_mm / float(r), s.thickness_mm * float(r))
        for s, r in zip(expected, reach, strict=True)
    )


def _pour_c(cast: LoggedCast) -> float:
    return liquidus(cast.composition).temperature_c + cast.superheat_k


def _table_c(cast: LoggedCast) -> float:
    return 20.0 if cast.table_temperature_c is None else cast.table_temperature_c


def _outfit(cast: LoggedCast) -> Outfit:
    table = CastingTable(20000.0, 5000.0, slope_mm_m=cast.slope_mm_m)
    return Outfit(cast.sled, Gate(cast.lip_mm, 0.3, 20.0), table, run_up_mm=cast.run_up_mm or 0.0)


def _usable(cast_id: str, casts: Sequence[LoggedCast]) -> tuple[LoggedCast, ReducedCast]:
    cast = next((c for c in casts if c.id == cast_id), None)
    if cast is None:
        raise CastingError("is not in the log", field="id", value=cast_id, allowed=", ".join(c.id for c in casts[:12]))
    got = reduced(cast)
    if isinstance(got, str):
        raise CastingError(Text("cannot be explained: {got}", got=got), field="id", value=cast_id)
    return cast, got


def _nearest(cast: LoggedCast, casts: Sequence[LoggedCast]) -> str:
    at = [c.id for c in casts].index(cast.id)
    usable = [(i, c) for i, c in enumerate(casts) if i != at and not isinstance(reduced(c), str)]
    if not usable:
        raise CastingError("needs another cast to be compared with", field="id", value=cast.id)
    return min(usable, key=lambda p: (p[0] > at, abs(math.log(p[1].opening_mm / cast.opening_mm)), abs(p[0] - at)))[
        1
    ].id


Settings = tuple[float, float, tuple[Array, Array], float]


def _settings(cast: LoggedCast, got: ReducedCast) -> Settings:
    """Gate, charge per length and width of sheet carried onto this one, speed along the shares of the length,
    superheat.
    """
    return cast.opening_mm, cast.charge_kg, (got.x_m / (cast.length_mm * 1e-3), got.speed_m_s), cast.superheat_k


@dataclass(frozen=True, eq=False)
class _Push:
    """This cast's sheet, sled and metal, pushed with other settings."""

    cast: LoggedCast
    got: ReducedCast
    law: ShopLaw

    @property
    def x_m(self) -> Array:
        return np.linspace(0.0, self.cast.length_mm * 1e-3, _PLACES)

    def solid_mm(self, gate_mm: float, charge_kg: float, pace: tuple[Array, Array], superheat_k: float) -> Array:
        """Thickness along the sheet; the run-up is what was logged, or none."""
        cast = self.cast
        pour_c = liquidus(cast.composition).temperature_c + superheat_k
        metal = checked_metal(cast.composition, round(pour_c, 1), cast.sled, _table_c(cast))
        box = Box.of(cast.sled, Gate(lip_mm=cast.lip_mm), gate_mm, metal, self.law, cast.slope_mm_m)
        speed = np.interp(self.x_m / self.x_m[-1], *pace)
        run_up_m = 1e-3 * (cast.run_up_mm or 0.0)
        laid = film_of_push(box, self.x_m, speed, charge_kg, run_up_m, may_run_empty=True)
        assert not isinstance(laid, str)
        return np.asarray(1e3 * laid.film_m / laid_thickness_mm(cast.composition, 1.0))


def _share(profiles: dict[tuple[int, ...], Array], cause: int) -> Array:
    others = [k for k in range(4) if k != cause]
    total = np.zeros(_PLACES)
    for n in range(4):
        weight = math.factorial(n) * math.factorial(3 - n) / math.factorial(4)
        for chosen in itertools.combinations(others, n):
            total += weight * (profiles[tuple(sorted((*chosen, cause)))] - profiles[chosen])
    return total


GATE_CHANGED: Final = "gate from {a} to {b}"
CHARGE_CHANGED: Final = "fill from {a} to {b}"
PUSH_CHANGED: Final = "push from {a} to {b} on the mean"
HEAT_CHANGED: Final = "metal from {a} to {b} over the liquidus"

SAME: Final = (
    "gate as before, {a}",
    "fill as before, {a}",
    "push as before, {a} on the mean",
    "metal as before, {a} over the liquidus",
)


def _cause(name: str, along: Array, words: Text) -> Cause:
    return Cause(name, float(along[0]), float(along[_PLACES // 2]), float(along[-1]), float(along.mean()), words)


def _change(cause: int, own: Settings, its: Settings) -> Text:
    words: tuple[str, ...] = (GATE_CHANGED, CHARGE_CHANGED, PUSH_CHANGED, HEAT_CHANGED)
    units: tuple[Unit, ...] = ("mm", "kg", "m/s", "K")
    before, now = ((s[0], s[1], float(s[2][1].mean()), s[3])[cause] for s in (its, own))
    unit, decimals = units[cause], 2 if cause == 2 else 1
    if before != now and round(before, decimals) == round(now, decimals):
        decimals += 1
    if round(before, decimals) == round(now, decimals):
        return Text(SAME[cause], a=Amount(now, unit, decimals))
    return Text(words[cause], a=Amount(before, unit, decimals, bare=True), b=Amount(now, unit, decimals))


def _reach(push: _Push, now: Settings, wanted_mm: float) -> tuple[float | None, float | None]:
    """By what factor the push must be quicker for a mean thickness at the same gate, and at which gate it comes at the same
    push; None where no push that people can follow does it, or no gate near this one.
    """
    gate, charge, pace, superheat = now
    slowest, fastest = float(pace[1].min()), float(pace[1].max())
    quicker = (min(EASY_SPEED_M_S[0] / slowest, 1.0), max(EASY_SPEED_M_S[1] / fastest, 1.0))

    def at_factor(factor: float) -> float:
        return float(push.solid_mm(gate, charge, (pace[0], factor * pace[1]), superheat).mean())

    def at_gate(opening_mm: float) -> float:
        return float(push.solid_mm(opening_mm, charge, pace, superheat).mean())

    by_speed = _crossing(at_factor, quicker, wanted_mm)
    if push.cast.gate_mm == 0.0:
        return by_speed, None
    usual = Gate()
    openings = (max(usual.smallest_mm, gate / _GATE_REACH), min(usual.largest_mm, gate * _GATE_REACH))
    return by_speed, _crossing(at_gate, openings, wanted_mm)


def _crossing(value: Callable[[float], float], ends: tuple[float, float], wanted: float) -> float | None:
    """Where between two ends a value that rises or falls all along is the wanted one; None where it is not there."""
    low, high = ends
    at_low, at_high = value(low), value(high)
    if high <= low or (at_low - wanted) * (at_high - wanted) > 0.0:
        return None
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if (value(middle) - wanted) * (at_low - wanted) > 0.0 else (low, middle)
    return 0.5 * (low + high)


BY_EITHER: Final = (
    "for the wanted {a} to {b}: push {c} % {how} at the same gate, or set the gate to {d} at the same push; not both"
)
BY_PUSH: Final = "for the wanted {a} to {b}: push {c} % {how} at the same gate"
BY_GATE: Final = (
    "for the wanted {a} to {b}: set the gate to {d} at the same push; no push that people can follow does it alone"
)
BY_NEITHER: Final = (
    "for the wanted {a} to {b}: neither a push that people can follow nor a gate near this one does it alone; "
    "ask for a new card"
)


def _change_words(reach: tuple[float | None, float | None], meant: Mapping[str, Value]) -> Text:
    """What to change, only of what can be done."""
    by_speed, gate_mm = reach
    values: dict[str, Value] = dict(meant)
    if by_speed is not None:
        values |= {"c": Amount(abs(100.0 * (by_speed - 1.0))), "how": Text("faster" if by_speed > 1.0 else "slower")}
    if gate_mm is not None:
        values["d"] = Amount(gate_mm, "mm", 1)
    if by_speed is not None:
        return Text(BY_PUSH if gate_mm is None else BY_EITHER, **values)
    return Text(BY_NEITHER if gate_mm is None else BY_GATE, **values)


def _next_words(cast: LoggedCast, got: ReducedCast, push: _Push) -> Text:
    """What to change for the wanted sheet: the same gate with another speed, or the same speed with another gate."""
    gate, charge, pace, superheat = _settings(cast, got)
    expected = push.solid_mm(gate, charge, pace, superheat)
    if cast.wanted_start_mm is None:
        wider, faster = (
            push.solid_mm(gate + 0.1, charge, pace, superheat),
            push.solid_mm(gate, charge, (pace[0], 1.03 * pace[1]), superheat),
        )
        words = (
            "a gate {w} wider gives {a}, a push 3 % faster {b}; log the wanted thickness to be told which and how much"
        )
        more = [Amount(float((x - expected).mean()), "mm", 2, signed=True) for x in (wider, faster)]
        return Text(words, w=Amount(0.1, "mm", 1), a=more[0], b=more[1])
    wanted = np.linspace(cast.wanted_start_mm, cast.wanted_end_mm or cast.wanted_start_mm, _PLACES)
    meant = {"a": Amount(float(wanted[0]), "mm", 2, bare=True), "b": Amount(float(wanted[-1]), "mm", 2)}
    off = math.log(float(wanted.mean()) / float(expected.mean()))
    if abs(off) < _LEAST_CHANGE:
        words = (
            "change nothing: the same settings are expected to give the wanted {a} to {b} within 2 %; the rest was luck"
        )
        return Text(words, **meant)
    told = _change_words(_reach(push, (gate, charge, pace, superheat), float(wanted.mean())), meant)
    faster = push.solid_mm(gate, charge, (pace[0], 1.1 * pace[1]), superheat)
    if abs(math.log(float(faster.mean()) / float(expected.mean()))) < _SLOW_TO_ANSWER * math.log(1.1):
        told = joined((told, Text("speed hardly changes such a sheet")))
    taper = (wanted[-1] - wanted[0]) - (expected[-1] - expected[0])
    if abs(taper) <= 0.05:
        return told
    words = "and quicken {much} along the table, the end is {e} off its taper"
    much = Text("less" if taper > 0.0 else "more")
    return joined((told, Text(words, much=much, e=Amount(-float(taper), "mm", 2, signed=True))))

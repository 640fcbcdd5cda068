"""The push card: fill, gate, speed and marks for a wanted sheet; and the sheet that a push gives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.laying import Box, Laid, film_of_push, used_of_film_kg
from pipemetal.casting.model import TWO_SIDED_95, Array, checked, laid_thickness_mm
from pipemetal.casting.outside import outside_words
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.wanted import (
    EASY_SPEED_M_S,
    LEAST_HEAD_GATES,
    MISS_TOLD,
    Outfit,
    Task,
    Wanted,
    best_push,
    checked_metal,
)
from pipemetal.errors import CastingError
from pipemetal.quantities import CAST
from pipemetal.texts import Amount, Text, Value, joined

__all__ = ["Mark", "Push", "PushCard", "SheetSpread", "Station", "push_card", "scoops_of", "thickness_from_push"]

THIN_WARNING_MM = 0.8
_PLACES = 81
_MARK_EVERY_M = 0.5
_BEAT_S = 0.5
# Speeds that change less than this are even to people (ln).
_EVEN = 0.05
# A ladle is never filled nearer than this share of it (common practice, no source).
_LADLE_SLACK = 0.03
# What scale and ladle leave unsure of the metal in the sled (estimate).
_SCALE_KG = 0.4


@dataclass(frozen=True, slots=True)
class Mark:
    """Where the gate is, when, and how fast: distance from the sheet's beginning, time since the gate passed it."""

    distance_m: float
    time_s: float
    speed_m_s: float


@dataclass(frozen=True, slots=True)
class Station:
    """Thickness of the solid sheet at a distance, with the interval that 95 of 100 places keep to."""

    distance_m: float
    thickness_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class SheetSpread:
    """How a sheet comes out about what its card expects, in ln thickness (one standard deviation): the whole sheet together,
    its ends against each other, and from place to place.
    """

    level: float
    taper: float
    scatter: float


@dataclass(frozen=True, slots=True)
class PushCard:
    """Everything for one push. A guide: the caster's eye and the look of the metal in the sled decide.

    ``charge_kg`` is the metal in the sled when the push starts, ``left_kg`` what is in it at the end;
    ``poured_mass_kg`` is on the table, run-up strip included. ``marks`` are even in distance, ``beats`` even in time
    (``beat_s``). ``speed_change`` says in words whether the push quickens or slows and why; ``rests_on`` what the
    intervals rest on, and ``regime`` which explanation of this shop's casts is the likeliest. ``spread`` parts the
    intervals into what is the whole sheet's and what is a place's.
    """

    charge_kg: float
    left_kg: float
    scoops: int
    gate_mm: float
    marks: tuple[Mark, ...]
    beats: tuple[Mark, ...]
    beat_s: float
    thickness: tuple[Station, ...]
    speed_change: Text
    warnings: tuple[Text, ...]
    poured_mass_kg: float
    run_up_mm: float
    run_up_mass_kg: float
    run_up_time_s: float
    push_time_s: float
    head_start_mm: float
    head_end_mm: float
    laid_width_mm: float
    pour_temperature_c: float
    rests_on: Text
    regime: str = ""
    spread: SheetSpread = SheetSpread(0.0, 0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Push:
    """A push: metal, its temperature and mass in the sled, gate, and the speed at distances that rise from zero."""

    comp: Composition
    pour_temperature_c: float
    charge_kg: float
    gate_mm: float
    distance_m: Sequence[float] | Array
    speed_m_s: Sequence[float] | Array
    table_c: float = field(default=20.0)


def push_card(
    want: Wanted,
    outfit: Outfit,
    law: ShopLaw | None = None,
    *,
    gate_mm: float | None = None,
    charge_kg: float | None = None,
) -> PushCard:
    """Fill, gate, speed and marks that cast a sheet.

    Arguments:
        want: the sheet; the sled lays its whole inner width, what is beyond the sheet's is trim. outfit: what it is
        cast with. law: the shop's own; the prior if not given. gate_mm, charge_kg: given, they are kept; otherwise
            chosen for a smooth push of 0.4 to 1.6 m/s, whole ladles and little left.
    Raises:
        CastingError: a sheet that cannot be cast, with what would be allowed.
    Sources: docs/casting.md; none of it has been checked against a published cast, for there is none.

    >>> from pipemetal.casting.model import Sled
    >>> want = Wanted(Composition.parse("Sn 50 Pb bal"), 195, 4500, 760, 2.0, 1.5)
    >>> card = push_card(want, Outfit(Sled(250, 760)))
    >>> card.scoops, card.marks[-1].speed_m_s > card.marks[0].speed_m_s
    (6, True)
    """
    law = law or ShopLaw.prior()
    gate = outfit.gate
    if gate_mm is not None:
        checked("gate_mm", gate_mm, gate.smallest_mm, gate.largest_mm, "mm")
    task = Task.of(want, outfit, law)
    opening_mm, charge, laid = best_push(task, gate_mm, charge_kg)
    slowest, fastest = float(laid.speed_m_s.min()), float(laid.speed_m_s.max())
    box = task.box(opening_mm)
    places = np.linspace(0.0, task.length_m, max(5, round(task.length_m / _MARK_EVERY_M) + 1))
    evenly = np.append(np.arange(0.0, task.length_m - 0.25 * _MARK_EVERY_M, _MARK_EVERY_M), task.length_m)
    push_time = float(laid.time_s[-1])
    beats = np.arange(0.0, push_time + 1e-9, _BEAT_S)
    stations = _stations(want.comp, box, laid, places)
    return PushCard(
        charge_kg=charge,
        left_kg=laid.left_kg,
        scoops=scoops_of(charge, outfit.ladle_kg),
        gate_mm=opening_mm,
        marks=tuple(_mark(laid, float(d), float(np.interp(d, laid.x_m, laid.time_s))) for d in evenly),
        beats=tuple(_mark(laid, float(np.interp(s, laid.time_s, laid.x_m)), float(s)) for s in beats),
        beat_s=_BEAT_S,
        thickness=stations,
        speed_change=_speed_change(task, box, laid),
        warnings=_warnings(task, opening_mm, laid, stations, (slowest, fastest)),
        poured_mass_kg=charge - laid.left_kg,
        run_up_mm=outfit.run_up_mm,
        run_up_mass_kg=laid.run_up_kg,
        run_up_time_s=2e-3 * outfit.run_up_mm / float(laid.speed_m_s[0]),
        push_time_s=push_time,
        head_start_mm=1e3 * float(laid.head_m[0]),
        head_end_mm=1e3 * float(laid.head_m[-1]),
        laid_width_mm=outfit.sled.inner_width_mm,
        pour_temperature_c=want.pour_temperature_c,
        rests_on=_rests_on(law),
        regime=next(iter(law.regimes)),
        spread=_spread(box, laid),
    )


def scoops_of(charge_kg: float, ladle_kg: float) -> int:
    """How often a ladle is emptied for a charge: whole ladles and what is left of one; no scale tells a hundredth of it.

    >>> scoops_of(68.04, 25.0 * 0.45359237), scoops_of(70.0, 11.34), scoops_of(5.0, 11.34)
    (6, 7, 1)
    """
    return max(math.ceil(charge_kg / ladle_kg - _LADLE_SLACK), 1)


def thickness_from_push(push: Push, outfit: Outfit, law: ShopLaw | None = None) -> tuple[Station, ...]:
    """The solid sheet that a push gives, at the distances at which its speed is known.

    Arguments:
        push: distances rising from 0, two or more, a speed of 0.05 to 5 m/s for each. Between them the speed is
    straight. Raises:
        CastingError: input out of range, or a sled that runs empty, with the place.

    >>> from pipemetal.casting.model import Sled
    >>> push = Push(Composition.parse("Sn 50 Pb bal"), 234, 62, 2.3, [0, 4.5], [0.8, 1.1])
    >>> found = thickness_from_push(push, Outfit(Sled(250, 760), run_up_mm=0))
    >>> found[0].thickness_mm > found[-1].thickness_mm
    True
    """
    # this push is told as it went, so nobody keeps off it
    law = replace(law or ShopLaw.prior(), push_scatter=0.0)
    metal = checked_metal(push.comp, float(push.pour_temperature_c), outfit.sled, push.table_c)
    x = np.asarray(push.distance_m, dtype=float)
    u = np.asarray(push.speed_m_s, dtype=float)
    if len(x) != len(u) or len(x) < 2 or not np.all(np.isfinite(x)) or x[0] != 0.0 or np.any(np.diff(x) <= 0.0):
        raise CastingError("must rise from 0 and have one speed each", field="distance_m", value=x.tolist()[:6])
    if not np.all(np.isfinite(u)) or np.any(u < 0.05) or np.any(u > 5.0):
        raise CastingError("is out of range", field="speed_m_s", value=u.tolist()[:6], allowed="0.05 to 5 m/s")
    CAST["charge_kg"].checked(push.charge_kg, error=CastingError)
    CAST["gate_mm"].checked(push.gate_mm, error=CastingError)
    fine = np.unique(np.concatenate([x, np.linspace(0.0, x[-1], max(_PLACES, int(x[-1] / 0.05) + 1))]))
    box = Box.of(outfit.sled, outfit.gate, push.gate_mm, metal, law, outfit.slope_mm_m)
    laid = film_of_push(box, fine, np.interp(fine, x, u), push.charge_kg, 1e-3 * outfit.run_up_mm)
    if isinstance(laid, str):
        raise CastingError(laid, field="charge_kg", value=push.charge_kg)
    return _stations(push.comp, box, laid, x)


def _mark(laid: Laid, distance_m: float, time_s: float) -> Mark:
    return Mark(distance_m, time_s, float(np.interp(distance_m, laid.x_m, laid.speed_m_s)))


def _stations(comp: Composition, box: Box, laid: Laid, places_m: Array) -> tuple[Station, ...]:
    """Solid thickness at places, with the interval of belief, cast and place together."""
    film = np.interp(places_m, laid.x_m, laid.film_m)
    solid_mm = 1e3 * film / laid_thickness_mm(comp, 1.0)
    reach = np.exp(TWO_SIDED_95 * np.interp(places_m, laid.x_m, _deviation(box, laid)))
    return tuple(
        Station(float(d), float(t), float(t / r), float(t * r))
        for d, t, r in zip(places_m, solid_mm, reach, strict=True)
    )


def _deviation(box: Box, laid: Laid) -> Array:
    """Standard deviation of ln thickness along a push: belief, cast, place and scale, with what each does to the
    metal that is left.

    A cast that lays more than expected has less metal left at its end, and lays less there: both are followed along
    the sheet.
    """
    law, at = box.law, laid.at(box)
    belief, luck = law.spread(at), np.full(len(laid.x_m), law.cast_scatter)
    if box.metal.solid_sd > 0.0:
        thicker = law.ln_film(replace(at, solid=at.solid + box.metal.solid_sd)) - law.ln_film(at)
        luck = np.hypot(luck, thicker)
    powers = law.powers(at)
    luck = np.hypot(luck, powers["speed"] * law.push_scatter)
    by_head = np.clip(powers["head"], 0.0, 1.5)
    left_kg = box.metal.fluid.density_kg_m3 * box.length_m * box.width_m * laid.head_m
    parts = [
        np.maximum(_followed(box, laid, part, by_head, left_kg), floor * part)
        for part, floor in ((belief, 1.0), (luck, 0.7))
    ]
    scale = by_head * math.hypot(_SCALE_KG, law.run_up.unsure * laid.run_up_kg) / left_kg
    deviation: Array = np.sqrt(parts[0] ** 2 + parts[1] ** 2 + scale**2 + law.station_scatter**2)
    return deviation


def _spread(box: Box, laid: Laid) -> SheetSpread:
    """The interval's parts: belief hangs together along the sheet as the law says, a cast's luck wholly, a place's not at all."""
    law, deviation = box.law, _deviation(box, laid)
    ends = np.linspace(-1.0, 1.0, len(laid.x_m))
    _, belief = law.moments(laid.at(box))
    # what is left of each departure where the metal that it takes is missing
    left = np.sqrt(np.maximum(deviation**2 - law.station_scatter**2, 0.0))
    together = belief + law.cast_scatter**2
    size = np.sqrt(np.diag(together))
    shared = together / np.outer(size, size) * np.outer(left, left)
    fit = np.linalg.pinv(np.stack([np.ones_like(ends), ends], axis=1))
    parts = np.diag(fit @ shared @ fit.T)
    level, taper = np.sqrt(np.maximum(parts, 0.0))
    return SheetSpread(float(level), float(taper), law.station_scatter)


def _followed(box: Box, laid: Laid, off: Array, by_head: Array, left_kg: Array) -> Array:
    """What is left of a departure (ln film, all along the sheet the same way) when the metal it takes is missing
    after it; at least 0.
    """
    mass_kg = np.gradient(used_of_film_kg(box, laid.x_m, laid.film_m))
    missing = off[0] * laid.run_up_kg
    found = np.empty(len(off))
    for i in range(len(off)):
        found[i] = off[i] - by_head[i] * missing / left_kg[i]
        missing += mass_kg[i] * found[i]
    return np.abs(found)


_HEADS = "the metal in the sled falls from {c} to {d}, which alone would take the sheet from {e} to {f}"
STEADY = "{who}: keep a steady push, about {a}; " + _HEADS
QUICKEN = "{who}: quicken, from {a} to {b}; " + _HEADS
SLOW_DOWN = "{who}: slow down, from {a} to {b}; " + _HEADS


def _speed_change(task: Task, box: Box, laid: Laid) -> Text:
    """Whether the push quickens or slows, and how much of the taper the falling metal makes by itself."""
    first, last = float(laid.speed_m_s[0]), float(laid.speed_m_s[-1])
    even = np.full(2, math.sqrt(first * last))
    ends = box.law.ln_film(box.at(laid.head_m[[0, -1]], even, np.array([0.0, 1.0])))
    factor = laid_thickness_mm(task.want.comp, 1.0)
    alone = [1e3 * math.exp(float(v)) / factor for v in ends]
    values: dict[str, Value] = {
        "who": _last_casts(task.law.casts_used),
        "c": Amount(1e3 * float(laid.head_m[0]), "mm", bare=True),
        "d": Amount(1e3 * float(laid.head_m[-1]), "mm"),
        "e": Amount(alone[0], "mm", 2, bare=True),
        "f": Amount(alone[1], "mm", 2),
    }
    if abs(math.log(last / first)) < _EVEN:
        return Text(STEADY, a=Amount(math.sqrt(first * last), "m/s", 2), **values)
    speeds = {"a": Amount(first, "m/s", 2, bare=True), "b": Amount(last, "m/s", 2)}
    return Text(QUICKEN if last > first else SLOW_DOWN, **speeds, **values)


def _last_casts(count: int) -> Text:
    if count == 0:
        return Text("the prior says")
    return Text("your one logged cast says") if count == 1 else Text("your last {n} casts say", n=count)


def _warnings(
    task: Task, gate_mm: float, laid: Laid, stations: Sequence[Station], speeds: tuple[float, float]
) -> tuple[Text, ...]:
    want, found = task.want, []
    wanted = np.interp([s.distance_m for s in stations], [0.0, task.length_m], [want.start_mm, want.end_mm])
    off = [math.log(s.thickness_mm / float(w)) for s, w in zip(stations, wanted, strict=True)]
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > MISS_TOLD:
        at = stations[worst]
        words = (
            "at {x} expect {a}, not the wanted {b}: no push that people can follow comes nearer with this gate and fill"
        )
        thick, meant = Amount(at.thickness_mm, "mm", 2), Amount(float(wanted[worst]), "mm", 2)
        found.append(Text(words, x=Amount(at.distance_m, "m", 1), a=thick, b=meant))
    if speeds[0] < EASY_SPEED_M_S[0] or speeds[1] > EASY_SPEED_M_S[1]:
        easy = {"c": Amount(0.4, "m/s", 1, bare=True), "d": Amount(1.6, "m/s", 1)}
        asked = {"a": Amount(speeds[0], "m/s", 2, bare=True), "b": Amount(speeds[1], "m/s", 2)}
        found.append(Text("a push from {a} to {b} is hard to follow ({c} to {d} is not)", **asked, **easy))
    if min(want.start_mm, want.end_mm) < THIN_WARNING_MM:
        found.append(Text("below {a} holes may open; no formula says when", a=Amount.short(THIN_WARNING_MM, "mm")))
    if float(laid.head_m[-1]) < LEAST_HEAD_GATES * 1e-3 * gate_mm:
        words = "only {a} of metal stand in the sled at the end: the end may be ragged"
        found.append(Text(words, a=Amount(1e3 * float(laid.head_m[-1]), "mm")))
    have = (gate_mm, 1e3 * float(laid.head_m.mean()), float(laid.speed_m_s.mean()), task.metal.superheat_k)
    return (*found, *outside_words(have, task.law))


def _rests_on(law: ShopLaw) -> Text:
    if law.casts_used == 0:
        return Text(
            "no logged cast: common practice and rival laws by their weights, wide, for no cast was ever published"
        )
    regime, share = next(iter(law.regimes.items()))
    casts = Text("1 logged cast") if law.casts_used == 1 else Text("{n} logged casts", n=law.casts_used)
    words = "{n} of this shop, likeliest {regime} ({p} %), with what the shop departs from it"
    told = Text(words, n=casts, regime=Text(regime), p=Amount(100.0 * share))
    kept = Text("its bands hold if the sheet is pushed as marked")
    if law.push_scatter > 0.0:
        words = "its bands count in how far your pushes keep off the marks ({p} %)"
        kept = Text(words, p=Amount(100.0 * law.push_scatter))
    told = joined((told, kept))
    if not law.any_crew:
        return told
    words = "no crew is named, so the bands cover all that the log knows: {crews}"
    return joined((told, Text(words, crews=", ".join(law.any_crew))))

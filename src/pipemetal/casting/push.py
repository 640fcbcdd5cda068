"""The push card: charge, gate, speed and marks for a wanted sheet; and the sheet that a push gives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.gate import gate_flow, gate_warnings
from pipemetal.casting.laying import Box, Laid, film_of_push
from pipemetal.casting.model import (
    TWO_SIDED_95,
    Array,
    CastingTable,
    Coefficients,
    Gate,
    Sled,
    checked,
    fluid_of,
    laid_thickness_mm,
)
from pipemetal.casting.outside import outside_words
from pipemetal.casting.slip import slipped_film_m
from pipemetal.casting.wanted import (
    EASY_SPEED_M_S,
    LEAST_LEFT_SHARE,
    WantedSheet,
    best_push,
    check_charge,
    superheat_of,
)
from pipemetal.errors import CastingError

__all__ = ["Mark", "PushCard", "Station", "push_card", "thickness_from_push"]

THIN_WARNING_MM = 0.8
_PLACES = 81
_MARK_EVERY_M = 0.5
_BEAT_S = 0.5


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
class PushCard:
    """Everything for one push. A guide: the caster's eye and the look of the metal in the box decide.

    ``charge_kg`` is the metal in the sled when the push starts, ``left_kg`` what is in it at the end; ``poured_mass_kg`` is
    on the table, run-up strip included. ``marks`` are even in distance, ``beats`` even in time (``beat_s``).
    ``speed_change`` says in words whether the push quickens or slows and why; ``rests_on`` what the intervals rest on.
    """

    charge_kg: float
    left_kg: float
    scoops: int
    gate_mm: float
    marks: tuple[Mark, ...]
    beats: tuple[Mark, ...]
    beat_s: float
    thickness: tuple[Station, ...]
    speed_change: str
    warnings: tuple[str, ...]
    poured_mass_kg: float
    run_up_mm: float
    run_up_mass_kg: float
    run_up_time_s: float
    push_time_s: float
    head_start_mm: float
    head_end_mm: float
    laid_width_mm: float
    pour_temperature_c: float
    rests_on: str


def push_card(
    comp: Composition,
    pour_temperature_c: float,
    length_mm: float,
    width_mm: float,
    thickness_start_mm: float,
    thickness_end_mm: float,
    sled: Sled,
    coefficients: Coefficients,
    *,
    gate_mm: float | None = None,
    charge_kg: float | None = None,
    scoop_kg: float = 11.3,
    run_up_mm: float = 300.0,
    gate: Gate | None = None,
    table: CastingTable | None = None,
) -> PushCard:
    """Charge, gate, speed and marks that cast a sheet.

    Arguments:
        pour_temperature_c: of the metal in the sled as it leaves the gate; above the liquidus.
        length_mm, width_mm: of the sheet; the sled lays its whole inner width, what is beyond width_mm is trim.
        thickness_start_mm, thickness_end_mm: of the solid sheet; 0.4 to 6 mm, straight between.
        gate_mm, charge_kg: given, they are kept; otherwise chosen for a nearly steady push of 0.4 to 1.6 m/s, a gate near
            the mean thickness over 0.6, and whole scoops.
        scoop_kg: metal in one scoop. run_up_mm: where the sled gathers speed with an open gate; it lays a thick
            strip, which is trim; nought for a gate that opens on the move.
        table: given, sheet and run-up must fit on it.
    Raises:
        CastingError: a sheet that cannot be cast, with what would be allowed.
    Sources: docs/casting.md; none of it has been checked against a published cast, for there is none.

    >>> card = push_card(Composition.parse("Sn 50 Pb bal"), 234, 4000, 800, 2.0, 1.5, Sled(150, 800),
    ...                  Coefficients.prior(), gate_mm=3.5, charge_kg=66, run_up_mm=0)
    >>> round(card.left_kg), [round(m.speed_m_s, 1) for m in (card.marks[0], card.marks[-1])]
    (17, [1.2, 0.7])
    """
    gate = gate or Gate()
    ask = WantedSheet.checked_from(
        comp,
        pour_temperature_c,
        length_mm,
        width_mm,
        thickness_start_mm,
        thickness_end_mm,
        sled,
        gate,
        scoop_kg,
        run_up_mm,
        table,
        coefficients,
    )
    if gate_mm is not None:
        checked("gate_mm", gate_mm, gate.smallest_mm, gate.largest_mm, "mm")
    if charge_kg is not None:
        check_charge(ask, charge_kg)
    opening_mm, charge, laid = best_push(ask, gate_mm, charge_kg)
    return _card(ask, opening_mm, charge, laid)


def thickness_from_push(
    comp: Composition,
    pour_temperature_c: float,
    charge_kg: float,
    gate_mm: float,
    distance_m: Sequence[float] | Array,
    speed_m_s: Sequence[float] | Array,
    sled: Sled,
    coefficients: Coefficients,
    *,
    run_up_mm: float = 300.0,
    gate: Gate | None = None,
    slip_s: float = 0.0,
) -> tuple[Station, ...]:
    """The solid sheet that a push gives, at the distances at which its speed is known.

    Arguments:
        distance_m, speed_m_s: same length, 2 or more; distances rising from 0, speeds 0.05 to 5 m/s. Between them the
            speed is taken as straight and the head is followed in steps of at most 50 mm.
        slip_s: how long the film slides after landing; nought unless a log shows it (:mod:`pipemetal.casting.decides`).
    Raises:
        CastingError: input out of range, or a box that runs empty, with the place.

    >>> push = thickness_from_push(Composition.parse("Sn 50 Pb bal"), 234, 60, 3.5, [0, 2, 4], [1.2, 1.2, 1.2],
    ...                            Sled(150, 800), Coefficients.known(0.61), run_up_mm=0)
    >>> [round(s.thickness_mm, 2) for s in push]
    [1.8, 1.4, 0.99]
    """
    gate = gate or Gate()
    superheat_k = superheat_of(comp, pour_temperature_c)
    x = np.asarray(distance_m, dtype=float)
    u = np.asarray(speed_m_s, dtype=float)
    if len(x) != len(u) or len(x) < 2 or not np.all(np.isfinite(x)) or x[0] != 0.0 or np.any(np.diff(x) <= 0.0):
        raise CastingError("must rise from 0 and have one speed each", field="distance_m", value=list(distance_m)[:6])
    if not np.all(np.isfinite(u)) or np.any(u < 0.05) or np.any(u > 5.0):
        raise CastingError("is out of range", field="speed_m_s", value=list(speed_m_s)[:6], allowed="0.05 to 5 m/s")
    checked("charge_kg", charge_kg, 0.5, 2000.0, "kg")
    checked("gate_mm", gate_mm, gate.smallest_mm, gate.largest_mm, "mm")
    checked("run_up_mm", run_up_mm, 0.0, 3000.0, "mm")
    fine = np.unique(np.concatenate([x, np.linspace(0.0, x[-1], max(_PLACES, int(x[-1] / 0.05) + 1))]))
    fluid = fluid_of(comp, float(pour_temperature_c))
    box = Box.of(sled, gate, gate_mm, fluid, coefficients, superheat_k)
    laid = film_of_push(box, fine, np.interp(fine, x, u), charge_kg, run_up_mm * 1e-3)
    if isinstance(laid, str):
        raise CastingError(laid, field="charge_kg", value=charge_kg)
    if slip_s:
        jet = box.jet_m_s(laid.head_m)
        laid = replace(laid, film_m=slipped_film_m(laid.x_m, laid.film_m, laid.speed_m_s, jet, slip_s))
    return _stations(comp, box, laid, x, coefficients, superheat_k)


def _card(ask: WantedSheet, gate_mm: float, charge_kg: float, laid: Laid) -> PushCard:
    box = ask.box(gate_mm)
    places = np.linspace(0.0, ask.length_m, max(5, round(ask.length_m / _MARK_EVERY_M) + 1))
    evenly = np.append(np.arange(0.0, ask.length_m - 0.25 * _MARK_EVERY_M, _MARK_EVERY_M), ask.length_m)
    push_time = float(laid.time_s[-1])
    beats = np.arange(0.0, push_time + 1e-9, _BEAT_S)
    return PushCard(
        charge_kg=charge_kg,
        left_kg=laid.left_kg,
        scoops=math.ceil(charge_kg / ask.scoop_kg - 1e-9),
        gate_mm=gate_mm,
        marks=tuple(_mark(laid, float(d), float(np.interp(d, laid.x_m, laid.time_s))) for d in evenly),
        beats=tuple(_mark(laid, float(np.interp(s, laid.time_s, laid.x_m)), float(s)) for s in beats),
        beat_s=_BEAT_S,
        thickness=_stations(ask.comp, box, laid, places, ask.coefficients, ask.superheat_k),
        speed_change=_speed_change(ask, charge_kg, laid),
        warnings=_warnings(ask, gate_mm, charge_kg, laid),
        poured_mass_kg=charge_kg - laid.left_kg,
        run_up_mm=1e3 * ask.run_up_m,
        run_up_mass_kg=laid.run_up_kg,
        run_up_time_s=2.0 * ask.run_up_m / float(laid.speed_m_s[0]),
        push_time_s=push_time,
        head_start_mm=1e3 * float(laid.head_m[0]),
        head_end_mm=1e3 * float(laid.head_m[-1]),
        laid_width_mm=ask.sled.inner_width_mm,
        pour_temperature_c=ask.pour_temperature_c,
        rests_on=_rests_on(ask.coefficients),
    )


def _mark(laid: Laid, distance_m: float, time_s: float) -> Mark:
    return Mark(distance_m, time_s, float(np.interp(distance_m, laid.x_m, laid.speed_m_s)))


def _stations(
    comp: Composition, box: Box, laid: Laid, places_m: Array, coefficients: Coefficients, superheat_k: float
) -> tuple[Station, ...]:
    """Solid thickness at places, with the interval of coefficients, cast and place together."""
    film, head, speed = (np.interp(places_m, laid.x_m, a) for a in (laid.film_m, laid.head_m, laid.speed_m_s))
    solid_mm = 1e3 * film / laid_thickness_mm(comp, 1.0)
    rows = coefficient_rows(box, head, speed, superheat_k)
    reach = np.exp(TWO_SIDED_95 * coefficients.deviation(rows))
    return tuple(
        Station(float(d), float(t), float(t / r), float(t * r))
        for d, t, r in zip(places_m, solid_mm, reach, strict=True)
    )


def coefficient_rows(box: Box, head_m: Array, speed_m_s: Array, superheat_k: float) -> Array:
    """Gradients of ln thickness by the four coefficients, shape (n, 4)."""
    jet = np.maximum(box.jet_m_s(head_m), 1e-6)
    ratio = box.beta / box.discharge
    rows: Array = np.column_stack(
        [
            np.ones_like(jet),
            np.full_like(jet, 1e-3 / box.opening_m),
            speed_m_s / (jet + ratio * speed_m_s),
            np.full_like(jet, (superheat_k - 20.0) / 20.0),
        ]
    )
    return rows


def _speed_change(ask: WantedSheet, charge_kg: float, laid: Laid) -> str:
    first, last = float(laid.speed_m_s[0]), float(laid.speed_m_s[-1])
    heads = f"the metal in the sled falls from {1e3 * laid.head_m[0]:.0f} to {1e3 * laid.head_m[-1]:.0f} mm"
    change = f"from {first:.2f} to {last:.2f} m/s"
    balance = (ask.end_mm / ask.start_mm) ** 2
    share = laid.left_kg / (charge_kg - laid.run_up_kg)
    if abs(math.log(last / first)) < 0.05:
        return f"keep a steady push, {change}: {heads}, and the taper asks for just that"
    if last < first:
        return (
            f"slow down, {change}: {heads}, which thins the sheet more than the taper asks; the push would quicken "
            f"only if more than about {100 * balance:.0f} % were left in the sled (here {100 * share:.0f} %)"
        )
    return (
        f"quicken, {change}: the taper asks for more than the falling head gives; {heads}, and {100 * share:.0f} % is "
        f"left (above about {100 * balance:.0f} % the push quickens)"
    )


def _warnings(ask: WantedSheet, gate_mm: float, charge_kg: float, laid: Laid) -> tuple[str, ...]:
    fluid = fluid_of(ask.comp, ask.pour_temperature_c)
    found: list[str] = []
    for i in (0, -1):
        head_mm, speed = 1e3 * float(laid.head_m[i]), float(laid.speed_m_s[i])
        flow = gate_flow(
            gate_mm, head_mm, min(max(speed, 0.05), 5.0), fluid, ask.coefficients, ask.gate, superheat_k=ask.superheat_k
        )
        found += [w for w in gate_warnings(flow, gate_mm, head_mm) if w not in found]
    slowest, fastest = float(laid.speed_m_s.min()), float(laid.speed_m_s.max())
    if slowest < EASY_SPEED_M_S[0] or fastest > EASY_SPEED_M_S[1]:
        found.append(f"a push from {slowest:.2f} to {fastest:.2f} m/s is hard to follow (0.4 to 1.6 m/s is not)")
    if min(ask.start_mm, ask.end_mm) < THIN_WARNING_MM:
        found.append(f"below {THIN_WARNING_MM:g} mm holes may open; no formula says when")
    if laid.left_kg < LEAST_LEFT_SHARE * (charge_kg - laid.run_up_kg):
        found.append(f"only {laid.left_kg:.1f} kg are left in the sled: less than 15 %")
    if ask.end_mm < ask.start_mm - 0.05 and laid.speed_m_s[-1] < 0.95 * laid.speed_m_s[0]:
        found.append(
            "common practice (no source) quickens the push for a thinning sheet and the model slows it: log "
            "leftover and times, they decide"
        )
    have = (gate_mm, 1e3 * float(laid.head_m.mean()), float(laid.speed_m_s.mean()), ask.superheat_k)
    found += outside_words(have, ask.coefficients)
    return tuple(found)


def _rests_on(coefficients: Coefficients) -> str:
    if coefficients.casts_used == 0:
        return "no logged cast: the interval is that of the prior, wide because no cast of this kind was ever published"
    casts = "1 logged cast" if coefficients.casts_used == 1 else f"{coefficients.casts_used} logged casts"
    return f"{casts} of this shop, whose own scatter is the floor of the interval"

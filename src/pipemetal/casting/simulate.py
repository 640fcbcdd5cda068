"""Made-up casts of a made-up shop whose true law is known: to test the fit, and to fill a demonstration's log."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.casting.freezing import RUNS_NO_MORE
from pipemetal.casting.laying import Box, Laid, film_of_push
from pipemetal.casting.learn import MATT_SHARE, modelled_seconds, solid_of_cast
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import ThermalSettings, laid_thickness_mm
from pipemetal.casting.push import push_card
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.wanted import Outfit, Wanted, checked_metal
from pipemetal.errors import CastingError

__all__ = ["Made", "Noise", "simulate_cast"]

_PLACES = 81


@dataclass(frozen=True, slots=True)
class Noise:
    """How a crew and its instruments scatter; standard deviations. All are estimates but the gauge.

    ``pace`` and ``pace_change``: share by which the whole push, and its change along the table, miss the card.
    ``timing_s``: 0.02 from video, 0.08 by hand. ``gauge_mm``: of one reading. ``scale_kg``: of charge and leftover.
    ``gross_share``: share of casts in which one thing is misread badly.
    """

    pace: float = 0.05
    pace_change: float = 0.08
    timing_s: float = 0.08
    gauge_mm: float = 0.02
    scale_kg: float = 0.2
    gross_share: float = 0.0


@dataclass(frozen=True)
class Made:
    """A cast to make up: the sheet meant, what it is cast with, gate and fill where they are not the card's, heat
    where it is logged.
    """

    id: str
    want: Wanted
    outfit: Outfit
    gate_mm: float | None = None
    charge_kg: float | None = None
    air_c: float = 20.0
    stations: int = 5
    readings_across: int = 3
    thermal: ThermalSettings | None = None
    limits: WindowLimits | None = None


def simulate_cast(
    rng: np.random.Generator,
    truth: ShopLaw,
    made: Made,
    *,
    believed: ShopLaw | None = None,
    noise: Noise | None = None,
) -> LoggedCast:
    """One cast of a shop whose gate obeys ``truth``, pushed by a card made from ``believed`` (the prior), logged with
    noise.

    Arguments:
        rng: numpy's generator; the same state gives the same cast.
    Raises:
        CastingError: a sheet that cannot be pushed.

    >>> from pipemetal.alloys.composition import Composition
    >>> from pipemetal.casting.model import Sled
    >>> made = Made("1", Wanted(Composition.parse("Sn 50 Pb bal"), 234, 4000, 800, 2.0, 1.5), Outfit(Sled(250, 800)))
    >>> cast = simulate_cast(np.random.default_rng(1), ShopLaw.known("mush", cast_scatter=0.03), made)
    >>> len(cast.marks), len(cast.thickness_mm)
    (6, 15)
    """
    noise = noise or Noise()
    card = push_card(made.want, made.outfit, believed, gate_mm=made.gate_mm, charge_kg=made.charge_kg)
    x = np.linspace(0.0, 1e-3 * made.want.length_mm, _PLACES)
    wanted = np.interp(x, [m.distance_m for m in card.marks], [m.speed_m_s for m in card.marks])
    pace, change = rng.normal(0.0, noise.pace), rng.normal(0.0, noise.pace_change)
    speed = wanted * np.exp(pace + change * (x / x[-1] - 0.5))
    # The cast's own luck goes with the law, so that head and mass follow it.
    today = truth.shifted(float(rng.normal(0.0, truth.cast_scatter)))
    metal = checked_metal(made.want.comp, made.want.pour_temperature_c, made.outfit.sled, made.want.table_c)
    outfit = made.outfit
    box = Box.of(outfit.sled, outfit.gate, card.gate_mm, metal, today, outfit.slope_mm_m)
    laid = film_of_push(box, x, speed, card.charge_kg, 1e-3 * outfit.run_up_mm)
    if isinstance(laid, str):
        raise CastingError(laid, field="sheet", value=made.id)
    cast = _logged(rng, made, noise, laid, (card.gate_mm, card.charge_kg, truth.station_scatter))
    cast = _misread(rng, cast) if rng.random() < noise.gross_share else cast
    if made.thermal is None or made.limits is None:
        return cast
    return _with_heat(rng, cast, made.thermal, made.limits)


def _logged(
    rng: np.random.Generator, made: Made, noise: Noise, laid: Laid, true: tuple[float, float, float]
) -> LoggedCast:
    """The cast as the crew writes it down; `true` holds gate, charge and scatter from place to place."""
    gate_mm, charge_kg, scatter = true
    solid_mm = 1e3 * laid.film_m / laid_thickness_mm(made.want.comp, 1.0)
    readings = []
    for place in np.linspace(0.02, 0.98, made.stations) * made.want.length_mm:
        true_mm = float(np.interp(place * 1e-3, laid.x_m, solid_mm)) * math.exp(rng.normal(0.0, scatter))
        seen = true_mm + rng.normal(0.0, noise.gauge_mm, made.readings_across)
        readings += [(round(float(place)), round(float(t), 3)) for t in seen]
    places_m = np.linspace(0.0, laid.x_m[-1], 6)
    clock = np.interp(places_m, laid.x_m, laid.time_s) + rng.normal(0.0, noise.timing_s, 6)
    clock = np.maximum.accumulate(clock - clock[0] + 1e-3 * np.arange(6))
    marks = [(round(float(d), 3), round(float(t), 3)) for d, t in zip(places_m, clock, strict=True)]
    return LoggedCast(
        id=made.id,
        composition=made.want.comp,
        gate_mm=gate_mm,
        charge_kg=round(charge_kg + float(rng.normal(0.0, noise.scale_kg)), 1),
        sled=made.outfit.sled,
        length_mm=made.want.length_mm,
        thickness_mm=tuple(readings),
        marks=tuple(marks),
        push_time_s=marks[-1][1],
        leftover_kg=round(max(laid.left_kg + float(rng.normal(0.0, noise.scale_kg)), 0.0), 1),
        run_up_mm=made.outfit.run_up_mm,
        pour_temperature_c=round(made.want.pour_temperature_c, 1),
        table_temperature_c=made.want.table_c,
        air_temperature_c=made.air_c,
        timing_sd_s=max(noise.timing_s, 0.005),
        gauge_sd_mm=max(noise.gauge_mm, 0.002),
        lip_mm=made.outfit.gate.lip_mm,
    )


def _misread(rng: np.random.Generator, cast: LoggedCast) -> LoggedCast:
    """The same cast with its gate misread by a millimetre, or one reading badly."""
    if rng.random() < 0.5:
        return replace(cast, gate_mm=round(max(cast.gate_mm + float(rng.choice([-1.0, 1.0])), 0.5), 2))
    readings = list(cast.thickness_mm)
    k = int(rng.integers(len(readings)))
    readings[k] = (readings[k][0], round(readings[k][1] * float(rng.choice([0.6, 1.5])), 3))
    return replace(cast, thickness_mm=tuple(readings))


def _with_heat(
    rng: np.random.Generator, cast: LoggedCast, thermal: ThermalSettings, limits: WindowLimits
) -> LoggedCast:
    """The same cast with seconds to matt (blurred by 15 %) and the crew's verdict, by the limits of its band
    (blurred).
    """
    matt = modelled_seconds(cast, thermal, MATT_SHARE, limits) * math.exp(rng.normal(0.0, 0.15))
    seconds = modelled_seconds(cast, thermal, RUNS_NO_MORE, limits) * math.exp(rng.normal(0.0, 0.25))
    verdict = "good"
    if cast.superheat_k < 0.0:
        slush = solid_of_cast(cast) * math.exp(rng.normal(0.0, 0.15))
        verdict = "too cold" if slush > limits.sets_in_sled else "too hot" if slush < limits.edges_stand else "good"
    elif seconds < limits.shortest_mobile_s:
        verdict = "too cold"
    elif seconds > limits.longest_mobile_s:
        verdict = "too hot"
    return replace(cast, seconds_to_matt=round(matt, 1), verdict=verdict)

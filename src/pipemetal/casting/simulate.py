"""Made-up casts of a made-up shop whose true coefficients are known: to test the fit, and to fill a demonstration's log."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.freezing import RUNS_NO_MORE
from pipemetal.casting.laying import Box, film_of_push
from pipemetal.casting.learn import MATT_SHARE, modelled_seconds
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import (
    Coefficients,
    Gate,
    Sled,
    ThermalSettings,
    checked,
    fluid_of,
    laid_thickness_mm,
)
from pipemetal.casting.push import push_card
from pipemetal.casting.window import WindowLimits
from pipemetal.errors import CastingError

__all__ = ["Noise", "simulate_cast"]


@dataclass(frozen=True, slots=True)
class Noise:
    """How a crew and its instruments scatter; standard deviations. All are estimates but the gauge.

    ``pace`` and ``pace_change``: share by which the whole push, and its change along the table, miss the card. ``timing_s``:
    0.02 from video, 0.08 by hand. ``gauge_mm``: of one reading. ``scale_kg``: of charge and leftover.
    ``gross_share``: share of casts in which one thing is misread badly.
    """

    pace: float = 0.05
    pace_change: float = 0.08
    timing_s: float = 0.08
    gauge_mm: float = 0.02
    scale_kg: float = 0.2
    gross_share: float = 0.0


def simulate_cast(
    rng: np.random.Generator,
    truth: Coefficients,
    *,
    id: str,  # noqa: A002 - the log's own word
    comp: Composition,
    sled: Sled,
    length_mm: float,
    thickness_start_mm: float,
    thickness_end_mm: float,
    gate_mm: float | None = None,
    charge_kg: float | None = None,
    superheat_k: float = 25.0,
    table_temperature_c: float = 20.0,
    air_temperature_c: float = 20.0,
    believed: Coefficients | None = None,
    noise: Noise | None = None,
    stations: int = 5,
    readings_across: int = 3,
    run_up_mm: float = 300.0,
    thermal: ThermalSettings | None = None,
    limits: WindowLimits | None = None,
) -> LoggedCast:
    """One cast of a shop whose gate obeys ``truth``, pushed by a card made from ``believed``, logged with noise.

    Arguments:
        rng: numpy's generator; the same state gives the same cast.
        truth: true coefficients with their cast and station scatter. believed: what the card was made from; the prior.
        thermal, limits: given both, seconds to matt and a verdict are logged too.
    Raises:
        CastingError: a sheet that cannot be pushed.

    >>> cast = simulate_cast(np.random.default_rng(1), Coefficients.known(0.56, 0.2, 0.03, 0.0, 0.05, 0.02), id="1",
    ...     comp=Composition.parse("Sn 50 Pb bal"), sled=Sled(200, 800), length_mm=4000, thickness_start_mm=2.0,
    ...     thickness_end_mm=1.5)
    >>> len(cast.marks), len(cast.thickness_mm)
    (6, 15)
    """
    noise, believed, gate = noise or Noise(), believed or Coefficients.prior(), Gate()
    checked("superheat_k", superheat_k, 0.0, 150.0, "K")
    pour_c = liquidus(comp).temperature_c + superheat_k
    card = push_card(
        comp,
        pour_c,
        length_mm,
        sled.inner_width_mm,
        thickness_start_mm,
        thickness_end_mm,
        sled,
        believed,
        gate_mm=gate_mm,
        charge_kg=charge_kg,
        run_up_mm=run_up_mm,
        gate=gate,
    )
    x = np.linspace(0.0, length_mm * 1e-3, 81)
    wanted = np.interp(x, [m.distance_m for m in card.marks], [m.speed_m_s for m in card.marks])
    pace, change = rng.normal(0.0, noise.pace), rng.normal(0.0, noise.pace_change)
    speed = wanted * np.exp(pace + change * (x / x[-1] - 0.5))
    # The cast's own luck goes with the discharge, so that head and mass follow it.
    luck = float(rng.normal(0.0, truth.cast_scatter))
    today = Coefficients(
        (truth.mean[0] + luck, *truth.mean[1:]), truth.covariance, truth.cast_scatter, truth.station_scatter
    )
    box = Box.of(sled, gate, card.gate_mm, fluid_of(comp, pour_c), today, superheat_k)
    laid = film_of_push(box, x, speed, card.charge_kg, run_up_mm * 1e-3)
    if isinstance(laid, str):
        raise CastingError(laid, field="sheet", value=id)
    solid_mm = 1e3 * laid.film_m / laid_thickness_mm(comp, 1.0)
    readings = []
    for place in np.linspace(0.02, 0.98, stations) * length_mm:
        true_mm = float(np.interp(place * 1e-3, x, solid_mm)) * math.exp(rng.normal(0.0, truth.station_scatter))
        readings += [
            (round(float(place)), round(true_mm + float(rng.normal(0.0, noise.gauge_mm)), 3))
            for _ in range(readings_across)
        ]
    places_m = np.linspace(0.0, x[-1], 6)
    clock = np.interp(places_m, x, laid.time_s) + rng.normal(0.0, noise.timing_s, 6)
    marks = [(round(float(d), 3), round(float(t - clock[0]), 3)) for d, t in zip(places_m, clock, strict=True)]
    logged_gate = card.gate_mm
    if rng.random() < noise.gross_share:
        if rng.random() < 0.5:
            logged_gate = round(card.gate_mm + float(rng.choice([-1.0, 1.0])), 2)
        else:
            k = int(rng.integers(len(readings)))
            readings[k] = (readings[k][0], round(readings[k][1] * float(rng.choice([0.6, 1.5])), 3))
    cast = LoggedCast(
        id=id,
        composition=comp,
        gate_mm=logged_gate,
        charge_kg=round(card.charge_kg + float(rng.normal(0.0, noise.scale_kg)), 1),
        sled=sled,
        length_mm=length_mm,
        thickness_mm=tuple(readings),
        marks=tuple(marks),
        push_time_s=marks[-1][1],
        leftover_kg=round(max(laid.left_kg + float(rng.normal(0.0, noise.scale_kg)), 0.0), 1),
        run_up_mm=run_up_mm,
        pour_temperature_c=round(pour_c, 1),
        table_temperature_c=table_temperature_c,
        air_temperature_c=air_temperature_c,
        timing_sd_s=max(noise.timing_s, 0.005),
        gauge_sd_mm=max(noise.gauge_mm, 0.002),
    )
    if thermal is None or limits is None:
        return cast
    return _with_heat(rng, cast, thermal, limits)


def _with_heat(
    rng: np.random.Generator, cast: LoggedCast, thermal: ThermalSettings, limits: WindowLimits
) -> LoggedCast:
    """The same cast with seconds to matt (blurred by 15 %) and the crew's verdict (by the time to run, blurred by 25 %)."""
    matt = modelled_seconds(cast, thermal, MATT_SHARE, limits) * math.exp(rng.normal(0.0, 0.15))
    seconds = modelled_seconds(cast, thermal, RUNS_NO_MORE, limits) * math.exp(rng.normal(0.0, 0.25))
    verdict = "good"
    if seconds < limits.shortest_mobile_s:
        verdict = "too cold"
    elif seconds > limits.longest_mobile_s:
        verdict = "too hot"
    return replace(cast, seconds_to_matt=round(matt, 1), verdict=verdict)

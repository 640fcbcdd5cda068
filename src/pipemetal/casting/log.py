"""A logged cast: what the crew wrote down, and what of it the fit of the gate can use."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.model import Array, Sled, checked, fluid_of, laid_thickness_mm
from pipemetal.errors import CastingError

__all__ = ["VERDICTS", "LoggedCast", "ReducedCast", "reduced"]

VERDICTS = ("too cold", "good", "too hot")

# A thickness gauge read three times across (estimate), and how far a speed may change in a push that has no marks.
_UNKNOWN_SPEED_CHANGE, _UNKNOWN_BEND = 0.3, 0.1
_BEND = 0.06
_USUAL_SUPERHEAT_K = 25.0
_MASS_BALANCE_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class LoggedCast:
    """One cast as it was logged. What was not logged is None or empty.

    Needed: ``id``, ``composition``, ``gate_mm``, ``charge_kg``, ``sled``, ``length_mm``, ``thickness_mm`` (readings of the solid
    sheet: distance from its beginning, thickness; several at one distance are averaged) and either marks or
    ``push_time_s``. ``marks`` are distance in m and time in s since the gate passed the sheet's beginning. ``gate_mm`` by
    feeler gauge. ``charge_kg`` is the metal in the sled when the push began; ``leftover_kg`` what was weighed after.
    ``pour_temperature_c`` is that of the metal in the sled; ``seconds_to_matt`` from laying to the loss of shine.
    ``gate_name``, ``sled_name``, ``cloth_name`` and ``crew`` tell them apart; ``wanted_start_mm`` and ``wanted_end_mm`` are the
    solid sheet that was meant. ``timing_sd_s``: 0.02 from video, 0.08 by hand. ``gauge_sd_mm`` of one averaged reading.
    """

    id: str
    composition: Composition
    gate_mm: float
    charge_kg: float
    sled: Sled
    length_mm: float
    thickness_mm: tuple[tuple[float, float], ...]
    marks: tuple[tuple[float, float], ...] = ()
    push_time_s: float | None = None
    leftover_kg: float | None = None
    run_up_mm: float | None = None
    pour_temperature_c: float | None = None
    table_temperature_c: float | None = None
    air_temperature_c: float | None = None
    wait_s: float | None = None
    seconds_to_matt: float | None = None
    lift_after_s: float | None = None
    verdict: str | None = None
    timing_sd_s: float = 0.08
    gauge_sd_mm: float = 0.01
    lip_mm: float = 5.0
    day: str = ""
    crew: str = ""
    note: str = ""
    gate_name: str = ""
    sled_name: str = ""
    cloth_name: str = ""
    wanted_start_mm: float | None = None
    wanted_end_mm: float | None = None

    def __post_init__(self) -> None:
        where = f"cast {self.id}"
        numbers: list[tuple[str, float | None]] = [
            (name, getattr(self, name))
            for name in (
                "gate_mm",
                "charge_kg",
                "length_mm",
                "push_time_s",
                "leftover_kg",
                "run_up_mm",
                "pour_temperature_c",
                "table_temperature_c",
                "air_temperature_c",
                "wait_s",
                "seconds_to_matt",
                "lift_after_s",
                "timing_sd_s",
                "gauge_sd_mm",
                "lip_mm",
                "wanted_start_mm",
                "wanted_end_mm",
            )
        ]
        numbers += [("thickness_mm", v) for pair in self.thickness_mm for v in pair]
        numbers += [("marks", v) for pair in self.marks for v in pair]
        for name, value in numbers:
            if value is not None and not math.isfinite(value):
                raise CastingError("is not a number", field=name, value=value, where=where)
            if value is not None and value < 0.0 and not name.endswith("temperature_c"):
                raise CastingError("is negative", field=name, value=value, where=where)
        if self.verdict is not None and self.verdict not in VERDICTS:
            raise CastingError(
                "is not a verdict", field="verdict", value=self.verdict, allowed=", ".join(VERDICTS), where=where
            )

    @property
    def superheat_k(self) -> float:
        """How far the metal was above its liquidus; the usual 25 K where it was not logged."""
        if self.pour_temperature_c is None:
            return _USUAL_SUPERHEAT_K
        return self.pour_temperature_c - liquidus(self.composition).temperature_c


@dataclass(frozen=True, eq=False)
class ReducedCast:
    """A logged cast in SI, station by station, as the fit needs it.

    ``speed_slopes`` (n, 3) tells how ln speed changes with the three parameters of the timing, whose covariance is
    ``speed_covariance``: what the watch did not tell. ``run_up_kg`` is what went before the sheet, by the leftover where it was
    weighed; ``run_up_expected_kg`` what the model counts.
    """

    id: str
    x_m: Array
    film_m: Array
    film_sd: Array
    head_m: Array
    speed_m_s: Array
    speed_slopes: Array
    speed_covariance: Array
    gate_m: float
    capillary_m: float
    superheat_k: float
    width_m: float
    run_up_kg: float = 0.0
    run_up_expected_kg: float = 0.0
    leftover_weighed: bool = False


def reduced(cast: LoggedCast) -> ReducedCast | str:
    """What the fit can use of a cast; the reason in words, where it can use none."""
    reason = _unusable(cast)
    if reason:
        return reason
    superheat = cast.superheat_k
    pour_c = liquidus(cast.composition).temperature_c + superheat
    fluid = fluid_of(cast.composition, round(pour_c, 1))
    distances = sorted({d for d, _ in cast.thickness_mm})
    x = np.array(distances) * 1e-3
    solid = np.array([np.mean([t for d, t in cast.thickness_mm if d == at]) for at in distances])
    counts = np.array([sum(1 for d, _ in cast.thickness_mm if d == at) for at in distances])
    film = 1e-3 * solid * laid_thickness_mm(cast.composition, 1.0)
    width = cast.sled.inner_width_mm * 1e-3
    laid_kg = fluid.density_kg_m3 * width * _laid_volume_per_width(x, film, cast.length_mm * 1e-3)
    run_up_kg = expected_kg = float(fluid.density_kg_m3 * width * 2.0 * film[0] * (cast.run_up_mm or 0.0) * 1e-3)
    if cast.leftover_kg is not None:
        unaccounted = cast.charge_kg - cast.leftover_kg - float(laid_kg[-1])
        if unaccounted < -_MASS_BALANCE_SHARE * float(laid_kg[-1]):
            return "the sheet weighs more than charge less leftover: charge, leftover or readings are wrong"
        if unaccounted > run_up_kg + 0.6 * float(laid_kg[-1]):
            return "charge less leftover is far more than sheet and run-up: charge, leftover or readings are wrong"
        run_up_kg = max(unaccounted, 0.0)
    left = cast.charge_kg - run_up_kg - laid_kg[:-1]
    head = left / (fluid.density_kg_m3 * width * cast.sled.inner_length_mm * 1e-3)
    gate = cast.gate_mm * 1e-3
    capillary = fluid.surface_tension_n_m / (fluid.density_kg_m3 * 9.81 * gate)
    if float(head.min()) < 1.5 * gate + capillary:
        return "by its own mass balance the sled was empty before the end"
    speeds = _speeds(cast, x)
    if isinstance(speeds, str):
        return speeds
    speed, slopes, covariance = speeds
    film_sd = cast.gauge_sd_mm / np.sqrt(counts) / solid
    return ReducedCast(
        cast.id,
        x,
        film,
        film_sd,
        head,
        speed,
        slopes,
        covariance,
        gate,
        capillary,
        superheat,
        width,
        run_up_kg,
        expected_kg,
        cast.leftover_kg is not None,
    )


def _unusable(cast: LoggedCast) -> str:
    try:
        checked("gate_mm", cast.gate_mm, 0.5, 20.0, "mm")
        checked("charge_kg", cast.charge_kg, 0.5, 2000.0, "kg")
        checked("length_mm", cast.length_mm, 200.0, 20000.0, "mm")
        for distance, thickness in cast.thickness_mm:
            checked("distance of a reading", distance, 0.0, cast.length_mm, "mm")
            checked("thickness", thickness, 0.2, 10.0, "mm")
    except CastingError as error:
        return str(error)
    if len({d for d, _ in cast.thickness_mm}) < 2:
        return "fewer than two places were measured"
    if len(cast.marks) < 2 and cast.push_time_s is None:
        return "no times were logged"
    if cast.leftover_kg is not None and cast.leftover_kg >= cast.charge_kg:
        return "more was left than charged"
    if not -5.0 <= cast.superheat_k <= 250.0:
        return f"the pour temperature is {cast.superheat_k:.0f} K from the liquidus"
    return ""


def _laid_volume_per_width(x_m: Array, film_m: Array, length_m: float) -> Array:
    """Film laid from the sheet's beginning to each station, and to its end (last value); level beyond the outer stations."""
    inner = np.concatenate([[0.0], np.cumsum(0.5 * (film_m[1:] + film_m[:-1]) * np.diff(x_m))])
    to_stations = float(film_m[0]) * float(x_m[0]) + inner
    return np.append(to_stations, to_stations[-1] + float(film_m[-1]) * max(length_m - float(x_m[-1]), 0.0))


def _speeds(cast: LoggedCast, x_m: Array) -> tuple[Array, Array, Array] | str:
    """Speed at the stations, its slopes by the three timing parameters, and their covariance.

    With four marks or more, time is a cubic of distance, its last term held small; with fewer the speed is even, and how
    it may have changed is left open by 15 % (estimate).
    """
    marks = sorted(cast.marks)
    if len(marks) < 2:
        assert cast.push_time_s is not None
        marks = [(0.0, 0.0), (cast.length_mm * 1e-3, cast.push_time_s)]
    d, t = np.array([m[0] for m in marks]), np.array([m[1] for m in marks])
    if np.any(np.diff(d) <= 0.0) or np.any(np.diff(t) <= 0.0):
        return "the marks do not rise in distance and time"
    timing_sd = max(cast.timing_sd_s, 1e-3)
    if len(marks) < 4:
        design = np.vander(d, 2, increasing=True)
        _, pace_s_m = np.linalg.lstsq(design, t, rcond=None)[0]
        if not 0.2 < pace_s_m <= 20.0:
            return "the times give no speed that a push can have"
        speed = np.full(len(x_m), 1.0 / pace_s_m)
        along = x_m / (cast.length_mm * 1e-3) - 0.5
        slopes = np.column_stack([-speed, along, 4.0 * along**2 - 1.0 / 3.0])
        spread = timing_sd**2 * np.linalg.inv(design.T @ design)
        return speed, slopes, np.diag([spread[1, 1], _UNKNOWN_SPEED_CHANGE**2, _UNKNOWN_BEND**2])
    design = np.vander(d, 4, increasing=True)
    usual_pace = float(t[-1] - t[0]) / float(d[-1] - d[0])
    # The cubic term is held by what a push bends: 6 % of the pace away from a straight change, at mid-length (estimate).
    precision = design.T @ design / timing_sd**2
    precision[3, 3] += (float(d[-1] - d[0]) ** 2 / (_BEND * usual_pace)) ** 2
    covariance = np.linalg.inv(precision)
    fitted = covariance @ (design.T @ t) / timing_sd**2
    pace = fitted[1] + 2.0 * fitted[2] * x_m + 3.0 * fitted[3] * x_m**2
    if np.any(pace <= 0.2) or np.any(pace > 20.0):
        return "the marks give no speed that a push can have"
    speed = 1.0 / pace
    slopes = -speed[:, None] * np.column_stack([np.ones_like(x_m), 2.0 * x_m, 3.0 * x_m**2])
    return speed, slopes, covariance[1:, 1:]
